"""Wiring tables read from a file: what is taken, and what each fault is told in."""

from __future__ import annotations

import pytest

from nightview.errors import NightviewError
from nightview.scene.read import parse
from nightview.wiring.network import network_of, places_of

GOOD = """
title = "Wiring alone"
[[transformer]]
name = "T1"
power = "300 VA"
taps = ["12 V", "13 V"]
commons = 2
[[transformer]]
name = "T2"
power = "150 VA"
taps = ["12 V"]
[[hub]]
name = "hub A"
[[load]]
id = "a"
power = "4.5 W"
volts = "12 V"
[[load]]
id = "b"
power = "4.5 W"
volts = "12 V"
[[load]]
id = "c"
power = "20 W"
volts = "12 V"
source = "halogen"
[[load]]
id = "d"
power = "20 W"
volts = "24 V"
volts_min = "20 V"
volts_max = "28 V"
[[cable]]
name = "run 1"
from = "T1"
tap = "12 V"
through = ["a", "hub A"]
lengths = ["30 ft", "20 ft"]
[[cable]]
name = "run 2"
from = "hub A"
through = ["b"]
gauge = "14 AWG"
length = "10 ft"
[[cable]]
name = "run 3"
from = "T2"
through = ["c", "d"]
length = "100 ft"
"""


def faults(text: str) -> list[str]:
    with pytest.raises(NightviewError) as caught:
        network_of(parse(text, "garden.toml"))
    return str(caught.value).splitlines()


def test_a_scene_of_wiring_alone() -> None:
    scene = parse(GOOD)
    assert scene.blocks == () and scene.ground is None
    network = network_of(scene)
    assert [(leg.cable, leg.start, leg.end) for leg in network.legs] == [
        ("run 1", "T1", "a"), ("run 1", "a", "hub A"), ("run 2", "hub A", "b"),
        ("run 3", "T2", "c"), ("run 3", "c", "d"),
    ]  # fmt: skip
    lengths = [leg.length_m for leg in network.legs]
    assert lengths == pytest.approx([9.144, 6.096, 3.048, 15.24, 15.24])  # no slack on stated ones
    assert network.sources == (("T1", 12.0, 1), ("T2", 12.0, 1))
    assert network.legs[2].source == ("T1", 12.0, 1)  # through the hub
    windows = {lamp.id: (lamp.least_v, lamp.most_v) for lamp in network.lamps}
    # Common practice, no single source: LED 9 to 15 V, halogen 10.8 to 12 V.
    assert windows["a"] == (9.0, 15.0)
    assert windows["c"] == pytest.approx((10.8, 12.0))
    assert windows["d"] == (20.0, 28.0)
    assert [lamp.exponent for lamp in network.lamps] == [0.0, 0.0, 1.55, 0.0]
    assert "volts_min_v" in network.lamps[0].assumed
    assert "volts_min_v" not in network.lamps[3].assumed


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        # one key
        (
            'length = "10 ft"',
            'length = "-10 ft"',
            'cable "run 2": length = "-10 ft" is out of range; write 0.001 m or more',
        ),
        (
            'lengths = ["30 ft", "20 ft"]',
            'lengths = ["30 ft", "0 ft"]',
            'cable "run 1": lengths, entry 2 = "0 ft" is out of range; write 0.001 m or more',
        ),
        (
            'gauge = "14 AWG"',
            'gauge = "13 AWG"',
            'cable "run 2": gauge = "13 AWG" is unknown; did you mean "18 AWG"? one of: "18 AWG",',
        ),
        (
            'power = "20 W"\nvolts = "12 V"',
            'power = "20 W"',
            'load "c": volts is missing; add volts = "12 V"',
        ),
        (
            'power = "20 W"\nvolts = "12 V"',
            'volts = "12 V"',
            'load "c": power is missing; add power = "4.5 W"',
        ),
        (
            'power = "150 VA"',
            'power = "150 W"',
            'transformer "T2": power = "150 W" is a power, not an',
        ),
        ('taps = ["12 V"]', "", 'transformer "T2": taps is missing; add taps = ["12 V", "13 V",'),
        (
            'title = "Wiring alone"',
            '[wiring]\nhot = "75"',
            'wiring: hot = "75" has no unit; write "75 degC" or "75 degF"',
        ),
        (
            'title = "Wiring alone"',
            '[wiring]\ncold = "90 degC"',
            "wiring: cold, 90 degC, is above hot, 75 degC; write the lower one in cold",
        ),
        # names
        (
            'through = ["b"]',
            'through = ["bb"]',
            'cable "run 2": through = "bb" is no lamp or hub of this scene; did you mean "b"? there',
        ),
        (
            'from = "hub A"',
            'from = "hub B"',
            'cable "run 2": from = "hub B" is no transformer, hub or lamp of this scene; did you mean',
        ),
        (
            'through = ["b"]',
            'through = ["b"]\nto = "hubA"',
            'cable "run 2": to = "hubA" is no transformer, hub or lamp of this scene; did you mean',
        ),
        (
            'through = ["c", "d"]',
            'through = ["c", "T1"]',
            'cable "run 3": goes through transformer "T1"; write from = "T1", and lamps in through',
        ),
        (
            'through = ["c", "d"]',
            'through = ["c", "d"]\nto = "T1"',
            'cable "run 3": ends at transformer "T1", but does not start there; write it from the',
        ),
        (
            'name = "run 2"',
            'name = "run 1"',
            'cable "run 1": its name is taken already, by a cable',
        ),
        # landing
        (
            'from = "T1"\ntap = "12 V"',
            'from = "T1"',
            'cable "run 1": tap is missing: transformer "T1" has several; add one of "12 V", "13 V"',
        ),
        (
            'from = "T1"\ntap = "12 V"',
            'from = "T1"\ntap = "14 V"',
            'cable "run 1": tap = "14 V" is no tap of transformer "T1"; there are: "12 V", "13 V"',
        ),
        (
            'from = "T1"\ntap = "12 V"',
            'from = "T1"\ntap = "12 V"\ncommon = 3',
            'cable "run 1": common = 3, but transformer "T1" has 2 commons; write 1 to 2',
        ),
        (
            'from = "hub A"',
            'from = "hub A"\ntap = "12 V"',
            'cable "run 2": has a tap, but starts from "hub A"; drop it, or start from a transformer',
        ),
        # ways
        (
            'lengths = ["30 ft", "20 ft"]',
            'lengths = ["30 ft"]',
            'cable "run 1": lengths has 1 entries, but there are 2 legs: "T1" – "a" – "hub A"; write 2',
        ),
        (
            'lengths = ["30 ft", "20 ft"]',
            'lengths = ["30 ft", "20 ft"]\nlength = "50 ft"',
            'cable "run 1": has length and lengths; keep one of them',
        ),
        (
            'gauge = "14 AWG"\nlength = "10 ft"',
            'gauge = "14 AWG"',
            'cable "run 2": is laid out between places, and "hub A", "b" have none; add at =',
        ),
        (
            'gauge = "14 AWG"',
            'layout = "tee"',
            'cable "run 2": has a layout beside its length; drop it: with a stated way the joints',
        ),
        (
            'through = ["c", "d"]',
            'through = ["c", "c"]',
            'cable "run 3": goes from "c" to itself: a loop of no length; name each joint once in',
        ),
        (
            'through = ["b"]',
            'through = ["hub A"]',
            'cable "run 2": goes from "hub A" to itself: a loop of no length',
        ),
        (
            'volts_min = "20 V"',
            'volts_min = "29 V"',
            'load "d": volts_min, 29 V, is not below volts_max, 28 V; write the least and the most',
        ),
        (
            'taps = ["12 V", "13 V"]',
            'taps = ["12 V", "13 V", "12 V"]',
            'transformer "T1": has a tap twic',
        ),
        # parts
        (
            'from = "hub A"\nthrough = ["b"]',
            'from = "d"\nthrough = ["b"]',
            "",  # fed through run 3: sound
        ),
        (
            'from = "T2"\nthrough = ["c", "d"]',
            'from = "c"\nthrough = ["d"]',
            'cable "run 3": feeds "c", "d" from no tap; start it from a transformer, or from a joint',
        ),
        (
            'from = "T2"\nthrough = ["c", "d"]',
            'from = "T1"\ntap = "13 V"\nthrough = ["c", "a"]',
            'cable "run 3": joins the 12 V tap of "T1" with the 13 V tap of "T1": current would flow '
            'between them; end it one joint before, or write tap = "12 V" for both',
        ),
        (
            'from = "T2"\nthrough = ["c", "d"]',
            'from = "T2"\nthrough = ["c", "a"]',
            'cable "run 3": joins the 12 V tap of "T1" with the 12 V tap of "T2": current would flow '
            "between them; end it one joint before: two transformers must not meet",
        ),
        (
            'from = "T2"\nthrough = ["c", "d"]',
            'from = "T1"\ntap = "12 V"\ncommon = 2\nthrough = ["c", "a"]',
            'cable "run 3": joins the 12 V tap of "T1", common 1 with the 12 V tap of "T1", common 2: '
            "current would flow between them; end it one joint before, or land both cables on one",
        ),
    ],
)
def test_faults_of_wiring(old: str, new: str, line: str) -> None:
    """Each one told once, and nothing else with it."""
    assert GOOD.count(old) >= 1, old
    text = GOOD.replace(old, new, 1)
    if not line:
        network_of(parse(text))
        return
    found = faults(text)
    assert found[0].startswith(f"garden.toml: {line}"), found
    assert len(found) == 1, found


def test_temperatures_and_hours() -> None:
    # NIST SP 811 (2008), appendix B.8: t/°C = (t/°F − 32)/1.8.
    table = '[wiring]\nhot = "140 degF"\ncold = "-4 °F"\nhours = "4 h"\nreserve = 0.25\n'
    wiring = parse(table).wiring
    assert (wiring.hot_c, wiring.cold_c) == pytest.approx((60.0, -20.0))
    assert (wiring.hours_h, wiring.reserve) == (4.0, 0.25)
    assert parse('[wiring]\nhot = "60 °C"\n').wiring.hot_c == 60.0
    (line,) = faults('[wiring]\nhot = "350 K"\n')  # of light, in this file
    assert 'hot = "350 K" is a colour temperature, not a temperature' in line


def test_a_faulty_table_brings_no_faults_of_others() -> None:
    """A cable to a load that could not be read is not called unknown."""
    found = faults(GOOD.replace('power = "20 W"\nvolts = "12 V"', 'volts = "12 V"', 1))
    assert len(found) == 1


GARDEN = """
[ground]
size = "60 m, 60 m"
[[block]]
name = "house"
at = "0 m, 0 m"
size = "10 m, 6 m"
height = "3 m"
[lamps.plain]
kind = "beam"
flux = "260 lm"
beam = "36 deg"
power = "4.5 W"
lead = "1 m"
lead_gauge = "16 AWG"
power_factor = 0.9
[lamps.dark]
kind = "beam"
flux = "260 lm"
beam = "36 deg"
[[fixture]]
id = "row"
lamp = "plain"
at = "2 m, -4 m, 0.15 m"
to = "8 m, -4 m, 0.15 m"
count = 3
aim_at = "house"
[[fixture]]
id = "other"
lamp = "dark"
at = "2 m, -8 m, 0.15 m"
aim_at = "house"
[[transformer]]
name = "T"
at = "-0.5 m, 0.5 m"
height = "0.5 m"
power = "150 VA"
taps = ["12 V"]
"""
RUN = '[[cable]]\nname = "run"\nfrom = "T"\nthrough = ["row"]\n'


def test_a_row_is_written_out_and_a_lamp_of_the_light_is_wired() -> None:
    scene = parse(GARDEN + RUN + 'length = "30 m"\n')
    network = network_of(scene)
    assert [leg.end for leg in network.legs] == ["row-1", "row-2", "row-3"]
    assert [leg.length_m for leg in network.legs] == [10.0] * 3
    lamp = network.lamps[0]
    assert (lamp.power_w, lamp.power_factor, lamp.lead_m, lamp.lead_gauge) == (
        4.5,
        0.9,
        1.0,
        "16 AWG",
    )
    assert network.unwired == ("other",)
    assert places_of(scene)["row-2"] == pytest.approx((5.0, -4.0, 0.15))
    assert places_of(scene)["T"] == (-0.5, 0.5, 0.5)


def test_a_stated_route_is_measured_leg_by_leg() -> None:
    route = 'route = ["-0.5 m, 0.5 m", "-0.5 m, -4 m", "8 m, -4 m"]\n'
    network = network_of(parse(GARDEN + RUN + route))
    # 4.5 m down beside the house and 2.5 m along to the first lamp, then 3 m and 3 m; 0.5 m down
    # from the transformer, 0.15 m up to each lamp and down again; 2 ft (0.6096 m) of slack a lamp.
    laid = [0.5 + 4.5 + 2.5 + 0.15, 0.3 + 3.0, 0.3 + 3.0]
    assert [leg.laid_m for leg in network.legs] == pytest.approx(laid, abs=1e-6)
    assert [leg.length_m for leg in network.legs] == pytest.approx([m + 0.6096 for m in laid])
    assert network.legs[0].route[1] == pytest.approx((-0.5, -4.0))
    # A lamp 1 m off the line is gone to, and come back from.
    aside = GARDEN.replace("8 m, -4 m, 0.15 m", "8 m, -4 m, 0.15 m").replace(
        'at = "2 m, -4 m, 0.15 m"', 'at = "2 m, -5 m, 0.15 m"'
    )
    off = network_of(parse(aside + RUN + route))
    assert off.legs[0].laid_m == pytest.approx(0.5 + 4.5 + 2.5 + 1.0 + 0.15, abs=1e-6)


def test_a_route_through_the_house_is_refused_by_name() -> None:
    route = 'route = ["-0.5 m, 0.5 m", "5 m, 2 m", "8 m, -4 m"]\n'
    (line,) = faults(GARDEN + RUN + route)
    assert line.startswith('cable "run": goes through block "house" between')
    assert "add corners to route that lead around it" in line


def test_a_lamp_without_watts_is_told() -> None:
    (line,) = faults(GARDEN + RUN.replace("row", "other") + 'length = "30 m"\n')
    assert line == (
        'fixture "other": is on a cable, and its lamp "dark" has no power; add power = "4.5 W" to '
        "the lamp, as its data sheet has it"
    )


def test_names_are_shared_with_all_that_stands() -> None:
    (line,) = faults(GARDEN + '[[hub]]\nname = "house"\n')
    assert line.startswith('garden.toml: hub "house": its name is taken already, by a block')
    cable = RUN.replace('"run"', '"house"') + 'length = "30 m"\n'
    assert network_of(parse(GARDEN + cable)).legs  # cables have names of their own


def test_one_lamp_of_a_row_keeps_its_name() -> None:
    (line,) = faults(GARDEN + '[[hub]]\nname = "row-2"\n')
    assert line.startswith('garden.toml: hub "row-2": it is called as one lamp of fixture "row" is')
