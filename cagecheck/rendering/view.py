"""The rays of a picture's pixels, and the surface that they meet first.

A pinhole camera; row 0 of a picture is its top. A pixel of a picture with `across` sub-pixels is
the mean of ``across**2`` rays on a regular grid inside it, in linear light.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.meshes.barycentric import barycentric_of
from cagecheck.meshes.normals import normalised
from cagecheck.rays.scene import Scene
from cagecheck.rendering.camera import FOV_DEGREES, Camera

# Room around a scene's box, as a share of its size: far above float32 rounding.
BOX_ROOM = 1e-3


@dataclass(frozen=True)
class View:
    """A camera and the picture that it takes.

    camera : where it stands and looks; width, height : pixels; fov_degrees : from top to bottom.
    """

    camera: Camera
    width: int
    height: int
    fov_degrees: float = FOV_DEGREES

    def axes(self) -> Floats:
        """Return (3, 3): unit vectors right, up and towards the eye, as rows."""
        eye, target = np.array(self.camera.eye), np.array(self.camera.target)
        toward = (eye - target) / np.linalg.norm(eye - target)
        right = np.cross(self.camera.up, toward)
        right /= np.linalg.norm(right)
        return np.stack([right, np.cross(toward, right), toward])

    def rays(self, across: int = 1) -> Floats:
        """Return (height * across * width * across, 3) unit directions from the eye, row by row."""
        rows, columns = self.height * across, self.width * across
        slope = np.tan(np.radians(self.fov_degrees / 2))
        up = (1 - (np.arange(rows) + 0.5) * (2 / rows)) * slope
        right = ((np.arange(columns) + 0.5) * (2 / columns) - 1) * (
            slope * self.width / self.height
        )
        axis = self.axes()
        across_picture = right[None, :, None] * axis[0] + up[:, None, None] * axis[1]
        return normalised((across_picture - axis[2]).reshape(-1, 3))


@dataclass(frozen=True, eq=False)
class Sight:
    """What the N rays of a view meet first; rays that meet nothing are not listed.

    Attributes
    ----------
    view, across : the picture, and sub-pixels along a pixel's edge.
    ray : (N,) int64, the sub-pixel, row by row.
    triangle : (N,) int32; barycentric : (N, 3), where on it.
    position : (N, 3), world; to_eye : (N, 3) unit vectors towards the eye.
    behind : (N,) bool, the triangle is seen from behind.
    """

    view: View
    across: int
    ray: NDArray[np.int64]
    triangle: Ints
    barycentric: Floats
    position: Floats
    to_eye: Floats
    behind: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.ray)


def see(scene: Scene, view: View, across: int = 1) -> Sight:
    """Return what a view sees of a scene, whichever way the surface faces."""
    eye = np.array(view.camera.eye, np.float64)
    directions = view.rays(across)
    # Rays past the scene's box meet nothing, and a ray that meets nothing costs most.
    ray = np.flatnonzero(_meets_box(eye, directions, scene))
    to_eye = -directions[ray]
    origin = np.broadcast_to(eye, to_eye.shape)
    far = float(np.linalg.norm(np.abs(eye - scene.centre) + scene.scale))
    hits = scene.first_hits(origin, to_eye, np.zeros(len(ray)), far)
    met = np.flatnonzero(hits.face >= 0)
    ray, triangle, to_eye = ray[met], hits.face[met], to_eye[met]
    position = eye + hits.t[met, None] * to_eye
    corners = scene.surface.positions[scene.triangles[triangle]].astype(np.float64)
    weights = barycentric_of(position, corners)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    behind = np.asarray(np.einsum("ij,ij->i", normal, to_eye) < 0)
    return Sight(view, across, ray, triangle, weights, position, to_eye, behind)


def _meets_box(eye: Floats, directions: Floats, scene: Scene) -> NDArray[np.bool_]:
    """Tell which rays from the eye come near the scene's box (slabs, with some room)."""
    half = 0.5 * np.ptp(scene.surface.positions, axis=0) + BOX_ROOM * scene.scale
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = 1.0 / directions
        one = (scene.centre - half - eye) * inverse
        other = (scene.centre + half - eye) * inverse
    enters = np.fmax.reduce(np.fmin(one, other), axis=1)
    leaves = np.fmin.reduce(np.fmax(one, other), axis=1)
    return np.asarray((enters <= leaves) & (leaves >= 0))
