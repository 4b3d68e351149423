"""Lamp in, light out: intensity by direction [cd] and colour, from a catalogue or a file."""
