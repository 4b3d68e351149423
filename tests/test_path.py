"""Camera paths against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from nightview.picture.path import Orbit, bearing_deg, ease, fitting_radius, walk
from nightview.scene.model import View

CENTRE = (3.0, -2.0, 2.2)


def orbit(**changes) -> Orbit:
    given = {"radius_m": 12.0, "height_m": 1.6, "start_deg": 25.0, "fov_deg": 55.0, **changes}
    return Orbit(CENTRE, **given)


def view(name: str, eye, target, fov: str = "50 deg") -> View:
    def point(values) -> str:
        return ", ".join(f"{v} m" for v in values)

    return View(name=name, eye=point(eye), target=point(target), fov=fov)


# --- ease -----------------------------------------------------------------------------------------


def test_ease_starts_and_ends_at_rest() -> None:
    t = np.linspace(0, 1, 1001)
    share = ease(t)
    assert share[0] == 0 and share[-1] == 1 and (np.diff(share) > 0).all()
    np.testing.assert_allclose(share + share[::-1], 1, atol=1e-12)
    # The derivative of 6t⁵ − 15t⁴ + 10t³ is 30 t²(1 − t)².
    middle = (t[1:] + t[:-1]) / 2
    np.testing.assert_allclose(np.diff(share) * 1000, 30 * (middle * (1 - middle)) ** 2, atol=1e-5)
    assert ease(-1) == 0 and ease(2) == 1


# --- orbit ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("frames", [2, 7, 120])
def test_an_orbit_turns_in_equal_steps_and_closes(frames: int) -> None:
    path = orbit().path(frames)
    assert len(path) == frames
    away = path.eyes[:, :2] - CENTRE[:2]
    np.testing.assert_allclose(np.hypot(*away.T), 12.0, rtol=1e-12)
    np.testing.assert_allclose(path.eyes[:, 2], 1.6)
    angle = np.degrees(np.arctan2(away[:, 0], -away[:, 1]))
    assert angle[0] == pytest.approx(25.0)
    steps = np.mod(np.diff([*angle, angle[0]]), 360)  # the last one leads back to the first
    np.testing.assert_allclose(steps, 360 / frames, atol=1e-9)
    assert len(np.unique(np.round(path.poses, 9), axis=0)) == frames
    np.testing.assert_allclose(path.poses[:, 3:6], [CENTRE] * frames)


def test_a_swing_goes_to_both_sides_and_back() -> None:
    frames = 80
    path = orbit(sweep_deg=90.0, start_deg=0.0).path(frames)
    angle = np.array([bearing_deg(CENTRE, eye) for eye in path.eyes])
    np.testing.assert_allclose(
        angle, 45 * np.sin(2 * np.pi * np.arange(frames) / frames), atol=1e-9
    )
    assert angle.max() == pytest.approx(45) and angle.min() == pytest.approx(-45)
    steps = np.abs(np.diff([*angle, angle[0]]))
    assert steps.max() < 1.01 * 45 * 2 * np.pi / frames  # no jump where it closes


def test_frames_of_a_path_become_cameras() -> None:
    path = orbit().path(8)
    camera = path.camera(3, (640, 360))
    np.testing.assert_array_equal(camera.eye, path.eyes[3])
    np.testing.assert_array_equal(camera.target, CENTRE)
    assert (camera.width, camera.height, camera.fov_deg) == (640, 360, 55.0)


def test_an_orbit_is_pushed_out_past_what_stands_in_its_way() -> None:
    post = np.array([CENTRE[0] + 12.0, CENTRE[1]])  # on the circle, at 90°

    def clear(eyes):
        return np.linalg.norm(eyes[:, :2] - post, axis=1) > 1.5

    free = orbit().cleared(clear)
    assert free.height_m == 1.6 and 13.5 < free.radius_m < 13.5 + 0.04 * 12 + 1e-6
    assert clear(free.path(720).eyes).all()
    # A swing that does not come near stays where it was.
    assert orbit(sweep_deg=60.0).cleared(clear).radius_m == 12.0


def test_an_orbit_is_raised_where_there_is_no_way_out() -> None:
    free = orbit().cleared(lambda eyes: eyes[:, 2] > 7.0)
    assert free.radius_m == 12.0 and free.height_m == pytest.approx(7.6)


@pytest.mark.parametrize(
    ("eye", "bearing"), [((3, -9), 0), ((9, -2), 90), ((3, 8), 180), ((-4, -2), -90)]
)
def test_bearings_begin_before_the_front(eye, bearing: float) -> None:
    assert bearing_deg(CENTRE, eye) == pytest.approx(bearing)


def test_a_body_fits_into_the_picture() -> None:
    # Tangents to a circle of radius r from a distance d enclose 2·asin(r/d).
    far = fitting_radius(6.0, 0.0, 60.0, (1600, 900))
    assert far == pytest.approx(1.12 * 6.0 / np.sin(np.radians(30)))
    # Tall and narrow: its near edge, 1 m nearer, reaches the upper edge of the picture.
    far = fitting_radius(1.0, 9.0, 60.0, (1600, 900))
    assert far == pytest.approx(1.12 * (1 + 9.0 / (np.tan(np.radians(30)) * 9 / 16)))


# --- walk -----------------------------------------------------------------------------------------


def test_a_straight_walk_follows_the_ease_curve() -> None:
    one, other = view("a", (0, -9, 1.6), (0, 0, 2)), view("b", (6, -1, 1.6), (6, 8, 2), "70 deg")
    path = walk([one, other], 31)
    share = ease(np.arange(31) / 30)[:, None]
    start, end = path.poses[0], path.poses[-1]
    np.testing.assert_allclose(start, [0, -9, 1.6, 0, 0, 2, 50], atol=1e-9)
    np.testing.assert_allclose(end, [6, -1, 1.6, 6, 8, 2, 70], atol=1e-9)
    np.testing.assert_allclose(path.poses, start + share * (end - start), atol=1e-6)


def test_a_walk_passes_all_views_and_swings_beyond_none() -> None:
    places = [(0, -9, 1.6), (4, -6, 1.7), (9, -8, 2.4), (10, 3, 1.5)]
    path = walk([view(str(k), eye, (5, 0, 2)) for k, eye in enumerate(places)], 2001)
    passed = [int(np.linalg.norm(path.eyes - np.array(eye), axis=1).argmin()) for eye in places]
    for eye, frame in zip(places, passed, strict=True):
        np.testing.assert_allclose(path.eyes[frame], eye, atol=0.01)
    assert passed == sorted(passed)
    for k in range(3):
        leg = path.eyes[passed[k] : passed[k + 1] + 1]
        low, high = np.minimum(places[k], places[k + 1]), np.maximum(places[k], places[k + 1])
        assert (leg >= low - 0.01).all() and (leg <= high + 0.01).all()
    # The speed is the ease curve's, whatever bends the way has: 30 t²(1 − t)² times its length.
    moved = np.linalg.norm(np.diff(path.poses[:, :6], axis=0), axis=1)
    t = (np.arange(2000) + 0.5) / 2000
    np.testing.assert_allclose(
        moved / moved.sum(), 30 * (t * (1 - t)) ** 2 / 2000, rtol=0.02, atol=2e-7
    )


def test_a_turn_on_the_spot_takes_time() -> None:
    eye = (0, -9, 1.6)
    path = walk([view("a", eye, (-5, 0, 2)), view("b", eye, (5, 0, 2))], 21)
    np.testing.assert_allclose(path.eyes, [eye] * 21, atol=1e-12)
    np.testing.assert_allclose(path.poses[:, 3], -5 + 10 * ease(np.arange(21) / 20), atol=1e-6)


@pytest.mark.parametrize(("size", "most"), [((1.0, 1.0), 14.0), ((9.5, 4.0), 30.0)])
def test_a_walk_is_bowed_round_what_stands_between(size, most: float) -> None:
    def clear(eyes, room=0.05):  # frames lie between the places that are tried, 7 cm apart
        return (np.abs(eyes[:, :2]) > np.add(size, room)).any(axis=1)

    views = [view("a", (0.3, -6, 1.6), (0, 0, 2)), view("b", (-0.2, 6, 1.6), (0, 0, 2))]
    straight, bowed = walk(views, 400), walk(views, 400, clear)
    assert not clear(straight.eyes).all() and clear(bowed.eyes, 0.0).all()
    np.testing.assert_allclose(bowed.poses[[0, -1]], straight.poses[[0, -1]], atol=1e-9)
    assert np.linalg.norm(np.diff(bowed.eyes, axis=0), axis=1).sum() < most


def test_a_walk_with_no_way_round_goes_straight_on() -> None:
    views = [view("a", (0, -6, 1.6), (0, 0, 2)), view("b", (0, 6, 1.6), (0, 0, 2))]
    blocked = walk(views, 50, lambda eyes: np.abs(eyes[:, 1]) > 1)
    np.testing.assert_array_equal(blocked.poses, walk(views, 50).poses)
