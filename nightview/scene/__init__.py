"""The scene: one TOML file in, one frozen ``Scene`` out, in SI floats, checked.

``read.read(path)`` gives the scene, ``model`` says what it holds, ``schema.schema()`` is the same
for editors, and ``starter.starter(...)`` writes a first file to go on from.
"""
