"""Inside and outside of a high poly, by counting crossings along lines.

Along a half-line from a point, crossings count +1 where it leaves a surface through its front and
-1 where it enters; the mean over all directions is the generalised winding number of the point
(Jacobson, Kavan, Sorkine-Hornung, "Robust Inside-Outside Segmentation using Generalized Winding
Numbers", ACM Transactions on Graphics 32(4), 2013): 1 inside of something closed, 0 outside, in
between near openings. The fast winding number (Barill et al., "Fast Winding Numbers for Soups and
Clouds", ACM Transactions on Graphics 37(4), 2018) is the same number from a tree of its own; lines
need none besides the ray scene. For closed pieces every line gives it exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.loops import njit
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.pieces import scattered
from cagecheck.rays.layers import Layers

# Lines through each point, both ways: 32 directions over the sphere. Where the first half agree,
# as they do wherever everything around is closed, the others are not asked.
LINES, FIRST_LINES = 16, 8
# Points asked for each part when it is told whether it faces outward.
ASKED_PER_PART = 64
# A part faces outward where the mean of its winding numbers before and behind its surface is above
# a half of what a closed piece has (1), inside out below minus that; a sheet has 0.
CLOSED_ENOUGH = 0.5
# Crossings nearer than this (unit scene) are the point's own surface, met in float32.
OWN_SURFACE = 64 * float(np.finfo(np.float32).eps)
# Points cast at once: bounds the memory of all their crossings.
BLOCK = 8192


class Scene(Protocol):
    """What lines are cast at: `cagecheck.rays.scene.Scene`, which asks for its own orientation."""

    surface: Surface
    scale: float

    def cast(
        self, origin: Floats, direction: Floats, depth: Floats | float, reach: Floats | float
    ) -> Layers:
        """Return every crossing with ``-depth <= t <= reach``."""
        ...


@dataclass(frozen=True, eq=False)
class Surrounded:
    """How M points of a surface are surrounded.

    winding : (M,) float64, winding number at the surface itself, without its own crossing: half a
        turn above the number before it and half below the one behind it, where it faces outward.
    open : (M,) bool, some half-line on the front of the surface meets nothing.
    """

    winding: Floats
    open: NDArray[np.bool_]


def surrounded(scene: Scene, place: Floats, face: Ints, counted: NDArray[np.bool_]) -> Surrounded:
    """Tell how points on triangles of the scene are surrounded by it.

    Parameters
    ----------
    place : (M, 3) world, on the triangles `face` (M,).
    counted : (parts, parts) bool: row p, the parts that surround points of part p.
    """
    lines = sphere_lines(LINES)
    # Every second one: spread over half a sphere, as all are.
    first = np.arange(LINES) % (LINES // FIRST_LINES) == 0
    winding, is_open, agree = _along(scene, place, face, counted, lines[first])
    # What lies on a sheet is not sure by that, unless a way out was found.
    on_sheet = winding == np.round(winding)
    rest = np.flatnonzero(~agree | (on_sheet & ~is_open))
    if len(rest):
        more, is_open_too, _ = _along(scene, place[rest], face[rest], counted, lines[~first])
        share = FIRST_LINES / LINES
        winding[rest] = share * winding[rest] + (1.0 - share) * more
        is_open[rest] |= is_open_too
    return Surrounded(winding, is_open)


def _along(
    scene: Scene, place: Floats, face: Ints, counted: NDArray[np.bool_], lines: Floats
) -> tuple[Floats, NDArray[np.bool_], NDArray[np.bool_]]:
    """Return winding and openness along some lines, and where all lines give the same winding."""
    m = len(face)
    winding, is_open, agree = np.zeros(m), np.zeros(m, bool), np.ones(m, bool)
    surface = scene.surface
    corner = surface.positions[surface.triangles[face]].astype(np.float64)
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    far = 4.0 * scene.scale  # longer than the diagonal of the scene's cube
    for a in range(0, m, BLOCK):
        here = slice(a, min(a + BLOCK, m))
        count = here.stop - a
        origin = np.repeat(place[here], len(lines), axis=0)
        direction = np.tile(lines, (count, 1))
        layers = scene.cast(origin, direction, far, far)
        _count(
            layers.first, layers.t, layers.face, layers.front, face[here], surface.triangle_part,
            counted, normal[here], lines, OWN_SURFACE * scene.scale, winding[here], is_open[here],
            agree[here],
        )  # fmt: skip
    return winding, is_open, agree


def orientation(scene: Scene, *, seed: int = 0) -> NDArray[np.int8]:
    """Return (parts,): 1 faces outward, -1 inside out, 0 neither can be told (a sheet, no area).

    Each part by itself, by the winding numbers at `ASKED_PER_PART` of its points.
    """
    surface = scene.surface
    parts = len(surface.part_names)
    rng = np.random.default_rng([seed, 3])
    asked, face, place = scattered(
        surface.positions, surface.triangles, surface.triangle_part, parts, ASKED_PER_PART, rng
    )
    found = surrounded(scene, place, face, np.eye(parts, dtype=bool))
    mean = 2.0 * found.winding.reshape(len(asked), ASKED_PER_PART).mean(axis=1)
    out = np.zeros(parts, np.int8)
    out[asked] = (mean > CLOSED_ENOUGH).astype(np.int8) - (mean < -CLOSED_ENOUGH).astype(np.int8)
    return out


def sphere_lines(count: int) -> Floats:
    """Return (count, 3) unit directions, spread evenly over half a sphere.

    The spherical Fibonacci points (Gonzalez, "Measurement of Areas on a Sphere Using Fibonacci and
    Latitude-Longitude Lattices", Mathematical Geosciences 42, 2010), turned off the axes, along
    which modelled faces lie.
    """
    k = np.arange(count)
    z = (k + 0.5) / count
    turn = k * np.pi * (3.0 - np.sqrt(5.0))
    r = np.sqrt(1.0 - z * z)
    out = np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=1)
    a, b = 0.6, 0.35  # radians: any that leave no direction on an axis or a diagonal
    around_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    around_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    turned: Floats = out @ (around_y @ around_x).T
    return turned


@njit(cache=True, nogil=True)
def _count(
    first: NDArray[np.int64],
    t: Floats,
    hit: NDArray[np.int32],
    front: NDArray[np.bool_],
    face: NDArray[np.int32],
    part: NDArray[np.int32],
    counted: NDArray[np.bool_],
    normal: Floats,
    lines: Floats,
    own: float,
    winding: Floats,
    is_open: NDArray[np.bool_],
    agree: NDArray[np.bool_],
) -> None:
    for m in range(len(face)):
        total, before = 0, 0
        for line in range(len(lines)):
            ray = m * len(lines) + line
            ahead, behind = 0, 0
            for k in range(first[ray], first[ray + 1]):
                if hit[k] == face[m] or abs(t[k]) <= own:
                    continue
                if not counted[part[face[m]], part[hit[k]]]:
                    continue
                leaves = front[k] == (t[k] > 0.0)
                total += 1 if leaves else -1
                if t[k] > 0.0:
                    ahead += 1
                else:
                    behind += 1
            side = 0.0
            for k in range(3):
                side += normal[m, k] * lines[line, k]
            if (side > 0.0 and ahead == 0) or (side < 0.0 and behind == 0):
                is_open[m] = True
            if line == 0:
                before = total
            elif total != before * (line + 1):
                agree[m] = False
        winding[m] = total / (2.0 * len(lines))
