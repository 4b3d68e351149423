"""A first scene file to go on from, written so that its reader learns the format."""

from __future__ import annotations

import math
from typing import get_args

import tomlkit

from nightview.errors import NightviewError
from nightview.scene.faults import choice
from nightview.scene.model import Roof
from nightview.units import write_length

ROOFS: tuple[str, ...] = get_args(Roof.model_fields["kind"].annotation)
_ACROSS_M = (3.0, 40.0)
_HIGH_M = (2.4, 40.0)  # below, no door fits under the eaves

# How far up a wall the light goes, in setbacks, until it is a tenth of its peak, aimed at 80 deg:
# our calculation for a beam that falls off as a Gaussian.
_REACH_36, _REACH_24 = 5.6, 7.1


def starter(
    width_m: float,
    depth_m: float,
    height_m: float,
    roof: str = "gable",
    title: str = "Our house",
    feet: bool = False,
) -> str:
    """The TOML text of a house with a path, a tree, six lamps and two views.

    width_m, depth_m : of the house [m], 3 to 40. height_m : to the eaves [m], 2.4 to 40.
    feet : lengths in feet and inches, else in metres. Raises NightviewError, whose place is the
    argument's name, if one is out of range.
    """
    for name, metres, (least, most) in (
        ("width", width_m, _ACROSS_M),
        ("depth", depth_m, _ACROSS_M),
        ("height", height_m, _HIGH_M),
    ):
        if not least <= metres <= most:
            problem = f"{metres:g} m is out of range"
            raise NightviewError(name, problem, f"from {least:g} m to {most:g} m will do")
    if roof not in ROOFS:
        raise NightviewError("roof", f'"{roof}" is unknown', choice(roof, ROOFS, "one of"))

    def m(*metres: float) -> str:
        return '"' + ", ".join(write_length(one, feet) for one in metres) + '"'

    door = 0.9 if width_m < 5.0 else 1.0
    beside = (width_m - door) / 2  # wall to the left of the door
    window = min(1.4, 0.55 * beside)
    pier = (3 * beside + window) / 4  # halfway between the window and the door
    wide = height_m <= 7.0
    setback = max(0.45, height_m / (_REACH_36 if wide else _REACH_24))
    away = max(10.0, 0.9 * width_m + 4.0)  # of the street view
    tree_x, tree_y = -width_m / 2 - 2.5, -3.5
    tree = min(max(height_m + 1.5, 5.0), 9.0)
    # Wide enough for the house and the tree; the roof of a high house may be cut off.
    fov = 2 * math.degrees(math.atan((width_m / 2 + 5.5) / (away - 3.5)))
    upper = f"""
# A row: "along" is the first one's.
[[opening]]
name = "upper windows"
block = "house"
along = {m(beside / 2)}
sill = {m(3.3)}
size = {m(window, 1.3)}
count = 2
spacing = {m(width_m - beside)}  # centre to centre
"""
    name = tomlkit.item(title.encode("utf-8", "replace").decode("utf-8")).as_string()
    return f"""\
# A scene file: what stands there, which lamps light it, and where one looks from.
#
# Every quantity is a text with its unit: "2.5 m", "8 ft 2 in", "36 deg", "260 lm", "2700 K".
# x runs along the front of the house, y from the street into the lot, z up. The origin is ours
# to choose: here it is on the ground, below the middle of the front.
# [one] is a single table. [[many]] may stand again and again, each with a name of its own.

title = {name}

# --- what stands there ----------------------------------------------------------------------------

[site]
surroundings = "suburban"  # light there is anyway: "none", "dark", "rural", "suburban", "city"
north = "0 deg"            # bearing of the way into the lot (+y): turn it to suit the plan

[ground]
material = "grass"
size = {m(width_m + 24.0, away + depth_m + 14.0)}
centre = {m(0.0, (depth_m + 2.0 - away) / 2)}

# A block is a box with a roof. A wing is another block that overlaps this one.
[[block]]
name = "house"
at = {m(-width_m / 2, 0.0)}  # front left corner
size = {m(width_m, depth_m)}  # width along the front, depth
height = {m(height_m)}  # to the eaves
material = "off-white stucco"
[block.roof]
{_roof(roof, depth_m)}
# An opening is a door or window. "along" is measured from the left end of its wall, as seen from
# outside, to the middle of the opening.
[[opening]]
name = "front door"
block = "house"
side = "front"  # or "back", "left", "right"
kind = "door"
along = {m(width_m / 2)}
sill = {m(0.0)}
size = {m(door, 2.1)}
material = "green paint"

[[opening]]
name = "left window"
block = "house"
along = {m(beside / 2)}
sill = {m(0.9)}  # from the floor to the lower edge
size = {m(window, 1.3)}
behind = "sitting room"
glow = "5 cd/m^2"  # the room is lit; leave it out for a dark one

[[opening]]
name = "right window"
block = "house"
along = {m(width_m - beside / 2)}
sill = {m(0.9)}
size = {m(window, 1.3)}
behind = "dining room"  # of a bedroom, "bedroom": the checks keep light out of it
{upper if height_m >= 5.0 else ""}
[[path]]
name = "front path"
line = [{m(0.0, 0.0)}, {m(0.0, -away / 2)}, {m(1.0, 1.0 - away)}]  # its middle, from the door out
width = {m(1.2)}
curved = true
material = "bluestone"

[[tree]]
name = "front tree"
kind = "broadleaf"  # or "conifer", "palm", "columnar", "multi-stem"
at = {m(tree_x, tree_y)}
height = {m(tree)}
crown = {m(0.6 * tree)}  # diameter
clear = {m(0.3 * tree)}  # trunk below the crown

# --- lamps ----------------------------------------------------------------------------------------

# Fixtures name a lamp of the built-in catalogue, or one of this file, such as this: the catalogue's
# lamp, but with a whiter light, which is kinder to green leaves.
[lamps."tree lamp"]
like = "accent 36"
cct = "3000 K"

# A fixture puts a lamp in its place. At a wall: so far along it, and so far out from it. Worth
# trying: "out" (nearer is steeper, and harsher at the foot), "lamp" (a smaller number is a narrower
# beam) and "elevation".
[[fixture]]
id = "facade-left"
lamp = "{"accent 36" if wide else "accent 24"}"
zone = "facade"  # lamps of a zone are switched and dimmed together
block = "house"
along = {m(pier)}
out = {m(setback)}
elevation = "80 deg"  # up; with no bearing given, towards the wall

[[fixture]]
id = "facade-right"
lamp = "{"accent 36" if wide else "accent 24"}"
zone = "facade"
block = "house"
along = {m(width_m - pier)}
out = {m(setback)}
elevation = "80 deg"

[[fixture]]
id = "door"
lamp = "wash"
zone = "entrance"
block = "house"
along = {m(width_m / 2 + 1.0)}
out = {m(1.0)}
aim_at = "front door"  # anything that has a name; or aim = "x, y, z"
dim = 0.3  # 1 is full light

# Along a path: the first so far from its beginning, the others at a spacing.
[[fixture]]
id = "path"
lamp = "path hat"
zone = "paths"
path = "front path"
start = {m(1.5)}
count = 2
spacing = {m(2.5)}
verge = "staggered"  # or "left", "right", "both"

# At a point: x, y and the height of the lens.
[[fixture]]
id = "tree"
lamp = "tree lamp"
zone = "trees"
at = {m(tree_x + 0.9, tree_y - 0.9, 0.15)}
aim_at = "front tree"

# --- what nightview check goes by -----------------------------------------------------------------

[check]
zone = "E2"         # how bright the district is by night: E1 dark, E2 rural, E3 suburban, E4 city
curfew = "late"     # the state, below, that is on late in the evening

# --- ways to show it ------------------------------------------------------------------------------

# As designed all of it is on. A state says what is otherwise: here the lamps of other zones are off.
[[state]]
name = "late"
label = "Late in the evening"  # in plain words, for captions
only = ["entrance", "paths"]
zones = {{ paths = {{ dim = "50 %" }} }}  # also on = false, or cct = "3000 K"

# --- where one looks from -------------------------------------------------------------------------

[[view]]
name = "street"
eye = {m(1.0, -away, 1.6)}
target = {m(0.0, 0.0, 0.45 * height_m)}
fov = "{fov:.0f} deg"  # how much is seen, from left to right

[[view]]
name = "front door"
eye = {m(0.0, -4.0, 1.6)}
target = {m(0.0, 0.0, 1.4)}
fov = "60 deg"
"""


def _roof(kind: str, depth_m: float) -> str:
    """The keys of the roof's table; the pitch keeps a deep house from a towering roof."""
    lines = [f'kind = "{kind}"  # one of ' + ", ".join(f'"{one}"' for one in ROOFS)]
    if kind != "flat":
        run = depth_m if kind == "shed" else depth_m / 2
        pitch = min(35.0, math.degrees(math.atan(4.0 / run)))
        lines.append(f'pitch = "{pitch:.0f} deg"')
    if kind in ("gable", "shed"):
        lines.append('ridge = "along"  # along the front; or "across"')
    lines.append('material = "charcoal shingle"')
    return "\n".join(lines) + "\n"
