"""Renders the photo of scenes/photo-demo.toml: a more detailed house than its model, by day.

Run in this folder: python photo_demo.py [sun|overcast]. Needs Mitsuba 3, a general-purpose path
tracer (the test extra); some minutes. The house here is the scene's own but for what a real one has
over a model: measures 1 to 3 cm off, other colours, bricks and boards, glazing bars, sills and
lintels, gutters and a pipe, boards along the roof, rooms with curtains behind real glass, a bench,
pots, a shrub, another tree, a house and trees behind. Nothing of the light is nightview's own: the
overcast sky is the CIE's, the clear one and its sun Mitsuba's. ``tests/test_photo_night.py`` uses the
same house by night.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mitsuba
import numpy as np
import tomlkit
from PIL import ExifTags, Image

from nightview.lamps.colour import rgb_of_cct, srgb_encode
from nightview.picture.camera import Camera
from nightview.picture.patterns import dressing_of
from nightview.scene.read import parse
from nightview.site.build import Site, build
from nightview.site.materials import MaterialSpec

HERE = Path(__file__).parent
SCENE = HERE / "photo-demo.toml"
SIZE, SAMPLES = (1600, 1067), 64
SUN_BEARING_DEG, SUN_ELEVATION_DEG = 164.5, 44.4
"""Of the time and place that the scene states: test_photo_daylight.py holds both together."""
FILM_MM = 34
"""What the camera writes: 56.4 deg across are 33.6 mm, by the diagonal."""
OWN = {
    "true brick": ((0.37, 0.215, 0.15), "brick"),
    "true roof": ((0.105, 0.085, 0.075), "shingle"),
    "true lawn": ((0.055, 0.085, 0.022), "lawn"),
    "true paving": ((0.33, 0.31, 0.27), "pavers"),
    "true leaf": ((0.07, 0.12, 0.035), None),
    "true frame": ((0.72, 0.71, 0.68), None),
    "true door": ((0.05, 0.11, 0.16), "paint"),
}
"""What things really are made of: reflectance and the pattern it is drawn with."""
SKY_ROWS = 256


def truth() -> Site:
    """The house as it really stands."""
    scene: Any = tomlkit.parse(SCENE.read_text())
    scene.pop("photo", None)
    scene["materials"] = {
        name: {"rgb": list(rgb)} | ({"pattern": pattern} if pattern else {})
        for name, (rgb, pattern) in OWN.items()
    }
    scene["site"]["surroundings"] = "none"
    scene["site"]["ambient"] = "0.3 lx"
    scene["ground"]["material"] = "true lawn"
    house, wing = scene["block"]
    house |= {"size": "8.43 m, 6.2 m", "height": "2.885 m", "at": "0.01 m, -0.015 m"}
    wing |= {"at": "5.385 m, -2.22 m", "size": "3.82 m, 5.6 m", "height": "2.915 m"}
    for block in (house, wing):
        block |= {"material": "true brick", "trim": "true frame"}
        block["roof"] |= {"material": "true roof"}
    house["roof"]["pitch"] = "39.6 deg"
    for opening in scene["opening"]:
        opening["frame"] = "true frame"
        opening["reveal"] = "0.12 m"
        if opening["name"] == "front door":
            opening |= {"material": "true door", "along": "4.32 m"}
    for name, panes in (
        ("parlour window", [4, 3]),
        ("wing window", [6, 3]),
        ("gable window", [2, 3]),
    ):
        next(one for one in scene["opening"] if one["name"] == name)["panes"] = panes
    scene["chimney"][0] |= {"material": "true brick", "top": "6.84 m"}
    scene["wall"][0] |= {"material": "true brick", "height": "0.92 m"}
    scene["path"][0]["material"] = "true paving"
    scene["tree"][0] |= {"seed": 9, "height": "5.0 m", "crown": "3.8 m", "leaf": "true leaf"}
    for shrub in scene["shrub"]:
        shrub["leaf"] = "true leaf"
    scene["shrub"].append({"name": "box", "at": "2.2 m, -2.6 m", "height": "0.7 m", "width": "0.7 m",
                           "leaf": "true leaf"})  # fmt: skip
    trees = [(-16, 22, 9, 7), (-8, 26, 11, 8), (13, 24, 10, 8), (21, 20, 12, 9), (17.5, 6, 5, 4)]
    for number, (x, y, height, crown) in enumerate(trees):
        scene["tree"].append({"name": f"far {number}", "kind": "broadleaf", "at": f"{x} m, {y} m", "seed": number + 20,
                              "height": f"{height} m", "crown": f"{crown} m", "leaf": "true leaf"})  # fmt: skip
    scene["block"].append(
        {"name": "neighbour", "at": "12.5 m, 9 m", "size": "8 m, 7 m", "height": "3 m", "material": "tan stucco",
         "roof": {"kind": "hip", "pitch": "35 deg", "material": "true roof"}}
    )  # fmt: skip
    return build(parse(tomlkit.dumps(scene), "the true house", HERE))


def camera(width: int = SIZE[0]) -> Camera:
    """The camera that took the photo: held a little askew."""
    size = width, round(width * SIZE[1] / SIZE[0])
    return Camera(np.array([1.22, -13.35, 1.62]), np.array([3.86, 0.0, 2.31]), 56.4, *size,
                  up=np.array([0.008, 0.0, 1.0]))  # fmt: skip


# --- what the model has not -----------------------------------------------------------------------


def boxes() -> list[tuple[tuple[float, ...], tuple[float, ...], tuple[float, float, float]]]:
    """Corners and colour of what is nailed to the house and stands about."""
    white, zinc, stone = (0.70, 0.69, 0.66), (0.33, 0.34, 0.35), (0.42, 0.39, 0.33)
    wood, clay = (0.26, 0.17, 0.10), (0.33, 0.15, 0.09)
    found = [
        ((-0.36, -0.47, 2.56), (5.12, -0.36, 2.66), zinc),  # gutter
        ((-0.36, -0.362, 2.55), (5.12, -0.342, 2.70), white),  # board behind it
        ((0.06, -0.10, 0.0), (0.14, -0.02, 2.56), zinc),  # pipe
        ((9.14, -2.30, 0.0), (9.21, -2.23, 2.60), zinc),
        ((0.97, -0.075, 0.84), (2.65, 0.1, 0.90), stone),  # sills and lintels
        ((0.97, -0.035, 2.20), (2.65, 0.02, 2.36), stone),
        ((6.36, -2.285, 0.84), (8.24, -2.1, 0.90), stone),
        ((6.36, -2.245, 2.20), (8.24, -2.2, 2.36), stone),
        ((6.84, -2.285, 2.96), (7.76, -2.1, 3.01), stone),
        ((3.70, -0.04, 2.26), (4.94, 0.02, 2.42), stone),
        ((3.5, -0.42, 0.0), (3.8, -0.14, 0.30), clay),  # pots
        ((5.0, -0.50, 0.0), (5.3, -0.22, 0.34), clay),
    ]
    for z in (0.42, 0.70, 0.82):  # a bench
        found.append(((1.15, -0.62 if z < 0.5 else -0.2, z), (2.45, -0.16, z + 0.04), wood))
    found += [((x, -0.6, 0.0), (x + 0.05, -0.17, 0.82), wood) for x in (1.2, 2.35)]
    return found


def rooms() -> list[tuple[np.ndarray, tuple[float, float, float]]]:
    """Quads (4, 3) and colours: a room with curtains behind each window."""
    found = []
    for left, right, low, high, y in WINDOWS.values():
        x0, x1, y1 = left - 0.4, right + 0.4, y + 1.6
        found += [
            (_quad((x0, y1, low - 0.5), (x1, y1, high + 0.2)), (0.5, 0.45, 0.38)),
            (_flat(x0, x1, y + 0.02, y1, low - 0.3), (0.2, 0.14, 0.09)),
            (_flat(x0, x1, y + 0.02, y1, high + 0.15), (0.6, 0.6, 0.58)),
        ]
        for a in (left, right - 0.17 * (right - left)):
            found.append((_quad((a, y + 0.1, low), (a + 0.17 * (right - left), y + 0.1, high)), (0.6, 0.52, 0.42)))  # fmt: skip
    return found


WINDOWS = {
    "parlour window": (1.04, 2.58, 0.9, 2.2, 0.11),
    "wing window": (6.42, 8.15, 0.9, 2.2, -2.09),
    "gable window": (6.88, 7.70, 3.0, 3.9, -2.09),
}
"""Left, right, foot, head and depth of the glass [m]."""


def _quad(low: tuple[float, ...], high: tuple[float, ...]) -> np.ndarray:
    (x0, y, z0), (x1, _, z1) = low, high
    return np.array([[x0, y, z0], [x1, y, z0], [x1, y, z1], [x0, y, z1]])


def _flat(x0: float, x1: float, y0: float, y1: float, z: float) -> np.ndarray:
    return np.array([[x0, y0, z], [x1, y0, z], [x1, y1, z], [x0, y1, z]])


# --- for the path tracer --------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class World:
    """The house as a dictionary that Mitsuba loads, without any light."""

    site: Site
    folder: Path

    def shapes(self, lit_rooms: bool) -> dict[str, Any]:
        """All that stands; by night the windows' curtains glow."""
        found: dict[str, Any] = {"type": "scene"}
        by_material: dict[str, list] = {}
        glowing = {one.name for one in self.site.scene.openings if one.glow_cd_m2 > 0}
        for patch in self.site.patches:
            if lit_rooms and patch.opening in glowing:
                continue  # a path tracer hardly finds what glows behind glass
            key = "glass" if patch.kind == "glass" else patch.material
            by_material.setdefault(key, []).append(patch)
        for number, (name, patches) in enumerate(by_material.items()):
            spec = self.site.materials[name if name != "glass" else patches[0].material]
            points, uv, faces, start = [], [], [], 0
            for patch in patches:
                corners, own, triangles = patch.triangles
                points.append(corners)
                uv.append(own + np.asarray(patch.pattern_at))
                faces.append(triangles + start)
                start += len(corners)
            bsdf = {"type": "thindielectric"} if name == "glass" else _dressed(spec)
            path = self.folder / f"patches {number}.ply"
            found[f"patches{number}"] = _ply(path, points, uv, faces, bsdf)
        for number, crown in enumerate(self.site.crowns):
            halves = np.concatenate([crown.corners[:, [0, 1, 2]], crown.corners[:, [0, 2, 3]]])
            rgb = np.tile(crown.tone, 2)[:, None] * self.site.materials[crown.material].rgb
            found[f"crown{number}"] = _leaves(halves, rgb, self.folder / f"crown {number}.ply")
        for number, mesh in enumerate(self.site.meshes):
            path = self.folder / f"mesh {number}.ply"
            bsdf = _plain(self.site.materials[mesh.material].rgb)
            found[f"mesh{number}"] = _ply(path, [mesh.vertices], [np.zeros((len(mesh.vertices), 2))], [mesh.faces], bsdf)  # fmt: skip
        at = mitsuba.ScalarTransform4f()
        for number, (low, high, rgb) in enumerate(boxes()):
            middle, half = (np.add(low, high) / 2).tolist(), (np.subtract(high, low) / 2).tolist()
            found[f"box{number}"] = {"type": "cube", "to_world": at.translate(middle).scale(half), "bsdf": _plain(rgb)}  # fmt: skip
        for number, (quad, rgb) in enumerate(rooms()):
            path = self.folder / f"room {number}.ply"
            found[f"room{number}"] = _ply(path, [quad], [np.zeros((4, 2))], [np.array([[0, 1, 2], [0, 2, 3]])],
                                          {"type": "twosided", "bsdf": _plain(rgb)})  # fmt: skip
        if lit_rooms:
            for opening in self.site.scene.openings:
                if opening.name in glowing:
                    left, right, low, high, y = WINDOWS[opening.name]
                    quad = _quad((left - 0.05, y + 0.06, low), (right + 0.05, y + 0.06, high))
                    path = self.folder / f"glow {opening.name}.ply"
                    shape = _ply(path, [quad], [np.zeros((4, 2))], [np.array([[0, 1, 2], [0, 2, 3]])], _plain((0.0, 0.0, 0.0)))  # fmt: skip
                    glow = opening.glow_cd_m2 * rgb_of_cct(opening.glow_cct_k)
                    found[opening.name] = shape | {
                        "emitter": {"type": "area", "radiance": _rgb(glow)}
                    }
        lie = at.translate([0, 0, -0.05]).scale([3000.0, 3000.0, 1])
        found["far ground"] = {"type": "disk", "to_world": lie, "bsdf": _plain((0.05, 0.08, 0.02))}
        return found

    def by_day(self, light: str) -> dict[str, Any]:
        """The house under a sky."""
        world = self.shapes(False)
        turn = mitsuba.ScalarTransform4f().rotate([1, 0, 0], 90)  # its maps are y-up
        if light == "sun":
            bearing = np.radians(SUN_BEARING_DEG - self.site.scene.site.north_deg)
            up = np.radians(SUN_ELEVATION_DEG)
            ahead = np.array(
                [np.sin(bearing) * np.cos(up), np.cos(bearing) * np.cos(up), np.sin(up)]
            )
            world["sky"] = {"type": "sunsky", "sun_direction": ahead.tolist(), "turbidity": 3.5}
        else:
            rise = np.cos(np.pi * (np.arange(SKY_ROWS) + 0.5) / SKY_ROWS)
            sky = np.where(rise > 0, (1 + 2 * np.maximum(rise, 0)) / 3, 0.0)  # CIE overcast
            image = np.repeat(np.repeat(sky[:, None, None], 8, 1), 3, 2).astype(np.float32)
            world["sky"] = {"type": "envmap", "bitmap": mitsuba.Bitmap(image), "to_world": turn}
        return world

    def by_night(self) -> dict[str, Any]:
        """The house with all its lamps, its lit windows and a little sky."""
        world = self.shapes(True)
        for placed in self.site.fixtures:
            entry = placed.lamp.entry
            (_, peak), (inner, _), (outer, _) = entry.intensity
            aim = mitsuba.ScalarTransform4f().look_at(
                origin=placed.position.tolist(), target=(placed.position + placed.axis).tolist(),
                up=placed.reference.tolist(),
            )  # fmt: skip
            # Straight down to nothing from a first angle to a second: the lamps are stated so.
            world[f"lamp {placed.id}".replace(".", "-")] = {
                "type": "spot", "to_world": aim, "beam_width": inner, "cutoff_angle": outer,
                "intensity": _rgb(peak * placed.lamp.loss_factor * rgb_of_cct(placed.cct_k)),
            }  # fmt: skip
        sky = self.site.scene.site.ambient_lx / np.pi
        world["sky"] = {"type": "constant", "radiance": _rgb((sky,) * 3)}
        return world


def render(world: dict[str, Any], seen: Camera, samples: int, depth: int = 7) -> np.ndarray:
    """Luminance as a camera sees a world, (h, w, 3)."""
    look = mitsuba.ScalarTransform4f().look_at(
        origin=seen.eye.tolist(), target=seen.target.tolist(), up=seen.axes[1].tolist()
    )
    film = {"type": "hdrfilm", "width": seen.width, "height": seen.height, "rfilter": {"type": "box"},
            "pixel_format": "rgb", "component_format": "float32"}  # fmt: skip
    scene = mitsuba.load_dict({
        **world, "integrator": {"type": "path", "max_depth": depth},
        "sensor": {"type": "perspective", "fov": seen.fov_deg, "fov_axis": "x", "to_world": look,
                   "film": film, "sampler": {"type": "multijitter"}},
    })  # fmt: skip
    return np.array(mitsuba.render(scene, spp=samples, seed=1))


def developed(frame: np.ndarray) -> np.ndarray:
    """As a camera writes it: white balanced on grey paving, exposed for the house, sRGB codes."""
    height, width = frame.shape[:2]
    rows, columns = (
        slice(int(a * n), int(b * n)) for a, b, n in ((0.82, 0.86, height), (0.66, 0.69, width))
    )
    paving = frame[rows, columns].mean(axis=(0, 1))
    balance = OWN["true paving"][0] / paving
    balanced = frame * (balance / balance[1])
    exposed = 0.72 * balanced / np.percentile(balanced[int(0.3 * height) :], 98)
    return np.rint(255 * srgb_encode(exposed)).astype(np.uint8)


def _dressed(spec: MaterialSpec) -> dict[str, Any]:
    """A matte surface with a pattern in true size."""
    if spec.pattern in ("plain", "paint", "metal", "water"):
        return _plain(spec.rgb)
    tile = dressing_of(spec)
    albedo = tile.albedo[::-1].astype(np.float32) / 255 * np.float32(tile.brightest) * np.asarray(spec.rgb, np.float32)  # fmt: skip
    scale = mitsuba.ScalarTransform4f().scale([1 / tile.size_m[0], 1 / tile.size_m[1], 1])
    return {"type": "diffuse", "reflectance": {
        "type": "bitmap", "bitmap": mitsuba.Bitmap(np.minimum(albedo, 0.95)), "raw": True, "to_uv": scale,
    }}  # fmt: skip


def _plain(rgb) -> dict[str, Any]:
    return {"type": "diffuse", "reflectance": _rgb(rgb)}


def _rgb(values) -> dict[str, Any]:
    return {"type": "rgb", "value": [float(value) for value in values]}


def _ply(path: Path, points, uv, faces, bsdf) -> dict[str, Any]:
    """Triangles with places on their pattern, as a file that Mitsuba reads."""
    vertices = np.hstack([np.concatenate(points), np.concatenate(uv)]).astype("<f4")
    triangles = np.concatenate(faces).astype("<i4")
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(vertices)}\n"
        + "".join(f"property float {name}\n" for name in "xyzuv")
        + f"element face {len(triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = np.zeros(len(triangles), [("n", "u1"), ("corner", "<i4", 3)])
    rows["n"], rows["corner"] = 3, triangles
    path.write_bytes(head.encode() + vertices.tobytes() + rows.tobytes())
    return {"type": "ply", "filename": str(path), "face_normals": True, "bsdf": bsdf}


def _leaves(triangles: np.ndarray, rgb: np.ndarray, path: Path):
    """Leaves, each with its own lightness."""
    corners = triangles.reshape(-1, 3)
    faces = np.arange(len(corners)).reshape(-1, 3)
    colour = {"type": "mesh_attribute", "name": "face_color"}
    bsdf = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": colour}}
    mesh = mitsuba.load_dict(_ply(path, [corners], [np.zeros((len(corners), 2))], [faces], bsdf))
    mesh.add_attribute("face_color", 3, np.minimum(rgb, 0.95).astype(np.float32).ravel())
    return mesh


def main(light: str = "sun") -> None:
    """Write the photo beside the scene."""
    mitsuba.set_variant("scalar_rgb")
    with tempfile.TemporaryDirectory() as folder:
        frame = render(World(truth(), Path(folder)).by_day(light), camera(), SAMPLES)
    save(developed(frame), HERE / "photo-demo.jpg")


def save(codes: np.ndarray, path: Path) -> None:
    """Write the photo with its focal length as on 35 mm film, as a camera does."""
    exif = Image.Exif()
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = FILM_MM
    for quality in range(92, 50, -4):
        Image.fromarray(codes).save(path, quality=quality, subsampling=0, exif=exif)
        if path.stat().st_size <= 590_000:
            break
    print(path.name, path.stat().st_size // 1024, "KiB")


if __name__ == "__main__":
    main(*sys.argv[1:])
