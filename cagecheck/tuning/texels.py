"""Offsets that hold at the centre of every texel that will be baked.

A bake asks for one ray per texel, so the promise that matters to it is about these rays. There may
be hundreds of millions of them; solving needs far fewer. Some, evenly spread, are samples from the
start. Then all are cast through the cage, a portion at a time, and those that come out wrong become
samples as well, until none does or no offsets can help. What is kept is a count per triangle, and
only triangles whose offsets have changed are cast again: memory does not grow with the maps.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.errors import InputError
from cagecheck.maps.texels import texel_blocks
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.predicting.predict import texel_tiles
from cagecheck.predicting.settings import Settings
from cagecheck.rays.points import PointKind, SurfacePoints, join_points, sample_points
from cagecheck.tuning.search import Cast, Search

Mask = NDArray[np.bool_]

# Texels cast at a time: about a gigabyte of layers and targets on dense scenes.
PORTION = 500_000
# Triangles so many edges around a changed or wrong one are cast with it: neighbours settle
# doubtful targets among them, and what is right there has to stay so.
RINGS = 3
# About so many wrong texels at most, and as many right ones around them, are kept for mending;
# evenly fewer of more. The next look sees all of them again.
MOST_KEPT = 250_000


@dataclass(frozen=True)
class TexelCheck:
    """What casting every texel centre through the tuned cage shows.

    Attributes
    ----------
    size : int
        The maps are `size` x `size` texels.
    tiles : int
        How many maps.
    count : int
        Covered texels of all maps, every one of which was cast.
    stride : int
        Every `stride`-th texel across and down was a sample from the start.
    start : int
        How many those were in all.
    added : int
        Texels that became samples since they came out wrong.
    open : int
        Texels that still miss or overshoot though corridors would allow better.
    conflicting : int
        Wrong texels that no offsets near these serve together with the others.
    too_deep : int
        Texels whose surface lies deeper than rays look.
    deepest : float
        How far below the low poly the deepest surface of a texel lies, world units.
    """

    size: int
    tiles: int
    count: int
    stride: int
    start: int
    added: int
    open: int
    conflicting: int
    too_deep: int
    deepest: float

    @property
    def clean(self) -> bool:
        """True when no texel misses or overshoots."""
        return self.open == self.conflicting == self.too_deep == 0


@dataclass(eq=False)
class TexelWatch:
    """The texels of a low poly's maps, and what the last look at each triangle's showed.

    Attributes
    ----------
    size : the maps are `size` x `size` texels; tiles : their UDIM numbers, ascending.
    stride, start : as in `TexelCheck`, known once `starting_points` was asked.
    covered : (T,) int64, texels of every triangle.
    short_or_beyond, lost, deep : (T,) int64 of these, wrong ones that some offset serves; wrong
        ones that none does; ones deeper than the depth. deepest : (T,) float64.
    seen : (T, 3) float64, the offsets of the corners at the last look.
    """

    low: LowPoly
    size: int
    stride: int = 1
    start: int = 0
    covered: NDArray[np.int64] = field(init=False)
    short_or_beyond: NDArray[np.int64] = field(init=False)
    lost: NDArray[np.int64] = field(init=False)
    deep: NDArray[np.int64] = field(init=False)
    deepest: Floats = field(init=False)
    seen: Floats = field(init=False)

    def __post_init__(self) -> None:
        """Count the texels of every triangle.

        Raises `InputError` when no UVs of the low poly lie on a tile, or none holds the centre of a
        texel.
        """
        count = len(self.low.triangles)
        self.tiles = texel_tiles(self.low)
        self.covered = np.zeros(count, np.int64)
        for points in self._points(np.ones(count, bool)):
            self.covered += np.bincount(points.triangle, minlength=count)
        if not self.covered.any():
            source = self.low.mesh.source
            raise InputError(
                f"the UVs of the low poly hold no texel centre of a {self.size} x {self.size} map.",
                file=source.path if source else None,
                cure="Scale the UVs up, or pass a larger size to `texels`.",
            )
        self.short_or_beyond, self.lost, self.deep = np.zeros((3, count), np.int64)
        self.deepest = np.zeros(count)
        self.seen = np.full((count, 3), np.nan)

    def starting_points(self, settings: Settings) -> SurfacePoints:
        """Return about ``settings.samples`` texels, evenly spread, and the edges and vertices."""
        count = int(self.covered.sum())
        self.stride = max(int(np.ceil(np.sqrt(count / max(settings.samples, 1)))), 1)
        every = np.ones(len(self.low.triangles), bool)
        # A wide stride may pass over all texels of few small islands.
        texels = join_points([_NO_POINTS, *self._points(every, self.stride)])
        self.start = len(texels)
        share = max(self.start, 1)
        spacing = float(np.sqrt(self.low.area.sum() / share))
        others = sample_points(self.low, spacing, seed=settings.seed)
        return join_points([texels, others.take(others.kind != PointKind.INTERIOR)])

    def look(self, search: Search) -> tuple[SurfacePoints, Mask]:
        """Cast what has changed; return texels around the open ones, and (N,) bool which are open.

        No texels where none is open.
        """
        self._cast_changed(search)
        return self._gathered(search, (self.short_or_beyond > 0) & ~search.conflict)

    def _cast_changed(self, search: Search) -> None:
        """Cast the texels of triangles whose offsets are not those of the last look."""
        offsets = search.offsets[self.low.welded]
        changed = (offsets != self.seen).any(axis=1) & (self.covered > 0)
        if not changed.any():
            return
        for counts in (self.short_or_beyond, self.lost, self.deep, self.deepest):
            counts[changed] = 0
        around = self._around(changed)
        done, total = 0, int(self.covered[around].sum())
        for points in self._portions(around):
            search.progress("checking texels", done, total)
            done += len(points)
            self._count(search.cast(points), changed, search.settings.depth)
        self.seen = offsets

    def result(self, search: Search) -> TexelCheck:
        """Return what casting shows of the offsets that the search has ended with."""
        self._cast_changed(search)
        open_ = int(self.short_or_beyond[~search.conflict].sum())
        search.progress("checking texels", 1, 1)
        return TexelCheck(
            size=self.size,
            tiles=len(self.tiles),
            count=int(self.covered.sum()),
            stride=self.stride,
            start=self.start,
            added=_different_texels(search.points) - self.start,
            open=open_,
            conflicting=int(self.short_or_beyond.sum() + self.lost.sum()) - open_,
            too_deep=int(self.deep.sum()),
            deepest=float(self.deepest.max(initial=0.0)),
        )

    def at_depth(
        self, search: Search, check: TexelCheck, depth: float, limit: float
    ) -> tuple[float, TexelCheck]:
        """Return a depth that texels ask for up to a limit, and the check as it shows them."""
        need = self.deepest + search.margin
        depth = max(depth, float(need[need <= limit].max(initial=0.0)))
        deeper, count = self.deepest > depth, 0
        for points in self._portions(self._around(deeper) & (self.covered > 0)):
            targets = search.cast(points).targets
            with np.errstate(invalid="ignore"):
                below = targets.found & (-targets.t > depth)
            count += int((below & deeper[points.triangle]).sum())
        return depth, replace(check, too_deep=count)

    def _count(self, cast: Cast, changed: Mask, depth: float | None) -> None:
        triangle, count = cast.points.triangle, len(self.low.triangles)
        mine = changed[triangle]

        def per_triangle(which: Mask) -> NDArray[np.int64]:
            return np.bincount(triangle[mine & which], minlength=count)

        self.short_or_beyond += per_triangle(cast.wrong & ~cast.clash)
        self.lost += per_triangle(cast.wrong & cast.clash)
        below = np.where(cast.targets.found, -cast.targets.t, 0.0)
        assert depth is not None
        self.deep += per_triangle(below > depth)
        np.maximum.at(self.deepest, triangle[mine], below[mine])

    def _around(self, triangles: Mask) -> Mask:
        """Return (T,) bool: the triangles and those up to `RINGS` around them."""
        welded = self.low.welded
        for _ in range(RINGS):
            corner = np.zeros(self.low.position_count, bool)
            corner[welded[triangles]] = True
            triangles = np.any(corner[welded], axis=1)
        return triangles

    def _points(self, chosen: Mask, stride: int = 1) -> Iterator[SurfacePoints]:
        """Yield the texels of chosen triangles, block by block; every `stride`-th each way."""
        for tile in self.tiles:
            for block in texel_blocks(self.low, self.size, tile):
                keep = chosen[block.points.triangle]
                if stride > 1:
                    middle = stride // 2
                    keep &= (block.x % stride == middle) & (block.y % stride == middle)
                if not keep.any():
                    continue
                points = block.points if keep.all() else block.points.take(keep)
                yield points if stride == 1 else standing_for(points, stride**2)

    def _portions(self, chosen: Mask) -> Iterator[SurfacePoints]:
        """Yield the same in portions of about `PORTION` texels."""
        held: list[SurfacePoints] = []
        for points in self._points(chosen):
            held.append(points)
            if sum(map(len, held)) >= PORTION:
                yield join_points(held)
                held = []
        if held:
            yield join_points(held)

    def _gathered(self, search: Search, open_triangle: Mask) -> tuple[SurfacePoints, Mask]:
        """Return the texels around open ones, and which are open; evenly fewer if too many."""
        if not open_triangle.any():
            return _NO_POINTS, np.zeros(0, bool)
        near = self._around(open_triangle)
        every = -(-int(self.covered[near].sum()) // MOST_KEPT)
        few = -(-int(self.short_or_beyond[open_triangle].sum()) // MOST_KEPT)
        found = []
        for points in self._portions(near):
            wrong = search.open_samples(search.cast(points))
            right = np.flatnonzero(~wrong)[::every]
            rows = np.sort(np.concatenate([np.flatnonzero(wrong)[::few], right]))
            found.append((points.take(rows), wrong[rows]))
        return join_points([p for p, _ in found]), np.concatenate([w for _, w in found])


_NO_POINTS = SurfacePoints(
    np.zeros(0, np.int32), np.zeros((0, 3)), np.zeros(0), np.zeros(0, np.uint8), np.zeros(0)
)


def _different_texels(points: SurfacePoints) -> int:
    """Count the texels among points once each: those that stay wrong are added at every look."""
    texels = points.take(points.kind == PointKind.TEXEL)
    return len(np.unique(np.column_stack([texels.triangle, texels.barycentric]), axis=0))


def standing_for(points: SurfacePoints, count: int) -> SurfacePoints:
    """Return points that stand for `count` times the area."""
    return SurfacePoints(
        points.triangle,
        points.barycentric,
        points.area * count,
        points.kind,
        points.spacing * float(np.sqrt(count)),
    )
