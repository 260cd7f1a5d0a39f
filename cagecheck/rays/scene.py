"""Casting: the high poly as a scene, and the layer table of rays through it."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import even_block, usable_cores
from cagecheck.arrays.box import box_of
from cagecheck.arrays.types import Floats
from cagecheck.errors import InputError, takes
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.pieces import connected_pieces
from cagecheck.meshes.surface_edges import site_numbers
from cagecheck.progress import Progress, silent
from cagecheck.rays.engine import load_embree
from cagecheck.rays.first_hit import DOUBTFUL, MISSED, Hits
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.native_caster import NativeCaster
from cagecheck.rays.tree_caster import TreeCaster
from cagecheck.rays.winding import orientation
from cagecheck.words.numbers import count_text

# Rays per task: enough to hide Python's share, few enough to balance two threads and to keep a
# task's buffers in cache. 65,536 measured as fast as four times as many.
BLOCK = 65_536
# Fewer rays than this take about as long as it takes to begin a thread.
_LEAST_BLOCK = 4096
# Blocks that are put together while the next ones are cast.
_JOINED = 16

# Counts per ray; t, face, front of all crossings.
_Block = tuple[NDArray[np.int64], Floats, NDArray[np.int32], NDArray[np.bool_]]
_NO_RAYS: _Block = np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int32), np.zeros(0, bool)


class LayerCaster(Protocol):
    """What casts a block of rays: the native engine or the slower one."""

    name: str

    def block(self, origin: Floats, direction: Floats, depth: Floats, reach: Floats) -> _Block:
        """Return (counts per ray, t, face, front) of all crossings, ascending within a ray."""
        ...

    def first(
        self, origin: Floats, direction: Floats, start: Floats, depth: float, out: Hits
    ) -> int:
        """Write what rays record into `out`; return how many rays it leaves `DOUBTFUL`."""
        ...


class Scene:
    """A high poly to cast rays at, built once.

    The scene is moved to its own centre and scaled to unit size for traversal in float32; hit
    distances are computed again in float64 from the hit triangle.

    Parameters
    ----------
    surface : Surface
        The triangles; must have at least one.
    threads : int, optional
        How many threads cast; all cores by default.

    Attributes
    ----------
    engine : str
        Name of the ray engine in use, for results.
    scale : float
        Length of the surface's bounding box's longest side, world units.

    Raises
    ------
    InputError
        The surface has no triangles, or an index points outside its vertices.
    """

    @takes(surface=Surface)
    def __init__(self, surface: Surface, *, threads: int | None = None) -> None:
        if surface.triangle_count == 0:
            raise InputError(
                "the high poly has no triangles.",
                file=surface.source.path if surface.source else None,
                cure="Check the export.",
            )
        self.surface = surface
        self.threads = threads or usable_cores()
        self.triangles = np.ascontiguousarray(surface.triangles).view(np.int32)
        top = int(self.triangles.view(np.uint32).max())
        if top >= len(surface.positions):
            raise InputError(
                f"a triangle uses vertex {count_text(top)}, but there are "
                f"{count_text(len(surface.positions))}.",
                file=surface.source.path if surface.source else None,
                cure="The file is damaged; export it again.",
            )
        low, high = box_of(surface.positions)
        self.centre: Floats = 0.5 * (low + high)
        self.scale = float((high - low).max()) or 1.0
        self._caster = _make_caster(self)
        self.engine = self._caster.name

    @cached_property
    def orientation(self) -> NDArray[np.int8]:
        """(parts,) int8: 1 faces outward, -1 inside out, 0 where it cannot be told."""
        return orientation(self)

    @cached_property
    def sites(self) -> NDArray[np.int32]:
        """(V,) int32 numbers of the vertices' places, equal for vertices at one place."""
        return site_numbers(self.surface)

    @cached_property
    def pieces(self) -> tuple[NDArray[np.int32], int]:
        """(F,) int32, the connected piece of its part that every triangle is of; how many."""
        surface = self.surface
        corners = self.sites[surface.triangles]
        return connected_pieces(corners, surface.triangle_part)

    def __repr__(self) -> str:
        return f"<Scene of {self.surface!r}, engine {self.engine}>"

    def cast(
        self,
        origin: Floats,
        direction: Floats,
        depth: Floats | float,
        reach: Floats | float,
        *,
        progress: Progress = silent,
        stage: str = "casting rays",
    ) -> Layers:
        """Return every crossing with ``-depth <= t <= reach`` along N rays.

        Parameters
        ----------
        origin : (N, 3) float64
            World positions.
        direction : (N, 3) float64
            Unit vectors.
        depth, reach : (N,) float64 or float
            World units, 0 or more.
        progress : Progress, optional
            Called now and then with stage, done and total.
        stage : str, optional
            What `progress` calls the work.
        """
        n = len(origin)
        origin = np.ascontiguousarray(origin, np.float64)
        direction = np.ascontiguousarray(direction, np.float64)
        # A number for all rays takes no memory for each of them.
        depths = np.broadcast_to(np.asarray(depth, np.float64), (n,))
        reaches = np.broadcast_to(np.asarray(reach, np.float64), (n,))
        spans = _spans(n, self.threads)

        def work(span: slice) -> Any:
            ends = np.ascontiguousarray(depths[span]), np.ascontiguousarray(reaches[span])
            return self._caster.block(origin[span], direction[span], *ends)

        pieces: list[_Block] = []
        blocks: list[_Block] = []
        for block in _in_order(work, spans, self.threads, n, progress, stage):
            blocks.append(block)
            # What threads make lies in memory of their own, which nobody else gets once it is free.
            if len(blocks) == _JOINED:
                pieces.append(_joined(blocks))
        pieces += blocks
        blocks.clear()
        counts, t, face, front = _joined(pieces)
        first = np.zeros(n + 1, np.int64)
        np.cumsum(counts, out=first[1:])
        return Layers(first, t, face, front, depths, reaches)

    def first_hits(
        self,
        origin: Floats,
        direction: Floats,
        start: Floats,
        depth: float,
        *,
        progress: Progress = silent,
        stage: str = "casting rays",
    ) -> Hits:
        """Return what N rays record: the outermost crossing with ``-depth <= t <= start``.

        The same as ``cast(...).recorded(start)``, several times faster. Where two faces lie within
        float32 rounding of each other, either may be named.

        Parameters
        ----------
        origin, direction : (N, 3) float64
            As for `cast`.
        start : (N,) float64
            World units, negative below the origin.
        depth : float
            World units, the same for all rays.
        progress : Progress, optional
            Called now and then with stage, done and total.
        stage : str, optional
            What `progress` calls the work.
        """
        n = len(origin)
        origin = np.ascontiguousarray(origin, np.float64)
        direction = np.ascontiguousarray(direction, np.float64)
        start = np.ascontiguousarray(start, np.float64)
        hits = Hits(np.empty(n, np.int32), np.empty(n))
        spans = _spans(n, self.threads)

        def work(span: slice) -> int:
            out = Hits(hits.face[span], hits.t[span])
            return self._caster.first(origin[span], direction[span], start[span], depth, out)

        if sum(_in_order(work, spans, self.threads, n, progress, stage)):
            self._settle(origin, direction, start, depth, hits)
        return hits

    def _settle(
        self, origin: Floats, direction: Floats, start: Floats, depth: float, hits: Hits
    ) -> None:
        """Ask the layer table about the rays that are left in doubt."""
        doubtful = np.flatnonzero(hits.face == DOUBTFUL)
        begin = start[doubtful]
        layers = self.cast(origin[doubtful], direction[doubtful], depth, np.maximum(begin, 0.0))
        recorded = layers.recorded(begin)
        found = recorded != NO_LAYER
        hits.face[doubtful] = MISSED
        hits.face[doubtful[found]] = layers.face[recorded[found]]
        hits.t[doubtful[found]] = layers.t[recorded[found]]


def _spans(count: int, threads: int) -> list[slice]:
    """Return slices of 0 to `count`, `BLOCK` long at most, as many for every thread.

    Where there is more than one they are `_LEAST_BLOCK` long or longer.
    """
    size = even_block(count, BLOCK, threads)
    if threads > 1 and count > _LEAST_BLOCK:
        size = min(max(-(-count // threads), _LEAST_BLOCK), size)
    return [slice(a, min(a + size, count)) for a in range(0, count, size)]


def _joined(blocks: list[_Block]) -> _Block:
    """Return blocks put together. Their list is emptied, so that what is put together is let go."""
    columns = [list(column) for column in zip(_NO_RAYS, *blocks, strict=True)]
    blocks.clear()
    for column in columns:
        column[:] = [np.concatenate(column)]
    counts, t, face, front = (column[0] for column in columns)
    return counts, t, face, front


def _in_order(
    work: Callable[[slice], Any],
    spans: list[slice],
    threads: int,
    total: int,
    progress: Progress,
    stage: str,
) -> Any:
    if threads <= 1 or len(spans) <= 1:
        for span in spans:
            yield work(span)
            progress(stage, span.stop, total)
        return
    with ThreadPoolExecutor(threads) as pool:
        for span, result in zip(spans, pool.map(work, spans), strict=True):
            yield result
            progress(stage, span.stop, total)


def _make_caster(scene: Scene) -> LayerCaster:
    arrays = scene.surface.positions, scene.triangles, scene.centre, scene.scale
    library = load_embree()
    return TreeCaster(*arrays) if library is None else NativeCaster(library, *arrays)
