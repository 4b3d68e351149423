"""Everything that can be done in the window, each with its menu, its keys and its words."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Deed:
    """One thing that can be done. name : of the method that does it, "app.NAME". keys : as Qt writes
    them, the first shown in the menu: what a keyboard writes with Shift, as ">", without it, or
    one press would mean two things on some; menu : "" where it is in none."""

    name: str
    menu: str
    words: str
    keys: tuple[str, ...]


DEEDS = (
    Deed("save", "Scene", "Save", ("Ctrl+S",)),
    Deed("save_as", "Scene", "Save as…", ("Ctrl+Shift+S",)),
    Deed("reload", "Scene", "Take the file as it is on disk", ("F5",)),
    Deed("picture", "Scene", "Write a still of this picture", ("P",)),
    Deed("close", "Scene", "Close", ("Ctrl+Q",)),
    Deed("undo", "Change", "Undo", ("Ctrl+Z",)),
    Deed("redo", "Change", "Redo", ("Ctrl+Y", "Ctrl+Shift+Z")),
    Deed("next_lamp", "Lamp", "Choose the next lamp", ("PgDown",)),
    Deed("last_lamp", "Lamp", "Choose the one before", ("PgUp",)),
    Deed("no_lamp", "Lamp", "Choose none", ("Esc",)),
    Deed("switch", "Lamp", "On or off", ("X",)),
    Deed("brighter", "Lamp", "Brighter by 5 %", ("+", "=")),
    Deed("dimmer", "Lamp", "Dimmer by 5 %", ("-",)),
    Deed("warmer", "Lamp", "Warmer by 100 K", ("H",)),
    Deed("cooler", "Lamp", "Cooler by 100 K", ("J",)),
    Deed("wider", "Lamp", "Lamp with the next wider beam", ("]",)),
    Deed("narrower", "Lamp", "Lamp with the next narrower beam", ("[",)),
    Deed("name_lamp", "Lamp", "Put in another lamp by name", ("F2",)),
    Deed("add", "Lamp", "Add one at the pointer", ("A",)),
    Deed("duplicate", "Lamp", "Duplicate", ("D",)),
    Deed("mirror", "Lamp", "Mirror about the nearest door or window", ("M",)),
    Deed("delete", "Lamp", "Delete", ("Del",)),
    Deed("row", "Lamp", "In a state: its whole row, or it alone", ("R",)),
    Deed("part", "Lamp", "Take its row apart", ("U",)),
    Deed("move_left", "", "Move the lamp to the left by 5 cm", ("Alt+Left",)),
    Deed("move_right", "", "Move it to the right", ("Alt+Right",)),
    Deed("move_away", "", "Move it away", ("Alt+Up",)),
    Deed("move_near", "", "Move it nearer", ("Alt+Down",)),
    Deed("move_up", "", "Move it up", ("Alt+PgUp",)),
    Deed("move_down", "", "Move it down", ("Alt+PgDown",)),
    Deed("aim_left", "", "Aim it to the left by 10 cm", ("Alt+Shift+Left",)),
    Deed("aim_right", "", "Aim it to the right", ("Alt+Shift+Right",)),
    Deed("aim_up", "", "Aim it higher", ("Alt+Shift+Up",)),
    Deed("aim_down", "", "Aim it lower", ("Alt+Shift+Down",)),
    Deed("day", "Look", "Night or daylight", ("N",)),
    Deed("next_look", "Look", "Next look: camera, eye, levels", ("L",)),
    Deed("quantity", "Look", "Levels in lux or in cd/m²", ("Q",)),
    Deed("marks", "Look", "Lamps marked or not", ("G",)),
    Deed("lock", "Look", "Lock the exposure in the file, or unlock it", ("E",)),
    Deed("lighter", "Look", "Exposure a third of a stop lighter", (".",)),
    Deed("darker", "Look", "Exposure a third of a stop darker", (",",)),
    Deed("next_state", "State", "Next state", ("T",)),
    Deed("compare", "State", "Next state beside it", ("C",)),
    Deed("no_compare", "State", "No state beside it", ("Shift+C",)),
    Deed("wipe", "State", "Beside it as a wipe, or side by side", ("W",)),
    Deed("wipe_left", "State", "Wipe to the left", ("<",)),
    Deed("wipe_right", "State", "Wipe to the right", (">",)),
    Deed("home", "View", "Back to the named view", ("0",)),
    Deed("ahead", "View", "Walk ahead", ("Up",)),
    Deed("back", "View", "Walk back", ("Down",)),
    Deed("turn_left", "View", "Turn to the left", ("Left",)),
    Deed("turn_right", "View", "Turn to the right", ("Right",)),
    Deed("step_left", "View", "Step to the left", ("Shift+Left",)),
    Deed("step_right", "View", "Step to the right", ("Shift+Right",)),
    Deed("orbit_left", "View", "Go round to the left", ("Ctrl+Left",)),
    Deed("orbit_right", "View", "Go round to the right", ("Ctrl+Right",)),
    Deed("orbit_up", "View", "Go round upwards", ("Ctrl+Up",)),
    Deed("orbit_down", "View", "Go round downwards", ("Ctrl+Down",)),
    Deed("nearer", "View", "Nearer", ("Z",)),
    Deed("farther", "View", "Farther", ("Shift+Z",)),
    Deed("pan_left", "", "Picture to the left", ("Ctrl+Shift+Left",)),
    Deed("pan_right", "", "Picture to the right", ("Ctrl+Shift+Right",)),
    Deed("pan_up", "", "Picture up", ("Ctrl+Shift+Up",)),
    Deed("pan_down", "", "Picture down", ("Ctrl+Shift+Down",)),
    Deed("help", "Help", "Show these keys", ("F1", "?")),
)

MOUSE = (
    ("drag a lamp", "along the ground, or the wall it is fixed to; a row moves as a whole"),
    ("drag a lamp with Shift", "up and down"),
    ("drag the square of the chosen lamp", "aim it"),
    ("drag elsewhere", "go round"),
    ("drag with the right button", "move the picture aside"),
    ("turn the wheel", "nearer, farther"),
)


def help_text(views: tuple[str, ...], across: int = 3) -> str:
    """All keys as HTML, in so many columns of tables, and the mouse below."""
    groups: dict[str, list[tuple[str, str]]] = {}
    for deed in DEEDS:
        group = deed.menu or (
            "Lamp" if "lamp" in deed.words or "it" in deed.words.split() else "View"
        )
        groups.setdefault(group, []).append((" or ".join(deed.keys), deed.words))
    numbers = [(str(k + 1), f"view: {name}") for k, name in enumerate(views[:9])]
    groups["View"] = numbers + groups["View"]
    columns, size = [""] * across, [0] * across
    for name, rows in sorted(groups.items(), key=lambda item: -len(item[1])):
        k = size.index(min(size))
        size[k] += len(rows) + 2
        columns[k] += f"<h4>{name}</h4>{_table(rows)}"
    cells = "".join(f'<td valign="top" style="padding: 0 16px">{one}</td>' for one in columns)
    mouse = (
        f'<td colspan="{across}" style="padding: 0 16px"><h4>Mouse</h4>{_table(list(MOUSE))}</td>'
    )
    head = "<p>Esc or F1 goes back to the picture.</p>"
    return f"{head}<table><tr>{cells}</tr><tr>{mouse}</tr></table>"


def _table(rows: list[tuple[str, str]]) -> str:
    lines = "".join(
        f"<tr><td><b>{_plain(keys)}</b>&nbsp;&nbsp;</td><td>{_plain(words)}</td></tr>"
        for keys, words in rows
    )
    return f"<table>{lines}</table>"


def _plain(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
