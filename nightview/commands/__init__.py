"""One file a command; each imports what it needs only when it runs."""

from __future__ import annotations

from importlib.metadata import version

from cyclopts import App

# Said here, since a command is loaded only when it runs.
_COMMANDS = {
    "new": "write a commented first scene from a few dimensions",
    "still": "write the night pictures of a scene",
    "compare": "put states, colour temperatures or before and after side by side",
    "window": "open the night scene in a window and change it by hand",
    "turntable": "make a video round the house, or along its views",
    "plan": "write a scaled plan to stake lamps out from, and the beams in perspective",
    "check": "find what is wrong with the light, and the remedy",
    "meter": "read a light meter at points, along a path or on a wall, as CSV",
    "match": "find where a photo was taken from, by points marked in it, and draw the model on it",
    "wire": "calculate the volts at every lamp, and find what is wrong with the wiring",
    "pack": "write the hand-over folder: client's page, installer's sheets, quote, try-out night",
    "intake": "print what the home owner is asked for first",
    "lamps": "list the built-in lamps, and a scene's own",
    "materials": "list the materials and how much light they reflect",
    "schema": "print the scene file's JSON Schema",
}

app = App(
    name="nightview",
    help="What a garden and house will look like at night, calculated before anyone digs.\n\n"
    + "\n".join(f"- {name}: {words}" for name, words in _COMMANDS.items()),
    version=version("nightview"),
    suppress_keyboard_interrupt=False,  # main tells of it
)
for _name in _COMMANDS:
    app.command(f"nightview.commands.{_name}:{_name}", name=_name)
