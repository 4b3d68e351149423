"""VTK draws luminance, unlit, in cd/m², into a float32 frame.

All patches of one material are one actor: their light lies in one large texture (an atlas), their
material is a pattern in true size, and the shader multiplies the two. A glass pane or water draws
no light but a mark (minus its number, u, v), from which its mirror image is worked out later.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
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
from nightview.picture.leaves import NEAR_M, OVAL_FACES, RHOMB_FACES, faces_of, oval, softened
from nightview.picture.patterns import dressing_of
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

_VERTEX_SHADER = """
  gl_FragData[0] = vec4(gl_FrontFacing ? frontVS : backVS, 1.0);
"""


@dataclass(frozen=True, eq=False)
class Atlas:
    """Where each patch's grid lies in the common texture. x, y : first column and row."""

    x: list[int]
    y: list[int]
    width: int
    height: int


def pack(field: LightField) -> Atlas:
    """Lay all grids into shelves, tallest first."""
    shapes = [
        patch.counts(level)[::-1]
        for patch, level in zip(field.site.patches, field.levels, strict=True)
    ]
    width = max([ATLAS_WIDTH, *(nu for _, nu in shapes)])
    xs, ys = [0] * len(shapes), [0] * len(shapes)
    x = y = shelf = 0
    for i in sorted(range(len(shapes)), key=lambda i: (-shapes[i][0], -shapes[i][1], i)):
        nv, nu = shapes[i]
        if x + nu > width:
            x, y, shelf = 0, y + shelf, 0
        xs[i], ys[i] = x, y
        x, shelf = x + nu, max(shelf, nv)
    return Atlas(xs, ys, width, max(1, y + shelf))


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
    """The site of a light field, ready to be drawn under any light from any view."""

    def __init__(self, field: LightField) -> None:
        self.field = field
        self.atlas = pack(field)
        shape = (self.atlas.height, self.atlas.width, 3)
        self._light, self._toward = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        self._light_texture, self._light_image = _texture(self._light, False)
        self._toward_texture, self._toward_image = _texture(self._toward, False)
        self._renderer = vtkRenderer()
        self._renderer.SetBackground(0, 0, 0)
        self._renderer.SetBackgroundAlpha(0)
        self._add_patches()
        site = field.site
        self._meshes = [
            self._vertex_lit(mesh.vertices, mesh.faces) for mesh in (*site.meshes, *site.bodies)
        ]
        self._leaves: dict[tuple[int, bool], VertexLit] = {}
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

    def _add_patches(self) -> None:
        by_kind: dict[tuple[str, str], list[int]] = {}
        for number, patch in enumerate(self.field.site.patches):
            kind = "mirror" if patch.kind in ("glass", "water") else patch.material
            by_kind.setdefault((patch.kind if kind == "mirror" else "matte", kind), []).append(
                number
            )
        for (kind, material), numbers in by_kind.items():
            points, atlas_uv, own_uv, pattern, ids, faces = [], [], [], [], [], []
            base = 0
            for number in numbers:
                patch = self.field.site.patches[number]
                corners, uv, triangles = patch.triangles
                points.append(corners)
                own_uv.append(uv)
                atlas_uv.append(self._atlas_uv(number, uv))
                pattern.append(uv + np.asarray(patch.pattern_at))
                ids.append(np.full(len(uv), number, np.float32))
                faces.append(triangles + base)
                base += len(corners)
            where = np.concatenate(atlas_uv)
            actor, data = _actor(np.concatenate(points), np.concatenate(faces), where)
            if kind == "matte":
                self._dress(
                    actor, data, np.concatenate(pattern), self.field.site.materials[material]
                )
            else:
                mark = np.column_stack([np.concatenate(ids), np.concatenate(own_uv)])
                _attribute(actor, data, "mirror", mark)
                _shader(actor, [("vec3", "mirror")], _MIRROR_SHADER)
            self._renderer.AddActor(actor)

    def _atlas_uv(self, number: int, uv: np.ndarray) -> np.ndarray:
        patch = self.field.site.patches[number]
        nu, nv = patch.counts(self.field.levels[number])
        place = np.array([self.atlas.x[number], self.atlas.y[number]]) + 0.5
        scaled = place + uv / np.asarray(patch.size) * [nu - 1, nv - 1]
        return scaled / [self.atlas.width, self.atlas.height]

    def _dress(
        self, actor: vtkActor, data: vtkPolyData, pattern: np.ndarray, spec: MaterialSpec
    ) -> None:
        dressing = dressing_of(spec)
        prop = actor.GetProperty()
        prop.SetTexture("lightMap", self._light_texture)
        prop.SetTexture("towardMap", self._toward_texture)
        prop.SetTexture("albedoMap", _texture(dressing.albedo, True)[0])
        prop.SetTexture("reliefMap", _texture(dressing.relief, True)[0])
        _attribute(actor, data, "pattern", pattern / np.asarray(dressing.size_m))
        _shader(actor, [("vec2", "pattern")], _SURFACE_SHADER)
        uniforms = actor.GetShaderProperty().GetFragmentCustomUniforms()
        uniforms.SetUniformf("reliefRms", dressing.slope_rms)
        uniforms.SetUniformf("reliefZero", 128 / 255)
        uniforms.SetUniformf("reliefScale", dressing.steepest * 255 / 127)
        uniforms.SetUniform3f("albedoScale", (dressing.brightest * spec.per_lux).tolist())

    def _vertex_lit(self, points: np.ndarray, faces: np.ndarray) -> VertexLit:
        """A crown or mesh: its light is an attribute of each corner."""
        actor, data = _actor(points, faces, None)
        zero = np.zeros((len(points), 3), np.float32)
        front, back = (_attribute(actor, data, name, zero) for name in ("front", "back"))
        _shader(actor, [("vec3", "front"), ("vec3", "back")], _VERTEX_SHADER)
        self._renderer.AddActor(actor)
        return VertexLit(actor, data, front, back)

    def _choose_leaves(self, eye: Array) -> None:
        """Draw each crown's leaves in the shape that its distance asks for, made on first use."""
        for number, crown in enumerate(self.field.site.crowns):
            centre, radius = crown.bounds
            near = bool(np.linalg.norm(eye - centre) - radius < NEAR_M)
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
            sides = softened(self.field.site.crowns[number], leaf_luminance(self._shown, number))
            self._leaves[number, near].show(sides[:, 0], sides[:, 1])

    # --- light ------------------------------------------------------------------------------------

    def show(self, light: Light) -> None:
        """Put a state's light on the surfaces; nothing to do where it is there already."""
        if light is self._shown:
            return
        for number, (values, toward) in enumerate(zip(light.patches, light.toward, strict=True)):
            if values is None or toward is None:
                continue
            nv, nu = values.shape[:2]
            x, y = self.atlas.x[number], self.atlas.y[number]
            self._light[y : y + nv, x : x + nu] = values
            self._toward[y : y + nv, x : x + nu] = toward
        for array in (self._light, self._toward):
            if not np.isfinite(array).all():
                raise ValueError("a light map holds a value that is no number")
        for image in (self._light_image, self._toward_image):
            image.GetPointData().GetScalars().Modified()
            image.Modified()
        self._shown = light
        site = self.field.site
        for mesh, lux, part in zip(
            (*site.meshes, *site.bodies), (*light.meshes, *light.bodies), self._meshes, strict=True
        ):
            luminance = lux * site.materials[mesh.material].per_lux
            part.show(luminance, luminance)
            part.actor.SetVisibility(mesh.fixture not in light.state.absent)
        for number, near in self._leaves:
            self._light_leaves(number, near)

    # --- drawing ----------------------------------------------------------------------------------

    def draw(self, camera: Camera, scale: int = 1, out: Array32 | None = None) -> Array32:
        """The marked frame at scale × the camera's size: (h, w, 4) float32, row 0 at the top.

        Channels: RGB luminance [cd/m²], or a mirror's mark; coverage (0 where nothing is).
        """
        width, height = camera.width * scale, camera.height * scale
        self._choose_leaves(camera.eye)
        frame = np.empty((height, width, 4), np.float32) if out is None else out
        bands = max(1, -(-width * height // BAND_PIXELS))
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


def _texture(values: np.ndarray, pattern: bool) -> tuple[vtkTexture, vtkImageData]:
    """A texture over (h, w, 3) values; a pattern repeats and is filtered at a distance."""
    height, width, channels = values.shape
    image = vtkImageData()
    image.SetDimensions(width, height, 1)
    # Without a copy: the texture follows the array.
    flat = values if values.flags.c_contiguous else np.ascontiguousarray(values)
    image.GetPointData().SetScalars(numpy_to_vtk(flat.reshape(-1, channels), deep=pattern))
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
    return texture, image


def _actor(
    points: np.ndarray, faces: np.ndarray, where: np.ndarray | None
) -> tuple[vtkActor, vtkPolyData]:
    data = vtkPolyData()
    vtk_points = vtkPoints()
    vtk_points.SetData(numpy_to_vtk(np.ascontiguousarray(points, np.float32), deep=True))
    data.SetPoints(vtk_points)
    cells = vtkCellArray()
    cells.SetData(
        3, numpy_to_vtkIdTypeArray(np.ascontiguousarray(faces, np.int64).ravel(), deep=True)
    )
    data.SetPolys(cells)
    if where is not None:
        coords = numpy_to_vtk(np.ascontiguousarray(where, np.float32), deep=True)
        coords.SetName("where")
        data.GetPointData().SetTCoords(coords)
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
