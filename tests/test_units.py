"""Quantities against their published definitions, and against hostile or careless writing."""

from __future__ import annotations

import math
import re
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightview import units
from nightview.units import UnitError

# --- definitions ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        # International yard and pound agreement, 1 July 1959: 1 yd = 0.9144 m exactly, hence
        # 1 ft = 0.3048 m and 1 in = 25.4 mm (also NIST SP 811 (2008), appendix B.8).
        ("1 in", 0.0254),
        ("1 ft", 0.3048),
        ("1 yd", 0.9144),
        ("12 inches", 0.3048),
        ("3 feet", 0.9144),
        # SI prefixes: BIPM, The International System of Units, 9th edition, table 7.
        ("45 cm", 0.45),
        ("25.4 mm", 0.0254),
        ("0.4 km", 400.0),
        ("2.5 metres", 2.5),
    ],
)
def test_lengths_by_definition(text: str, metres: float) -> None:
    assert units.length_m(text) == pytest.approx(metres, rel=1e-15)


def test_light_by_definition() -> None:
    # NIST SP 811 (2008), appendix B.8: footcandle 1.076 391 E+01 lx, footlambert 3.426 259 cd/m2.
    assert units.illuminance_lx("1 fc") == pytest.approx(10.76391, rel=5e-7)
    assert units.luminance_cd_m2("1 fL") == pytest.approx(3.426259, rel=5e-7)
    # One footcandle is one lumen per square foot; a foot is 0.3048 m exactly.
    assert units.illuminance_lx("1 fc") == pytest.approx(1 / 0.3048**2, rel=1e-15)
    assert units.luminance_cd_m2("1 fL") == pytest.approx(1 / (math.pi * 0.3048**2), rel=1e-15)
    # BIPM, The International System of Units, 9th edition, table 4: lm = cd sr, lx = lm/m2.
    assert units.flux_lm("1.2 klm") == pytest.approx(1200.0)
    assert units.intensity_cd("7.5 kcd") == pytest.approx(7500.0)
    assert units.illuminance_lx("0.2 klx") == pytest.approx(200.0)
    assert units.luminance_cd_m2("5 nit") == units.luminance_cd_m2("5 cd/m^2") == 5.0


def test_other_kinds() -> None:
    # BIPM, 9th edition, table 8: 1 degree = (π/180) rad.
    assert units.angle_deg("1 rad") == pytest.approx(180.0 / math.pi, rel=1e-15)
    assert (
        units.angle_deg("36 deg") == units.angle_deg("36°") == units.angle_deg("36 degrees") == 36
    )
    assert units.cct_k("2700 K") == units.cct_k("2700K") == 2700.0
    assert units.power_w("0.3 kW") == pytest.approx(300.0)
    assert units.parse("50 mohm", units.RESISTANCE) == pytest.approx(0.05)
    assert units.parse("50 mΩ", units.RESISTANCE) == pytest.approx(0.05)
    assert units.parse("12 V", units.VOLTAGE) == 12.0
    assert units.parse("5 VA", units.APPARENT_POWER) == 5.0
    assert units.parse("2.5 A", units.CURRENT) == 2.5


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("5 ft 6 in", 66),
        ("5' 6\"", 66),
        ("5'-6\"", 66),
        ("5'6''", 66),
        ("5′ 6″", 66),
        ("5ft6in", 66),
        ("1 yd 1 ft 1 in", 49),
        ("6 1/2 in", 6.5),
        ("6-1/2 in", 6.5),
        ("1/2 in", 0.5),
        ("5 ft 6 1/2 in", 66.5),
        ("-3 ft 6 in", -42),  # the minus holds for the whole
        ("−3 ft 6 in", -42),
        ("+3 ft", 36),
        (" 18 in ", 18),
        (".5 ft", 6),
        ("0 ft 6 in", 6),
        ("1e1 in", 10),
    ],
)
def test_feet_and_inches(text: str, inches: float) -> None:
    assert units.length_m(text) == pytest.approx(inches * 0.0254, rel=1e-14)


def test_points_and_sizes() -> None:
    assert units.point_m("3 m, 4 ft 6 in, 0.5 m", 3) == pytest.approx((3.0, 1.3716, 0.5))
    assert units.point_m("-3 m,-6 in", 2) == pytest.approx((-3.0, -0.1524))
    for text in ("12 m x 8 m", "12 m, 8 m", "12m×8m", "12 m X 800 cm"):
        assert units.size_m(text, 2) == pytest.approx((12.0, 8.0))
    for text in ("12 m x 8 m", "12 m", "12 m, 8 m, 1 m", "", ",", "12 m, "):
        with pytest.raises(UnitError):
            units.point_m(text, 2)


# --- what is refused ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "message"),
    [
        ("36", '"36" has no unit; write "36 deg"'),
        (36, '36 has no unit; write "36 deg"'),
        (36.5, '36.5 has no unit; write "36.5 deg"'),
        ("3 lm", '"3 lm" is a luminous flux, not an angle; write for example "36 deg"'),
        ("3 kg", '"3 kg": "kg" is no unit of an angle; write "3 deg"'),
        ("36 dge", '"36 dge": "dge" is no unit of an angle; write "36 deg"'),
        ("36 DEG", '"36 DEG": "DEG" is no unit of an angle; write "36 deg"'),
        ("1,5 deg", '"1,5 deg" has a comma in its number; write "1.5 deg"'),
        ("30 deg 5 deg", '"30 deg 5 deg" is not an angle; write for example "36 deg"'),
        (True, 'true is not an angle; write for example "36 deg"'),
        (["36 deg"], 'a list is not an angle; write for example "36 deg"'),
    ],
)
def test_messages_of_an_angle(value: object, message: str) -> None:
    with pytest.raises(UnitError, match=f"^{re.escape(message)}$"):
        units.angle_deg(value)


@pytest.mark.parametrize(
    ("value", "message"),
    [
        ("18", '"18" has no unit; write "18 m", "18 ft" or "18 in"'),
        ("3 lm", '"3 lm" is a luminous flux, not a length; write for example "2.5 m"'),
        ("3 kg", '"3 kg": "kg" is no unit of a length; write "3 m", "3 ft" or "3 in"'),
        (float("nan"), 'nan is no number; write for example "2.5 m"'),
        (float("inf"), 'inf is no finite number; write for example "2.5 m"'),
        ("5 ft 6", '"5 ft 6": the last number, 6, has no unit; write for example "5 ft 6 in"'),
        ("1,200 m", '"1,200 m" has a comma in its number; write "1.200 m", or "1200 m"'),
    ],
)
def test_messages_of_a_length(value: object, message: str) -> None:
    with pytest.raises(UnitError, match=f"^{re.escape(message)}$"):
        units.length_m(value)


def test_apparent_power_is_no_power() -> None:
    with pytest.raises(UnitError, match="is an apparent power, not a power"):
        units.power_w("5 VA")


def test_a_luminance_is_no_illuminance() -> None:
    with pytest.raises(UnitError, match="is a luminance, not an illuminance"):
        units.illuminance_lx("5 cd/m²")


@pytest.mark.parametrize(
    "text",
    [
        *("", " ", "-", "m", "nan m", "inf m", "-inf m", "1e400 m", "1/0 m", "1 1/0 in"),
        *("9**9**9 m", "__import__('os')", "(3) m", "3 m + 2 m", "3*m", "0x10 m", "1_000 m", "٣ m"),
        *("6 in 5 ft", "3 m 3 m", "5 ft -6 in", "5 -6 in", "m 3", "3 m; 4 m", "3 m\x00", "3 m/s"),
        *("9" * 400 + " m", "9" * 100_000 + " m", "1 " * 100_000 + "m", "3 m^2", "3 m**99999999"),
    ],
)
def test_garbage_is_refused_at_once(text: str) -> None:
    begin = time.perf_counter()
    with pytest.raises(UnitError):
        units.length_m(text)
    assert time.perf_counter() - begin < 0.5


@given(st.one_of(st.text(), st.text("0123456789.-+/ eftinm'\"°x,*()", max_size=40)))
def test_any_text_is_a_finite_length_or_an_error(text: str) -> None:
    try:
        assert math.isfinite(units.length_m(text))
    except UnitError as error:
        assert error.problem
        assert error.remedy


# --- there and back -------------------------------------------------------------------------------


@given(st.floats(-1e4, 1e4), st.sampled_from(["m", "cm", "mm", "in", "ft", "yd", "'", '"']))
def test_a_number_and_its_unit_make_its_product(number: float, unit: str) -> None:
    size = units.length_m(f"1 {unit}")
    assert units.length_m(f"{number!r} {unit}") == pytest.approx(number * size, rel=1e-14)


@given(st.floats(-1e3, 1e3))
def test_written_lengths_read_back(metres: float) -> None:
    assert units.length_m(units.write_length(metres)) == pytest.approx(metres, abs=0.00501)
    assert units.length_m(units.write_length(metres, feet=True)) == pytest.approx(
        metres, abs=0.01271
    )


def test_lengths_as_one_writes_them() -> None:
    assert units.write_length(0.4499) == "0.45 m"
    assert units.write_length(-0.001) == "0 m"
    assert units.write_length(1.6764, feet=True) == "5 ft 6 in"
    assert units.write_length(-0.1524, feet=True) == "-6 in"
    assert units.write_length(0.3048, feet=True) == "1 ft"
    assert units.write_length(0.0, feet=True) == "0 ft"


@pytest.mark.parametrize("kind", units._KINDS, ids=lambda kind: kind.unit)
def test_the_pattern_for_editors_agrees_with_the_parser(kind: units.Kind) -> None:
    pattern = re.compile(units.pattern(kind))
    taken = set()
    for word in (*units._words(), *units._SIGNS):
        try:
            units.parse(f"-1.5 {word}", kind)
            taken.add(word)
        except UnitError:
            pass
        assert bool(pattern.fullmatch(f"-1.5 {word}")) == (word in taken)
    assert taken
    assert pattern.fullmatch(kind.example)
    assert not pattern.fullmatch("1.5")


def test_the_table_of_units_is_that_of_pint():
    """pint 0.24 and later, from the exact definitions in units.txt."""
    from make_unit_words import words

    table = {(unit, word): size for unit, sizes in words().items() for word, size in sizes.items()}
    ours = {(kind.unit, word): size for word, (kind, size) in units._words().items()}
    assert ours == table
