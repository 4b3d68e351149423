"""The window without its window: one scene at work, what is seen of it, and what is done to it.

It knows no Qt. All its methods are called from one thread and return at once; pictures are made in
two others and told of through ``tell``, which is called from those.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from nightview.errors import NightviewError
from nightview.light.field import LightField
from nightview.light.source import source_of
from nightview.picture.png import write_png
from nightview.picture.still import captioned, developed, refuse_foreign
from nightview.scene.model import Scene, View
from nightview.scene.states import AS_DESIGNED, label_of, shown_in
from nightview.scene.views import plain
from nightview.scene.write import edited
from nightview.site.build import Site, build, relit
from nightview.site.placing import Placed
from nightview.site.surface import Array
from nightview.window import edits, figures
from nightview.window.cabled import cables_of, uncabled
from nightview.window.document import Change, Document
from nightview.window.moving import Grip, Wall, keys_at
from nightview.window.rows import parted
from nightview.window.sketch import Sketch
from nightview.window.studio import (
    ALL_OFF,
    OTHER_STATES,
    Check,
    Picture,
    Shot,
    Studio,
    state_of,
)
from nightview.window.worker import Worker

Tell = Callable[[str, Any], None]
"""What has come, and its content: "picture", "other" (a Picture), "sketch" (Pixels), "findings",
"trouble" (NightviewError), "idle"."""

REST_S = 0.45
"""A picture settles when nothing has changed for so long."""
KINDS = ("quick", "sketch", "move", "settle", "other", "ready", "findings")
PICK_PX = 14.0


@dataclass(frozen=True, eq=False)
class Marker:
    """A lamp in the picture. at : (x, y) [px]; hidden : something stands before it."""

    lamp: str
    at: tuple[float, float]
    hidden: bool
    on: bool


class Session:
    """One scene at work. shot : what is seen; other : the state beside it, or None; selected : a
    lamp's id, or None; whole_row : a state's word on a lamp of a row is for the whole row."""

    def __init__(self, path: Path, tell: Tell, size: tuple[int, int] = (1280, 720)) -> None:
        """Errors: as ``scene.read.read`` and ``site.build.build``."""
        self.tell = tell
        self._site: Site | None = None
        self._taken: Site | None = None
        self.document = Document(path, self._accept)
        self._site = self._taken
        self.studio = Studio()
        self.checker = figures.Checker()
        self.selected: str | None = None
        self.whole_row = True
        self.other: str | None = None
        views = self.scene.views or (_first_view(self.site),)
        self.shot = Shot(views[0], size=size)
        self.picture: Picture | None = None
        self._field: LightField | None = None
        self._grip: Grip | None = None
        self._aiming: Placed | None = None
        self._sketch: Sketch | None = None
        self.offered = self.document.kept() is not None
        self._drawing = Worker(
            KINDS, self._failed, lambda: self.tell("idle", None), self.studio.close
        )
        self._sketching = Worker(("shown",), self._failed)
        self._aside = Worker(("warm",), self._failed)
        self.look_again()

    # --- what is there ----------------------------------------------------------------------------

    @property
    def scene(self) -> Scene:
        """The scene as it is shown."""
        return self.document.scene

    @property
    def site(self) -> Site:
        """Its site; lamps' bodies may be missing, as a dragged lamp has none."""
        assert self._site is not None
        return self._site

    @property
    def views(self) -> tuple[View, ...]:
        """The scene's views, or one before its front where it has none."""
        return self.scene.views or (_first_view(self.site),)

    @property
    def states(self) -> tuple[str, ...]:
        """The names of the states that can be shown and changed."""
        return (AS_DESIGNED, *(state.name for state in self.scene.states))

    @property
    def others(self) -> tuple[str, ...]:
        """The names of the states that can be shown beside."""
        return (*self.states, ALL_OFF, *OTHER_STATES)

    def label(self, state: str) -> str:
        """What a state is called."""
        known = state in self.states
        return label_of(self.scene, state) if known else state

    @property
    def lamps(self) -> tuple[Placed, ...]:
        """The lamps in their places."""
        return self.site.fixtures

    def lamp(self, name: str) -> Placed:
        """A lamp by its id."""
        return next(one for one in self.lamps if one.id == name)

    @property
    def busy(self) -> bool:
        """Whether pictures are being made."""
        return self._drawing.busy or self._sketching.busy

    @property
    def exposure(self) -> tuple[float | None, bool]:
        """The exposure (EV100) of the picture, None before the first, and whether the file locks it."""
        stated = self.scene.picture.exposure_ev100
        if stated is not None:
            return stated, True
        return (self.picture.ev100 if self.picture else None), False

    # --- looking ----------------------------------------------------------------------------------

    def look_again(self, delay_s: float = 0.0) -> None:
        """Have the picture drawn in full, and what is beside it."""
        scene, shot = self.scene, self.shot

        def settle(check: Check) -> None:
            site = build(scene)
            self._show("picture", self.studio.settled(site, shot, check))

        self._drawing.post("settle", settle, delay_s)
        if self.other is not None and not shot.day:
            beside = replace(shot, state=self.other, role="other")

            def other(check: Check) -> None:
                self._show("other", self.studio.settled(build(scene), beside, check))

            self._drawing.post("other", other, delay_s)

        def ready(check: Check) -> None:
            self._aside.post("warm", lambda check: self.studio.relight.warm())
            self._make_ready(check, anew=True)

        def findings(check: Check) -> None:
            field = self.studio.field(build(scene), check)
            self.tell("findings", self.checker.findings(field, shot.state, shot.camera, check))

        self._drawing.post("ready", ready, delay_s)
        self._drawing.post("findings", findings, delay_s)

    def see(self, **changes: Any) -> None:
        """See something else: keys of ``Shot``, as view, state, look, quantity, size, day."""
        before = self.shot
        self.shot = replace(self.shot, **changes)
        if self.shot == before:
            return
        self._sketch = None
        same_view = replace(self.shot, state=before.state) == before
        if same_view and not self.shot.day:
            self._quickly()
            self.look_again(REST_S)
        else:
            self.look_again()

    def lead(self, view: View) -> None:
        """See the scene from a place that is being changed by hand: quick, then in full."""
        self.shot = replace(self.shot, view=view)
        self._sketch = None
        scene, shot = self.scene, self.shot

        def move(check: Check) -> None:
            self._show("picture", self.studio.moving(build(scene), shot, check))

        self._drawing.post("move", move)
        self.look_again(REST_S)

    def compare(self, state: str | None) -> None:
        """Show another state beside, or none."""
        self.other = state
        if state is not None:
            self.look_again()

    def _quickly(self) -> None:
        site, shot = self.site, self.shot
        self._drawing.post(
            "quick", lambda check: self._show("picture", self.studio.quick(site, shot, check))
        )

    def _show(self, what: str, picture: Picture) -> None:
        if what == "picture" and picture.shot.view == self.shot.view:
            self.picture = picture
        if picture.light is not None:
            self._field = picture.light.field
        self.tell(what, picture)

    def _failed(self, kind: str, error: Exception) -> None:
        if not isinstance(error, NightviewError):
            error = NightviewError(kind, f"a fault of nightview's own: {error}")
        self.tell("trouble", error)

    def _make_ready(self, check: Check, *, anew: bool = False) -> None:
        """Draw ahead what the selected lamp needs: its layer, and the view without it."""
        scene, selected, shot = self.scene, self.selected, self.shot
        lamps = next(
            (frozenset(one.lamp_ids) for one in scene.fixtures if selected in one.lamp_ids), None
        )
        if lamps is None or shot.day:
            return
        site = build(scene)
        if anew or self._sketch is None:
            sketch = self.studio.sketch(site, shot, lamps, check)
            if (shot, selected) == (self.shot, self.selected):
                self._sketch = sketch
        if shot.look != "levels":
            self.studio.prepare(site, shot, lamps, check)

    # --- changing ---------------------------------------------------------------------------------

    def _accept(self, scene: Scene) -> None:
        before = self._site
        self._taken = build(scene) if before is None else self._site_of(scene, before)

    def _site_of(self, scene: Scene, before: Site) -> Site:
        """The site of a changed scene: quickly, where only fixtures differ."""
        same = all(
            getattr(scene, key) == getattr(before.scene, key)
            for key in Scene.model_fields
            if key not in ("fixtures", "states", "picture", "title", "notes")
        )
        return relit(before, scene) if same else build(scene)

    def change(self, change: Change, said: str, merge: str | None = None) -> bool:
        """Change the text of the scene; whether that did anything. A change that makes no sound scene
        is told as trouble, and all stays as it was."""
        try:
            if not self.document.change(change, said, merge):
                return False
        except NightviewError as error:
            self.tell("trouble", error)
            return False
        self._took()
        return True

    def _took(self) -> None:
        """The document has another scene: its site is now shown."""
        if self._taken is not None and self._taken.scene is self.scene:
            self._site = self._taken
        else:  # undone or redone: sound, and seen before
            self._site = self._site_of(self.scene, self.site)
        ids = {lamp.id for lamp in self.lamps}
        if self.selected not in ids:
            self.selected = None
        if self.shot.state not in self.states:
            self.shot = replace(self.shot, state=AS_DESIGNED)
        if self.other is not None and self.other not in self.others:
            self.other = None
        if self._sketch is not None and not self._sketch.lamps <= ids:
            self._sketch = None

    def undo(self) -> str:
        """Take the last step back; what it was, or ""."""
        return self._stepped(self.document.undo())

    def redo(self) -> str:
        """Bring it back."""
        return self._stepped(self.document.redo())

    def _stepped(self, said: str) -> str:
        if said:
            self._took()
            self._quickly()
            self._sketch = None
            self.look_again(REST_S / 3)
        return said

    # --- lamps ------------------------------------------------------------------------------------

    def select(self, lamp: str | None) -> None:
        """Choose a lamp, and have made ready what changing it needs."""
        if lamp == self.selected:
            return
        self.selected = lamp
        self._sketch = None
        if lamp is not None:
            self._drawing.post("ready", self._make_ready)

    def set_shown(self, key: str, value: Any, merge: str | None = None) -> None:
        """Dim, switch or colour the selected lamp in the state that is shown: "dim", "on", "cct"."""
        if self.selected is None:
            return
        words = {"dim": "dim", "on": "switch", "cct": "colour"}[key]
        alone = not self.whole_row
        change = edits.shown(self.scene, self.selected, self.shot.state, key, value, alone)
        name = self.selected if alone else edits.fixture_of(self.scene, self.selected).id
        if self.change(change, f"{words} {name}", merge and f"{merge} {name}"):
            self._quickly()
            self.look_again(REST_S)

    def now(self) -> dict[str, tuple[bool, float, float]]:
        """How each lamp shows in the state: on, dim (0…1), colour temperature [K]."""
        told = shown_in(self.scene, self.shot.state)
        return {
            lamp.id: (
                told[lamp.id].on and told[lamp.id].exists,
                told[lamp.id].dim,
                told[lamp.id].cct_k or lamp.cct_k,
            )
            for lamp in self.lamps
        }

    def set_lamp(self, name: str) -> None:
        """Put another lamp into the selected fixture."""
        self._replaced({"lamp": name}, f"lamp of {self._fixture_id}")

    def other_beam(self, wider: bool) -> None:
        """Put in the lamp with the next wider or narrower beam."""
        if self.selected is None:
            return
        name = edits.other_beam(self.scene, self.selected, wider)
        if name is None:
            word = "wider" if wider else "narrower"
            self.tell("trouble", NightviewError(
                self._fixture_id, f"there is no lamp of its kind with a {word} beam",
                "add one under [lamps] in the file"))  # fmt: skip
            return
        self.set_lamp(name)

    @property
    def _fixture_id(self) -> str:
        assert self.selected is not None
        return edits.fixture_of(self.scene, self.selected).id

    def _replaced(self, values: dict[str, Any], said: str, merge: str | None = None) -> bool:
        """Change the selected fixture in a way that needs its light traced again."""
        if self.selected is None:
            return False
        if not self.change(edits.put(self.scene, self.selected, values), said, merge):
            return False
        self._sketched()
        self.look_again(REST_S if merge else 0.0)
        return True

    def _sketched(self) -> None:
        """Show what the changed lamps bring in a quick sketch, if one is ready."""
        sketch = self._sketch
        if sketch is None:
            return
        site, shot = self.site, self.shot

        def show(check: Check) -> None:
            sources = [source_of(lamp) for lamp in site.fixtures if lamp.id in sketch.lamps]
            state = state_of(replace(sketch.field, site=site), shot.state)
            look = replace(shot, look="camera") if shot.look == "levels" else shot
            self.tell("sketch", sketch.shown(sources, state, look.shown_as))

        self._sketching.post("shown", show)

    def nudge(self, right_m: float, away_m: float, up_m: float = 0.0) -> None:
        """Move the selected lamp by a little, as one sees it: to the right, away, up."""
        if self.selected is None:
            return
        right, _, ahead = self.shot.camera.axes
        level = np.array([ahead[0], ahead[1], 0.0]) / max(float(np.hypot(*ahead[:2])), 1e-9)
        move = right_m * right + away_m * level + np.array([0.0, 0.0, up_m])
        lamp = self.lamp(self.selected)
        fixture = edits.fixture_of(self.scene, self.selected)
        values = keys_at(self.scene, fixture, lamp, lamp.position + move)
        self._replaced(values, f"move {fixture.id}", f"nudge {fixture.id}")

    def aim_by(self, right_m: float, up_m: float) -> None:
        """Move the selected lamp's spot by a little, as one sees it."""
        if self.selected is None:
            return
        right, _, _ = self.shot.camera.axes
        point = self.spot(self.selected) + right_m * right + np.array([0.0, 0.0, up_m])
        own, name = self.lamp(self.selected), self._fixture_id
        first = self.lamp(edits.fixture_of(self.scene, own.id).lamp_ids[0])
        change = edits.aimed(self.scene, own.id, first.position, own.position, point)
        if self.change(change, f"aim {name}", f"nudge the aim of {name}"):
            self._sketched()
            self.look_again(REST_S)

    def add(self, x: float, y: float) -> None:
        """Add a lamp on what lies under a place of the picture."""
        found = self.ray_at(x, y)
        if found is None:
            self.tell("trouble", NightviewError("add", "nothing is there to stand on",
                                                "point at the ground or a wall"))  # fmt: skip
            return
        point, normal = found
        name = edits.new_id(self.scene, "lamp")
        lamp, zone = edits.USUAL_LAMP, "garden"
        if self.selected is not None:
            like = edits.fixture_of(self.scene, self.selected)
            lamp, zone = like.lamp, like.zone
        at = point + 0.15 * normal
        aim = at + np.array([0.0, 0.5, 2.0]) if normal[2] > 0.5 else at + 0.3 * normal + [0, 0, 2.0]
        if self.change(edits.added(name, lamp, zone, at, aim), f"add {name}"):
            self._chosen_anew(name)

    def duplicate(self) -> None:
        """Add a fixture like the selected one, 0.6 m to the right of it."""
        if self.selected is None:
            return
        fixture, lamp = edits.fixture_of(self.scene, self.selected), self.lamp(self.selected)
        right = self.shot.camera.axes[0]
        name = edits.new_id(self.scene, fixture.id)
        values = keys_at(self.scene, fixture, lamp, lamp.position + 0.6 * right)
        if fixture.aim_m is not None:
            aim = np.asarray(fixture.aim_m) + 0.6 * right
            values["aim_m"] = tuple(round(float(v), 2) for v in aim)
        if self.change(
            edits.copied(self.scene, self.selected, name, values), f"duplicate {fixture.id}"
        ):
            self._chosen_anew(name)

    def mirror(self) -> str:
        """Add the selected lamp's mirror image about the nearest door or window; whose axis, or ""."""
        if self.selected is None:
            return ""
        lamp = self.lamp(self.selected)
        row = edits.fixture_of(self.scene, self.selected).lamp_ids
        centre = np.mean([self.lamp(name).position for name in row], axis=0)
        try:
            change, name, axis = edits.mirrored(
                self.scene, self.selected, lamp.position, self.spot(self.selected), centre
            )
        except NightviewError as error:
            self.tell("trouble", error)
            return ""
        if not self.change(change, f"mirror {self._fixture_id}"):
            return ""
        self._chosen_anew(name)
        return axis

    @property
    def cables(self) -> tuple[str, ...]:
        """The cables that name the selected lamp or its row."""
        if self.selected is None:
            return ()
        return cables_of(self.scene, edits.fixture_of(self.scene, self.selected))

    def delete(self) -> None:
        """Take the selected fixture out, and off its cables."""
        if self.selected is None:
            return
        fixture = edits.fixture_of(self.scene, self.selected)
        out = edits.removed(self.scene, self.selected)

        def change(text: str) -> str:
            return out(uncabled(self.scene, fixture)(text))

        if self.change(change, f"delete {fixture.id}"):
            self.selected = None
            self._sketch = None
            self.look_again()

    def part(self) -> bool:
        """Take the selected lamp's row apart; whether it was one."""
        if self.selected is None:
            return False
        fixture = edits.fixture_of(self.scene, self.selected)
        lamps = tuple(self.lamp(name) for name in fixture.lamp_ids)
        try:
            change = parted(self.scene, fixture, lamps)
        except NightviewError as error:
            self.tell("trouble", error)
            return False
        if not self.change(change, f"take {fixture.id} apart"):
            return False
        self._sketch = None
        self.look_again()
        return True

    def _chosen_anew(self, fixture: str) -> None:
        found = next(one for one in self.scene.fixtures if one.id == fixture)
        self.selected, self._sketch = found.lamp_ids[0], None
        self.look_again()

    # --- in the picture ---------------------------------------------------------------------------

    def ray_at(self, x: float, y: float) -> tuple[Array, Array] | None:
        """The point that a place of the picture shows, and the normal there, (3,) each; None for sky
        and before the first picture."""
        if self._field is None:
            return None
        camera = self.shot.camera
        way = camera.ways(np.array([x]), np.array([y]))[0]
        hits, point = figures.one_ray(self._field, camera.eye, way)
        if hits.triangle[0] < 0:
            return None
        a, b, c = self._field.tracer.triangles[hits.triangle[0]].astype(float)
        normal = np.cross(b - a, c - a)
        normal /= np.linalg.norm(normal)
        return point, normal if normal @ way < 0 else -normal

    def wall_at(self, x: float, y: float) -> Wall | None:
        """The point of a house's wall that a place of the picture shows, and its normal; or None."""
        found = self.ray_at(x, y)
        if self._field is None or found is None or abs(found[1][2]) > 0.3:
            return None
        camera = self.shot.camera
        way = camera.ways(np.array([x]), np.array([y]))[0]
        hits, _ = figures.one_ray(self._field, camera.eye, way)
        number = int(self._field.tracer.surface[hits.triangle[0]])
        patches = self.site.patches
        houses = self.site.geometry.houses
        return found if number < len(patches) and patches[number].owner in houses else None

    def spot(self, lamp: str) -> Array:
        """The place that a lamp's axis meets first, (3,) [m]; 4 m along it where it meets nothing."""
        placed = self.lamp(lamp)
        if self._field is not None:
            hits, point = figures.one_ray(self._field, placed.position, placed.axis)
            if hits.triangle[0] >= 0:
                return point
        return placed.position + 4.0 * placed.axis

    def markers(self) -> list[Marker]:
        """The lamps in the picture."""
        lamps, camera = self.lamps, self.shot.camera
        if not lamps:
            return []
        told = shown_in(self.scene, self.shot.state)
        points = np.array([lamp.position for lamp in lamps])
        places, depth = camera.project(points)
        hidden = np.zeros(len(lamps), bool)
        if self._field is not None:
            eye = camera.eye.astype(np.float32)
            hidden = self._field.tracer.blocked(points.astype(np.float32), eye)
        return [
            Marker(lamp.id, (float(x), float(y)), bool(h), told[lamp.id].level > 0)
            for lamp, (x, y), far, h in zip(lamps, places, depth, hidden, strict=True)
            if far > 0.1 and told[lamp.id].exists
        ]

    def pick(self, x: float, y: float, reach_px: float = PICK_PX) -> str | None:
        """The lamp nearest to a place of the picture, seen ones before hidden ones; None for none."""
        near = [
            (marker.hidden, np.hypot(marker.at[0] - x, marker.at[1] - y), marker.lamp)
            for marker in self.markers()
        ]
        near = [item for item in near if item[1] <= reach_px]
        return min(near)[2] if near else None

    def spot_px(self) -> tuple[float, float] | None:
        """Where the picture shows the selected lamp's spot."""
        if self.selected is None:
            return None
        places, depth = self.shot.camera.project(self.spot(self.selected)[None])
        return (float(places[0, 0]), float(places[0, 1])) if depth[0] > 0.1 else None

    def on_spot(self, x: float, y: float, reach_px: float = PICK_PX) -> bool:
        """Whether a place of the picture is the selected lamp's spot."""
        at = self.spot_px()
        return at is not None and np.hypot(at[0] - x, at[1] - y) <= reach_px

    def under(self, x: float, y: float) -> figures.Under | None:
        """The light under a place of the picture; None where no night picture is there."""
        picture = self.picture
        if picture is None or picture.light is None or picture.frame is None:
            return None
        if picture.shot.view != self.shot.view:
            return None
        frame = picture.frame
        share = frame.camera.width / self.shot.size[0]
        return figures.under(picture.light, frame.luminance, frame.camera, x * share, y * share)

    # --- dragging ---------------------------------------------------------------------------------

    def take(self, lamp: str) -> None:
        """Take hold of a lamp."""
        self.select(lamp)
        self.document.rest()
        self._aiming = None
        self._grip = Grip(self.scene, edits.fixture_of(self.scene, lamp), self.lamp(lamp))
        if self._sketch is None:
            self._drawing.post("sketch", self._make_sketch)

    def take_spot(self) -> None:
        """Take hold of the spot that the selected lamp lights."""
        if self.selected is not None:
            self.take(self.selected)
            self._grip, self._aiming = None, self.lamp(self.selected)

    def _make_sketch(self, check: Check) -> None:
        if self._sketch is None:
            self._make_ready(check)
        self._sketched()

    def drag(self, x: float, y: float, upright: bool = False) -> None:
        """Lead what one holds to a place of the picture."""
        if self.selected is None:
            return
        camera = self.shot.camera
        name = self._fixture_id
        if self._grip is not None:
            way = camera.ways(np.array([x]), np.array([y]))[0].astype(float)
            values = self._grip.dragged(camera.eye, way, upright, self.wall_at(x, y))
            if values:
                self._replaced(values, f"move {name}", f"move {name}")
        elif self._aiming is not None:
            found = self.ray_at(x, y)
            if found is None:
                return
            own = self._aiming
            first = self.lamp(edits.fixture_of(self.scene, own.id).lamp_ids[0])
            change = edits.aimed(self.scene, own.id, first.position, own.position, found[0])
            if self.change(change, f"aim {name}", f"aim {name}"):
                self._sketched()
                self.look_again(REST_S)

    def let_go(self) -> None:
        """End a drag: the picture settles."""
        if self._grip is None and self._aiming is None:
            return
        self._grip = self._aiming = None
        self.document.rest()
        self.look_again()

    # --- exposure ---------------------------------------------------------------------------------

    def lock_exposure(self, locked: bool) -> None:
        """Write the exposure into the file, so that all pictures keep it; or take it out again."""
        ev100, is_locked = self.exposure
        if ev100 is None or locked == is_locked:
            return
        value = round(ev100, 2) if locked else None
        said = "lock the exposure" if locked else "unlock the exposure"
        where = ("picture", "exposure_ev100")
        if self.change(lambda text: edited(text, {where: value}), said):
            self.look_again()

    def expose(self, stops: float) -> None:
        """Lock the exposure at so many stops less light than now."""
        ev100, _ = self.exposure
        if ev100 is None:
            return
        value = round(ev100 + stops, 2)
        where = ("picture", "exposure_ev100")
        if self.change(lambda text: edited(text, {where: value}), "exposure", "exposure"):
            self.look_again()

    # --- files ------------------------------------------------------------------------------------

    def poll(self) -> str:
        """Look at the file on disk: "" if it is as it was, "reloaded", "wrong" or "both changed"."""
        if not self.document.poll():
            return ""
        if self.document.is_changed:
            return "both changed"
        return self.reload()

    def reload(self) -> str:
        """Take up the file as it stands: "reloaded", "wrong", or "" where it is the same."""
        if self.document.reload():
            self._took()
            self._sketch = None
            self.look_again()
            return "reloaded"
        return "wrong" if self.document.fault else ""

    def keep(self) -> None:
        """Keep unsaved work beside the scene, unless earlier work waits there to be taken up."""
        if not self.offered:
            self.document.keep()

    def answer_offer(self, take: bool) -> None:
        """Take up the work left unsaved last time, or throw it away."""
        self.offered = False
        if not take:
            self.document.discard_kept()
            return
        try:
            self.document.take_kept()
        except NightviewError as error:
            self.tell("trouble", error)
            return
        self._took()
        self.look_again()

    def still_path(self) -> Path:
        """A free name beside the scene for a still of what is on screen."""
        words = [self.document.path.stem, plain(self.shot.view.name) or "view"]
        if self.shot.state != AS_DESIGNED:
            words.append(plain(self.shot.state))
        if self.shot.look != "camera":
            words.append(self.shot.look)
        stem = "-".join(words)
        number, path = 2, self.document.path.with_name(f"{stem}.png")
        while path.exists():
            path = self.document.path.with_name(f"{stem}-{number}.png")
            number += 1
        return path

    def write_still(self, path: Path) -> None:
        """Write what is on screen as ``still`` would. NightviewError where it cannot."""
        picture = self.picture
        if picture is None or not picture.settled:
            raise NightviewError("still", "the picture is not settled yet", "wait a moment")
        still = picture.still(self.label(picture.shot.state))
        look = picture.shot.shown_as
        refuse_foreign(path, False)
        write_png(path, captioned(still, look, developed(still, look)), still.texts(look))

    def end(self) -> None:
        """Keep what is unsaved, and stop."""
        self.keep()
        self._drawing.end()
        self._sketching.end()
        self._aside.end()


def _first_view(site: Site) -> View:
    """Before the front of all that stands, at eye height."""
    low, high = site.bounds
    middle, wide = (low + high) / 2, float((high - low)[:2].max())
    return View(
        name="front",
        eye_m=(float(middle[0]), float(low[1]) - 1.1 * wide, 1.6),
        target_m=(float(middle[0]), float(middle[1]), float(high[2]) / 3),
    )
