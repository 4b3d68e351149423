"""nightview lamps: what lamps there are."""

from __future__ import annotations

from pathlib import Path


def lamps(scene: Path | None = None) -> None:
    """List the built-in lamps, and a scene's own if one is given.

    Example: nightview lamps scenes/cottage.toml

    Parameters
    ----------
    scene
        A scene file whose own lamps are listed too.
    """
    from rich.console import Console
    from rich.table import Table

    from nightview.errors import within
    from nightview.lamps.catalogue import builtin_lamps, lamp_of
    from nightview.scene.model import Scene
    from nightview.scene.read import read

    job = read(scene) if scene else Scene()
    table = Table(box=None, header_style="bold", pad_edge=False)
    for head in ("lamp", "kind", "lm", "W", "beam", "peak cd", "CCT", "loss factor", "note"):
        table.add_column(head, justify="left" if head in ("lamp", "kind", "note") else "right")
    for name in [*builtin_lamps(), *(own for own in job.lamps if own not in builtin_lamps())]:
        with within(scene.name if scene else "the catalogue"):
            lamp = lamp_of(job, name)
        beam = f"{lamp.entry.beam_deg:g}°" if lamp.entry.beam_deg else "–"
        power = f"{lamp.power_w:g}" if lamp.power_w else "–"
        kind = f"{lamp.kind}, {lamp.length_m:g} m" if lamp.length_m else lamp.kind
        table.add_row(name, kind, f"{lamp.rated_flux_lm:.0f}", power, beam,
                      f"{lamp.intensity.peak_cd:.0f}", f"{lamp.cct_k:.0f} K", f"{lamp.loss_factor:g}",
                      lamp.note)  # fmt: skip
    console = Console()
    console.width = max(console.width, 100) if console.is_terminal else 160
    console.print(table)
    console.print("lm as rated; peak candela with the loss factor in it.")
