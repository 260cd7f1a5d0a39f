"""The slower ray engine: embreex's own classes, restarted behind every hit.

Used where the native library cannot be called directly, and by tests as a second opinion. A
restart steps a few float32 units past the last hit, so coincident faces come out as one crossing.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from embreex import rtcore_scene
from embreex.mesh_construction import TriangleMesh
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.rays.first_hit import DOUBTFUL, Hits

# Float32 on a unit scene: one step past a hit must clear the rounding of origin and distance.
STEP = 8 * float(np.finfo(np.float32).eps)


class RestartCaster:
    """Finds crossings one after another, nearest first."""

    name = "embreex, restarted behind every hit"

    def __init__(
        self,
        positions: NDArray[Any],
        triangles: NDArray[np.int32],
        centre: Floats,
        scale: float,
    ) -> None:
        self._positions, self._triangles = positions, triangles
        self._centre, self._scale = centre, scale
        vertices = ((positions - centre) / scale).astype(np.float32)
        self._engine = rtcore_scene.EmbreeScene(robust=True)
        self._mesh = TriangleMesh(self._engine, vertices, triangles)

    def block(
        self, origin: Floats, direction: Floats, depth: Floats, reach: Floats
    ) -> tuple[NDArray[np.int64], Floats, NDArray[np.int32], NDArray[np.bool_]]:
        """Return (counts per ray, t, face, front) of all crossings, ascending within a ray."""
        alive = np.arange(len(origin))
        begin = -(depth / self._scale) - STEP
        found: list[tuple[NDArray[np.int64], NDArray[np.int32]]] = []
        while len(alive):
            start = (origin[alive] - self._centre) / self._scale
            start = start + begin[alive, None] * direction[alive]
            left = reach[alive] / self._scale + STEP - begin[alive]
            hit = self._engine.run(
                start.astype(np.float32),
                direction[alive].astype(np.float32),
                dists=left.astype(np.float32),
                output=True,
            )
            struck = hit["primID"] >= 0
            alive = alive[struck]
            found.append((alive, hit["primID"][struck].astype(np.int32)))
            begin[alive] += hit["tfar"][struck] + STEP
        ray = np.concatenate([f[0] for f in found])
        face = np.concatenate([f[1] for f in found])
        t, slope = self._plane_distance(origin[ray], direction[ray], face)
        inside = (t >= -depth[ray]) & (t <= reach[ray])
        ray, face, t, slope = ray[inside], face[inside], t[inside], slope[inside]
        order = np.lexsort((face, t, ray))
        counts = np.bincount(ray, minlength=len(origin)).astype(np.int64)
        return counts, t[order], face[order], (slope > 0)[order]

    def first(
        self, origin: Floats, direction: Floats, start: Floats, depth: float, out: Hits
    ) -> int:
        """Leave every ray to the table, which is this engine's only question."""
        out.face[:], out.t[:] = DOUBTFUL, np.nan
        return len(out.face)

    def _plane_distance(
        self, origin: Floats, direction: Floats, face: NDArray[np.int32]
    ) -> tuple[Floats, Floats]:
        corners = self._positions[self._triangles[face]].astype(np.float64)
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        slope = np.einsum("ij,ij->i", normal, direction)
        height = np.einsum("ij,ij->i", normal, corners[:, 0] - origin)
        t = np.divide(height, slope, out=np.full(len(face), np.inf), where=slope != 0)
        return t, slope
