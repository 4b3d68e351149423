"""Checks: what is wrong with the light, where, by how much, and the remedy proved."""
