"""Try-out night: the choice is the best of all there are, and a lamp tells about its like."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from nightview.handover.facts import Facts
from nightview.handover.tryout import best, choices, chosen_of, overlap
from nightview.scene.read import parse
from tests.checked import lamp, wall


@pytest.mark.parametrize("seed", range(6))
def test_no_choice_tells_more(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 7
    worth = rng.dirichlet(np.ones(n))
    alike = rng.random((n, n))
    np.fill_diagonal(alike, 1.0)
    for size in range(1, 5):
        told = [worth @ alike[list(c)].max(axis=0) for c in itertools.combinations(range(n), size)]
        chosen = best(worth, alike, size)
        assert len(chosen) == size
        assert worth @ alike[chosen].max(axis=0) == pytest.approx(max(told), abs=1e-9)


def test_overlap_of_two_profiles() -> None:
    # Σ min / Σ max by hand: (1 + 1) / (2 + 1), and nothing in common.
    found = overlap(np.array([[2.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 3.0]]))
    assert found[0, 1] == found[1, 0] == pytest.approx(2 / 3)
    assert found[0, 2] == 0.0 and np.diag(found).tolist() == [1.0, 1.0, 1.0]


def test_one_of_a_pair_tells_of_the_other() -> None:
    # Two like lamps far apart on one wall, and a wide one close to it on the next.
    text = wall(lamp("left", 1.5, 0.5) + lamp("right", 10.5, 0.5), width=12.0)
    text += '[[fixture]]\nid = "side"\nlamp = "wide"\nblock = "house"\nside = "right"\nalong = "2 m"\nout = "0.15 m"\nelevation = "60 deg"\n'
    found = choices(Facts(parse(text)))
    assert [len(one.lamps) for one in found] == [1, 2, 3]
    two = found[1]
    assert set(two.lamps) in ({"left", "side"}, {"right", "side"})
    first = next(name for name in two.lamps if name != "side")
    assert set(two.tells[first]) == {"left", "right"}
    assert found[2].told == pytest.approx(1.0)
    told = [one.told for one in found]
    assert told == sorted(told)
    assert chosen_of(found) is next(one for one in found if one.told >= 0.75)


def test_no_lamp_on_means_nothing_to_try() -> None:
    assert choices(Facts(parse(wall(lamp("a", 3.0, 0.5, more="on = false"))))) == []
