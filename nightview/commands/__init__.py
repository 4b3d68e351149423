"""One file a command; each imports what it needs only when it runs."""

from __future__ import annotations

from importlib.metadata import version

from cyclopts import App

app = App(
    name="nightview",
    help="What a garden and house will look like at night, calculated before anyone digs.",
    version=version("nightview"),
)
for _name, _help in {
    "new": "Write a commented first scene file.",
    "still": "Write the night pictures of a scene, one a view.",
    "lamps": "List the lamps that a scene can name.",
    "materials": "List the materials that a scene can name.",
    "schema": "Print the JSON Schema of the scene file.",
}.items():
    app.command(f"nightview.commands.{_name}:{_name}", name=_name, help=_help)
