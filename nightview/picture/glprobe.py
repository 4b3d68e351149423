"""Draw one small float picture with VTK, in a process of its own: VTK may die of it.

Run by ``glcheck`` as a script, with VTK_DEFAULT_OPENGL_WINDOW set. Exit status 0 if a luminance of
1234.5 comes back as it was drawn, through the same kind of float frame as the real pictures.
"""

import sys

import numpy as np
from vtkmodules.util.numpy_support import numpy_to_vtk
from vtkmodules.vtkCommonCore import VTK_FLOAT
from vtkmodules.vtkCommonDataModel import vtkImageData
from vtkmodules.vtkFiltersSources import vtkPlaneSource
from vtkmodules.vtkRenderingCore import (
    vtkActor,
    vtkPolyDataMapper,
    vtkRenderer,
    vtkRenderWindow,
)
from vtkmodules.vtkRenderingOpenGL2 import (
    vtkFramebufferPass,
    vtkOpenGLTexture,
    vtkRenderStepsPass,
    vtkTextureObject,
)

LUMINANCE = 1234.5
SIDE = 16


def draw() -> float:
    """The luminance read back from the middle of a float frame filled with ``LUMINANCE``."""
    image = vtkImageData()
    image.SetDimensions(2, 2, 1)
    texels = np.full((4, 3), LUMINANCE, np.float32)
    image.GetPointData().SetScalars(numpy_to_vtk(texels, deep=True))
    texture = vtkOpenGLTexture()
    texture.SetInputData(image)
    texture.SetColorModeToDirectScalars()
    plane, mapper = vtkPlaneSource(), vtkPolyDataMapper()
    mapper.SetInputConnection(plane.GetOutputPort())
    mapper.ScalarVisibilityOff()
    actor = vtkActor()
    actor.SetMapper(mapper)
    actor.SetTexture(texture)
    actor.GetProperty().LightingOff()
    renderer = vtkRenderer()
    renderer.AddActor(actor)
    renderer.ResetCamera()
    renderer.GetActiveCamera().Zoom(4.0)

    steps, frame = vtkRenderStepsPass(), vtkFramebufferPass()
    frame.SetDelegatePass(steps)
    frame.SetColorFormat(vtkTextureObject.Float32)
    frame.SetDepthFormat(vtkTextureObject.Float32)
    renderer.SetPass(frame)
    window = vtkRenderWindow()
    window.SetOffScreenRendering(1)
    window.SetMultiSamples(0)
    window.SetSize(SIDE, SIDE)
    window.AddRenderer(renderer)
    window.Render()

    colour = frame.GetColorTexture()
    buffer = colour.Download()
    pixels = np.zeros((SIDE * SIDE, colour.GetComponents()), np.float32)
    buffer.Download2D(VTK_FLOAT, pixels, [SIDE, SIDE], colour.GetComponents(), [0, 0])
    buffer.SetContext(None)
    return float(pixels[SIDE * SIDE // 2 + SIDE // 2, 0])


if __name__ == "__main__":
    sys.exit(0 if draw() == LUMINANCE else 1)
