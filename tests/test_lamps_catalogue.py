"""Lamps by name: the built-in ones, a scene's own, and every way to name one wrongly."""

from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import simpson

from nightview.errors import NightviewError
from nightview.lamps.catalogue import builtin_lamps, lamp_of
from nightview.scene.model import Lamp, Scene
from nightview.scene.quantities import FromFile

EMPTY = Scene()


def scene(folder=".", **lamps):
    """A scene whose lamps are written as in its file."""
    context = FromFile(Path(folder))
    return Scene.model_validate({"lamps": lamps}, context=context)


def refused(of_scene, name):
    with pytest.raises(NightviewError) as fault:
        lamp_of(of_scene, name)
    assert fault.value.where.startswith(f'lamp "{name}"')
    assert fault.value.remedy
    return str(fault.value)


# --- the catalogue --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", builtin_lamps())
def test_every_lamp_shines_its_lumens(name):
    lamp = lamp_of(EMPTY, name)
    # Simpson's rule over θ and φ, on a grid that has nothing to do with the table's
    theta = np.linspace(0.0, np.pi, 18_001)
    phi = np.linspace(0.0, 2.0 * np.pi, 3 if lamp.intensity.axial else 91)
    cosine, turn = np.broadcast_arrays(np.cos(theta), phi[:, np.newaxis])
    candela = lamp.intensity.at(cosine, turn)
    flux_lm = simpson(simpson(candela * np.sin(theta), x=theta), x=phi)
    assert flux_lm == pytest.approx(lamp.flux_lm, rel=0.002)
    assert lamp.flux_lm == pytest.approx(lamp.rated_flux_lm * lamp.loss_factor, rel=1e-6)


@pytest.mark.parametrize("name", builtin_lamps())
def test_every_lamp_is_complete(name):
    lamp = lamp_of(EMPTY, name)
    assert lamp.power_w is not None
    assert lamp.note
    assert lamp.cct_k == (3000.0 if name == "street lamp" else 2700.0)
    assert lamp.photometry == "assumed"
    # Common practice, no single source: 0.85 sealed, 0.75 path and step, 0.65 in-ground
    in_ground, low = name.startswith("well"), name.startswith(("path", "step"))
    assert lamp.loss_factor == (0.65 if in_ground else 0.75 if low else 0.85)
    # Light-emitting lamps of this size give 40 to 130 lm/W (common practice)
    assert 40.0 <= lamp.rated_flux_lm / lamp.power_w <= 130.0


@pytest.mark.parametrize(
    ("names", "lumens", "watts", "beams"),
    # Common practice, no single source: the trade's table of lamps
    [
        (["accent 10", "accent 15", "accent 24", "accent 36", "accent 60"], (260, 260), (4, 4.5),
         [10, 15, 24, 36, 60]),
        (["accent 36 strong"], (400, 500), (6, 7), [36]),
        (["large accent 36"], (700, 1000), (9, 12), [36]),
        (["path hat", "path hat low"], (80, 200), (1.5, 4), [None, None]),
        (["step light", "under-cap strip"], (20, 120), (0.5, 3), [90, 90]),
        (["wash", "wall wash"], (180, 500), (3, 7), [60, 90]),
        (["strip"], (20, 250), (0.5, 3), [120]),
        (["well 36", "well 24"], (180, 700), (3, 10), [36, 24]),
    ],
)  # fmt: skip
def test_figures_are_the_trades(names, lumens, watts, beams):
    for name, beam in zip(names, beams, strict=True):
        lamp = lamp_of(EMPTY, name)
        assert lumens[0] <= lamp.rated_flux_lm <= lumens[1]
        assert watts[0] <= lamp.power_w <= watts[1]
        assert lamp.entry.beam_deg == beam
        if lamp.kind == "beam":
            assert lamp.intensity.width_deg(0.5) == pytest.approx(beam, abs=0.1)


def test_warm_light_is_warm():
    red, _, blue = lamp_of(EMPTY, "accent 36").rgb
    assert red / blue == pytest.approx(1.935 / 0.192, rel=0.01)  # 2700 K on the Planckian locus


# --- a scene's own lamps --------------------------------------------------------------------------


def test_the_scenes_lamp_hides_the_built_in_and_may_be_like_it():
    own = scene(**{"accent 36": {"like": "accent 36", "cct": "3000 K"}})
    lamp = lamp_of(own, "accent 36")
    assert lamp.cct_k == 3000.0
    assert lamp.rated_flux_lm == 260.0
    assert lamp_of(EMPTY, "accent 36").cct_k == 2700.0


def test_like_fills_in_what_is_missing_over_many_steps():
    own = scene(
        a={"like": "b", "flux": "300 lm"},
        b={"like": "well 24", "power": "9 W", "flux": "1 lm", "spill": 0.0},
    )
    lamp = lamp_of(own, "a")
    assert (lamp.kind, lamp.rated_flux_lm, lamp.power_w, lamp.loss_factor) == (
        *("beam", 300.0, 9.0),
        0.65,
    )
    assert lamp.entry.beam_deg == 24.0
    assert lamp.entry.spill == 0.0
    assert lamp.body == "flush"
    assert lamp.entry.like is None


def test_like_a_lamp_of_another_kind_takes_all_but_its_shape():
    lamp = lamp_of(scene(a={"like": "accent 36", "kind": "hat"}), "a")
    assert (lamp.kind, lamp.rated_flux_lm, lamp.power_w) == ("hat", 260.0, 4.5)
    assert lamp.entry.beam_deg is None
    pairs = [["0 deg", "9 cd"], ["90 deg", "9 cd"]]
    lamp = lamp_of(scene(a={"like": "accent 36", "kind": "table", "intensity": pairs}), "a")
    assert lamp.flux_lm == pytest.approx(18.0 * np.pi, rel=1e-4)  # half a sphere of 9 cd
    assert (lamp.loss_factor, lamp.power_w) == (1.0, 4.5)


def test_defaults():
    lamp = lamp_of(scene(a={"kind": "beam", "beam": "36 deg", "flux": "100 lm"}), "a")
    assert (lamp.cct_k, lamp.lens_m, lamp.loss_factor, lamp.body) == (2700.0, 0.035, 0.85, "spike")
    assert lamp.flux_lm == 85.0
    assert lamp.power_w is None  # never guessed from lumens
    path = lamp_of(scene(a={"kind": "hat", "flux": "100 lm"}), "a")
    assert (path.loss_factor, path.body) == (0.75, "hat")
    assert np.degrees(np.arccos(path.intensity.cutoff_cos)) == pytest.approx(80.0, abs=0.1)


STRIP = {"kind": "linear", "length": "2.5 m", "flux_per_metre": "300 lm", "power_per_metre": "4 W"}


def test_a_linear_lamp_goes_by_its_length():
    lamp = lamp_of(scene(a=STRIP), "a")
    assert (lamp.rated_flux_lm, lamp.power_w, lamp.length_m) == (750.0, 10.0, 2.5)
    assert lamp.flux_lm == pytest.approx(0.85 * 750.0)
    assert (lamp.body, lamp.lens_m, lamp.photometry) == ("none", 0.012, "assumed")
    # A bare strip is matte: Φ = π·I0.
    assert lamp.intensity.peak_cd == pytest.approx(0.85 * 750.0 / np.pi, rel=1e-4)
    assert lamp_of(EMPTY, "accent 36").length_m == 0.0


def test_who_says_the_whole_does_not_take_over_the_metre():
    own = scene(
        **{
            "base": STRIP,
            "cut": {"like": "base", "length": "1 m"},
            "whole": {"like": "cut", "flux": "100 lm", "power": "1 W"},
            "metre": {"like": "whole", "flux_per_metre": "50 lm", "length": "4 m"},
        }
    )
    assert (lamp_of(own, "cut").rated_flux_lm, lamp_of(own, "cut").power_w) == (300.0, 4.0)
    assert (lamp_of(own, "whole").rated_flux_lm, lamp_of(own, "whole").power_w) == (100.0, 1.0)
    assert (lamp_of(own, "metre").rated_flux_lm, lamp_of(own, "metre").power_w) == (200.0, 1.0)


def test_source_is_led_unless_it_is_said():
    own = scene(a={"like": "accent 36", "source": "halogen"}, b={"like": "a"})
    assert [lamp_of(own, name).source for name in ("accent 36", "a", "b")] == [
        *("led", "halogen", "halogen")
    ]


def test_loss_factor_is_applied_once():
    stated = {"kind": "beam", "beam": "36 deg", "flux": "200 lm"}
    full = lamp_of(scene(a={**stated, "loss_factor": 1.0}), "a")
    half = lamp_of(scene(a={**stated, "loss_factor": 0.5}), "a")
    assert half.rated_flux_lm == 200.0
    assert half.flux_lm == half.intensity.flux_lm == 100.0
    assert half.intensity.peak_cd == pytest.approx(full.intensity.peak_cd / 2.0, rel=1e-6)


TABLE = {"kind": "table", "intensity": [["0 deg", "100 cd"], ["90 deg", "100 cd"]]}


def test_table_rules_over_a_stated_flux():
    lamp = lamp_of(scene(a={**TABLE, "flux": "625 lm"}), "a")
    assert lamp.rated_flux_lm == pytest.approx(200.0 * np.pi, rel=1e-4)
    assert lamp.loss_factor == 1.0
    assert lamp.photometry == "table"
    told = refused(scene(a={**TABLE, "flux": "600 lm"}), "a")
    assert "600 lm are stated" in told
    assert "628.3 lm" in told


PHOTOMETRY = "IESNA91\nTILT=NONE\n1 400 1 2 1 1 1 0.2 0.2 0\n1 1 6\n0 90\n0\n100 100\n"


def test_file_beside_the_scene(tmp_path):
    (tmp_path / "maker").mkdir()
    (tmp_path / "maker" / "spot.ies").write_text(PHOTOMETRY)
    own = scene(
        tmp_path,
        a={"kind": "file", "file": "maker/spot.ies"},
        b={"like": "a", "loss_factor": 0.8, "power": "7 W", "lens": "30 mm", "flux": "628 lm"},
    )
    lamp = lamp_of(own, "a")
    assert lamp.flux_lm == pytest.approx(200.0 * np.pi, rel=1e-4)
    assert (lamp.power_w, lamp.lens_m, lamp.loss_factor) == (6.0, pytest.approx(0.06096), 1.0)
    assert lamp.photometry == "maker/spot.ies"
    other = lamp_of(own, "b")
    assert other.flux_lm == pytest.approx(160.0 * np.pi, rel=1e-4)
    assert (other.power_w, other.lens_m) == (7.0, 0.03)


def test_a_files_tilt_is_applied_when_installed(tmp_path):
    tilt = "TILT=INCLUDE\n1\n3\n0 90 180\n1.0 0.9 0.6"
    (tmp_path / "lamp.ies").write_text(PHOTOMETRY.replace("TILT=NONE", tilt))
    lamp = lamp_of(scene(tmp_path, a={"kind": "file", "file": "lamp.ies", "loss_factor": 0.8}), "a")
    assert lamp.flux_lm == pytest.approx(160.0 * np.pi, rel=1e-4)
    down, level, up = (
        ((0, 0, -1.0), (0, 1.0, 0)),
        ((0, 1.0, 0), (0, 0, 1.0)),
        ((0, 0, 1.0), (0, 1, 0)),
    )
    for (axis, reference), factor in ((down, 1.0), (level, 0.9), (up, 0.6)):
        held = lamp.installed(np.array(axis), np.array(reference))
        assert held.flux_lm == pytest.approx(factor * lamp.flux_lm, rel=1e-5)
        assert held.intensity.peak_cd == pytest.approx(factor * 80.0, rel=1e-5)
        assert held.rated_flux_lm == lamp.rated_flux_lm
        assert held.installed(np.array(axis), np.array(reference)) is held  # and not once more
    spot = lamp_of(EMPTY, "accent 36")
    assert spot.installed(np.array(up[0]), np.array(up[1])) is spot


def test_a_file_that_changes_is_read_again(tmp_path):
    file = tmp_path / "spot.ies"
    own = scene(tmp_path, a={"kind": "file", "file": "spot.ies"})
    file.write_text(PHOTOMETRY)
    before = lamp_of(own, "a").flux_lm
    file.write_text(PHOTOMETRY.replace("100 100", "200.0 200.0"))
    assert lamp_of(own, "a").flux_lm == pytest.approx(2.0 * before, rel=1e-6)


def test_a_file_that_is_not_there_or_not_sound(tmp_path):
    own = scene(tmp_path, a={"kind": "file", "file": "spot.ies"})
    assert "spot.ies" in refused(own, "a")
    (tmp_path / "spot.ies").write_text(PHOTOMETRY[:40])
    told = refused(own, "a")
    assert "spot.ies" in told
    assert "ends early" in told


# --- wrong names and wrong keys -------------------------------------------------------------------


def test_unknown_names():
    own = scene(**{"my spot": {"like": "acccent 36"}})
    assert 'did you mean "accent 36"?' in refused(own, "acent 36")
    told = refused(own, "zzz")
    assert "did you mean" not in told
    assert "my spot" in told
    assert "street lamp" in told
    assert 'like: there is no lamp "acccent 36"' in refused(own, "my spot")


def test_like_in_a_circle():
    own = scene(a={"like": "b"}, b={"like": "c"}, c={"like": "b"}, d={"like": "d"})
    assert "b like c like b" in refused(own, "a")
    assert "d like d" in refused(own, "d")


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ({"flux": "100 lm"}, 'kind: is missing; write kind = "beam"'),
        ({"kind": "beam", "flux": "100 lm"}, "beam: a beam needs its width"),
        ({"kind": "beam", "beam": "36 deg"}, 'flux: a lamp of kind "beam" needs it'),
        ({"kind": "wash", "flux": "100 lm"}, 'beam: a lamp of kind "wash" needs it'),
        ({"kind": "omni"}, "flux"),
        ({"kind": "linear", "flux": "9 lm"}, 'length: a lamp of kind "linear" needs it'),
        ({"kind": "linear", "length": "1 m"}, 'flux_per_metre: a lamp of kind "linear" needs it'),
        ({"kind": "omni", "flux": "9 lm", "length": "1 m"}, 'write kind = "linear"'),
        ({"kind": "table"}, "intensity"),
        ({"kind": "file"}, "file"),
        ({"kind": "omni", "flux": "9 lm", "spill": 0.01}, 'kind = "beam" or "wash"'),
        ({"kind": "hat", "flux": "9 lm", "beam": "36 deg"}, 'says nothing of a lamp of kind "hat"'),
        ({"kind": "beam", "beam": "36 deg", "field": "30 deg", "flux": "9 lm"}, "field: "),
    ],
)
def test_wrong_keys(entry, says):
    assert says in refused(scene(a=entry), "a")


def test_a_scene_made_in_code():
    lamps = {"a": Lamp(kind="beam", beam_deg=24.0, flux_lm=100.0, loss_factor=1.0)}
    assert lamp_of(Scene(lamps=lamps), "a").flux_lm == 100.0
