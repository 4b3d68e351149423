"""VTK draws luminance, unlit, in cd/m², into a float32 frame.

All patches of one material are one actor: their light lies in one large texture (an atlas), their
material is a pattern in true size, and the shader multiplies the two. A glass pane or water draws
no light but a mark (minus its number, u, v), from which its mirror image is worked out later.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray
from vtkmodules.vtkCommonCore import VTK_FLOAT, vtkPoints
from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkDataObject, vtkImageData, vtkPolyData
from vtkmodules.vtkRenderingCore import (
    vtkActor,
    vtkPolyDataMapper,
    vtkRenderer,
    vtkRenderWindow,
    vtkTexture,
)
from vtkmodules.vtkRenderingOpenGL2 import (
    vtkFramebufferPass,
    vtkRenderStepsPass,
    vtkTextureObject,
)

from nightview.light.field import Light, LightField
from nightview.light.lookup import leaf_luminance
from nightview.light.rays import Array32
from nightview.picture.camera import Camera
from nightview.picture.leaves import NEAR_M, OVAL_FACES, RHOMB_FACES, faces_of, oval
from nightview.picture.patterns import dressing_of
from nightview.site.build import Geometry
from nightview.site.materials import MaterialSpec
from nightview.site.surface import Array

ATLAS_WIDTH = 4096
BAND_PIXELS = 1 << 20
"""A picture is drawn in level bands of no more than this, so that a large one needs no more memory
than a small one."""
STEEPEST = 0.8
"""Relief is flattened at grazing light until bumps brighten and darken by this share (1 σ): a real
surface hides its own steepest flanks there, and the clipped shadows then lift the mean by < 4 %."""

_SURFACE_SHADER = f"""
  vec3 light = texture(lightMap, tcoordVCVSOutput).rgb;
  vec3 toward = texture(towardMap, tcoordVCVSOutput).rgb;
  vec2 slope = (texture(reliefMap, patternVS, -1.0).rg - reliefZero) * reliefScale;
  vec3 albedo = texture(albedoMap, patternVS, -1.0).rgb * albedoScale;
  float grazing = dot(toward.xy, slope);
  float steep = length(toward.xy) * reliefRms / max(toward.z, 1e-4);
  grazing *= min(1.0, {STEEPEST:.3f} / max(steep, 1e-4));
  float share = max(1.0 - toward.z, 1.0 + grazing);
  gl_FragData[0] = vec4(light * albedo * share, 1.0);
"""  # fmt: skip

_MIRROR_SHADER = """
  gl_FragData[0] = vec4(-1.0 - mirrorVS.x, mirrorVS.yz, 1.0);
"""

# On a sliver of a triangle values between its corners may come out beyond them, even below nothing,
# where they would be taken for a mirror's mark.
_VERTEX_SHADER = """
  gl_FragData[0] = vec4(max(gl_FrontFacing ? frontVS : backVS, vec3(0.0)), 1.0);
"""


@dataclass(frozen=True, eq=False)
class Atlas:
    """Where each patch's grid lies in the common textures.

    x, y : first column and row; shapes : rows and columns.
    """

    x: list[int]
    y: list[int]
    shapes: list[tuple[int, int]]
    width: int
    height: int


def pack(shapes: list[tuple[int, int]]) -> Atlas:
    """Lay all grids into shelves, tallest first."""
    width = max([ATLAS_WIDTH, *(nu for _, nu in shapes)])
    xs, ys = [0] * len(shapes), [0] * len(shapes)
    x = y = shelf = 0
    for i in sorted(range(len(shapes)), key=lambda i: (-shapes[i][0], -shapes[i][1], i)):
        nv, nu = shapes[i]
        if x + nu > width:
            x, y, shelf = 0, y + shelf, 0
        xs[i], ys[i] = x, y
        x, shelf = x + nu, max(shelf, nv)
    return Atlas(xs, ys, shapes, width, max(1, y + shelf))


@dataclass(frozen=True, eq=False)
class Faces:
    """The patches of one material as drawn. numbers : of each corner's patch; uv : (n, 2) its
    place there, in shares of the patch's size."""

    data: vtkPolyData
    numbers: NDArray[np.intp]
    uv: Array

    def find_in(self, atlas: Atlas) -> None:
        """Tell each corner where its light lies in the textures."""
        first = np.stack([atlas.x, atlas.y], axis=1)[self.numbers] + 0.5
        steps = np.array(atlas.shapes)[self.numbers, ::-1] - 1
        where = (first + self.uv * steps) / [atlas.width, atlas.height]
        coords = numpy_to_vtk(where.astype(np.float32), deep=True)
        coords.SetName("where")
        self.data.GetPointData().SetTCoords(coords)
        self.data.Modified()


@dataclass(frozen=True, eq=False)
class VertexLit:
    """A crown or mesh as drawn. front, back : luminance at its corners, changed in place."""

    actor: vtkActor
    data: vtkPolyData
    front: np.ndarray
    back: np.ndarray

    def show(self, front: Array32, back: Array32) -> None:
        """Put a luminance [cd/m² RGB] on its corners: one for each, or one for so many in turn."""
        each = len(self.front) // len(front)
        self.front[:] = np.repeat(front, each, axis=0)
        self.back[:] = np.repeat(back, each, axis=0)
        for name in ("front", "back"):
            self.data.GetPointData().GetArray(name).Modified()
        self.data.Modified()


class Canvas:
    """A geometry, ready to be drawn under any light from any view.

    eyes : (n, 3), all places from which a film is drawn, so that no crown's leaves change their
    shape on the way; None for single pictures.
    """

    def __init__(self, geometry: Geometry) -> None:
        self.geometry = geometry
        self.eyes: Array | None = None
        self._atlas = pack([(2, 2)] * len(geometry.patches))
        self._light, self._toward = (_LightMap(self._atlas) for _ in range(2))
        self._renderer = vtkRenderer()
        self._renderer.SetBackground(0, 0, 0)
        self._renderer.SetBackgroundAlpha(0)
        self._faces = self._add_patches()
        self._meshes = [self._vertex_lit(mesh.vertices, mesh.faces) for mesh in geometry.meshes]
        self._bodies: list[VertexLit] = []
        self._leaves: dict[tuple[int, bool], VertexLit] = {}
        self._field: LightField | None = None
        self._shown: Light | None = None
        self._pass = vtkFramebufferPass()
        self._pass.SetDelegatePass(vtkRenderStepsPass())
        self._pass.SetColorFormat(vtkTextureObject.Float32)
        self._pass.SetDepthFormat(vtkTextureObject.Float32)
        self._renderer.SetPass(self._pass)
        self._window = vtkRenderWindow()
        self._window.SetOffScreenRendering(1)
        self._window.SetMultiSamples(0)
        self._window.AddRenderer(self._renderer)

    # --- what is drawn ----------------------------------------------------------------------------

    def _add_patches(self) -> list[Faces]:
        by_kind: dict[tuple[str, str], list[int]] = {}
        for number, patch in enumerate(self.geometry.patches):
            mirror = patch.kind in ("glass", "water")
            key = (patch.kind, "mirror") if mirror else ("matte", patch.material)
            by_kind.setdefault(key, []).append(number)
        found = []
        for (kind, material), chosen in by_kind.items():
            patches = [self.geometry.patches[number] for number in chosen]
            corners, uv, triangles = zip(*(patch.triangles for patch in patches), strict=True)
            counts = [len(each) for each in uv]
            starts = np.cumsum([0, *counts[:-1]])
            numbers = np.repeat(chosen, counts)
            own_uv = np.concatenate(uv)
            faces = np.concatenate([t + s for t, s in zip(triangles, starts, strict=True)])
            actor, data = _actor(np.concatenate(corners), faces)
            sizes = np.repeat([patch.size for patch in patches], counts, axis=0)
            found.append(Faces(data, numbers, own_uv / sizes))
            found[-1].find_in(self._atlas)
            if kind == "matte":
                pattern = own_uv + np.repeat([p.pattern_at for p in patches], counts, axis=0)
                self._dress(actor, data, pattern, self.geometry.materials[material])
            else:
                _attribute(actor, data, "mirror", np.column_stack([numbers, own_uv]))
                _shader(actor, [("vec3", "mirror")], _MIRROR_SHADER)
            self._renderer.AddActor(actor)
        return found

    def _dress(
        self, actor: vtkActor, data: vtkPolyData, pattern: np.ndarray, spec: MaterialSpec
    ) -> None:
        dressing = dressing_of(spec)
        prop = actor.GetProperty()
        prop.SetTexture("lightMap", self._light.texture)
        prop.SetTexture("towardMap", self._toward.texture)
        prop.SetTexture("albedoMap", _texture(_image(dressing.albedo), True))
        prop.SetTexture("reliefMap", _texture(_image(dressing.relief), True))
        _attribute(actor, data, "pattern", pattern / np.asarray(dressing.size_m))
        _shader(actor, [("vec2", "pattern")], _SURFACE_SHADER)
        uniforms = actor.GetShaderProperty().GetFragmentCustomUniforms()
        uniforms.SetUniformf("reliefRms", dressing.slope_rms)
        uniforms.SetUniformf("reliefZero", 128 / 255)
        uniforms.SetUniformf("reliefScale", dressing.steepest * 255 / 127)
        uniforms.SetUniform3f("albedoScale", (dressing.brightest * spec.per_lux).tolist())

    def _vertex_lit(self, points: np.ndarray, faces: np.ndarray) -> VertexLit:
        """A crown or mesh: its light is an attribute of each corner."""
        actor, data = _actor(points, faces)
        zero = np.zeros((len(points), 3), np.float32)
        front, back = (_attribute(actor, data, name, zero) for name in ("front", "back"))
        _shader(actor, [("vec3", "front"), ("vec3", "back")], _VERTEX_SHADER)
        self._renderer.AddActor(actor)
        return VertexLit(actor, data, front, back)

    def _choose_leaves(self, eye: Array) -> None:
        """Draw each crown's leaves in the shape that its distance asks for, made on first use."""
        eyes = eye[None] if self.eyes is None else self.eyes
        for number, crown in enumerate(self.geometry.crowns):
            centre, radius = crown.bounds
            near = bool(np.linalg.norm(eyes - centre, axis=1).min() - radius < NEAR_M)
            if (number, near) not in self._leaves:
                corners = oval(crown) if near else crown.corners
                shape = OVAL_FACES if near else RHOMB_FACES
                faces = faces_of(len(corners), corners.shape[1], shape)
                self._leaves[number, near] = self._vertex_lit(corners.reshape(-1, 3), faces)
                self._light_leaves(number, near)
            self._leaves[number, near].actor.VisibilityOn()
            if (number, not near) in self._leaves:
                self._leaves[number, not near].actor.VisibilityOff()

    def _light_leaves(self, number: int, near: bool) -> None:
        if self._shown is not None:
            sides = leaf_luminance(self._shown, number)
            self._leaves[number, near].show(sides[:, 0], sides[:, 1])

    # --- light ------------------------------------------------------------------------------------

    def show(self, light: Light) -> None:
        """Put a state's light on the surfaces; nothing to do where it is there already."""
        if light is self._shown:
            return
        self._fit(light.field)
        for number, (values, toward) in enumerate(zip(light.patches, light.toward, strict=True)):
            if values is not None and toward is not None:
                self._light.put(self._atlas, number, values)
                self._toward.put(self._atlas, number, toward)
        self._light.changed()
        self._toward.changed()
        self._shown = light
        site = light.field.site
        for mesh, lux, part in zip(
            (*site.meshes, *site.bodies), (*light.meshes, *light.bodies),
            (*self._meshes, *self._bodies), strict=True,
        ):  # fmt: skip
            luminance = lux * site.materials[mesh.material].per_lux
            part.show(luminance, luminance)
            part.actor.SetVisibility(mesh.fixture not in light.state.absent)
        for number, near in self._leaves:
            self._light_leaves(number, near)

    def _fit(self, field: LightField) -> None:
        """Make room for a field's grids, and put its lamps' bodies up."""
        if field is self._field:
            return
        if field.site.geometry is not self.geometry:
            raise ValueError("the light of another geometry")
        shapes = [
            patch.counts(level)[::-1]
            for patch, level in zip(self.geometry.patches, field.levels, strict=True)
        ]
        if shapes != self._atlas.shapes:
            self._atlas = pack(shapes)
            for faces in self._faces:
                faces.find_in(self._atlas)
            self._light.resize(self._atlas)
            self._toward.resize(self._atlas)
        for body in self._bodies:
            self._renderer.RemoveActor(body.actor)
        self._bodies = [self._vertex_lit(body.vertices, body.faces) for body in field.site.bodies]
        self._field = field

    # --- drawing ----------------------------------------------------------------------------------

    def draw(
        self,
        camera: Camera,
        scale: int = 1,
        out: Array32 | None = None,
        band_pixels: int = BAND_PIXELS,
    ) -> Array32:
        """The marked frame at scale × the camera's size: (h, w, 4) float32, row 0 at the top.

        Channels: RGB luminance [cd/m²], or a mirror's mark; coverage (0 where nothing is).
        band_pixels : every band goes through all leaves anew; larger ones cost memory, not time.
        """
        width, height = camera.width * scale, camera.height * scale
        self._choose_leaves(camera.eye)
        frame = np.empty((height, width, 4), np.float32) if out is None else out
        bands = max(1, -(-width * height // band_pixels))
        edges = np.linspace(0, height, bands + 1).astype(int)
        for low, high in itertools.pairwise(edges):  # from the lower edge upwards
            band = self._band(camera, width, height, int(low), int(high))
            frame[height - high : height - low] = band[::-1]
        return frame

    def _band(self, camera: Camera, width: int, height: int, low: int, high: int) -> Array32:
        """Rows low to high of the picture, counted from its lower edge."""
        self._window.SetSize(width, high - low)
        view = self._renderer.GetActiveCamera()
        view.SetPosition(*camera.eye)
        view.SetFocalPoint(*(camera.eye + camera.axes[2]))
        view.SetViewUp(*camera.axes[1])
        rows = high - low
        half = np.tan(np.radians(camera.vertical_fov_deg) / 2) * rows / height
        view.SetViewAngle(float(np.degrees(2 * np.arctan(half))))
        view.SetWindowCenter(0.0, float((low + high - height) / rows))
        view.SetClippingRange(0.05, 2000.0)
        self._window.Render()
        buffer = self._pass.GetColorTexture().Download()
        band = np.empty((rows, width, 4), np.float32)
        buffer.Download2D(VTK_FLOAT, numpy_to_vtk(band.reshape(-1)), [width, rows], 4, [0, 0])
        buffer.SetContext(None)  # else the buffer stays with the window: 14 MB a frame
        return band

    def close(self) -> None:
        """Let go of the graphics context."""
        self._window.Finalize()


class _LightMap:
    """A texture of light that follows an array."""

    def __init__(self, atlas: Atlas) -> None:
        self.texture = _texture(vtkImageData(), False)
        self.resize(atlas)

    def resize(self, atlas: Atlas) -> None:
        """Start anew, black, in an atlas's size."""
        self._values = np.zeros((atlas.height, atlas.width, 3), np.float32)
        self._image = _image(self._values)
        self.texture.SetInputData(self._image)

    def put(self, atlas: Atlas, number: int, values: Array32) -> None:
        """Put a patch's values (nv, nu, 3) in their place."""
        nv, nu = values.shape[:2]
        x, y = atlas.x[number], atlas.y[number]
        self._values[y : y + nv, x : x + nu] = values

    def changed(self) -> None:
        """Tell the graphics; a value that is no number would spread over the picture."""
        if not np.isfinite(self._values).all():
            raise ValueError("a light map holds a value that is no number")
        self._image.GetPointData().GetScalars().Modified()
        self._image.Modified()


def _image(values: np.ndarray) -> vtkImageData:
    """An image that follows an array (h, w, c)."""
    height, width, channels = values.shape
    image = vtkImageData()
    image.SetDimensions(width, height, 1)
    image.GetPointData().SetScalars(numpy_to_vtk(values.reshape(-1, channels)))
    return image


def _texture(image: vtkImageData, pattern: bool) -> vtkTexture:
    """A texture; a pattern repeats and is filtered at a distance."""
    texture = vtkTexture()
    texture.SetInputData(image)
    texture.SetColorModeToDirectScalars()
    texture.InterpolateOn()
    texture.SetMipmap(pattern)
    texture.SetRepeat(pattern)
    texture.SetEdgeClamp(not pattern)
    # Sampling along the slant as well would cost three times the whole frame, and four samples a
    # pixel already keep patterns crisp.
    texture.SetMaximumAnisotropicFiltering(1.0)
    return texture


def _actor(points: np.ndarray, faces: np.ndarray) -> tuple[vtkActor, vtkPolyData]:
    data = vtkPolyData()
    vtk_points = vtkPoints()
    vtk_points.SetData(numpy_to_vtk(np.ascontiguousarray(points, np.float32), deep=True))
    data.SetPoints(vtk_points)
    cells = vtkCellArray()
    cells.SetData(
        3, numpy_to_vtkIdTypeArray(np.ascontiguousarray(faces, np.int64).ravel(), deep=True)
    )
    data.SetPolys(cells)
    mapper = vtkPolyDataMapper()
    mapper.SetInputData(data)
    mapper.ScalarVisibilityOff()
    actor = vtkActor()
    actor.SetMapper(mapper)
    actor.GetProperty().LightingOff()
    return actor, data


def _attribute(actor: vtkActor, data: vtkPolyData, name: str, values: np.ndarray) -> np.ndarray:
    """Give each point a value for the shader; returns the array, which may be changed in place."""
    own = np.ascontiguousarray(values, np.float32).copy()
    array = numpy_to_vtk(own)
    array.SetName(name)
    data.GetPointData().AddArray(array)
    mapper = vtkPolyDataMapper.SafeDownCast(actor.GetMapper())
    mapper.MapDataArrayToVertexAttribute(name, name, vtkDataObject.FIELD_ASSOCIATION_POINTS, -1)
    return own


def _shader(actor: vtkActor, attributes: list[tuple[str, str]], body: str) -> None:
    """Pass attributes through to the fragment and let its colour be the body's."""
    prop = actor.GetShaderProperty()
    declared = "".join(f"in {kind} {name}; out {kind} {name}VS;\n" for kind, name in attributes)
    passed = "".join(f"{name}VS = {name};\n" for _, name in attributes)
    received = "".join(f"in {kind} {name}VS;\n" for kind, name in attributes)
    prop.AddVertexShaderReplacement(
        "//VTK::Camera::Dec", True, "//VTK::Camera::Dec\n" + declared, False
    )
    prop.AddVertexShaderReplacement(
        "//VTK::PositionVC::Impl", True, "//VTK::PositionVC::Impl\n" + passed, False
    )
    prop.AddFragmentShaderReplacement(
        "//VTK::Camera::Dec", True, "//VTK::Camera::Dec\n" + received, False
    )
    prop.AddFragmentShaderReplacement("//VTK::TCoord::Impl", True, body, False)
