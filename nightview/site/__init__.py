"""Scene → surfaces: all that stands, its materials, and the lamps in their places."""
