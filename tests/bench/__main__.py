"""How long things take, each beside its target, and two ratios to programs of others.

``python -m tests.bench`` measures all; ``--smoke`` runs every measurement at a tiny size to see that
it works, and its figures mean nothing. Nothing here fails for being slow: read the table.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import resource
import statistics
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))  # for the twin

SMALL = """
title = "Smoke"

[site]
surroundings = "rural"

[ground]
material = "grass"
size = "12 m, 10 m"

[[block]]
name = "house"
at = "-3 m, 0 m"
size = "6 m, 3 m"
height = "2.6 m"

[[shrub]]
name = "shrub"
at = "-2.4 m, -1.2 m"
height = "0.8 m"

[[fixture]]
id = "up"
lamp = "accent 36"
block = "house"
along = "2 m"
out = "0.5 m"
count = 2
spacing = "2 m"
elevation = "76 deg"

[[fixture]]
id = "hat"
lamp = "path hat"
at = "1.5 m, -2 m, 0.5 m"

[[view]]
name = "front"
eye = "1 m, -9 m, 1.6 m"
target = "0 m, 0 m, 1.3 m"

[[view]]
name = "side"
eye = "6 m, -7 m, 1.6 m"
target = "0 m, 0 m, 1.3 m"
"""

# The path tracer knows no Gaussian beam: these stand in for the catalogue's lamps on both sides.
STAND_INS: dict[str, dict[str, Any]] = {
    "beam": {"kind": "table", "intensity": [["0 deg", "500 cd"], ["10 deg", "500 cd"], ["30 deg", "0 cd"]]},
    "hat": {"kind": "table", "intensity": [["0 deg", "25 cd"], ["60 deg", "25 cd"], ["80 deg", "0 cd"]]},
    "omni": {"kind": "omni", "flux": "70 lm", "loss_factor": 1.0},
}  # fmt: skip


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="tiny sizes: does it run at all?")
    smoke = parser.parse_args().smoke
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        os.environ["NIGHTVIEW_CACHE"] = str(work / "cache")
        scene = ROOT / "scenes" / "cottage.toml"
        if smoke:
            scene = work / "small.toml"
            scene.write_text(SMALL, encoding="utf-8")
        print(f"nightview: {scene.name}, {os.cpu_count()} cores, Python {platform.python_version()}"
              + (", SMOKE: the figures mean nothing" if smoke else ""))  # fmt: skip
        print(f"{'what':66} {'measured':>14}   target")
        size = (160, 90) if smoke else (1600, 900)
        window = (160, 90) if smoke else (1280, 720)
        commands(scene, size, work)
        in_process(scene, size, window, 1 if smoke else 5)
        window_updates(scene, window, 1 if smoke else 9)
        lodge = ROOT / "scenes" / "lodge.toml"
        if not smoke and lodge.exists():
            memory(lodge, size, work)
            window_updates(lodge, window, 5)
        checking(scene, work, "1.5 s", "10 s")
        if not smoke and lodge.exists():
            checking(lodge, work, "", "40 s")
        wiring(work, 6 if smoke else 60, 50 if smoke else 2000)
        embree_share(scene, 1 if smoke else 3)
        against_mitsuba(scene, work, (32, 18) if smoke else (320, 180), window)


def row(what: str, measured: str, target: str = "") -> None:
    """One line of the table."""
    print(f"{what:66} {measured:>14}   {target}", flush=True)


def seconds(call: Callable[[], object], times: int = 1) -> float:
    """The median wall time of a call [s]."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        call()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def on_processor() -> float:
    """Time on the processor of all commands that have ended so far [s]."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def checking(scene: Path, work: Path, quick: str, full: str) -> None:
    """``check`` as a command, its light cached: as it stands, and with remedies sought for a lamp of the
    first row by a wall that is set 0.15 m from it. Also its time on the processor, and whether a fault
    is found, which at the demo scenes as they stand there is not."""
    text = scene.read_text(encoding="utf-8")
    planted = scene.with_name(f"bench-{scene.name}")
    planted.write_text(
        re.sub(r'(?m)^out = ".*?"', 'out = "0.15 m"', text, count=1), encoding="utf-8"
    )
    try:
        for path, more, what, target in (
            (scene, ["--no-remedies"], "check", quick), (planted, [], "  with remedies", full),
        ):  # fmt: skip
            command = [sys.executable, "-m", "nightview", "check", str(path), "--json", *more]

            faults: list[int] = []

            def run(command: list[str] = command, faults: list[int] = faults) -> None:
                done = subprocess.run(command, cwd=ROOT, capture_output=True)
                assert done.returncode in (0, 1), done.stderr
                faults.append(done.returncode)

            run()  # its light is kept now
            before = on_processor()
            wall = seconds(run, 3)
            told = f"{(on_processor() - before) / 3:.2f} s on the processor"
            row(
                f"{what}, {scene.stem}, light cached, the whole command",
                f"{wall:.2f} s",
                f"{target:8} {told}, {'with faults' if any(faults) else 'no fault'}",
            )
    finally:
        planted.unlink()


# --- the whole command ----------------------------------------------------------------------------


def still(scene: Path, view: str, size: tuple[int, int], out: Path, cache: Path) -> float:
    """Wall time of ``nightview still`` as a user starts it [s]."""
    command = [sys.executable, "-m", "nightview", "still", str(scene), "--view", view,
               "--size", f"{size[0]}x{size[1]}", "--out", str(out), "--overwrite"]  # fmt: skip
    start = time.perf_counter()
    done = subprocess.run(
        command,
        cwd=ROOT,
        env={**os.environ, "NIGHTVIEW_CACHE": str(cache)},
        capture_output=True,
        text=True,
    )
    taken = time.perf_counter() - start
    if done.returncode:
        raise SystemExit(f"{' '.join(command)}\n{done.stdout}{done.stderr}")
    return taken


def commands(scene: Path, size: tuple[int, int], work: Path) -> None:
    """First still with nothing cached, and a further view, each a command of its own."""
    first, second = views(scene)[:2]
    pixels = f"{size[0]} x {size[1]}"
    taken = still(scene, first, size, work / "out", work / "fresh")
    row(f"first {pixels} still, nothing cached, the whole command", f"{taken:.2f} s", "6 s")
    taken = still(scene, second, size, work / "out", work / "fresh")
    row(f"a second command, light cached: another {pixels} view", f"{taken:.2f} s")


def views(scene: Path) -> list[str]:
    """The names of a scene's views."""
    return [view["name"] for view in tomllib.loads(scene.read_text(encoding="utf-8"))["view"]]


def memory(scene: Path, size: tuple[int, int], work: Path) -> None:
    """Peak memory of a still of the largest scene."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    taken = still(scene, views(scene)[0], size, work / "out", work / "large")
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    row(f"{scene.stem}: first still, the whole command", f"{taken:.2f} s")
    # The highest of all children so far; the smaller scenes' are lower.
    row(
        f"{scene.stem}: peak memory",
        f"{peak / 2**20:.2f} GB",
        "3 GB" if peak > before else "3 GB (at most)",
    )


# --- steps ----------------------------------------------------------------------------------------


@contextmanager
def cache_in(folder: str) -> Iterator[None]:
    """Another cache for a while; "" for none."""
    before = os.environ["NIGHTVIEW_CACHE"]
    os.environ["NIGHTVIEW_CACHE"] = folder
    try:
        yield
    finally:
        os.environ["NIGHTVIEW_CACHE"] = before


def in_process(scene: Path, size: tuple[int, int], window: tuple[int, int], times: int) -> None:
    """What an open window does."""
    import nightview as nv
    from nightview.light.stage import set_up
    from nightview.picture.still import layers_of
    from nightview.picture.tone import develop
    from nightview.scene.read import parse

    first, second = views(scene)[:2]
    site = nv.build(nv.read(scene))

    def anew() -> None:
        set_up.cache_clear()  # what was worked out for the geometry is kept, too
        nv.trace(site)

    with cache_in(""):
        row("light traced, nothing cached", f"{seconds(anew, min(times, 3)):.2f} s")
    field = nv.trace(site)
    light = nv.mix(field)
    nv.draw(light, first, window)
    at_view = f"{size[0]} x {size[1]}"
    row(f"a further {at_view} view, drawn and developed",
        f"{seconds(lambda: nv.develop(nv.draw(light, second, size)), times):.2f} s", "1 s")  # fmt: skip

    at_window = f"{window[0]} x {window[1]}"
    ev100 = nv.draw(light, first, window).ev100
    designed = field.designed
    name = next(iter(designed.level))
    levels = iter(np.linspace(0.1, 0.9, 50))

    drawing = layers_of(field, first, window, ev100)
    drawing.frame(designed)

    def dim() -> None:
        state = nv.State({**designed.level, name: float(next(levels))}, designed.rgb)
        frame = drawing.frame(state)
        develop(frame.luminance, ev100, frame.edges)

    row(f"dim one lamp for the first time: to a developed {at_window} picture",
        f"{seconds(dim):.3f} s")  # fmt: skip
    row("  again, as a slider does", f"{seconds(dim, times):.3f} s", "0.1 s")

    data = tomllib.loads(scene.read_text(encoding="utf-8"))
    placed = next(fixture for fixture in data["fixture"] if "along" in fixture)
    along = float(placed["along"].split()[0])
    steps = iter(np.linspace(0.03, 0.3, 20))

    def move() -> None:
        placed["along"] = f"{along + float(next(steps)):.3f} m"
        moved = nv.trace(nv.build(parse(tomlkit.dumps(data), scene.name, scene.parent)))
        nv.draw(nv.mix(moved), first, window, ev100)

    row(
        f"move one lamp: to a drawn {at_window} frame",
        f"{seconds(move, min(times, 3)):.2f} s",
        "0.3 s",
    )


# --- wiring ---------------------------------------------------------------------------------------

WIRED = """
title = "Wired"
[ground]
size = "80 m, 60 m"
[[block]]
name = "house"
at = "0 m, 0 m"
size = "12 m, 8 m"
height = "3 m"
[[path]]
name = "walk"
line = ["6 m, 0 m", "6 m, -14 m"]
width = "1.2 m"
[[transformer]]
name = "T"
at = "-0.4 m, 0.5 m"
power = "600 VA"
taps = ["12 V", "15 V"]
commons = 4
"""


def wiring(work: Path, lamps: int, many: int) -> None:
    """``nightview wire`` as a user starts it, cables laid out, and the solver alone."""
    from nightview.wiring.solve import Circuit, operating_point

    text = WIRED
    for k in range(4):
        text += f"""
[[fixture]]
id = "row {k}"
lamp = "accent 36"
at = "-14 m, {-2 - 2.5 * k} m, 0.15 m"
to = "26 m, {-2 - 2.5 * k} m, 0.15 m"
count = {max(lamps // 4, 2)}
bearing = "0 deg"
[[cable]]
name = "run {k}"
from = "T"
tap = "15 V"
common = {k + 1}
gauge = "10 AWG"
through = ["row {k}"]
"""
    scene = work / "wired.toml"
    scene.write_text(text, encoding="utf-8")
    command = [sys.executable, "-m", "nightview", "wire", str(scene)]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)

    def run() -> None:
        subprocess.run(command, cwd=ROOT, capture_output=True, check=True)

    taken = seconds(run, 3)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = (after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime) / 3
    row(f"wire, {lamps} lamps laid out, the whole command", f"{taken:.2f} s", "0.6 s")
    row("  of that on the processor", f"{cpu:.2f} s")

    joint = np.arange(1, many + 1)
    held = np.full(many + 1, np.nan)
    held[0] = 15.0
    before_it = np.where(joint % 50 == 1, 0, joint - 1)
    circuit = Circuit(before_it, joint, np.full(many, 0.004), held, joint, np.full(many, 4.5),
                      np.full(many, 12.0), np.zeros(many))  # fmt: skip
    operating_point(circuit)  # SciPy is loaded once
    taken = seconds(lambda: operating_point(circuit), 5)
    row(f"  {many} lamps solved", f"{1000 * taken:.1f} ms", "30 ms")


# --- the window -----------------------------------------------------------------------------------


def window_updates(scene: Path, size: tuple[int, int], times: int) -> None:
    """What the window does for a slider and for a dragged lamp, from the change of the text on."""
    from nightview.light.source import source_of
    from nightview.site.build import build, relit
    from nightview.window import edits
    from nightview.window.document import Document
    from nightview.window.studio import Shot, Studio

    document, studio = Document(scene), Studio()
    site = build(document.scene)
    shot = Shot(site.scene.views[0], size=size)
    studio.settled(site, shot)
    fixture = site.scene.fixtures[0]
    lamp, lamps = fixture.lamp_ids[0], frozenset(fixture.lamp_ids)
    studio.prepare(site, shot, lamps)
    sketch = studio.sketch(site, shot, lamps)
    dims, moves = (iter(np.linspace(low, high, 1000)) for low, high in ((0.2, 0.9), (0.0, 0.5)))
    at = next(one for one in site.fixtures if one.id == lamp).position

    def dim() -> None:
        change = edits.shown(document.scene, lamp, "as designed", "dim", float(next(dims)))
        document.change(change, "dim", "dim")
        studio.quick(relit(site, document.scene), shot)

    def drag() -> None:
        from nightview.window.moving import keys_at

        first = site.scene.fixtures[0]
        placed = next(one for one in site.fixtures if one.id == lamp)
        values = keys_at(site.scene, first, placed, at + [float(next(moves)), 0.0, 0.0])
        document.change(edits.put(document.scene, lamp, values), "move", "move")
        here = relit(site, document.scene)
        sources = [source_of(one) for one in here.fixtures if one.id in lamps]
        sketch.shown(sources, sketch.field.designed, shot.shown_as)

    def settle() -> None:
        studio.settled(build(document.scene), shot)

    pixels = f"{size[0]} x {size[1]}"
    many = f"{scene.stem}, {len(site.fixtures)} lamps"
    row(f"window, {many}: {len(lamps)} dimmed, drawn at {pixels}", *_taken(dim, times, "0.1 s"))
    target = "0.125 s" if len(site.fixtures) <= 14 else "0.25 s"
    row(f"  {len(lamps)} dragged, in less detail", *_taken(drag, times, target))
    row("  and settled to full detail", *_taken(settle, 1, ""))
    studio.close()


def _taken(call: Callable[[], object], times: int, target: str) -> tuple[str, str]:
    """Wall time of a call, its target, and its time on the processor."""
    call()
    before = time.process_time()
    wall = seconds(call, times)
    cpu = (time.process_time() - before) / times
    return f"{wall:.3f} s", f"{target:8} processor {cpu:.3f} s"


# --- embree ---------------------------------------------------------------------------------------


def embree_share(scene: Path, times: int) -> None:
    """Direct light's rays a second over those of bare embree on the very same rays, one thread."""
    import nightview as nv
    from nightview.light.direct import trace_direct
    from nightview.light.rays import CHUNK, SHORT
    from nightview.light.source import sources_of
    from nightview.light.stage import set_up

    site = nv.build(nv.read(scene))
    sources, stage = sources_of(site), set_up(site.geometry)
    tracer, grids, spheres = stage.tracer, stage.grids, stage.spheres
    sent: list[tuple[np.ndarray, np.ndarray]] = []
    plain = tracer.blocked

    def watched(origins, ends, **kwargs):
        sent.append((origins, np.broadcast_to(ends, origins.shape) - origins))
        return plain(origins, ends, **kwargs)

    def all_direct() -> int:
        return sum(trace_direct(site, source, tracer, grids, spheres).rays for source in sources)

    tracer.blocked = watched  # type: ignore[method-assign]
    counted = all_direct()
    tracer.blocked = plain  # type: ignore[method-assign]
    origins, ways = (np.ascontiguousarray(np.concatenate(part)) for part in zip(*sent, strict=True))
    assert len(origins) == counted, "Direct.rays is not what was sent"
    reach = np.full(len(origins), SHORT, np.float32)

    def raw() -> None:
        for start in range(0, len(origins), CHUNK):
            part = slice(start, start + CHUNK)
            tracer._scene.run(origins[part], ways[part], reach[part], query="OCCLUDED")

    ours, bare = seconds(all_direct, times), seconds(raw, times)
    row("direct light, one thread: rays, rays a second",
        f"{counted / 1e6:.2f} M, {counted / ours / 1e6:.2f} M/s")  # fmt: skip
    row("  the same rays through bare embree", f"{counted / bare / 1e6:.2f} M/s")
    row("  share of raw embree throughput", f"{100 * bare / ours:.0f} %", "60 %")


# --- Mitsuba --------------------------------------------------------------------------------------


def comparable(scene: Path) -> str:
    """The scene as both programs can state it: no leaves, lamps of straight-lined tables, even sky."""
    import nightview as nv

    placed = nv.build(nv.read(scene)).fixtures
    kinds = {re.sub(r"-\d+$", "", lamp.id): lamp.lamp.kind for lamp in placed}
    data = tomllib.loads(scene.read_text(encoding="utf-8"))
    for left_out in ("tree", "shrub", "hedge", "mesh", "check", "cable"):
        data.pop(left_out, None)
    data["site"] = {"ambient": "0.08 lx"}
    data["lamps"] = {
        name: {**keys, "lens": "1 mm", "body": "none"} for name, keys in STAND_INS.items()
    }
    for fixture in data["fixture"]:
        kind = kinds.get(fixture["id"], "beam")
        fixture.pop("lights", None)
        fixture["lamp"] = kind if kind in STAND_INS else "beam"
        if "aim_at" in fixture:  # perhaps a plant
            del fixture["aim_at"]
            fixture |= {"bearing": "0 deg", "elevation": "75 deg"}
        if kind == "hat":
            fixture |= {"bearing": "0 deg", "elevation": "-90 deg"}
    return tomlkit.dumps(data)


def against_mitsuba(scene: Path, work: Path, small: tuple[int, int], size: tuple[int, int]) -> None:
    """Time to a picture of 5 % error a pixel, extrapolated from a small render by 1/√spp."""
    try:
        import mitsuba
    except ImportError:
        row("against Mitsuba 3", "not installed")
        return
    from twin import twin

    import nightview as nv
    from nightview.scene.read import parse

    mitsuba.set_variant("scalar_rgb")
    text, first = comparable(scene), views(scene)[0]

    def ours() -> None:
        with cache_in(""):
            light = nv.mix(nv.trace(nv.build(parse(text, scene.name, scene.parent))))
            nv.draw(light, first, size, 4.0)

    site = nv.build(parse(text, scene.name, scene.parent))
    view = next(view for view in site.scene.views if view.name == first)
    samples, repeats = 16, 6
    film = {"type": "hdrfilm", "width": small[0], "height": small[1], "rfilter": {"type": "box"},
            "pixel_format": "rgb", "component_format": "float32"}  # fmt: skip
    look = mitsuba.ScalarTransform4f().look_at(
        origin=list(view.eye_m), target=list(view.target_m), up=[0, 0, 1]
    )
    twin_scene = mitsuba.load_dict(
        {**twin(site, work), "integrator": {"type": "path", "max_depth": -1, "rr_depth": 6},
         "sensor": {"type": "perspective", "fov": view.fov_deg, "fov_axis": "x", "to_world": look,
                    "film": film, "sampler": {"type": "independent"}}}
    )  # fmt: skip
    pictures = []

    def render() -> None:
        seed = len(pictures) + 1
        pictures.append(
            np.array(mitsuba.render(twin_scene, spp=samples, seed=seed)) @ [0.2126, 0.7152, 0.0722]
        )

    taken = seconds(render, repeats)
    mean, spread = np.mean(pictures, axis=0), np.std(pictures, axis=0, ddof=1)
    seen = mean > 0.01 * np.percentile(mean, 99)  # the night's black parts have no relative error
    # The median pixel: the mean is worse, by single bright specks.
    error = float(np.median(spread[seen] / mean[seen]))
    needed = samples * (error / 0.05) ** 2
    theirs = taken * needed / samples * (size[0] * size[1]) / (small[0] * small[1])
    mine = seconds(ours)
    pixels = f"{size[0]} x {size[1]}"
    row("against Mitsuba 3 scalar_rgb, the scene without plants:", "")
    row(
        f"  its median error a pixel at {samples} samples, {small[0]} x {small[1]}, {taken:.2f} s",
        f"{100 * error:.0f} %",
    )
    row(f"  its time to 5 % at {pixels} (extrapolated: {needed:.0f} samples)", f"{theirs:.0f} s")
    row(f"  ours for that picture, nothing cached, {len(site.fixtures)} lamps", f"{mine:.2f} s")
    row("  ratio", f"{theirs / mine:.0f}")


if __name__ == "__main__":
    main()
