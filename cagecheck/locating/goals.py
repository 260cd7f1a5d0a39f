"""The surface that belongs to each texel, whatever offset a bake had.

What belongs where is asked crossing by crossing (`cagecheck.defects.targets`), which is dear. Of a
block of texels every third one each way is asked so. A texel between them takes the outermost
surface in reach where that lies as theirs does: on the same high part, seen from its front, and no
steeper to each of them than surface mostly is. Where another surface lies above, and the texels
around have the same one above them, it takes what lies below. All others are asked in full.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.match import DEEP_SEARCH
from cagecheck.loops import njit
from cagecheck.maps.texels import TexelPoints
from cagecheck.meshes.facets import unit_normal
from cagecheck.predicting.maps.bake import Baker
from cagecheck.rays.cage import Rays
from cagecheck.rays.points import SurfacePoints

# Surface that belongs to a texel lies at most this many cage distances above the low poly, and this
# many depths below it (as everywhere, see `cagecheck.defects.match`).
TARGET_SHARE, DEPTH_SHARE = 3.0, DEEP_SEARCH
# Every so many texels each way are asked in full. Smaller blocks are asked so altogether: what they
# hold says little about what lies between.
LATTICE, LEAST_BLOCK = 3, 2000
# Slope (60 degrees) between a texel and those around it, up to which one surface is taken for one.
STEEPEST = float(np.tan(np.radians(60.0)))
# Texels of the lattice must lie as near on the surface as in the picture, to a factor that even
# slanted triangles keep: otherwise a seam lies between.
NEAREST_STEPS = 4.0
# What is asked in full has the lattice of its own and the next cells of so many texels beside it.
CELL = 8
# Of the four around, so many must be known.
LEAST_AROUND = 2


@dataclass(frozen=True, eq=False)
class Goals:
    """The layer that belongs to each of N texels.

    face : (N,) int32 high triangle, -1 for none; t : (N,) its height above the low poly, NaN;
    front : (N,) bool, it faces outward (True for none).
    """

    face: Ints
    t: Floats
    front: NDArray[np.bool_]

    def take(self, rows: NDArray[np.int64]) -> Goals:
        """Return those of some texels."""
        return Goals(self.face[rows], self.t[rows], self.front[rows])

    def of(self, rows: NDArray[np.bool_]) -> Goals:
        """Return the same with what is known of some texels only."""
        return Goals(
            np.where(rows, self.face, np.int32(-1)), np.where(rows, self.t, np.nan), self.front
        )

    def put(self, rows: NDArray[np.int64], found: Goals) -> None:
        """Take those of some texels from another record."""
        self.face[rows], self.t[rows], self.front[rows] = found.face, found.t, found.front


def some_rays(rays: Rays, rows: NDArray[np.int64]) -> Rays:
    """Return the rays of some texels."""
    return Rays(rays.origin[rows], rays.direction[rows], rays.start[rows])


def _reach(rays: Rays, target_depth: float, target_reach: float) -> Floats:
    high = np.maximum(np.maximum(rays.start, 0.0) * TARGET_SHARE, target_depth)
    return np.minimum(high, target_reach)


def find_goals(
    baker: Baker,
    points: SurfacePoints,
    rays: Rays,
    target_depth: float,
    target_reach: float = np.inf,
) -> Goals:
    """Return the layer that belongs to each texel, whatever offset the bake had.

    Only surface about as near as a bake looks can belong; the far side of the body cannot.
    """
    high = _reach(rays, target_depth, target_reach)
    cast = baker.matcher.match(points, rays, target_depth, high)
    face = np.append(cast.layers.face, np.int32(-1))[cast.targets.layer]
    front = cast.targets.front | (face < 0)
    return Goals(face.astype(np.int32), cast.targets.t, front)


def block_goals(
    baker: Baker, block: TexelPoints, rays: Rays, target_depth: float, target_reach: float
) -> Goals:
    """Return the layer that belongs to each texel of a block, see above."""
    points = block.points
    n = len(points)
    lattice = (block.x % LATTICE == LATTICE // 2) & (block.y % LATTICE == LATTICE // 2)
    known = np.flatnonzero(lattice)
    if n < LEAST_BLOCK or len(known) == 0:
        return find_goals(baker, points, rays, target_depth, target_reach)

    def in_full(rows: NDArray[np.int64]) -> Goals:
        return find_goals(
            baker, points.take(rows), some_rays(rays, rows), target_depth, target_reach
        )

    goal = Goals(np.full(n, -1, np.int32), np.full(n, np.nan), np.ones(n, bool))
    goal.put(known, in_full(known))
    picture = _Picture(baker, block, rays, _index_of(block))
    high = _reach(rays, target_depth, target_reach)
    outer = Goals(np.empty(n, np.int32), np.empty(n), np.ones(n, bool))
    outer.put(np.arange(n), _hits(baker, rays, np.arange(n), high, target_depth))
    rows = np.flatnonzero(~lattice)
    here = picture.between(rows, goal)
    sure = rows[picture.as_around(rows, here, outer)]
    goal.put(sure, outer.take(sure))
    open_still = ~lattice
    open_still[sure] = False
    # Where something lies above that is no goal of the texels around either, one looks below it.
    covered = open_still & np.isfinite(outer.t)
    rows = np.flatnonzero(covered)
    above = picture.between(rows, outer.of(lattice))
    rows = rows[picture.as_around(rows, above, outer, either_side=True)]
    here = picture.between(rows, goal)
    rows, here = rows[here.part >= 0], here.take(here.part >= 0)
    below = Goals(outer.face.copy(), outer.t.copy(), outer.front.copy())
    below.put(rows, _hits(baker, rays, rows, np.minimum(here.most, high[rows]), target_depth))
    sure = rows[picture.as_around(rows, here, below)]
    goal.put(sure, below.take(sure))
    open_still[sure] = False
    rest = np.flatnonzero(open_still)
    if len(rest):
        # Beside the lattice, since what is in doubt is settled by the texels around.
        chosen = np.flatnonzero(open_still | (lattice & _near(block, rest)))
        goal.put(rest, in_full(chosen).take(np.searchsorted(chosen, rest)))
    return goal


def _hits(baker: Baker, rays: Rays, rows: NDArray[np.int64], start: Floats, depth: float) -> Goals:
    """Return the outermost surface from `start` on of some rays."""
    hits = baker.scene.first_hits(rays.origin[rows], rays.direction[rows], start, depth)
    return Goals(hits.face, np.where(hits.face >= 0, hits.t, np.nan), np.ones(len(rows), bool))


def _near(block: TexelPoints, rows: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell the texels of a block that lie in or beside a cell of the picture with one of `rows`."""
    x, y = block.x // CELL - block.x.min() // CELL, block.y // CELL - block.y.min() // CELL
    cells = np.zeros((int(y.max()) + 1, int(x.max()) + 1), bool)
    cells[y[rows], x[rows]] = True
    near: NDArray[np.bool_] = binary_dilation(cells, np.ones((3, 3), bool))[y, x]
    return near


@dataclass(frozen=True, eq=False)
class _Between:
    """What the lattice leaves each of M texels: a range of heights, and the high part.

    part is -1 where it leaves nothing.
    """

    least: Floats
    most: Floats
    part: NDArray[np.int64]

    def take(self, rows: NDArray[np.bool_]) -> _Between:
        return _Between(self.least[rows], self.most[rows], self.part[rows])


@dataclass(frozen=True, eq=False)
class _Picture:
    """A block as a picture, with its rays."""

    baker: Baker
    block: TexelPoints
    rays: Rays
    index: NDArray[np.int32]

    def between(self, rows: NDArray[np.int64], lattice: Goals) -> _Between:
        """Return what the lattice's surface leaves the texels at `rows`."""
        part = np.full(len(lattice.face), -1, np.int64)
        found = lattice.face >= 0
        part[found] = self.baker.scene.surface.triangle_part[lattice.face[found]]
        out = _Between(np.empty(len(rows)), np.empty(len(rows)), np.empty(len(rows), np.int64))
        points = self.block.points
        _around(
            self.index, self.block.x, self.block.y, rows, self.rays.origin, points.spacing,
            self.baker.low.triangle_part[points.triangle], part, lattice.t, lattice.front,
            out.least, out.most, out.part,
        )  # fmt: skip
        return out

    def as_around(
        self,
        rows: NDArray[np.int64],
        here: _Between,
        hits: Goals,
        *,
        either_side: bool = False,
    ) -> NDArray[np.bool_]:
        """Tell at which `rows` the hits of a block lie as the surface around.

        either_side : they may show their backs, too, as where a reach ends within another part.
        """
        surface, same = self.baker.scene.surface, np.empty(len(rows), np.bool_)
        _as_around(
            surface.positions, surface.triangles, surface.triangle_part, hits.face, hits.t,
            self.rays.direction, rows, here.least, here.most, here.part,
            either_side, same,
        )  # fmt: skip
        return same


def _index_of(block: TexelPoints) -> NDArray[np.int32]:
    """Return the block's picture of rows, -1 off the low poly, with a rim of two lattice steps."""
    rim = 2 * LATTICE
    left, top = int(block.x.min()), int(block.y.min())
    shape = (int(block.y.max()) - top + 1 + 2 * rim, int(block.x.max()) - left + 1 + 2 * rim)
    index = np.full(shape, -1, np.int32)
    index[block.y - top + rim, block.x - left + rim] = np.arange(len(block), dtype=np.int32)
    return index


@njit(cache=True, nogil=True)
def _around(
    index: NDArray[np.int32],
    x: Ints,
    y: Ints,
    rows: NDArray[np.int64],
    origin: Floats,
    spacing: Floats,
    low_part: Ints,
    part: NDArray[np.int64],
    t: Floats,
    front: NDArray[np.bool_],
    least: Floats,
    most: Floats,
    of_part: NDArray[np.int64],
) -> None:
    """Fill the range of heights that the lattice around leaves each texel, and the high part.

    of_part is -1 where it leaves none.
    """
    rim, middle = 2 * LATTICE, LATTICE // 2
    left, top = x.min(), y.min()
    for k in range(len(rows)):
        i = rows[k]
        least[k], most[k], of_part[k] = -np.inf, np.inf, -1
        over, down = (x[i] - middle) % LATTICE, (y[i] - middle) % LATTICE
        seen, agree = 0, True
        for dy in (-down, LATTICE - down):
            for dx in (-over, LATTICE - over):
                if (dx == LATTICE and over == 0) or (dy == LATTICE and down == 0):
                    continue
                j = index[y[i] - top + rim + dy, x[i] - left + rim + dx]
                if j < 0 or low_part[j] != low_part[i]:
                    continue
                away = 0.0
                for c in range(3):
                    away += (origin[i, c] - origin[j, c]) ** 2
                away = np.sqrt(away)
                steps = max(abs(dx), abs(dy))
                if part[j] < 0 or not front[j] or (seen > 0 and part[j] != of_part[k]):
                    agree = False
                if away > NEAREST_STEPS * steps * spacing[i]:
                    continue
                seen += 1
                of_part[k] = part[j]
                least[k] = max(least[k], t[j] - STEEPEST * away)
                most[k] = min(most[k], t[j] + STEEPEST * away)
        if not agree or seen < LEAST_AROUND:
            of_part[k] = -1


@njit(cache=True, nogil=True)
def _as_around(
    positions: NDArray[Any],
    triangles: NDArray[Any],
    triangle_part: Ints,
    face: Ints,
    t: Floats,
    direction: Floats,
    rows: NDArray[np.int64],
    least: Floats,
    most: Floats,
    of_part: NDArray[np.int64],
    either_side: bool,
    same: NDArray[np.bool_],
) -> None:
    """Tell which hits lie as the surface around does, and show their front where asked."""
    for k in range(len(rows)):
        i = rows[k]
        f = face[i]
        same[k] = False
        if f < 0 or triangle_part[f] != of_part[k] or not least[k] <= t[i] <= most[k]:
            continue
        if either_side:
            same[k] = True
            continue
        nx, ny, nz = unit_normal(positions, triangles, f)
        same[k] = nx * direction[i, 0] + ny * direction[i, 1] + nz * direction[i, 2] > 0
