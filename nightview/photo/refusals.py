"""Why a photo's camera cannot be told, in plain words and with what to do.

Each check raises ``RefusedError`` or passes. The limits are ours, from a trial with synthetic
photos, where they let pass what came out well.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from nightview.errors import NightviewError
from nightview.photo.fit import Marks
from nightview.picture.camera import Camera
from nightview.site.surface import Array
from nightview.units import shown

LEAST_MARKS, LEAST_WITH_FOCAL = 6, 4
"""Seven unknowns want four marks; without a stated focal length two more are needed to notice a
wrong one."""
THIN_M, THIN_SHARE = 0.08, 0.015
"""Marks that lie nearer to a line or a plane than this, root mean square, or than this share of
their reach, are in it."""
LEAST_COVER = 0.25
"""Share of the picture's width or height that the marks must span."""
CORNER_SHARE = 0.0075
"""Of the picture's width: a larger expected error of corners (2σ) is seen as a crooked picture."""
CROPPED = 0.10
"""A focal length off by more than this share, and by more than chance, tells of a cropped photo."""

Suggest = Callable[[], str]
"""Names a point worth marking, quoted, or ""; asked only where it is needed, since it takes rays."""


class RefusedError(NightviewError):
    """A photo whose camera cannot be told.

    kind : too few, one line, one plane, little of the picture, no camera, mirrored, wrong mark,
        exchanged, misfit, cropped or uncertain. guess : the best camera, where it helps to look at it.
    """

    def __init__(self, kind: str, where: str, problem: str, remedy: str) -> None:
        super().__init__(where, problem, remedy)
        self.kind = kind
        self.guess: Camera | None = None

    def with_guess(self, camera: Camera) -> RefusedError:
        """The same with a camera to look at."""
        self.guess = camera
        return self


def check_marks(where: str, marks: Marks, suggest: Suggest) -> None:
    """The marks by themselves: enough of them, spread in space and over the picture."""
    least = LEAST_MARKS if marks.focal is None else LEAST_WITH_FOCAL
    if len(marks) < least:
        why = "" if marks.focal is None else " with a known focal length"
        count = "no marks" if not len(marks) else f"{len(marks)} mark{'s' * (len(marks) > 1)}"
        raise RefusedError(
            "too few", where, f"has {count}, too few to tell the camera: it takes {least}{why}",
            f"mark 8 that are spread in depth, for example {_or(suggest(), 'a corner of the porch')}",
        )  # fmt: skip
    thick, normal = _reaches(marks)
    reach = thick[0]
    limit = max(THIN_M, THIN_SHARE * reach)
    if thick[1] < limit:
        raise RefusedError(
            "one line", where, "its marks all lie in one line, which any turn about it leaves as it is",
            f"mark points aside of it and at other depths, for example {_or(suggest(), 'the eaves and the porch')}",
        )  # fmt: skip
    if thick[2] < limit:
        plane = (
            "upright plane"
            if abs(normal[2]) < 0.2
            else "level plane"
            if abs(normal[2]) > 0.98
            else "plane"
        )
        raise RefusedError(
            "one plane", where,
            f"its marks all lie in one {plane} (within {2 * thick[2]:.2f} m), so that the distance "
            "and the focal length cannot be told apart",
            f"mark two points before or behind it, for example {_or(suggest(), 'the porch or a wing')}",
        )  # fmt: skip
    span = np.ptp(marks.pixels, axis=0) / marks.size
    if span.max() < LEAST_COVER:
        raise RefusedError(
            "little of the picture", where,
            f"its marks cover too little of the picture: {100 * span[0]:.0f} % of its width and "
            f"{100 * span[1]:.0f} % of its height",
            f"mark points farther apart, or take a photo from nearer; it takes {100 * LEAST_COVER:.0f} %",
        )  # fmt: skip


def _reaches(marks: Marks) -> tuple[Array, Array]:
    """The root mean square reach of the places along their three main axes [m], and the shortest
    axis."""
    _, value, way = np.linalg.svd(marks.places - marks.places.mean(axis=0), full_matrices=True)
    reach = np.zeros(3)
    reach[: len(value)] = value / np.sqrt(len(marks))
    return reach, way[2]


def _or(name: str, otherwise: str) -> str:
    return name or otherwise


def no_camera(where: str, why: str = "") -> RefusedError:
    """No place to stand was found."""
    return RefusedError(
        "no camera", where, f"no camera in front of the house sees the marks so{why}",
        "check that the points are named as one stands before the house, and the pixels count from "
        "the upper left corner of the upright photo",
    )  # fmt: skip


def mirrored(where: str) -> RefusedError:
    """The marks fit the photo turned left to right."""
    return RefusedError(
        "mirrored", where, "its marks are mirrored left and right: they fit the photo turned round",
        "name left and right as one stands before the front, or take the photo as it was taken",
    )  # fmt: skip


def wrong_mark(where: str, names: Sequence[str], off_px: float, off_m: float) -> RefusedError:
    """One mark does not fit the others; or one of two, if either would mend it."""
    first, *more = [shown(name) for name in names]
    also = f" (or it is {' or '.join(more)})" if more else ""
    return RefusedError(
        "wrong mark", where,
        f"mark {first} does not fit the others: it is {off_px:.0f} px, about {off_m:.2f} m, from where "
        f"they put it{also}",
        "correct its pixel or its point, or leave it out; if the model was only paced out, write a "
        "larger model_off_by",
    )  # fmt: skip


def exchanged(where: str, names: Sequence[str]) -> RefusedError:
    """Two marks fit where the other is marked."""
    one, other = (shown(name) for name in names)
    return RefusedError(
        "exchanged", where,
        f"marks {one} and {other} are exchanged: all marks fit together if each has the other's pixel",
        "exchange their pixels",
    )  # fmt: skip


def misfit(where: str, rms_px: float, worst: Sequence[tuple[str, float]]) -> RefusedError:
    """The marks contradict each other, and no single one is to blame."""
    named = ", ".join(f"{shown(name)} by {off:.0f} px" for name, off in worst)
    return RefusedError(
        "misfit", where,
        f"its marks do not fit together: they are off by {rms_px:.0f} px on average, most {named}",
        "look for several wrong marks, a wrong dimension of the model (nightview match lists which "
        "would fit), or a photo that was cropped or straightened",
    )  # fmt: skip


def cropped(
    where: str, fits_mm: float, sigma_mm: float, stated_mm: float, own: bool
) -> RefusedError:
    """The focal length from the marks against the one in the file, or in the scene."""
    said = "the photo's own data say" if own else "focal_35mm says"
    return RefusedError(
        "cropped", where,
        f"the photo looks cropped: the marks want a focal length of {fits_mm:.0f} mm ± {sigma_mm:.0f} as on "
        f"35 mm film, {said} {stated_mm:.0f} mm",
        "give the photo as the camera took it; if it was cut evenly about its middle or the data are "
        f'wrong, write focal_35mm = "{fits_mm:.0f} mm"',
    )  # fmt: skip


def uncertain(
    where: str, off_px: float, corner: str, limit_px: float, suggest: Suggest
) -> RefusedError:
    """The marks fit, and yet leave too much open."""
    return RefusedError(
        "uncertain", where,
        f"its camera is uncertain: corners could be {off_px:.0f} px off ({shown(corner)}); "
        f"{limit_px:.0f} px is the most",
        f"mark more points at other depths and near the picture's edges, for example {_or(suggest(), 'a porch or wing')}",
    )  # fmt: skip
