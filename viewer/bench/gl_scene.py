"""The scene drawn by the graphics library: a translucent bone, without sorting what is translucent.

Layers are drawn over each other: neighbours, the bone's far side, the screws, the bone's near side, and what
of the neighbours lies before it. Within a layer the depth is filled first, so only the side nearest to the
reader (of the far layer: farthest from) is coloured. Each is one opaque pass, a fifth of the time that
sorting takes in software; the picture is the report's to within its antialiasing. The process and thread
that makes a ``GLScene`` must be the one that uses it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import vtkmodules.vtkRenderingOpenGL2  # noqa: F401  (the drawing itself, registered by being loaded)
from PIL import Image
from vtkmodules.util.numpy_support import numpy_to_vtk, vtk_to_numpy
from vtkmodules.vtkCommonCore import vtkFloatArray, vtkUnsignedCharArray
from vtkmodules.vtkCommonDataModel import vtkPolyData
from vtkmodules.vtkCommonMath import vtkMatrix4x4
from vtkmodules.vtkRenderingCore import (
    vtkActor,
    vtkCamera,
    vtkLight,
    vtkPolyDataMapper,
    vtkRenderer,
    vtkRenderWindow,
)

from segmentation.vocabulary import Floats, Ints
from viewer.bench import gl_inks
from viewer.bench.light_bones import LightBones
from viewer.bench.light_mesh import poly_data
from viewer.bench.screw_model import colours, model_of, placing
from viewer.bench.shot import Shot
from viewer.report.camera import Camera
from viewer.report.ray_target import vertex_normals
from viewer.report.scene_edges import ink_edges
from viewer.report.tokens import fragment_ink, rgb_fraction

NEIGHBOURS, FAR, SCREWS, NEAR, BEFORE = range(5)
"""The layers, back to front. Each has a depth of its own but the last, which goes on with that before it."""

JOINT_LIFT_MM = 0.4
"""The joint surface is drawn this much nearer to the reader than it lies, or the bone under it would hide
it. Our choice: more than a light surface is off."""

BEFORE_FRACTION = 0.6
"""Share of a neighbour's opacity where it lies before the bone (as in the report)."""

BEHIND_FRACTION = 0.45
"""Share of a joint's opacity where it is seen from within (as in the report)."""

PALE_FRACTION = 0.5
"""How far the other screws are drawn towards the ground. Our choice."""

Vector = tuple[float, float, float]


class GLScene:
    """Draws shots of one set of bones."""

    def __init__(self, bones: LightBones) -> None:
        self.bones = bones
        self._window = vtkRenderWindow()
        self._window.SetOffScreenRendering(1)
        self._window.SetMultiSamples(0)
        self._window.SetNumberOfLayers(BEFORE + 1)
        self._camera = vtkCamera()
        self._camera.ParallelProjectionOn()
        self._layers = [self._layer(number) for number in range(BEFORE + 1)]
        self._actors: list[vtkActor] = []
        self._screws: list[tuple[vtkActor, vtkPolyDataMapper]] = []
        self._inked: dict[int, list[vtkActor]] = {one.number: [] for one in bones.fragments}
        self._ghosts: dict[int, list[vtkActor]] = {one.number: [] for one in bones.fragments}
        self._joints: list[vtkActor] = []
        self._fill()

    def picture(self, shot: Shot, fineness_ratio: float) -> npt.NDArray[np.uint8]:
        """(rows, columns, 3) the shot, with that many pixels per CSS px along each edge."""
        camera = shot.camera
        columns, rows = (max(round(size * fineness_ratio), 1) for size in (camera.width_px, camera.height_px))
        self._window.SetSize(columns, rows)
        far_mm = self._look(camera, rows, fineness_ratio)
        self._show(shot, fineness_ratio, far_mm)
        self._window.Render()
        pixels = vtkUnsignedCharArray()
        self._window.GetPixelData(0, 0, columns - 1, rows - 1, 0, pixels, 0)
        return np.asarray(vtk_to_numpy(pixels).reshape(rows, columns, 3)[::-1])

    def still(self, shot: Shot, finer_ratio: float, between: Callable[[], None]) -> npt.NDArray[np.uint8]:
        """(rows, columns, 3) in the device's pixels: drawn ``finer_ratio`` as fine, brought down, a line of
        ink where the bone ends and folds. ``between`` is called between the steps."""
        fine = Image.fromarray(self.picture(shot, shot.pixel_ratio * finer_ratio))
        between()
        image = fine.resize(shot.size_px, Image.Resampling.BOX)
        edges = Image.fromarray(np.rint(255 * self._edges(shot)).astype(np.uint8))
        between()
        image.paste(shot.inks.edge, mask=edges)
        return np.asarray(image)

    def close(self) -> None:
        """Give the graphics library's things back."""
        self._window.Finalize()

    def _edges(self, shot: Shot) -> Floats:
        """(rows, columns) how much ink lies on the edges and folds of the bone's near side."""
        columns, rows = shot.size_px
        self._window.SetSize(columns, rows)
        far_mm = self._look(shot.camera, rows, shot.pixel_ratio)
        # The near layer alone has the depth that is wanted: the bone and what of the screws lies before it.
        others = [layer for layer in self._layers if layer is not self._layers[NEAR]]
        for layer in others:
            layer.DrawOff()
        for actor in self._joints:
            actor.VisibilityOff()
        self._window.Render()
        for actor in self._joints:
            actor.VisibilityOn()
        for layer in others:
            layer.DrawOn()
        depths = vtkFloatArray()
        self._window.GetZbufferData(0, 0, columns - 1, rows - 1, depths)
        share = vtk_to_numpy(depths).reshape(rows, columns)[::-1].astype(float)
        distance_mm = np.where(share < 1, share * 2 * far_mm, np.inf)
        return ink_edges((share < 1).astype(np.int64), distance_mm)

    # What there is

    def _layer(self, number: int) -> vtkRenderer:
        layer = vtkRenderer()
        layer.SetLayer(number)
        layer.SetPreserveDepthBuffer(number == BEFORE)
        layer.SetActiveCamera(self._camera)
        # Nothing may be left out or sorted: the order of drawing is the point.
        layer.GetCullers().RemoveAllItems()
        layer.AutomaticLightCreationOff()
        light = vtkLight()
        light.SetLightTypeToHeadlight()
        layer.AddLight(light)
        self._window.AddRenderer(layer)
        return layer

    def _fill(self) -> None:
        bones = self.bones
        fine = {number: _surface(*mesh) for number, mesh in bones.fine.items()}
        coarse = {number: _surface(*mesh) for number, mesh in bones.coarse.items()}
        for layer, kept, surfaces, ink in (
            (NEIGHBOURS, self._ghosts, coarse, gl_inks.GHOST),
            (FAR, self._inked, fine, gl_inks.FAR_SIDE),
            (NEAR, self._inked, fine, gl_inks.NEAR_SIDE),
            (BEFORE, self._ghosts, coarse, gl_inks.GHOST),
        ):
            for code in (gl_inks.UNSEEN, ink):
                for one in bones.fragments:
                    actor = self._actor(layer, _mapper(surfaces[one.number]), code)
                    _set(actor, hatch=float(np.radians(fragment_ink(one.rank).hatch_degree)))
                    _set(actor, strength=BEFORE_FRACTION if layer == BEFORE else 1.0)
                    kept[one.number].append(actor)
        if bones.joint is not None:
            joint = _surface(bones.joint.vertices_mm, bones.joint.faces)
            for layer, strength in ((FAR, BEHIND_FRACTION), (NEAR, 1.0)):
                actor = self._actor(layer, _mapper(joint), gl_inks.JOINT, lifted=True)
                _set(actor, strength=strength)
                self._joints.append(actor)

    def _actor(self, layer: int, mapper: vtkPolyDataMapper, ink: str, *, lifted: bool = False) -> vtkActor:
        actor = vtkActor()
        actor.SetMapper(mapper)
        # Drawn in the pass of what is opaque, in the order of adding; the ink is laid over all the same.
        actor.ForceOpaqueOn()
        # Surfaces are closed: what is nearest faces the reader, what is farthest faces away. The rest would
        # only be covered.
        actor.GetProperty().SetBackfaceCulling(layer != FAR)
        actor.GetProperty().SetFrontfaceCulling(layer == FAR)
        shader = actor.GetShaderProperty()
        shader.AddFragmentShaderReplacement("//VTK::Light::Impl", True, ink, False)
        place = "//VTK::PositionVC::Impl\n"
        # On the far side, what is farthest wins: depth is turned round.
        place += "  gl_Position.z = -gl_Position.z;\n" if layer == FAR else ""
        place += "  gl_Position.z -= lift;\n" if lifted else ""
        shader.AddVertexShaderReplacement("//VTK::PositionVC::Impl", True, place, False)
        if lifted:
            shader.GetVertexCustomUniforms().SetUniformf("lift", 0.0)
        self._layers[layer].AddActor(actor)
        self._actors.append(actor)
        return actor

    # What is to be seen

    def _look(self, camera: Camera, rows: int, fineness_ratio: float) -> float:
        """Point the camera; the distance from it to the middle of the picture, mm."""
        centre_mm = np.asarray(camera.centre_mm)
        far_mm = 1 + max(
            float(np.abs(vertices_mm - centre_mm).max()) * float(np.sqrt(3))
            for vertices_mm, _ in self.bones.coarse.values()
        )
        self._camera.SetFocalPoint(*centre_mm.tolist())
        self._camera.SetPosition(*(centre_mm + far_mm * camera.toward).tolist())
        self._camera.SetViewUp(*np.asarray(camera.up).tolist())
        self._camera.SetParallelScale(rows / fineness_ratio / 2 / camera.scale_px)
        self._camera.SetClippingRange(far_mm / 1000, 2 * far_mm)
        return far_mm

    def _show(self, shot: Shot, fineness_ratio: float, far_mm: float) -> None:
        inks, camera = shot.inks, shot.camera
        self._layers[NEIGHBOURS].SetBackground(*rgb_fraction(inks.ground))
        own = {one.number for one in self.bones.own(shot)}
        faint = {one.number for one in self.bones.neighbours(shot)}
        for one in self.bones.fragments:
            for kept, shown, ink in (
                (self._inked, own, inks.fragment(one.rank)),
                (self._ghosts, faint, inks.ghost),
            ):
                for actor in kept[one.number]:
                    actor.SetVisibility(one.number in shown)
                    actor.GetProperty().SetColor(*rgb_fraction(ink))
        for actor in self._joints:
            actor.GetProperty().SetColor(*rgb_fraction(inks.joint))
            actor.GetShaderProperty().GetVertexCustomUniforms().SetUniformf("lift", JOINT_LIFT_MM / far_mm)
        self._place_screws(shot)
        turn = np.stack([camera.right, camera.up, camera.toward])
        hand = shot.in_hand
        ring: tuple[Vector, Vector, float] = ((0, 0, 0), (0, 0, 1), 0.0)
        ends: tuple[Vector, Vector, float] = ((0, 0, 0), (0, 0, 1), -1.0)
        if hand is not None:
            from_camera = np.array([0, 0, -far_mm])
            entry = turn @ (hand.entry_mm - camera.centre_mm) + from_camera
            tip = turn @ (hand.tip_mm - camera.centre_mm) + from_camera
            ring = (_vector(entry), _vector(turn @ hand.direction), hand.bone_length_mm)
            ends = (_vector(entry), _vector(tip), hand.placed.screw.largest_thread.major_mm / 2)
        for actor in self._actors:
            _set(actor, pixels_per_px=fineness_ratio, scale_px=camera.scale_px)
            _set(actor, ink=rgb_fraction(inks.ink), ground=rgb_fraction(inks.ground))
            _set(actor, ring_from=ring[0], ring_along=ring[1], ring_until=ring[2])
            _set(actor, screw_from=ends[0], screw_to=ends[1], screw_radius=ends[2])

    def _place_screws(self, shot: Shot) -> None:
        shown = shot.shown
        while len(self._screws) < len(shown):
            mapper = vtkPolyDataMapper()
            actor = self._actor(SCREWS, mapper, gl_inks.METAL)
            # Once more over the near side: what of a screw stands out of the bone towards the reader.
            self._layers[NEAR].AddActor(actor)
            self._screws.append((actor, mapper))
        for place, (actor, mapper) in enumerate(self._screws):
            actor.SetVisibility(place < len(shown))
            if place >= len(shown):
                continue
            result, hand = shown[place], shown[place] is shot.in_hand
            model = model_of(result)
            data = _surface(model.vertices_mm, model.faces, model.normals)
            seen = self.bones.seen(result) if hand else None
            scalars = numpy_to_vtk(colours(model, seen, shot.inks), deep=1)
            data.GetPointData().SetScalars(scalars)
            mapper.SetInputData(data)
            matrix = vtkMatrix4x4()
            matrix.DeepCopy(placing(result).ravel().tolist())
            actor.SetUserMatrix(matrix)
            _set(actor, paleness=0.0 if hand else PALE_FRACTION)


def _surface(vertices_mm: Floats, faces: Ints, normals: Floats | None = None) -> vtkPolyData:
    data = poly_data(vertices_mm, faces)
    if normals is None:
        normals = vertex_normals(np.asarray(vertices_mm), np.asarray(faces))
    data.GetPointData().SetNormals(numpy_to_vtk(np.asarray(normals, np.float32), deep=1))
    return data


def _mapper(surface: vtkPolyData) -> vtkPolyDataMapper:
    mapper = vtkPolyDataMapper()
    mapper.SetInputData(surface)
    mapper.ScalarVisibilityOff()
    mapper.StaticOn()
    return mapper


def _set(actor: vtkActor, **values: float | Vector) -> None:
    """Give an actor's ink its values, by name."""
    uniforms = actor.GetShaderProperty().GetFragmentCustomUniforms()
    for name, value in values.items():
        if isinstance(value, tuple):
            uniforms.SetUniform3f(name, value)
        else:
            uniforms.SetUniformf(name, float(value))


def _vector(values: Floats) -> Vector:
    x, y, z = values.tolist()
    return x, y, z


def works() -> bool:
    """Whether a small ball comes out as more than one colour. Where the library is broken this may not
    return at all, so it is asked in a process of its own."""
    from vtkmodules.vtkFiltersSources import vtkSphereSource

    window, renderer = vtkRenderWindow(), vtkRenderer()
    window.SetOffScreenRendering(1)
    window.SetSize(32, 32)
    window.AddRenderer(renderer)
    ball = vtkSphereSource()
    ball.Update()
    actor = vtkActor()
    actor.SetMapper(_mapper(ball.GetOutput()))
    renderer.AddActor(actor)
    window.Render()
    pixels = vtkUnsignedCharArray()
    window.GetPixelData(0, 0, 31, 31, 0, pixels, 0)
    window.Finalize()
    return bool(np.ptp(vtk_to_numpy(pixels)) > 0)
