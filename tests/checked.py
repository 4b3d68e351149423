"""Small scenes for the tests of the checks, and a job of each."""

from __future__ import annotations

import nightview as nv
from nightview.checks.job import Job
from nightview.checks.result import Result
from nightview.checks.run import CHECKS, results_of
from nightview.scene.read import parse
from nightview.scene.states import AS_DESIGNED

WALL = """
title = "a wall"
[site]
surroundings = "none"
[materials.grey]
rgb = [0.5, 0.5, 0.5]
[lamps.narrow]
kind = "beam"
beam = "24 deg"
flux = "100 lm"
spill = 0.0
loss_factor = 1.0
[lamps.wide]
like = "narrow"
beam = "60 deg"
[[block]]
name = "house"
at = "0 m, 0 m"
size = "{width} m, 4 m"
height = "{height} m"
material = "{material}"
[block.roof]
kind = "flat"
overhang = "0 m"
"""


def wall(
    extra: str = "", *, width: float = 6.0, height: float = 3.0, material: str = "grey"
) -> str:
    """One house with a flat roof and nothing about it, so that no light comes back to it."""
    return WALL.format(width=width, height=height, material=material) + extra


def lamp(
    name: str,
    along: float,
    out: float,
    elevation: float = 80.0,
    kind: str = "narrow",
    more: str = "",
) -> str:
    """An uplight before the house's front."""
    return (
        f'[[fixture]]\nid = "{name}"\nlamp = "{kind}"\nblock = "house"\nalong = "{along} m"\n'
        f'out = "{out} m"\nelevation = "{elevation} deg"\n{more}\n'
    )


def job_of(text: str, state: str = AS_DESIGNED) -> Job:
    """The job of a scene's text."""
    return Job.at(nv.trace(nv.build(parse(text))), state)


def results(text: str, check: str, state: str = AS_DESIGNED) -> list[Result]:
    """What one check says of a scene."""
    return [r for r in results_of(job_of(text, state), CHECKS) if r.check == check]


def only(text: str, check: str, state: str = AS_DESIGNED) -> Result:
    """The one result of a check."""
    (found,) = results(text, check, state)
    return found
