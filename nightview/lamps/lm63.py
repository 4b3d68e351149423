"""Reading photometric files in the LM-63 format (1986, 1991, 1995, 2002, 2019), type C.

The traps are known: candela are table × multiplier × ballast factor and nothing else. Lamps and
lumens per lamp never scale the table. Field 12 scales it in files of 1986 and 1991 alone; later
it is reserved, and in 2019 it says how the file was made (1.1 is an accredited laboratory).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from types import MappingProxyType
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from nightview.errors import NightviewError
from nightview.lamps.intensity import Intensity

Floats = NDArray[np.float64]

_M_PER_FT = 0.3048  # exact by definition
_MOST_BYTES = 16_000_000
_MOST_ANGLES = 7201
_MOST_VALUES = 2_000_000
_LEAST_PEAK_CD, _MOST_PEAK_CD = 1e-6, 1e9
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\Z")
_ASK = "ask the maker for a sound file, or state the lamp by beam and flux"


@dataclass(frozen=True, eq=False)
class Tilt:
    """How a lamp's output changes with its tilt: a discharge lamp's; light-emitting diodes' not.

    geometry : how the lamp sits in the luminaire that is aimed straight down: 1 upright; 2 level,
        and still level when the luminaire is tilted in the plane of H = 0, so that it lies along
        H = 90; 3 level, and tilted with it, so that it lies along H = 0.
    angles_deg, factors : (n,) rising angles of tilt, and what the candela are multiplied by.
    """

    geometry: int
    angles_deg: Floats
    factors: Floats

    def factor(self, axis: Floats, reference: Floats) -> float:
        """The factor for a luminaire whose V = 0 is axis and H = 0 is reference, (3,) unit, z up.

        The tilt is how far the lamp itself has turned from where it was measured: for an upright
        lamp the angle of the axis from straight down, for a level one the angle of its length from
        the level. Linear between the angles; beyond the last, and before the first, as there. The
        geometries are as LM-63-2002 and 2019 define them, read from public readers of the format
        that quote them; that tilt is counted on the lamp is our reading.
        """
        if self.geometry == 1:
            tilt = np.arccos(np.clip(-axis[2], -1.0, 1.0))
        else:
            along = np.cross(axis, reference) if self.geometry == 2 else reference
            tilt = np.arcsin(min(abs(float(along[2])), 1.0))
        return float(np.interp(np.degrees(tilt), self.angles_deg, self.factors))


@dataclass(frozen=True, eq=False)
class LM63:
    """One photometric file.

    edition : year of the format; 1986 where the file has no heading.
    heading : the file's first line where it names the format, else "".
    keywords : what the file says of itself, by keyword without brackets; of a keyword that comes
        again, and of [MORE], the lines joined by line breaks.
    vertical_deg : (n_v,) angle from the axis [deg]; 0 is straight down as measured.
    horizontal_deg : (n_h,) angle about the axis [deg], counter-clockwise seen from above, as
        stored: one half-plane, a quarter, a half or the whole round.
    candela : (n_h, n_v) intensity [cd], every factor applied.
    lumens_nominal : lumens of the lamps inside [lm], a rating that is no total of the table;
        None in absolute photometry.
    ballast_factor, field_12 : as written. watts : input power [W].
    width_m, length_m, height_m : luminous opening [m]; round_opening where the file says so.
    tilt : how the light changes with the way the luminaire is held, or None; no part of candela.
    """

    edition: int
    heading: str
    keywords: Mapping[str, str]
    vertical_deg: Floats
    horizontal_deg: Floats
    candela: Floats
    lumens_nominal: float | None
    ballast_factor: float
    field_12: float
    watts: float
    width_m: float
    length_m: float
    height_m: float
    round_opening: bool
    tilt: Tilt | None

    @property
    def symmetry(self) -> str:
        """Which part of the round is stored: axial, quadrant, bilateral or none."""
        first, last = self.horizontal_deg[0], self.horizontal_deg[-1]
        if first == 90.0:
            return "bilateral"
        return {0.0: "axial", 90.0: "quadrant", 180.0: "bilateral"}.get(last, "none")

    @property
    def zonal_flux_lm(self) -> float:
        """Lumens [lm] as laboratories add them up, the zonal method.

        Mean of the candela at a zone's two edges times 2π(cos θ₁ − cos θ₂), by the trapezium rule
        round the axis. It is the figure in reports; a coarse file's own integral differs a little.
        """
        mean = self.candela[0]
        if len(self.horizontal_deg) > 1:
            share = np.diff(self.horizontal_deg) / np.ptp(self.horizontal_deg)
            mean = share @ (self.candela[1:] + self.candela[:-1]) / 2.0
        zone = -np.diff(np.cos(np.radians(self.vertical_deg)))
        return float(2.0 * np.pi * zone @ (mean[1:] + mean[:-1]) / 2.0)

    def all_round(self) -> tuple[Floats, Floats]:
        """Angles (m,) from 0 to 360 deg and candela (m, n_v), the symmetry unfolded."""
        angle, candela = self.horizontal_deg, self.candela
        if angle[0] == 90.0:  # 1995: the half from 90 to 270, mirrored in the plane 90–270
            angle = np.concatenate([angle - 180.0, angle[1:]])
            candela = np.concatenate([candela[::-1], candela[1:]])
            # That runs −90 to 270; its quarter before 0 stands at the end of the round.
            inside = _at_angles(angle, candela, np.array([0.0]))
            before, after = angle < 0.0, angle > 0.0
            return (
                np.concatenate([[0.0], angle[after], angle[before][1:] + 360.0, [360.0]]),
                np.concatenate([inside, candela[after], candela[before][1:], inside]),
            )
        if len(angle) == 1:
            return np.array([0.0, 360.0]), np.vstack([candela, candela])
        for fold in (90.0, 180.0):
            if angle[-1] == fold:
                angle = np.concatenate([angle, 2.0 * fold - angle[-2::-1]])
                candela = np.concatenate([candela, candela[-2::-1]])
        return angle, candela

    def to_intensity(self) -> Intensity:
        """The file's light on the grid of ``Intensity``, bilinear in the two angles.

        The axis is the file's V = 0. φ runs the other way from H, which is counted from above
        while φ is seen against the axis: φ = −H, so H = 0 is φ = 0.
        """

        def along(theta: Floats, plane: Floats) -> Floats:
            return np.interp(np.degrees(theta), self.vertical_deg, plane, left=0.0, right=0.0)

        if self.symmetry == "axial":
            return Intensity.from_axial(lambda theta: along(theta, self.candela[0]))
        angle, candela = self.all_round()

        def polar(theta: Floats, phi: Floats) -> Floats:
            planes = _at_angles(angle, candela, np.degrees(-phi[:, 0]) % 360.0)
            return np.array([along(theta[0], plane) for plane in planes])

        return Intensity.from_polar(polar, n_phi=_rows(angle), n=4097)


def _at_angles(angle: Floats, planes: Floats, wanted: Floats) -> Floats:
    """Linear between planes: (n,), (n, m), (k,) to (k, m)."""
    index = np.clip(np.searchsorted(angle, wanted, side="right") - 1, 0, len(angle) - 2)
    part = ((wanted - angle[index]) / (angle[index + 1] - angle[index]))[:, np.newaxis]
    result: Floats = planes[index] * (1.0 - part) + planes[index + 1] * part
    return result


def _rows(angle: Floats) -> int:
    """Fewest equal steps round the axis that hit every angle of the file, else half degrees."""
    for rows in (4, 8, 12, 16, 24, 36, 48, 72, 144, 360):
        steps = angle * rows / 360.0
        if np.allclose(steps, np.round(steps), atol=1e-6):
            return rows
    return 720


# --- reading --------------------------------------------------------------------------------------


def read_lm63(path: Path) -> LM63:
    """Read one file; any fault in it is a ``NightviewError`` that names the file."""
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise NightviewError(str(path), "too large for a photometric file", _ASK)
        data = path.read_bytes()
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or str(fault)
        raise NightviewError(
            str(path), f"cannot read the photometric file: {reason}", "check the path"
        ) from fault
    return parse_lm63(data, str(path))


def parse_lm63(data: bytes, where: str) -> LM63:
    """The same from the file's bytes; ``where`` names it in errors."""
    if b"\0" in data:
        raise NightviewError(where, "this is no text file, so no LM-63 file", _ASK)
    # ASCII by the standard; makers' names in Latin letters must not stop us. ^Z ended DOS files.
    text = data.removeprefix(b"\xef\xbb\xbf").decode("latin-1").split("\x1a")[0]
    lines = text.splitlines()
    tilt_at = next((i for i, line in enumerate(lines) if _tilt_of(line) is not None), None)
    if tilt_at is None:
        raise NightviewError(where, "no line TILT=, so no LM-63 photometric file", _ASK)
    heading, edition = _edition(lines[0])
    numbers = _Numbers(" ".join(lines[tilt_at + 1 :]).replace(",", " ").split(), where)
    tilt = _tilt(_tilt_of(lines[tilt_at]) or "", numbers)

    lamps = numbers.take("number of lamps")
    lumens_each = numbers.take("lumens per lamp")
    multiplier = numbers.positive("candela multiplier")
    n_vertical = numbers.count("number of vertical angles")
    n_horizontal = numbers.count("number of horizontal angles")
    _check_type(numbers.take("photometric type"), where)
    metres = {1.0: _M_PER_FT, 2.0: 1.0}.get(numbers.take("units type"))
    if metres is None:
        numbers.fault("the units type must be 1 (feet) or 2 (metres)")
    size = [
        numbers.take(f"{name} of the opening") * metres for name in ("width", "length", "height")
    ]
    ballast_factor = numbers.positive("ballast factor")
    field_12 = numbers.take("field 12")
    watts = numbers.take("input watts")
    if lamps < 0.0 or watts < 0.0 or (lumens_each < 0.0 and lumens_each != -1.0):
        numbers.fault("lamps, lumens and watts must not be negative (lumens may be -1)")

    factor = multiplier * ballast_factor
    if edition < 1995:
        if field_12 <= 0.0:
            numbers.fault("the ballast-lamp photometric factor must be above 0")
        factor *= field_12
    if n_vertical * n_horizontal > _MOST_VALUES:
        numbers.fault(f"{n_vertical} × {n_horizontal} angles are more than any lamp's")
    vertical = numbers.array(n_vertical, "vertical angles")
    horizontal = numbers.array(n_horizontal, "horizontal angles")
    _check_angles(vertical, horizontal, where)
    candela = numbers.array(n_vertical * n_horizontal, "candela").reshape(n_horizontal, n_vertical)
    numbers.end()
    if (candela < 0.0).any():
        numbers.fault(f"a candela value is negative: {candela.min():g}")
    peak_cd = float(candela.max()) * factor
    if not _LEAST_PEAK_CD <= peak_cd <= _MOST_PEAK_CD:
        numbers.fault(f"the peak of {peak_cd:g} cd is no lamp's")
    candela = candela * factor

    for values in (vertical, horizontal, candela):
        values.setflags(write=False)
    return LM63(
        edition=edition,
        heading=heading,
        keywords=_keywords(lines[:tilt_at]),
        vertical_deg=vertical,
        horizontal_deg=horizontal,
        candela=candela,
        lumens_nominal=lamps * lumens_each if lumens_each > 0.0 else None,
        ballast_factor=ballast_factor,
        field_12=field_12,
        watts=watts,
        width_m=abs(size[0]),
        length_m=abs(size[1]),
        height_m=abs(size[2]),
        round_opening=min(size[:2]) < 0.0,
        tilt=tilt,
    )


class _Numbers:
    """The numbers after TILT=, in order; lines mean nothing there."""

    def __init__(self, words: list[str], where: str) -> None:
        self._words, self._where, self._next = words, where, 0

    def fault(self, problem: str) -> NoReturn:
        raise NightviewError(self._where, problem, _ASK)

    def take(self, name: str) -> float:
        return float(self.array(1, name)[0])

    def positive(self, name: str) -> float:
        value = self.take(name)
        if value <= 0.0:
            self.fault(f"the {name} must be above 0, not {value:g}")
        return value

    def count(self, name: str) -> int:
        value = self.take(name)
        if value != int(value) or not 1 <= value <= _MOST_ANGLES:
            self.fault(f"the {name} must be a whole number from 1 to {_MOST_ANGLES}, not {value:g}")
        return int(value)

    def array(self, n: int, name: str) -> Floats:
        words = self._words[self._next : self._next + n]
        if len(words) < n:
            self.fault(f"the file ends early: {len(words)} of {n} found for the {name}")
        for word in words:
            if not _NUMBER.match(word):
                self.fault(f'"{word[:20]}" is no number (for the {name})')
        self._next += n
        values: Floats = np.array([float(word) for word in words])
        if not np.isfinite(values).all():
            self.fault(f"a number beyond all bounds (for the {name})")
        return values

    def end(self) -> None:
        if left := len(self._words) - self._next:
            self.fault(f"{left} values more than its angles call for")


def _tilt_of(line: str) -> str | None:
    match = re.match(r"\s*TILT\s*=\s*(.*?)\s*\Z", line, re.IGNORECASE)
    return match.group(1) if match else None


def _tilt(kind: str, numbers: _Numbers) -> Tilt | None:
    if kind.upper() == "NONE":
        return None
    if kind.upper() != "INCLUDE":
        numbers.fault(f'TILT={kind[:40]} points to another file; write "TILT=NONE" in its place')
    geometry = numbers.take("lamp-to-luminaire geometry")
    if geometry not in (1.0, 2.0, 3.0):
        numbers.fault("the lamp-to-luminaire geometry must be 1, 2 or 3")
    n = numbers.count("number of tilt angles")
    angles, factors = numbers.array(n, "tilt angles"), numbers.array(n, "tilt factors")
    if angles[0] < 0.0 or angles[-1] > 180.0 or (np.diff(angles) <= 0.0).any():
        numbers.fault("the tilt angles must rise, from 0 deg or more to 180 deg at most")
    if (factors < 0.0).any() or (factors > 10.0).any():
        numbers.fault(f"a tilt factor from {factors.min():g} to {factors.max():g} is no lamp's")
    return Tilt(int(geometry), angles, factors)


def _edition(first_line: str) -> tuple[str, int]:
    """The heading and its year; a file without a heading is of 1986."""
    heading = first_line.strip()
    if match := re.match(r"IES(?:NA)?\s*:\s*LM-63-(\d{4})\b", heading, re.IGNORECASE):
        return heading, int(match.group(1))
    if match := re.match(r"IESNA\s*(\d\d)\b", heading, re.IGNORECASE):
        return heading, 1900 + int(match.group(1))
    return "", 1986


def _keywords(lines: list[str]) -> Mapping[str, str]:
    found: dict[str, list[str]] = {}
    last = None
    for line in lines:
        if match := re.match(r"\s*\[([^\]]+)\]\s*(.*?)\s*\Z", line):
            name = match.group(1).strip().upper()
            last = last if name == "MORE" and last else name
            found.setdefault(last, []).append(match.group(2))
    return MappingProxyType({name: "\n".join(texts) for name, texts in found.items()})


def _check_type(kind: float, where: str) -> None:
    if kind == 1.0:
        return
    name = {2.0: "B", 3.0: "A"}.get(kind)
    raise NightviewError(
        where,
        f"photometry of type {name}: its angles turn about a level axis"
        if name
        else f"the photometric type must be 1 (type C), not {kind:g}",
        "ask the maker for a type C file",
    )


def _check_angles(vertical: Floats, horizontal: Floats, where: str) -> None:
    for name, angles in (("vertical", vertical), ("horizontal", horizontal)):
        for one, two in pairwise(angles):
            if two - one < 1e-6:
                raise NightviewError(
                    where, f"the {name} angles must rise, but {one:g} is followed by {two:g}", _ASK
                )
    if (vertical[0], vertical[-1]) not in ((0.0, 90.0), (90.0, 180.0), (0.0, 180.0)):
        raise NightviewError(
            where,
            f"vertical angles from {vertical[0]:g} to {vertical[-1]:g} deg; "
            "type C has 0 to 90, 90 to 180 or 0 to 180",
            _ASK,
        )
    ends = ((0.0, 0.0), (0.0, 90.0), (0.0, 180.0), (0.0, 360.0), (90.0, 270.0))
    if (horizontal[0], horizontal[-1]) not in ends:
        raise NightviewError(
            where,
            f"horizontal angles from {horizontal[0]:g} to {horizontal[-1]:g} deg; "
            "type C has 0 alone, 0 to 90, 0 to 180, 0 to 360, or 90 to 270",
            _ASK,
        )
