"""Draws the lit model: two sides with a line between them, and a light that goes with the eye.

The formula is that of `cagecheck.rendering.shading`, the frames are those of
`cagecheck.maps.encode`; both stand here once more in the language of shaders.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pyvista as pv
from numpy.typing import NDArray
from vtkmodules.vtkCommonDataModel import vtkDataObject
from vtkmodules.vtkRenderingCore import vtkActor, vtkTexture
from vtkmodules.vtkRenderingOpenGL2 import vtkOpenGLPolyDataMapper

from cagecheck.maps.high_normals import high_shading
from cagecheck.meshes.mesh import Surface
from cagecheck.rendering.camera import Camera
from cagecheck.rendering.shading import Look, light_of
from cagecheck.rendering.view import View
from cagecheck.viewing.lit_record import HIGH, LitRecord

_VERTEX_DECLARED = """//VTK::Normal::Dec
in vec3 litNormal;
in vec4 litTangent;
out vec3 litN;
out vec4 litT;
out vec3 litPlace;
"""
_VERTEX_DONE = """//VTK::Normal::Impl
litN = litNormal;
litT = litTangent;
litPlace = vertexMC.xyz;
"""
_FRAGMENT_DECLARED = """//VTK::Normal::Dec
in vec3 litN;
in vec4 litT;
in vec3 litPlace;
"""
_MAPPED = """
vec3 litM = texture(actortexture, tcoordVCVSOutput.st).xyz * 2.0 - 1.0;
vec3 litB = (litT.w < 0.0 ? -1.0 : 1.0) * cross(litN, litT.xyz);
vec3 n = normalize(litM.x * litT.xyz + litM.y * litB + litM.z * litN);
"""
_PLAIN = """
vec3 n = normalize(litN);
"""
_FRAGMENT_DONE = """
if ((gl_FragCoord.x < litLine) != (litLeft > 0)) discard;
%s
if (!gl_FrontFacing) n = -n;
vec3 e = normalize(litEye - litPlace);
float facing = dot(n, litLight), above = dot(n, litUp);
float diffuse = litStrength.y * (1.0 + above) / 2.0 + litStrength.z * (1.0 - above) / 2.0
  + litStrength.x * max(facing, 0.0);
float shine = facing > 0.0 ? litGloss.x * pow(max(dot(n, normalize(litLight + e)), 0.0), litGloss.y)
  : 0.0;
vec3 c = clamp(litAlbedo * diffuse + shine, 0.0, 1.0);
// IEC 61966-2-1
c = mix(1.055 * pow(c, vec3(1.0 / 2.4)) - 0.055, 12.92 * c, lessThanEqual(c, vec3(0.0031308)));
fragOutput0 = vec4(c, 1.0);
"""


class LitActors:
    """The actors of the lit model in a plotter.

    Parameters
    ----------
    plotter : pv.Plotter
        Where they are drawn.
    record : LitRecord
        What `read_lit` returns.
    high : Surface | None
        The high poly to draw, None for none.
    up : tuple[float, float, float]
        The model's upward direction.
    """

    def __init__(
        self,
        plotter: pv.Plotter,
        record: LitRecord,
        high: Surface | None,
        up: tuple[float, float, float],
    ) -> None:
        self.plotter, self.record, self.high, self.up = plotter, record, high, up
        self.line, self.way = 0.5, (0.0, 0.0)
        self._parts: Any = None
        self._made: dict[tuple[str, bool], list[Any]] = {}
        self._high_normals: NDArray[np.float32] | None = None
        plotter.renderer.AddObserver("StartEvent", self._aim)

    @property
    def keys(self) -> list[str]:
        """The sides that can be shown."""
        return [key for key in self.record.titles if key != HIGH or self.high is not None]

    def show(self, left: str, right: str, parts: tuple[set[int], set[int]] | None) -> None:
        """Show two sides, of these low and high parts only (None for all)."""
        if parts != self._parts:
            for actors in self._made.values():
                for actor in actors:
                    self.plotter.renderer.RemoveActor(actor)
            self._made.clear()
            self._parts = parts
        self.hide()
        for key, on_left in ((left, True), (right, False)):
            if (key, on_left) not in self._made:
                self._made[key, on_left] = self._actors(key, on_left)
            for actor in self._made[key, on_left]:
                actor.SetVisibility(True)

    def hide(self) -> None:
        """Show nothing."""
        for actors in self._made.values():
            for actor in actors:
                actor.SetVisibility(False)

    def _actors(self, key: str, on_left: bool) -> list[Any]:
        if key == HIGH:
            return [self._high_actor(on_left)]
        arrays, out = self.record.arrays, []
        wanted = np.ones(len(arrays["part"]), bool)
        if self._parts is not None:
            wanted = np.isin(arrays["part"], list(self._parts[0]))
        for tile in self.record.tiles():
            mine = wanted & (arrays["tile"] == tile)
            if not mine.any():
                continue
            mesh = pv.PolyData.from_regular_faces(arrays["position"], arrays["triangles"][mine])
            mesh.point_data["litTangent"] = arrays["tangent"]
            mesh.point_data["litNormal"] = arrays["normal"]
            mesh.active_texture_coordinates = arrays["uv"]
            texels = self.record.texels(key, tile)
            out.append(self._actor(mesh, None if texels is None else _texture(texels), on_left))
        return out

    def _high_actor(self, on_left: bool) -> Any:
        high = self.high
        assert high is not None
        if self._high_normals is None:
            self._high_normals = high_shading(high, "smooth").normals
        positions: Any = high.positions
        triangles: Any = high.triangles
        if self._parts is not None:
            triangles = triangles[np.isin(high.triangle_part, list(self._parts[1]))]
        mesh = pv.PolyData.from_regular_faces(positions, triangles)
        mesh.point_data["litNormal"] = self._high_normals
        mesh.point_data["litTangent"] = np.zeros((len(high.positions), 4), np.float32)
        return self._actor(mesh, None, on_left)

    def _actor(self, mesh: pv.PolyData, texture: vtkTexture | None, on_left: bool) -> Any:
        mapper, actor = vtkOpenGLPolyDataMapper(), vtkActor()
        mapper.SetInputData(mesh)
        mapper.ScalarVisibilityOff()
        actor.SetMapper(mapper)
        self.plotter.renderer.AddActor(actor)
        # Places reach the shader as they are.
        mapper.SetVBOShiftScaleMethod(0)
        points = vtkDataObject.FIELD_ASSOCIATION_POINTS
        for name in ("litNormal", "litTangent"):
            mapper.MapDataArrayToVertexAttribute(name, name, points, -1)
        if texture is not None:
            actor.SetTexture(texture)
        shader = actor.GetShaderProperty()
        shader.AddVertexShaderReplacement("//VTK::Normal::Dec", True, _VERTEX_DECLARED, False)
        shader.AddVertexShaderReplacement("//VTK::Normal::Impl", True, _VERTEX_DONE, False)
        shader.AddFragmentShaderReplacement("//VTK::Normal::Dec", True, _FRAGMENT_DECLARED, False)
        done = _FRAGMENT_DONE % (_PLAIN if texture is None else _MAPPED)
        shader.AddFragmentShaderReplacement("//VTK::Light::Impl", True, done, False)
        # Else the map would colour the surface.
        shader.AddFragmentShaderReplacement("//VTK::TCoord::Impl", True, "", False)
        look, uniforms = Look(), shader.GetFragmentCustomUniforms()
        uniforms.SetUniform3f("litAlbedo", look.albedo)
        uniforms.SetUniform3f("litStrength", (look.key, look.sky, look.ground))
        uniforms.SetUniform2f("litGloss", (look.gloss, look.shininess))
        uniforms.SetUniform3f("litUp", self.up)
        uniforms.SetUniformi("litLeft", int(on_left))
        self._aim_one(actor)
        return actor

    def _aim(self, *_: Any) -> None:
        for actors in self._made.values():
            for actor in actors:
                if actor.GetVisibility():
                    self._aim_one(actor)

    def _aim_one(self, actor: Any) -> None:
        """Tell an actor's shader where the eye, the light and the line are now."""
        eye = self.plotter.camera
        camera = Camera(tuple(eye.position), tuple(eye.focal_point), tuple(eye.up))
        light = light_of(View(camera, 1, 1), *self.way)
        uniforms = actor.GetShaderProperty().GetFragmentCustomUniforms()
        uniforms.SetUniform3f("litEye", camera.eye)
        uniforms.SetUniform3f("litLight", light.direction)
        uniforms.SetUniformf("litLine", self.line * self.plotter.renderer.GetSize()[0])


def _texture(texels: NDArray[np.uint8]) -> vtkTexture:
    height, width = texels.shape[:2]
    image = pv.ImageData(dimensions=(width, height, 1))
    # The toolkit's first row is the lowest.
    image.point_data["texels"] = np.ascontiguousarray(texels[::-1]).reshape(-1, 3)
    image.point_data.active_scalars_name = "texels"
    texture = vtkTexture()
    texture.SetInputData(image)
    texture.SetColorModeToDirectScalars()
    texture.InterpolateOn()
    texture.MipmapOn()
    texture.SetWrap(vtkTexture.ClampToEdge)
    return texture
