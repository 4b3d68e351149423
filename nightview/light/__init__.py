"""Site and lamps → light: one map a lamp, bounced light, and their sum for a state."""
