"""Wiring: cables, taps and transformers of a scene, solved exactly."""
