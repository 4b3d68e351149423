"""Lengths as an installer reads them off a tape: to the centimetre, or to a quarter of an inch."""

from __future__ import annotations

FOOT_M, INCH_M = 0.3048, 0.0254
_QUARTERS = ("", "¼", "½", "¾")


def told(metres: float, feet: bool) -> str:
    """ "3.42 m", or "11 ft 2¾ in"."""
    if not feet:
        return f"{round(metres, 2) + 0.0:.2f} m".replace("-", "−")
    quarters = round(abs(metres) / INCH_M * 4)
    whole, rest = divmod(quarters, 48)
    inches, quarter = divmod(rest, 4)
    small = f"{inches or (0 if not quarter else '')}{_QUARTERS[quarter]} in"
    text = f"{whole} ft {small}" if whole else small
    if whole and not rest:
        text = f"{whole} ft"
    return f"−{text}" if metres < 0 and quarters else text


def degrees(value: float) -> str:
    """A signed whole angle: "+80°", "−45°"."""
    return f"{round(value) + 0:+d}°".replace("-", "−").replace("+0°", "0°")


def bearing(value: float | None) -> str:
    """A bearing clockwise from north, "020°"; a dash for what is upright."""
    return "–" if value is None else f"{round(value) % 360:03d}°"
