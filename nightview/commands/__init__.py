"""One file a command; each imports what it needs only when it runs."""

from __future__ import annotations

from importlib.metadata import version

from cyclopts import App

app = App(
    name="nightview",
    help="What a garden and house will look like at night, calculated before anyone digs.",
    version=version("nightview"),
    suppress_keyboard_interrupt=False,  # main tells of it
)
for _name in ("new", "still", "compare", "turntable", "plan", "lamps", "materials", "schema"):
    app.command(f"nightview.commands.{_name}:{_name}", name=_name)
