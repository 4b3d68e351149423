"""nightview materials: what surfaces can be made of."""

from __future__ import annotations


def materials() -> None:
    """List the built-in materials with their reflectance, pattern and where the figure comes from.

    Example: nightview materials
    """
    from rich.console import Console
    from rich.table import Table

    from nightview.site.materials import MATERIALS, PATTERNS

    table = Table(box=None, header_style="bold", pad_edge=False)
    for head in ("material", "reflectance", "R", "G", "B", "pattern", "source"):
        left = head in ("material", "pattern", "source")
        table.add_column(head, justify="left" if left else "right")
    for name, spec in MATERIALS.items():
        table.add_row(
            name,
            f"{spec.reflectance:.2f}",
            *(f"{c:.2f}" for c in spec.rgb),
            spec.pattern,
            spec.source,
        )
    console = Console()
    console.width = max(console.width, 100) if console.is_terminal else 160
    console.print(table)
    console.print(f"Patterns for a scene's own materials: {', '.join(PATTERNS)}.")
