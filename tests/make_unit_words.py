"""Makes ``nightview/unit_words.toml`` from ``units.txt``, by pint: ``python -m tests.make_unit_words``.

pint needs a fifth of a second to read even so small a file, at the start of every command; so it is
asked once, and ``test_units.py`` asks it again whether the table still says the same.
"""

from __future__ import annotations

from pathlib import Path

import pint

from nightview import units

HERE = Path(__file__).parent
TABLE = HERE.parent / "nightview" / "unit_words.toml"
HEAD = """\
# Every word for a unit in a scene: its kind, by the unit that we count it in, and its size in that.
# Made from tests/units.txt by pint (tests/make_unit_words.py); a test compares. Do not edit.
"""


def words() -> dict[str, dict[str, float]]:
    """Our unit → each word of that kind → its size, as pint has them."""
    registry: pint.UnitRegistry = pint.UnitRegistry(HERE / "units.txt")

    def dimension_and_size(word: str) -> tuple[str, float]:
        quantity = registry.Quantity(1.0, word).to_root_units()
        return str(quantity.dimensionality), quantity.magnitude

    kinds = {}
    for kind in units._KINDS:
        dimension, size = dimension_and_size(units._SIGNS.get(kind.unit, kind.unit))
        kinds[dimension] = (kind.unit, size)
    found: dict[str, dict[str, float]] = {unit: {} for unit, _ in kinds.values()}
    for word in registry:
        dimension, size = dimension_and_size(word)
        if dimension in kinds:  # a steradian is no quantity of ours
            unit, one = kinds[dimension]
            found[unit][word] = size / one
    return found


def main() -> None:
    lines = [HEAD]
    for unit, sizes in words().items():
        lines.append(f'["{unit}"]')
        lines += [f"{word} = {size!r}" for word, size in sizes.items()]
        lines.append("")
    TABLE.write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
