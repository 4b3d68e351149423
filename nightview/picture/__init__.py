"""Light and a view → a picture: the only folder that loads VTK."""
