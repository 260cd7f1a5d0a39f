"""Pictures of a low poly lit with a normal map, and of a high poly lit by its own normals.

A model is built once and seen from many views; what a view sees is lit by many lights:

    low, high = LowModel(low_poly), HighModel(surface)
    baked = render_low_with_map(low, maps, view, lights)
    sculpted = render_high(high, view, lights)

Both give linear light (`srgb` makes pixels of it) and, for every pixel, the triangle and place
that its centre shows, so that differences can be given back to texels and regions. For many maps
from one view, keep `LowModel.see` and shade its `Sight` with each (`map_normals`, `lit`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.maps.encode import BasisRule, TangentBasis, tangent_basis
from cagecheck.maps.high_normals import HighNormals, HighShading, high_shading
from cagecheck.maps.normal_maps import NormalMaps
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.normals import normalised
from cagecheck.rays.points import interpolate
from cagecheck.rays.scene import Scene
from cagecheck.rendering.shading import Light, Look, radiance
from cagecheck.rendering.view import Sight, View, see

NO_TRIANGLE = -1
# Four rays to a pixel calm the edges; more are hardly seen.
ACROSS = 2


@dataclass(frozen=True, eq=False)
class Rendered:
    """A view under L lights.

    Attributes
    ----------
    images : (L, H, W, 3) float64 linear light, on the look's background.
    covered : (H, W) share of each pixel that shows the model.
    triangle : (H, W) int32, what the pixel's centre shows, -1 for the background.
    barycentric : (H, W, 3), where on that triangle.
    """

    images: Floats
    covered: Floats
    triangle: Ints
    barycentric: Floats


class LowModel:
    """A low poly, ready to be lit with normal maps.

    Parameters
    ----------
    low : the low poly. basis : the tangent frames that its maps are made for.
    """

    def __init__(self, low: LowPoly, basis: BasisRule | None = None) -> None:
        self.low = low
        triangles = np.ascontiguousarray(low.triangles, np.int32)
        self.scene = Scene(Surface(low.positions, triangles, low.triangle_part, low.part_names))
        self.basis: TangentBasis | None = None if low.uv is None else tangent_basis(low, basis)

    def see(self, view: View, across: int = ACROSS) -> Sight:
        """Return what a view sees of the low poly."""
        return see(self.scene, view, across)

    def own_normals(self, sight: Sight) -> Floats:
        """Return (N, 3) unit shading normals, as without a map."""
        corners = 3 * sight.triangle[:, None].astype(np.int64) + np.arange(3)
        rows = self.low.shading_normals.reshape(-1, 3)
        return normalised(interpolate(rows, corners, sight.barycentric))

    def map_normals(self, sight: Sight, maps: NormalMaps) -> Floats:
        """Return (N, 3) unit world normals from tangent-space maps; its own where none lies."""
        out = self.own_normals(sight)
        if self.basis is None or self.low.uv is None:
            return out
        corners = 3 * sight.triangle[:, None].astype(np.int64) + np.arange(3)
        uv = interpolate(self.low.uv.reshape(-1, 2), corners, sight.barycentric)
        local = maps.sample(uv, self.low.tile[sight.triangle])
        mapped = np.flatnonzero(local.any(axis=1))
        out[mapped] = self.basis.decode(
            sight.triangle[mapped], sight.barycentric[mapped], local[mapped]
        )
        return out


class HighModel:
    """A high poly, ready to be lit by its own normals.

    Parameters
    ----------
    high : its surface, or a scene already built from it. normals : see `high_shading`.
    shading : for those who have it already.
    """

    def __init__(
        self,
        high: Surface | Scene,
        normals: HighNormals = "file",
        *,
        shading: HighShading | None = None,
    ) -> None:
        self.scene = high if isinstance(high, Scene) else Scene(high)
        self.shading = shading or high_shading(self.scene.surface, normals)

    def see(self, view: View, across: int = ACROSS) -> Sight:
        """Return what a view sees of the high poly."""
        return see(self.scene, view, across)

    def normals(self, sight: Sight) -> Floats:
        """Return (N, 3) unit world normals."""
        return self.shading.at(sight.triangle, sight.position)


def render_low_with_map(
    model: LowModel,
    maps: NormalMaps,
    view: View,
    lights: Sequence[Light],
    *,
    look: Look | None = None,
    across: int = ACROSS,
) -> Rendered:
    """Return a low poly lit with normal maps."""
    sight = model.see(view, across)
    return _rendered(model, sight, model.map_normals(sight, maps), lights, look or Look())


def render_high(
    model: HighModel,
    view: View,
    lights: Sequence[Light],
    *,
    look: Look | None = None,
    across: int = ACROSS,
) -> Rendered:
    """Return a high poly lit by its own normals."""
    sight = model.see(view, across)
    return _rendered(model, sight, model.normals(sight), lights, look or Look())


def lit(sight: Sight, normals: Floats, light: Light, look: Look) -> Floats:
    """Return (H, W, 3) linear light of a view whose points have these unit world normals."""
    view, across = sight.view, sight.across
    fine = np.empty((view.height * across * view.width * across, 3))
    fine[:] = look.background
    # By the triangle, not by the normal: a mapped one may lean away from the eye at a rim.
    turned = np.where(sight.behind[:, None], -normals, normals)
    fine[sight.ray] = radiance(turned, sight.to_eye, view.camera.up, light, look)
    return _mean_of_pixels(fine.reshape(view.height * across, view.width * across, 3), across)


def covered_share(sight: Sight) -> Floats:
    """Return (H, W) share of each pixel that shows the model."""
    view, across = sight.view, sight.across
    fine = np.zeros((view.height * across, view.width * across, 1))
    fine.reshape(-1)[sight.ray] = 1.0
    return _mean_of_pixels(fine, across)[:, :, 0]


def pixel_centres(model: LowModel | HighModel, view: View) -> tuple[Ints, Floats]:
    """Return (H, W) the triangle that each pixel's centre shows, and (H, W, 3) where on it."""
    sight = model.see(view, 1)
    triangle = np.full(view.height * view.width, NO_TRIANGLE, np.int32)
    barycentric = np.zeros((view.height * view.width, 3))
    triangle[sight.ray], barycentric[sight.ray] = sight.triangle, sight.barycentric
    shape = view.height, view.width
    return triangle.reshape(shape), barycentric.reshape(*shape, 3)


def _rendered(
    model: LowModel | HighModel,
    sight: Sight,
    normals: Floats,
    lights: Sequence[Light],
    look: Look,
) -> Rendered:
    images = [lit(sight, normals, light, look) for light in lights]
    triangle, barycentric = pixel_centres(model, sight.view)
    return Rendered(np.stack(images), covered_share(sight), triangle, barycentric)


def _mean_of_pixels(fine: NDArray[np.float64], across: int) -> Floats:
    rows, columns, channels = fine.shape
    blocks = fine.reshape(rows // across, across, columns // across, across, channels)
    out: Floats = blocks.mean(axis=(1, 3))
    return out
