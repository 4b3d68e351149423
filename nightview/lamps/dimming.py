"""What a lamp gives when it is dimmed: its lumens, its colour and its watts.

A control level is what a dimmer is set to, 0 to 1. Light-emitting diodes give light in proportion
to it and keep their colour. A halogen lamp is a filament: the level is the share of its voltage,
and with the voltage all falls by powers of their own, light fastest, so that it also reddens.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightview.errors import NightviewError

# A filament at another voltage, as (V/V0)^n: luminous flux 3.4 (3.4 to 3.5), electrical power 1.6,
# colour temperature 0.42. Published as "lamp rerating"; read in an encyclopedia's page of that name
# (shared notes on sources, section 1). From memory, the lighting handbooks have 3.38 and 1.54 for
# gas-filled lamps. They hold near the rated voltage. Far below they are an extrapolation: at 70 % a
# black body of the temperature they give would shine a sixth less than the lumens they give.
FLUX_POWER = 3.4
WATT_POWER = 1.6
CCT_POWER = 0.42

REDDEST_K = 1000.0
"""A filament at a tenth of its voltage; below, nothing is seen of it."""


@dataclass(frozen=True)
class Dimmed:
    """flux, power : shares of full, 0 to 1. cct_k : colour temperature [K]."""

    flux: float
    cct_k: float
    power: float


def dimmed(source: str, level: float, cct_k: float) -> Dimmed:
    """A lamp at a control level of 0 to 1.

    source : "led" or "halogen". cct_k : its colour temperature at full level [K].
    """
    if not 0.0 <= level <= 1.0:
        raise NightviewError("dim", f"{level:g} is no level", 'write 0 to 1, or "0 %" to "100 %"')
    if source == "halogen":
        reddened = max(cct_k * level**CCT_POWER, min(cct_k, REDDEST_K))
        return Dimmed(level**FLUX_POWER, reddened, level**WATT_POWER)
    return Dimmed(level, cct_k, level)
