"""Points to mark: where they are and what they are called; the photo's table; the command."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from photographed import HOUSE, SIZE, camera_at, grey, site_of, spread_names, table
from PIL import Image

import nightview as nv
from nightview.__main__ import main
from nightview.errors import NightviewError
from nightview.photo.image import read_photo
from nightview.photo.overlay import edges_of, sheet, wireframe
from nightview.photo.sight import unhidden
from nightview.photo.solve import solved_of
from nightview.photo.takeoff import dimensions_of
from nightview.photo.worth import usual_camera, worth_marking
from nightview.scene.read import parse
from nightview.site.build import build
from nightview.site.landmarks import landmarks_of, places_of

ROOT = Path(__file__).parents[1]

ROOFS = """
title = "roofs"
[[block]]
name = "a"
at = "1 m, 2 m"
size = "{size}"
height = "3 m"
base = "{base}"
turn = "{turn} deg"
[block.roof]
kind = "{kind}"
ridge = "{ridge}"
pitch = "35 deg"
overhang = "{over}"
"""


def roofed(
    kind: str,
    ridge: str = "along",
    size: str = "8 m, 5 m",
    over: str = "0.4 m",
    turn: int = 0,
    base: str = "0 m",
):  # type: ignore[no-untyped-def]
    return parse(ROOFS.format(kind=kind, ridge=ridge, size=size, over=over, turn=turn, base=base))


def corners_of(site) -> np.ndarray:  # type: ignore[no-untyped-def]
    return np.concatenate([patch.triangles[0] for patch in site.patches])


# --- landmarks ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["gable", "hip", "shed", "flat"])
@pytest.mark.parametrize("ridge", ["along", "across"])
@pytest.mark.parametrize(
    ("size", "over", "turn"),
    [("8 m, 5 m", "0.4 m", 0), ("5 m, 8 m", "0 m", 30), ("6 m, 6 m", "0.3 m", -110)],
)
def test_landmarks_are_corners_of_what_is_built(
    kind: str, ridge: str, size: str, over: str, turn: int
) -> None:
    """Each is a corner of a surface that ``blocks`` builds (walls reach 2.5 mm into the roof)."""
    scene = roofed(kind, ridge, size, over, turn, base="0.5 m")
    corners = corners_of(nv.build(scene))
    marks = landmarks_of(scene)
    assert len(marks) >= 10
    for mark in marks.values():
        assert np.linalg.norm(corners - mark.place, axis=1).min() < 0.003, mark.name


def test_every_landmark_of_the_shipped_scenes_is_a_corner() -> None:
    for name in ("cottage", "terrace-house"):
        scene = nv.read(ROOT / "scenes" / f"{name}.toml")
        corners = corners_of(nv.build(scene))
        off = {
            mark.name: np.linalg.norm(corners - mark.place, axis=1).min()
            for mark in landmarks_of(scene).values()
        }
        assert max(off.values()) < 0.003, max(off, key=off.__getitem__)


def test_names_say_where_by_hand() -> None:
    """An 8 x 5 m house at (1, 2), eaves 3 m, gable of 35° along its width."""
    marks = landmarks_of(roofed("gable"))
    t, c = np.tan(np.radians(35)), np.cos(np.radians(35))
    lift = 0.15 / c  # the covering's thickness, measured upright
    for name, place in {
        "a front left foot": (1, 2, 0),
        "a back right foot": (9, 7, 0),
        "a front right wall top": (9, 2, 3),
        "a left gable": (1, 4.5, 3 + 2.5 * t),
        "a front left eaves": (0.6, 1.6, 3 - 0.4 * t),
        "a back right roof edge": (9.4, 7.4, 3 - 0.4 * t + lift),
        "a right ridge": (9.4, 4.5, 3 + 2.5 * t + lift),
    }.items():
        assert marks[name].place == pytest.approx(place), name
    across = landmarks_of(roofed("gable", "across"))
    assert across["a front gable"].place == pytest.approx((5, 2, 3 + 4 * t))
    assert across["a back ridge"].place == pytest.approx((5, 7.4, 3 + 4 * t + lift))
    shed = landmarks_of(roofed("shed"))  # rises to the back
    assert shed["a back left high eaves"].place == pytest.approx((0.6, 7.4, 3 + 5.4 * t))
    rising = landmarks_of(roofed("shed", "across"))  # rises to the right
    assert rising["a front right high eaves"].place == pytest.approx((9.4, 1.6, 3 + 8.4 * t))
    hip = landmarks_of(roofed("hip"))
    assert hip["a left ridge"].place == pytest.approx((0.6 + 2.9, 4.5, 3.15 + 2.9 * t))
    assert "a ridge" in landmarks_of(roofed("hip", size="6 m, 6 m"))
    turned = landmarks_of(roofed("gable", turn=90))  # about its front left corner, to the left
    assert turned["a front right foot"].place == pytest.approx((1, 10, 0))
    assert turned["a back left foot"].place == pytest.approx((-4, 2, 0))


def test_rows_and_sides_of_openings() -> None:
    rows = (
        HOUSE
        + """
[[opening]]
name = "back windows"
block = "house"
side = "back"
along = "2 m"
size = "1 m, 1 m"
count = 2
spacing = "3 m"
"""
    )
    marks = landmarks_of(parse(rows))
    # From outside the back wall's left end is the house's right: 9 m, 6 m.
    assert marks["back windows 1 lower left"].place == pytest.approx((7.5, 6, 0.9))
    assert marks["back windows 2 upper right"].place == pytest.approx((3.5, 6, 1.9))
    assert marks["front door lower left"].place == pytest.approx((4.0, 0, 0.15))


def test_a_place_has_one_name_and_names_are_kept_under_changes() -> None:
    scene = roofed("flat", over="0 m")
    marks = landmarks_of(scene)
    assert "a front left wall top" in marks and "a front left eaves" not in marks
    assert places_of(scene, ["a front left eaves"])["a front left eaves"] == pytest.approx(
        (1, 2, 3)
    )
    places = np.array([mark.place for mark in marks.values()])
    apart = np.linalg.norm(places[:, None] - places, axis=2) + np.eye(len(places))
    assert apart.min() > 1e-3


def test_dimensions_have_one_name_each() -> None:
    for name in ("cottage", "photo-demo"):
        scene = nv.read(ROOT / "scenes" / f"{name}.toml")
        every = dimensions_of(scene)
        assert len(every) > 30
        for dimension in every.values():  # each gives a scene of which points can be taken
            assert places_of(dimension.at(dimension.value), landmarks_of(scene))


# --- worth ----------------------------------------------------------------------------------------


def test_what_is_worth_marking_is_spread_and_seen() -> None:
    site, camera = site_of(), camera_at()
    first = worth_marking(site, camera)
    names = [mark.name for mark in first]
    assert len(names) == len(set(names)) == 12
    places = np.array([mark.place for mark in first[:8]])
    assert unhidden(site, camera.eye, places).all()
    pixels, depth = camera.project(places)
    assert np.ptp(depth) > 6.0 and (np.ptp(pixels, axis=0) / SIZE > [0.6, 0.3]).all()
    assert ((pixels > 0) & (pixels < SIZE)).all()


def test_the_set_is_better_than_any_other_tried() -> None:
    """Against 200 sets drawn at random among the points in sight, by the corners' expected error."""
    from photographed import asked, marks_at

    from nightview.photo.fit import covariance, of_camera
    from nightview.photo.sight import in_picture
    from nightview.photo.solve import corner_errors

    site, camera, rng = site_of(), camera_at(), np.random.default_rng(1)
    known = list(landmarks_of(site.scene).values())
    places = np.array([mark.place for mark in known])
    seen = np.flatnonzero(in_picture(camera, places))
    seen = seen[unhidden(site, camera.eye, places[seen])]
    ask = asked(site)
    corners = np.array([mark.place for mark in ask.corners])
    corners = corners[ask.seen(camera, corners)]

    def error(names) -> float:  # type: ignore[no-untyped-def]
        spread = covariance(marks_at(site, camera, names), of_camera(camera))
        return float(corner_errors(of_camera(camera), spread, corners, SIZE).max())

    ours = error(spread_names(site, camera))
    others = [error([known[n].name for n in rng.permutation(seen)[:8]]) for _ in range(200)]
    assert ours < min(others) and ours < 0.5 * np.median(others)


def test_the_usual_camera_is_the_first_view_or_before_the_house() -> None:
    site = site_of()
    camera = usual_camera(site)
    assert camera.eye[1] < -5 and camera.project(np.array([[4.5, 0.0, 1.5]]))[1][0] > 5
    viewed = site_of(
        HOUSE + '[[view]]\nname = "lane"\neye = "1 m, -9 m, 1.6 m"\ntarget = "4 m, 0 m, 2 m"\n'
    )
    assert usual_camera(viewed).eye == pytest.approx((1, -9, 1.6))


# --- the table ------------------------------------------------------------------------------------

PHOTO = '\n[[photo]]\nname = "front"\nfile = "front.jpg"\n'


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ("marks = [{ pixel = [3, 4] }]", "marks, entry 1: says of no point"),
        ('marks = [{ point = "a", at = "1 m, 2 m, 3 m", pixel = [3, 4] }]', "has a point and an at"),
        ('marks = [{ point = "a", pixel = [3, -4] }]', "pixel 3, -4 is off the picture"),
        ('marks = [{ point = "a", pixel = [3] }]', "pixel has 1 entry, not 2; write pixel = ["),
        ('marks = [{ point = "a", pixel = [3, 4] }, { point = "a", pixel = [9, 9] }]', 'marks "a" twice'),
        ('marks = [{ point = "a", pixel = [3, 4] }, { point = "b", pixel = [3.4, 4] }]', '"a" and "b" are on one pixel, 3.4, 4'),
        ('marks = [{ at = "1 m, 2 m, 3 m", pixel = [3, 4] }, { at = "1 m, 2 m, 3 m", pixel = [30, 4] }]',
         "marks, entry 1 and marks, entry 2 are one point"),
        ('light = "sun"', 'light = "sun" needs where the sun is'),
        ('light = "sun"\ntime = 2026-06-21T15:30:00+02:00', "latitude and longitude missing"),
        ('light = "sun"\ntime = 2026-06-21T15:30:00\nlatitude = "48 deg"\nlongitude = "9 deg"', "has no offset from UTC"),
        ('light = "sun"\ntime = "noon"', 'time = "noon" is no date and time; write time = 2026'),
        ('time = 2026-06-21T15:30:00+02:00', "time means nothing under an overcast sky"),
        ('light = "sun"\nlatitude = "48 deg"\nshadow_of = { point = "a", pixel = [3, 4] }', "has shadow_of and latitude"),
        ('light = "sun"\nshadow_of = { pixel = [3, 4] }', "shadow_of: says of no point"),
        ("reference = { pixel = [-1, 4], reflectance = 0.5 }", "reference: pixel -1, 4 is off the picture"),
        ('focal_35mm = 26', 'focal_35mm'),
    ],
)  # fmt: skip
def test_faults_of_a_photos_table(table: str, told: str) -> None:
    with pytest.raises(NightviewError) as caught:
        parse(HOUSE + PHOTO + table, "house.toml")
    assert f'house.toml: photo "front": {told}' in str(caught.value) or told in str(caught.value)
    assert str(caught.value).startswith('house.toml: photo "front": ')
    assert all(fault.remedy for fault in caught.value.faults)


def test_a_sound_photo_is_read() -> None:
    sun = 'light = "sun"\ntime = 2026-06-21T15:30:00+02:00\nlatitude = "48 deg"\nlongitude = "9 deg"\n'
    more = 'model_off_by = "5 cm"\nfocal_35mm = "26 mm"\nmarks = [{ point = "a", pixel = [3, 4], off_by = 5 }]\n'
    (photo,) = parse(HOUSE + PHOTO + sun + more).photos
    read = (photo.model_sigma_m, photo.focal_35mm_m, photo.marks[0].sigma_px)
    assert read == pytest.approx((0.05, 0.026, 5.0))
    shadow = 'light = "sun"\nshadow_of = { point = "a", pixel = [3, 4] }\n'
    assert parse(HOUSE + PHOTO + shadow).photos[0].shadow_of is not None


def test_the_schema_takes_a_photo() -> None:
    import tomllib

    from schemas import validator_of

    from nightview.scene.schema import schema

    sun = 'light = "sun"\ntime = 2026-06-21T15:30:00+02:00\nlatitude = "48 deg"\nlongitude = "9 deg"\n'
    check = validator_of(schema())
    marks = 'marks = [{ point = "a", pixel = [3, 4.5] }]\n'
    check.validate(tomllib.loads(HOUSE + PHOTO + sun + marks))
    for wrong in ("pixel = [3]", 'pixel = "3, 4"', "pixels = [3, 4]"):
        assert not check.is_valid(
            tomllib.loads(HOUSE + PHOTO + marks.replace("pixel = [3, 4.5]", wrong))
        )


def test_two_photos_may_not_share_a_name_but_one_may_be_named_as_a_view() -> None:
    view = '[[view]]\nname = "front"\neye = "1 m, -9 m, 1.6 m"\ntarget = "4 m, 0 m, 2 m"\n'
    parse(HOUSE + PHOTO + view)
    with pytest.raises(NightviewError, match="its name is taken already, by a photo"):
        parse(HOUSE + PHOTO + PHOTO)


# --- the overlay ----------------------------------------------------------------------------------


def test_edges_are_the_houses_own() -> None:
    """A box of a house: twelve edges, and none where its walls were cut in pieces."""
    site = build(roofed("flat", over="0 m", size="9 m, 5 m"))
    starts, ends = edges_of(site)
    whole = {
        tuple(sorted((tuple(np.round(a, 2)), tuple(np.round(b, 2)))))
        for a, b in zip(starts, ends, strict=True)
    }
    length = sum(np.linalg.norm(np.subtract(a, b)) for a, b in whole if abs(a[2] - b[2]) > 1)
    heights = sorted({round(a[2], 2) for pair in whole for a in pair})
    assert length == pytest.approx(4 * 3.0, abs=0.02)  # the four upright corners, once each
    assert heights[0] == 0.0 and heights[-1] == pytest.approx(3.15)


def test_hidden_edges_are_told_from_seen_ones() -> None:
    site, camera = build(roofed("flat", over="0 m", size="8 m, 5 m")), camera_at()
    segments, seen = wireframe(site, camera)
    front, back = (
        landmarks_of(site.scene)[f"a {name} foot"].place for name in ("front right", "back left")
    )
    for place, shown in ((front + [0, 0, 1.5], True), (back + [0, 0, 1.5], False)):
        pixel = camera.project(place[None])[0][0]
        near = np.linalg.norm(segments.mean(axis=1) - pixel, axis=1) < 6
        assert near.any() and (seen[near] == shown).mean() > 0.9


def test_edges_behind_the_camera_are_cut() -> None:
    from nightview.picture.camera import Camera

    site = build(roofed("flat", over="0 m", size="8 m, 5 m"))
    near = Camera(np.array([2.0, 0.5, 1.6]), np.array([9.0, 2.2, 1.4]), 90.0, *SIZE)
    segments, _ = wireframe(site, near)
    assert len(segments) and np.isfinite(segments).all()
    assert np.abs(segments).max() < 40 * SIZE[0]


def test_lines_lie_on_the_house(tmp_path: Path) -> None:
    """On a grey photo the sheet's yellow runs through the corners as an exact camera projects them."""
    camera = camera_at()
    site, photo, image = _written(tmp_path, camera)
    solved = solved_of(site, photo, image)
    picture = sheet(site, image, "front", solved)
    assert picture.shape[1] == SIZE[0] and picture.shape[0] > SIZE[1]
    known = landmarks_of(site.scene)
    yellow = (picture[..., 0].astype(int) - picture[..., 2]) > 60
    for a, b in (
        ("house front left foot", "house front left wall top"),
        ("house left ridge", "house right ridge"),
    ):
        ends = camera.project(np.array([known[a].place, known[b].place]))[0]
        for share in (0.3, 0.45):
            x, y = np.rint(ends[0] + share * (ends[1] - ends[0])).astype(int)
            assert yellow[y - 3 : y + 4, x - 3 : x + 4].any(), (a, share)
    # Where the sky is, there are no lines.
    assert not yellow[:40].any()


def _written(folder: Path, camera):  # type: ignore[no-untyped-def]
    site = site_of()
    names = spread_names(site, camera)
    known = landmarks_of(site.scene)
    text = HOUSE + table(names, camera.project(np.array([known[name].place for name in names]))[0])
    (folder / "house.toml").write_text(text)
    grey(folder / "front.jpg")
    scene = nv.read(folder / "house.toml")
    return build(scene), scene.photos[0], read_photo(folder / "front.jpg", "file")


# --- the command ----------------------------------------------------------------------------------


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A scene with eight exact marks, beside its photo."""
    _written(tmp_path, camera_at())
    return tmp_path / "house.toml"


def test_match_prints_and_writes(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = job.parent / "out"
    assert main(["match", str(job), "--out", str(out)]) == 0
    told = capsys.readouterr().out
    camera = camera_at()
    x, y, z = camera.eye
    assert f"taken from {x:.2f} m, {y:.2f} m, {z:.2f} m" in told
    # 800 px / tan 31° = 1331.4 px of a diagonal of 1923.2 px, 43.27 mm on film: 29.95 mm
    assert (
        "focal length 30.0 mm" in told
        and "62.0° wide" in told
        and "0.0 px" in told
        and "expected error of corners" in told
    )
    with Image.open(out / "house-front-match.png") as picture:
        assert picture.size[0] == SIZE[0]
    assert main(["match", str(job), "--out", str(out)]) == 0  # its own picture is replaced
    (out / "house-front-match.png").write_text("a letter")
    assert main(["match", str(job), "--out", str(out)]) == 2
    assert "is no overlay of nightview's" in capsys.readouterr().err
    assert main(["match", str(job), "--out", str(out), "--overwrite"]) == 0


def test_match_as_json(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["match", str(job), "--photo", "front", "--json", "--out", str(job.parent)]) == 0
    (figures,) = json.loads(capsys.readouterr().out)
    assert figures["position_m"] == pytest.approx(camera_at().eye, abs=1e-5)
    assert figures["field_of_view_deg"] == pytest.approx(62.0, abs=1e-5)
    assert len(figures["marks"]) == 8 and figures["dimensions"] == [] and figures["warnings"] == []
    assert Path(figures["overlay"]).is_file()


def test_points_are_listed(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["match", str(job), "--points", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    known = landmarks_of(nv.read(job))
    assert {row["point"] for row in rows} == set(known)
    assert [row["order"] for row in rows[:12]] == list(range(1, 13))
    assert all(row["at_m"] == pytest.approx(known[row["point"]].place) for row in rows)
    assert main(["match", str(job), "--points", "--photo", "front"]) == 0
    told = capsys.readouterr().out
    assert "as seen from the photo" in told
    assert not any(
        f" {mark.point} " in told.split("12 ")[0] for mark in nv.read(job).photos[0].marks
    )


def test_a_wrong_height_is_told_and_taken_off(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The scene says 3.20 m; the photo shows 3.05 m. The value comes back to the millimetre."""
    from nightview.photo.takeoff import dimensions_of

    site, camera = site_of(), camera_at()
    names = [*spread_names(site, camera, 10), "house front right eaves", "house front left eaves"]
    true = dimensions_of(site.scene)["house height"].at(3.05)
    known = landmarks_of(true)
    names = list(dict.fromkeys(names))
    job.write_text(
        HOUSE + table(names, camera.project(np.array([known[name].place for name in names]))[0])
    )
    status = main(["match", str(job), "--out", str(job.parent)])
    told = capsys.readouterr()
    assert (
        "house height 3.05 m ±" in told.out + told.err
        and "(3.20 m in the scene)" in told.out + told.err
    )
    assert status in (0, 2)
    assert main(["match", str(job), "--free", "house height", "--json"]) == 0
    (figures,) = json.loads(capsys.readouterr().out)
    (found,) = figures["dimensions"]
    assert (
        found["value"] == pytest.approx(3.05, abs=1e-4)
        and found["in_the_scene"] == 3.2
        and found["marks_fit"]
    )
    assert main(["match", str(job), "--free", "study sill"]) == 2
    assert "its marks leave study sill open" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (
            ("front.jpg", "back.jpg"),
            'house.toml: photo "front": file = "back.jpg": there is no such file',
        ),
        (('name = "front"', 'name = "front"\nfocal_35mm = "70 mm"'), "the photo looks cropped"),
    ],
)
def test_refusals_end_with_status_2(
    job: Path, capsys: pytest.CaptureFixture[str], change: tuple[str, str], told: str
) -> None:
    text = job.read_text()
    assert text.count(change[0]) == 1
    job.write_text(text.replace(*change))
    assert main(["match", str(job), "--out", str(job.parent)]) == 2
    said = capsys.readouterr()
    assert (
        told in said.err and 'house.toml: photo "front"' in said.err and "Traceback" not in said.err
    )
    # What can be drawn is drawn, so that an eye may find what is wrong.
    drawn = job.parent / "house-front-match.png"
    assert drawn.exists() == ("cropped" in told)
    if drawn.exists():
        shown = np.asarray(Image.open(drawn).convert("RGB")).astype(int)
        assert ((shown[..., 0] - shown[..., 2]) > 120).sum() > 2000  # yellow lines on grey


def test_a_refused_photo_is_drawn_as_the_good_marks_have_it(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With one mark 90 px off, the lines are where they are without it."""
    assert main(["match", str(job), "--out", str(job.parent), "--json"]) == 0
    good = np.asarray(Image.open(job.parent / "house-front-match.png").convert("RGB")).astype(int)
    (figures,) = json.loads(capsys.readouterr().out)
    x, y = figures["marks"][0]["pixel"]
    text = job.read_text()
    at = f"pixel = [{x:.9f}, {y:.9f}]"
    assert text.count(at) == 1
    job.write_text(text.replace(at, f"pixel = [{x + 90:.9f}, {y:.9f}]"))
    assert main(["match", str(job), "--out", str(job.parent)]) == 2
    told = capsys.readouterr()
    assert "does not fit the others" in told.err and "house-front-match.png" in told.out
    bad = np.asarray(Image.open(job.parent / "house-front-match.png").convert("RGB")).astype(int)
    lines = [(part[:1067, :, 0] - part[:1067, :, 2]) > 120 for part in (good, bad)]
    same = (lines[0] & lines[1]).sum() / (lines[0] | lines[1]).sum()
    assert same > 0.9


def test_no_photo_and_unknown_names(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["match", str(job), "--photo", "frnt"]) == 2
    assert 'did you mean "front"?' in capsys.readouterr().err
    assert main(["match", str(job), "--free", "house hight"]) == 2
    assert 'did you mean "house height"?' in capsys.readouterr().err
    bare = job.parent / "bare.toml"
    bare.write_text(HOUSE)
    assert main(["match", str(bare)]) == 2
    assert "the scene has no photos; add a [[photo]] table" in capsys.readouterr().err
    assert main(["match", str(bare), "--points"]) == 0


def test_a_photo_without_marks_is_told_where_to_begin(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job.write_text(HOUSE + PHOTO)
    assert main(["match", str(job)]) == 2
    told = capsys.readouterr().err
    assert (
        "has no marks, too few to tell the camera: it takes 6; mark 8 that are spread in depth, for example"
        in told
    )
    named = told.split('for example "')[1].split('"')[0]
    assert named in landmarks_of(nv.read(job))
