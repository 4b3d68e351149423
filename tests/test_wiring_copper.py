"""Conductors against the standards that give their numbers."""

from __future__ import annotations

import pytest

from nightview.errors import NightviewError
from nightview.wiring.copper import (
    AWG,
    FOOT_M,
    INCH_M,
    METRIC,
    area_m2,
    awg_diameter_m,
    fuse_a,
    loop_ohms,
    ohms_per_metre,
    old_rule_v,
    thicker,
)


@pytest.mark.parametrize(
    ("number", "inches", "mm2"),
    # ASTM B258, nominal diameters, and the cross sections that follow.
    [
        (18, 0.0403, 0.823),
        (16, 0.0508, 1.309),
        (14, 0.0641, 2.081),
        (12, 0.0808, 3.309),
        (10, 0.1019, 5.261),
        (8, 0.1285, 8.366),
    ],
)
def test_diameters_of_astm_b258(number: int, inches: float, mm2: float) -> None:
    assert awg_diameter_m(number) / INCH_M == pytest.approx(inches, abs=0.5e-4)
    assert area_m2(f"{number} AWG") * 1e6 == pytest.approx(mm2, abs=1.1e-3)


@pytest.mark.parametrize(
    ("gauge", "nec", "solid"),
    # NFPA 70 chapter 9 table 8, stranded, uncoated, Ω per 1000 ft at 75 °C; and solid at 20 °C as
    # ρ = 1.7241e-8 Ω·m (IEC 60028) gives, from memory also in ASTM B3 wire tables.
    [
        ("18 AWG", 7.95, 6.385),
        ("16 AWG", 4.99, 4.016),
        ("14 AWG", 3.14, 2.525),
        ("12 AWG", 1.98, 1.588),
        ("10 AWG", 1.24, 0.999),
        ("8 AWG", 0.778, 0.628),
    ],
)
def test_resistances_of_american_gauges(gauge: str, nec: float, solid: float) -> None:
    per_1000_ft = 1000 * FOOT_M
    assert ohms_per_metre(gauge) * per_1000_ft == pytest.approx(nec, rel=1e-12)
    assert ohms_per_metre(gauge, "computed", 20.0) * per_1000_ft == pytest.approx(solid, abs=6e-4)


def test_temperature_by_the_note_of_the_table() -> None:
    # NEC chapter 9 table 8, note 2: R₂ = R₁[1 + 0.00323(T₂ − 75)]; 1.98 → 1.628 at 20 °C.
    at_20 = ohms_per_metre("12 AWG", "stranded", 20.0) * 1000 * FOOT_M
    assert at_20 == pytest.approx(1.628, abs=5e-4)
    # 0.00323 at 75 °C is 0.00393 at 20 °C, as IEC 60028 has it.
    per_kelvin = ohms_per_metre("12 AWG", "stranded", 21.0) / ohms_per_metre(
        "12 AWG", "stranded", 20.0
    )
    assert per_kelvin - 1.0 == pytest.approx(0.00393, abs=1e-5)


@pytest.mark.parametrize(
    ("gauge", "class_2", "class_5"),
    # IEC 60228 tables 2 and 3: Ω/km at 20 °C at most, plain copper.
    [
        ("1.5 mm^2", 12.1, 13.3),
        ("2.5 mm^2", 7.41, 7.98),
        ("4 mm^2", 4.61, 4.95),
        ("6 mm^2", 3.08, 3.30),
        ("10 mm^2", 1.83, 1.91),
    ],
)
def test_resistances_of_iec_60228(gauge: str, class_2: float, class_5: float) -> None:
    assert ohms_per_metre(gauge, "stranded", 20.0) * 1000 == pytest.approx(class_2, rel=1e-12)
    assert ohms_per_metre(gauge, "flexible", 20.0) * 1000 == pytest.approx(class_5, rel=1e-12)
    # A standard's maximum lies a little above what the nominal copper gives.
    computed = ohms_per_metre(gauge, "computed", 20.0) * 1000
    assert computed < class_2 <= 1.08 * computed


def test_a_published_drop() -> None:
    # An NEC course page: 16 AWG, 100 ft, 4 A → 4.0 V (sources.md, W10).
    assert 4.0 * loop_ohms("16 AWG", 100 * FOOT_M) == pytest.approx(4.0, abs=0.02)
    assert loop_ohms("12 AWG", 100 * FOOT_M) == pytest.approx(0.396, rel=1e-12)
    assert loop_ohms("12 AWG", 100 * FOOT_M, parallel=2) == pytest.approx(0.198, rel=1e-12)


def test_the_old_rule_by_its_published_example() -> None:
    # A trade article: 80 W × 80 ft on 12 AWG → 0.85 V (sources.md, W11).
    assert old_rule_v(80.0, 80 * FOOT_M, "12 AWG") == pytest.approx(0.85, abs=0.005)
    assert old_rule_v(80.0, 80 * FOOT_M, "4 mm^2") is None


def test_series_and_fuses() -> None:
    assert thicker("18 AWG") == "16 AWG"
    assert thicker("8 AWG") is None and thicker("10 mm^2") is None
    assert thicker("2.5 mm^2") == "4 mm^2"
    # NEC 240.4(D): 18 → 7, 16 → 10, 14 → 15, 12 → 20, 10 → 30 A.
    assert [fuse_a(gauge) for gauge in AWG[:5]] == [7.0, 10.0, 15.0, 20.0, 30.0]
    # Ours: a metric size as the next thinner American one.
    assert [fuse_a(gauge) for gauge in METRIC] == [10.0, 15.0, 20.0, 30.0, 40.0]
    for series in (AWG, METRIC):
        assert sorted(series, key=area_m2) == list(series)


def test_unknown_words() -> None:
    with pytest.raises(NightviewError, match='"13 AWG" is unknown; did you mean'):
        ohms_per_metre("13 AWG")
    with pytest.raises(NightviewError, match='one of: "stranded", "flexible", "computed"'):
        ohms_per_metre("12 AWG", "strand")
