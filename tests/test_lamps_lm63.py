"""Photometric files, all written here: headings, symmetries, factors, units, and broken files."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import simpson

from nightview.errors import NightviewError
from nightview.lamps.lm63 import LM63, parse_lm63, read_lm63


def written(  # the format's fields in the file's own order
    candela,
    vertical,
    horizontal=(0,),
    *,
    heading="IESNA:LM-63-2002",
    keywords="[TEST] ours\n[MANUFAC] nobody",
    tilt="TILT=NONE",
    lamps=1,
    lumens=-1,
    multiplier=1,
    kind=1,
    units=2,
    size="0 0 0",
    ballast=1,
    field_12=1,
    watts=4.5,
):
    head = f"{heading}\n" if heading else ""
    numbers = (
        f"{lamps} {lumens} {multiplier} {len(vertical)} {len(horizontal)} {kind} {units} {size}\n"
        f"{ballast} {field_12} {watts}\n"
    )
    rows = [vertical, horizontal, *np.reshape(candela, (len(horizontal), len(vertical))).tolist()]
    body = "\n".join(" ".join(f"{value:.10g}" for value in row) for row in rows)
    return f"{head}{keywords}\n{tilt}\n{numbers}{body}\n"


def parsed(*args, **kwargs):
    return parse_lm63(written(*args, **kwargs).encode(), "lamp.ies")


SMALL = {"candela": [500, 300, 0], "vertical": [0, 45, 90]}
V_ALL = np.arange(0.0, 181.0, 5.0)


# --- what a file says -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("heading", "edition"),
    # The headings of the format, LM-63-2019 and the notes on its history; none at all in 1986.
    [
        ("", 1986),
        ("A lamp for the garden", 1986),
        ("IESNA91", 1991),
        ("IESNA:LM-63-1995", 1995),
        ("IESNA:LM-63-2002", 2002),
        ("IES:LM-63-2019", 2019),
        ("  ies:lm-63-2019  ", 2019),
    ],
)
def test_headings(heading, edition):
    photometry = parsed(**SMALL, heading=heading)
    assert photometry.edition == edition
    assert photometry.heading == (heading.strip() if edition > 1986 else "")
    assert photometry.candela.tolist() == [[500.0, 300.0, 0.0]]


def test_keywords():
    photometry = parsed(
        **SMALL, keywords="[TEST] 1\n[LUMINAIRE] path light,\n[MORE] with hat\n[lamp]Größe M\nfree"
    )
    assert photometry.keywords["TEST"] == "1"
    assert photometry.keywords["LUMINAIRE"] == "path light,\nwith hat"
    assert set(photometry.keywords) == {"TEST", "LUMINAIRE", "LAMP"}
    latin = written(**SMALL, keywords="[LAMP] Größe M").encode("latin-1")
    assert parse_lm63(latin, "lamp.ies").keywords["LAMP"] == "Größe M"


def test_numbers_flow_over_lines_and_are_parted_by_spaces_commas_or_line_ends():
    flowing = (
        "IESNA:LM-63-1995\r\nTILT=NONE\r\n1,-1\r\n1 3,1\r\n1\r\n2 0,0 0\r\n1 1\r\n4.5 0 45\r\n"
        "90 0\r\n500,\r\n3.0E+02\r\n.0\r\n\x1a"
    )
    photometry = parse_lm63(flowing.encode(), "lamp.ies")
    assert photometry.candela.tolist() == [[500.0, 300.0, 0.0]]
    assert photometry.watts == 4.5


def test_multiplier_and_ballast_scale_and_lamps_and_lumens_do_not():
    photometry = parsed(**SMALL, lamps=2, lumens=900, multiplier=2, ballast=0.9)
    assert photometry.candela[0] == pytest.approx([900.0, 540.0, 0.0])
    assert photometry.lumens_nominal == 1800.0
    assert parsed(**SMALL, lumens=-1).lumens_nominal is None


@pytest.mark.parametrize(
    ("heading", "factor"),
    # Field 12 is the ballast-lamp photometric factor in 1986 and 1991, reserved in 1995 and 2002,
    # and a file-generation type in 2019, where 1.1 means an accredited laboratory.
    [("", 1.1), ("IESNA91", 1.1), ("IESNA:LM-63-1995", 1), ("IES:LM-63-2019", 1)],
)
def test_field_12_is_a_factor_in_old_files_only(heading, factor):
    photometry = parsed(**SMALL, heading=heading, field_12=1.1)
    assert photometry.candela[0, 0] == pytest.approx(500.0 * factor)
    assert photometry.field_12 == 1.1


def test_feet_and_metres():
    feet = parsed(**SMALL, units=1, size="0.5 1 0.25")  # 1 ft = 0.3048 m by definition
    assert (feet.width_m, feet.length_m, feet.height_m) == pytest.approx((0.1524, 0.3048, 0.0762))
    assert not feet.round_opening
    disc = parsed(**SMALL, units=2, size="-0.06 -0.06 0")  # negative: a round opening
    assert (disc.width_m, disc.length_m, disc.round_opening) == (0.06, 0.06, True)


TILTED = "TILT=INCLUDE\n{}\n4\n0 30 60 90\n1.0 0.94 0.86 0.80"


def test_tilt_include_is_kept_apart_from_the_candela():
    photometry = parsed(**SMALL, tilt=TILTED.format(2))
    assert photometry.tilt.geometry == 2
    assert photometry.tilt.angles_deg.tolist() == [0.0, 30.0, 60.0, 90.0]
    assert photometry.tilt.factors.tolist() == [1.0, 0.94, 0.86, 0.80]
    assert photometry.candela[0, 0] == 500.0
    assert parsed(**SMALL).tilt is None


@pytest.mark.parametrize(
    ("geometry", "from_down_deg", "roll_deg", "factor"),
    # By hand, for a luminaire turned about the level from straight down, H = 0 upright at no roll.
    # An upright lamp (1) is tilted as far as the luminaire; 75 deg lies halfway from .86 to .80; past
    # the table its last factor holds. A lamp along H = 90 (2) stays level, until a roll of a quarter
    # turn stands it where one along H = 0 (3) was, which dips with the luminaire: at 90 deg it hangs.
    [
        (1, 0.0, 0.0, 1.0),
        (1, 30.0, 0.0, 0.94),
        (1, 75.0, 0.0, 0.83),
        (1, 75.0, 57.0, 0.83),
        (1, 170.0, 0.0, 0.80),
        (2, 0.0, 0.0, 1.0),
        (2, 60.0, 0.0, 1.0),
        (2, 60.0, 90.0, 0.86),
        (2, 90.0, 90.0, 0.80),
        (3, 30.0, 0.0, 0.94),
        (3, 90.0, 0.0, 0.80),
        (3, 60.0, 90.0, 1.0),
        (3, 150.0, 0.0, 0.94),  # aimed up, its lamp is 30 deg off the level again
    ],
)
def test_tilt_is_that_of_the_lamp_inside(geometry, from_down_deg, roll_deg, factor):
    turn, roll = np.radians(from_down_deg), np.radians(roll_deg)
    axis = np.array([0.0, np.sin(turn), -np.cos(turn)])
    upright = np.array([0.0, np.cos(turn), np.sin(turn)])
    reference = np.cos(roll) * upright + np.sin(roll) * np.cross(axis, upright)
    tilt = parsed(**SMALL, tilt=TILTED.format(geometry)).tilt
    assert tilt.factor(axis, reference) == pytest.approx(factor, abs=1e-9)


# --- what it shines -------------------------------------------------------------------------------


def at_deg(lamp, theta_deg, phi_deg=0.0):
    return lamp.at(np.cos(np.radians(theta_deg)), np.radians(phi_deg))


@pytest.mark.parametrize("horizontal", [(0,), (0, 90), (0, 90, 180), (0, 120, 360), (90, 270)])
def test_falling_straight_from_bottom_to_top_is_two_pi_lumens(horizontal):
    # Synthetic file of the luxtest collection (CC BY 4.0), written anew: I = 1 − θ/180° gives
    # 2π = 6.28319 lm; the integral of (1 − θ/π)·2π sin θ is 2π.
    candela = np.tile(1.0 - V_ALL / 180.0, (len(horizontal), 1))
    photometry = parsed(candela, V_ALL, horizontal)
    lamp = photometry.to_intensity()
    assert lamp.flux_lm == pytest.approx(2.0 * np.pi, rel=1e-5)
    theta = np.linspace(0.0, 180.0, 500)
    got, expected = at_deg(lamp, theta, 33.0), 1.0 - theta / 180.0
    assert got[theta < 165.0] == pytest.approx(expected[theta < 165.0], abs=2e-5)
    # Straight behind, where the columns are widest, a cusp is blunted by a degree.
    assert got == pytest.approx(expected, abs=1.0 / 180.0)


@pytest.mark.parametrize(
    ("vertical", "flux_lm"),
    [(V_ALL, 4.0), (V_ALL[V_ALL <= 90.0], 2.0), (V_ALL[V_ALL >= 90.0], 2.0)],
)
def test_upper_lower_and_whole_sphere(vertical, flux_lm):
    # One candela over 4π or 2π steradian
    photometry = parsed(np.ones(len(vertical)), vertical)
    lamp = photometry.to_intensity()
    assert lamp.flux_lm == pytest.approx(flux_lm * np.pi, rel=1e-3)
    assert photometry.zonal_flux_lm == pytest.approx(flux_lm * np.pi, rel=1e-12)
    inside = vertical.mean()
    assert at_deg(lamp, inside) == pytest.approx(1.0)
    if len(vertical) < len(V_ALL):
        assert at_deg(lamp, 180.0 - inside) == 0.0


def test_flux_by_an_independent_quadrature():
    h, v = np.arange(0.0, 361.0, 22.5), np.arange(0.0, 91.0, 2.5)
    candela = 100.0 * np.cos(np.radians(v)) ** 2 * (1.2 + np.sin(np.radians(h[:, None])))
    lamp = parsed(candela, v, h).to_intensity()
    theta, phi = np.linspace(0.0, np.pi / 2, 2001), np.linspace(0.0, 2 * np.pi, 361)
    grid = lamp.at(np.cos(theta)[None, :], phi[:, None])
    assert lamp.flux_lm == pytest.approx(simpson(simpson(grid * np.sin(theta), theta), phi), 1e-3)
    # ∫cos²θ dΩ = 2π/3, and the sine averages out; the file's polygon is 0.1 % off the curve.
    assert lamp.flux_lm == pytest.approx(120.0 * 2.0 * np.pi / 3.0, rel=2e-3)


def lobe(h_deg):
    """Polygonal by 30 deg steps and without symmetry: 10 at 0, up to 40 at 90, down again."""
    return np.interp(np.asarray(h_deg) % 360.0, [0, 90, 210, 360], [10, 40, 25, 10])


def test_no_symmetry_and_the_sense_of_turning():
    # LM-63-2002, definitions: horizontal angles run counter-clockwise in type C, seen from above.
    # Our φ is counter-clockwise seen against the axis, that is from below: φ = −H.
    h = np.arange(0, 361, 30)
    lamp = parsed(np.tile(lobe(h)[:, None], (1, len(V_ALL))), V_ALL, h).to_intensity()
    turn = np.arange(0.0, 360.0, 7.5)
    assert at_deg(lamp, 70.0, -turn) == pytest.approx(lobe(turn), rel=1e-5)
    assert at_deg(lamp, 70.0, -90.0) == pytest.approx(40.0)
    assert at_deg(lamp, 70.0, 90.0) == pytest.approx(lobe(270.0), rel=1e-5)


@pytest.mark.parametrize(
    ("horizontal", "fold"),
    # Which H of the file lights a given H all round
    [
        ((0, 30, 60, 90), lambda h: np.minimum(h % 180, 180 - h % 180)),
        ((0, 45, 90, 135, 180), lambda h: np.minimum(h % 360, 360 - h % 360)),
        ((90, 120, 150, 180, 210, 240, 270), lambda h: np.where((h < 90) | (h > 270), 180 - h, h)),
    ],
)
def test_symmetries(horizontal, fold):
    horizontal = np.array(horizontal)
    heading = "IESNA:LM-63-1995"
    lamp = parsed(
        np.tile(lobe(horizontal)[:, None], (1, len(V_ALL))), V_ALL, horizontal, heading=heading
    ).to_intensity()
    turn = np.arange(0.0, 360.0, 5.0)
    expected = np.interp(fold(turn) % 360.0, horizontal, lobe(horizontal))
    assert at_deg(lamp, 50.0, -turn) == pytest.approx(expected, rel=1e-5)


def test_bilinear_in_angle():
    photometry = parsed([[0, 100, 0], [0, 300, 0]], [0, 90, 180], [0, 90])
    lamp = photometry.to_intensity()
    assert photometry.symmetry == "quadrant"
    # a quarter up and a third round: 100 + 200/3, times 45/90
    assert at_deg(lamp, 45.0, -30.0) == pytest.approx((100 + 200 / 3) / 2, rel=1e-4)


def test_uneven_horizontal_angles():
    h = np.array([0.0, 7.3, 101.0, 180.0])
    lamp = parsed(np.tile([[1.0], [2.0], [4.0], [1.0]], (1, 37)), V_ALL, h).to_intensity()
    turn = np.linspace(0.0, 180.0, 97)
    assert at_deg(lamp, 90.0, -turn) == pytest.approx(np.interp(turn, h, [1, 2, 4, 1]), abs=0.05)


def test_zonal_method():
    # Zonal constants of 10 deg zones, 2π(cos θ₁ − cos θ₂), as lighting handbooks print them
    # (values from memory): lumens are mean candela of the zone times its constant.
    constants = [0.0955, 0.2835, 0.4629, 0.6282, 0.7744, 0.8972, 0.9926, 1.0579, 1.0911]
    candela = np.array([500, 560, 600, 520, 400, 300, 150, 50, 20, 0.0])
    flux_lm = float(np.dot(constants, (candela[1:] + candela[:-1]) / 2.0))
    photometry = parsed(candela, range(0, 91, 10))
    assert photometry.zonal_flux_lm == pytest.approx(flux_lm, rel=2e-4)
    assert photometry.to_intensity().flux_lm == pytest.approx(flux_lm, rel=5e-3)


def test_zonal_method_round_the_axis_is_the_trapezium_rule():
    photometry = parsed([[1, 1], [3, 3], [0, 0]], [0, 90], [0, 30, 90])
    mean = (30 * 2.0 + 60 * 1.5) / 90.0
    assert photometry.zonal_flux_lm == pytest.approx(2.0 * np.pi * mean)


# --- broken files ---------------------------------------------------------------------------------

GOOD = written(**SMALL)
BROKEN = [
    (b"", "TILT="),
    (b"\x89PNG\r\n\0\0", "no text"),
    (b"IESNA91\nTILT=NONE", "ends early"),
    ("".join(GOOD.splitlines(keepends=True)[:-1]).encode(), "0 of 3 found for the candela"),
    ((GOOD + " 7").encode(), "more than"),
    (written(**SMALL, kind=2).encode(), "type B"),
    (written(**SMALL, kind=3).encode(), "type A"),
    (written(**SMALL, kind=4).encode(), "photometric type"),
    (written(**SMALL, units=3).encode(), "feet"),
    (written(**SMALL, tilt="TILT=lamp.tlt").encode(), "lamp.tlt"),
    (written(**SMALL, tilt="TILT=INCLUDE\n5\n1\n0\n1").encode(), "geometry"),
    (written(**SMALL, tilt="TILT=INCLUDE\n1\n2\n30 0\n1 1").encode(), "tilt angles must rise"),
    (written(**SMALL, tilt="TILT=INCLUDE\n1\n2\n0 190\n1 1").encode(), "180 deg at most"),
    (written(**SMALL, tilt="TILT=INCLUDE\n1\n2\n0 90\n1 -1").encode(), "tilt factor"),
    (written(**SMALL, multiplier=0).encode(), "multiplier"),
    (written(**SMALL, multiplier="1e400").encode(), "bounds"),
    (written(**SMALL, multiplier=1e300).encode(), "no lamp's"),
    (written(**SMALL, ballast=-1).encode(), "ballast"),
    (written(**SMALL, heading="", field_12=0).encode(), "ballast-lamp"),
    (written(**SMALL, watts=-2).encode(), "negative"),
    (written(**SMALL, watts="nan").encode(), "no number"),
    (written(**SMALL, watts="1_0").encode(), "no number"),
    (written([500, -1, 0], [0, 45, 90]).encode(), "negative"),
    (written([0, 0, 0], [0, 45, 90]).encode(), "peak"),
    (written([1, 1, 1], [0, 90, 45]).encode(), "vertical angles must rise"),
    (written([1, 1, 1], [0, 0, 90]).encode(), "vertical angles must rise"),
    (written([1, 1], [0, 80]).encode(), "0 to 90"),
    (written([1, 1, 1, 1], [0, 90], [0, 200]).encode(), "0 to 180"),
    (written([1, 1, 1, 1, 1, 1], [0, 90], [0, 99, 90]).encode(), "horizontal angles must rise"),
    (GOOD.replace("1 -1 1 3 1", "1 -1 1 3.5 1").encode(), "whole number"),
    (GOOD.replace("1 -1 1 3 1", "1 -1 1 -3 1").encode(), "whole number"),
    (GOOD.replace("1 -1 1 3 1", "1 -1 1 999999999 1").encode(), "whole number"),
    (GOOD.replace("1 -1 1 3 1", "1 -1 1 7000 7000").encode(), "more than any"),
]


@pytest.mark.parametrize(("data", "says"), BROKEN)
def test_broken_files_name_the_file_and_the_fault(data, says):
    with pytest.raises(NightviewError) as fault:
        parse_lm63(data, "lamp.ies")
    assert says in fault.value.problem
    assert fault.value.where == "lamp.ies"
    assert fault.value.remedy


def test_files_that_cannot_be_read(tmp_path):
    for path in (tmp_path, tmp_path / "none.ies", tmp_path / "a\0b"):
        with pytest.raises(NightviewError, match="cannot read"):
            read_lm63(path)
    large = tmp_path / "large.ies"
    with large.open("wb") as file:
        file.truncate(20_000_000)
    with pytest.raises(NightviewError, match="too large"):
        read_lm63(large)
    (tmp_path / "lamp.ies").write_text(GOOD)
    assert read_lm63(tmp_path / "lamp.ies").candela[0, 0] == 500.0


def sound_or_refused(data):
    try:
        photometry = parse_lm63(data, "lamp.ies")
    except NightviewError as fault:
        assert fault.where == "lamp.ies"
        return
    assert isinstance(photometry, LM63)
    lamp = photometry.to_intensity()
    assert np.isfinite(lamp.table).all()
    assert lamp.flux_lm > 0.0


FULL = written([[9, 5, 1], [8, 4, 0]], [0, 45, 90], [0, 90], tilt="TILT=INCLUDE\n1\n2\n0 9\n1 1")
NASTY = [
    "nan",
    "-1",
    "1e999",
    "0",
    "",
    "1e-320",
    "99999999999",
    "TILT=",
    "\0",
    "\x85",
    ",",
    "٣",
    "1",
]


@settings(max_examples=250, deadline=None)
@given(st.data())
def test_no_mutation_of_a_file_is_a_crash(data):
    words = FULL.split(" ") if data.draw(st.booleans()) else list(FULL)
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(words)))
        stop = start + data.draw(st.integers(0, 3))
        words[start:stop] = data.draw(
            st.lists(st.one_of(st.sampled_from(NASTY), st.text(max_size=3)), max_size=3)
        )
    text = (" " if len(words) < 60 else "").join(words)
    sound_or_refused(text.encode("utf-8", "surrogatepass"))


@settings(max_examples=100, deadline=None)
@given(st.lists(st.sampled_from(["0", "1", "2", "3", "45", "90", "180", "360", "-1"]), max_size=30))
def test_no_run_of_numbers_is_a_crash(words):
    sound_or_refused(("TILT=NONE " + "\n" + " ".join(words)).encode())


@given(st.binary(max_size=200))
def test_no_bytes_are_a_crash(data):
    sound_or_refused(data)
    sound_or_refused(b"TILT=NONE\n" + data)
