"""Predict what a bake through a cage puts into the maps of every tile.

Every texel centre (or every sub-texel) on the low poly sends the ray that a bake sends; what it
records is shaded and written down. Work streams through square blocks of texels on all cores, so
that memory holds one tile's finished maps and a few blocks, whatever the size of the map.

With supersampling the tangent-space (and world-space) normals of a texel's sub-texels are averaged
and made unit length; heights are averaged; the part is that of the first sub-texel that recorded
something, the material that of the first sub-texel.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.match import Matcher
from cagecheck.loops import njit
from cagecheck.maps.encode import BasisRule, Code, NormalNumbers, TangentBasis, tangent_basis
from cagecheck.maps.high_normals import HighNormals, HighShading, high_shading
from cagecheck.maps.texels import TexelPoints, texel_blocks, tiles_touched
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.predicting.maps import into_tile
from cagecheck.predicting.maps.into_tile import NO_ID, narrowest
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Along, Cage, Rays
from cagecheck.rays.first_hit import Hits
from cagecheck.rays.layers import Layers
from cagecheck.rays.points import SurfacePoints
from cagecheck.rays.scene import Scene

# Sub-texels along a block's edge: as many rays as the scene casts in one task (2^16), so that
# every block runs on one core and blocks share the cores between them.
BLOCK = 256


@dataclass(frozen=True)
class BakeRule:
    """How the bake is made.

    size : texels along the edge of a tile's map; supersample : 1, 4 or 16 sub-texels per texel.
    depth : how far below the low poly rays look, world units.
    along : see `rays_through`.
    normals : normals of the high poly: its ``file``'s own (``smooth`` where there are none),
        ``smooth`` (angle-weighted over position), ``area`` (weighted by area) or ``face``.
    basis : the tangent frames.
    apart : rays of a low part see only the high parts paired with it.
    """

    size: int = 2048
    supersample: int = 1
    depth: float = 0.0
    along: Along = "cage"
    normals: HighNormals = "file"
    basis: BasisRule = field(default_factory=BasisRule)
    apart: bool = False


@dataclass(frozen=True, eq=False)
class Recorded:
    """What N rays record.

    face : (N,) int32 high triangle, -1 for a miss; t : (N,) float64 height above the low poly,
    NaN for a miss; normal : (N,) x 3 float64 world normal, zero for a miss.
    """

    face: Ints
    t: Floats
    normal: Floats

    @property
    def hit(self) -> NDArray[np.bool_]:
        """(N,) bool, the ray recorded something."""
        return self.face >= 0


@dataclass(frozen=True, eq=False)
class TileBake:
    """The predicted bake of one tile, row 0 on top, before padding and without background.

    Attributes
    ----------
    tile, size : UDIM number and texels along the edge.
    covered : (H, W) bool, a sub-texel lies on the low poly.
    hit : (H, W) bool, one of them recorded something.
    tangent : (H, W, 3) float32 unit tangent-space normals, or the `numbers` that stand for them in
        a map; zero where nothing was recorded.
    world : the same in world space.
    height : (H, W) float32, world units above the low poly along the ray, NaN without a record.
    part : (H, W) high part that was recorded, -1 without a record; the narrowest signed integers.
    material : the same for the material of the low-poly face, -1 for none.
    overlaps : triangle-texel pairs that lost against an earlier triangle.
    numbers : which whole numbers `tangent` and `world` hold, None for unit normals. Green of
        `world` points up always.
    """

    tile: int
    size: int
    covered: NDArray[np.bool_]
    hit: NDArray[np.bool_]
    tangent: NDArray[Any] | None
    world: NDArray[Any] | None
    height: NDArray[np.float32] | None
    part: NDArray[np.signedinteger] | None
    material: NDArray[np.signedinteger] | None
    overlaps: int
    numbers: NormalNumbers | None = None

    @property
    def missed(self) -> NDArray[np.bool_]:
        """(H, W) bool, on the low poly but nothing was recorded."""
        return self.covered & ~self.hit


WHAT = ("tangent", "world", "height", "part", "material")


class Baker:
    """A bake that is set up once and then asked for tiles or for single points.

    Parameters
    ----------
    low, cage : the low poly (with UVs) and its cage; scene : the high poly.
    rule : see `BakeRule`.
    paired : (low parts, high parts) bool, needed where ``rule.apart``.
    shading, matcher : of the same scene, rule and low poly, for those who have them already.
    """

    def __init__(
        self,
        low: LowPoly,
        cage: Cage,
        scene: Scene,
        rule: BakeRule,
        *,
        paired: NDArray[np.bool_] | None = None,
        shading: HighShading | None = None,
        matcher: Matcher | None = None,
    ) -> None:
        self.low, self.cage, self.scene, self.rule = low, cage, scene, rule
        self.shading = shading or high_shading(scene.surface, rule.normals)
        every = np.ones((len(low.part_names), len(scene.surface.part_names)), bool)
        material = low.mesh.face_material
        if material is None:
            material = np.full(low.mesh.face_count, NO_ID, np.int32)
        self.material = material[low.cut.face]
        self.seen = paired if rule.apart and paired is not None else every
        self.matcher = matcher or Matcher(
            low, scene, every if paired is None else paired, rule.along, rule.apart
        )

    @cached_property
    def basis(self) -> TangentBasis:
        """The frames of the low poly, made when first asked for."""
        return tangent_basis(self.low, self.rule.basis)

    def record(self, points: SurfacePoints) -> tuple[Rays, Recorded]:
        """Return the rays of some points and what they record."""
        rays = self.matcher.rays(self.cage, points)
        depth = self.rule.depth
        hits = self.scene.first_hits(rays.origin, rays.direction, rays.start, depth)
        if not self.seen.all():
            self._look_past_unseen(points, rays, hits)
        normal = self.shading.along(hits.face, rays.origin, rays.direction, hits.t)
        return rays, Recorded(hits.face, hits.t, normal)

    def _look_past_unseen(self, points: SurfacePoints, rays: Rays, hits: Hits) -> None:
        """Put what rays see behind parts that are not theirs in the place of those."""
        low_part = self.low.triangle_part[points.triangle]
        high_part = self.scene.surface.triangle_part[hits.face]
        stopped = np.flatnonzero((hits.face >= 0) & ~self.seen[low_part, high_part])
        start = rays.start[stopped]
        layers = self.scene.cast(
            rays.origin[stopped], rays.direction[stopped], self.rule.depth, np.maximum(start, 0.0)
        )
        hits.face[stopped], hits.t[stopped] = self._outermost(points.take(stopped), layers, start)

    def recorded(
        self, points: SurfacePoints, rays: Rays, layers: Layers, start: Floats
    ) -> Recorded:
        """Return what rays that begin at `start` record, read off their layer table."""
        face, t = self._outermost(points, layers, start)
        normal = self.shading.along(face, rays.origin, rays.direction, t)
        return Recorded(face, t, normal)

    def _outermost(
        self, points: SurfacePoints, layers: Layers, start: Floats
    ) -> tuple[Ints, Floats]:
        n = len(points)
        face, t = np.empty(n, np.int32), np.empty(n)
        _outermost_seen(
            layers.first, layers.t, layers.face, self.scene.surface.triangle_part, self.seen,
            self.low.triangle_part[points.triangle], start, self.rule.depth, face, t,
        )  # fmt: skip
        return face, t

    def tile(
        self,
        tile: int,
        *,
        what: Iterable[str] = WHAT,
        numbers: NormalNumbers | None = None,
        progress: Progress = silent,
    ) -> TileBake:
        """Bake one tile.

        `what` names the fields of `TileBake` that are wanted. With `numbers`, normals are those of
        a map at once: what `quantised` makes of them, in a quarter or half of the memory.
        """
        wanted = set(what)
        out = self._empty_tile(tile, wanted, numbers)
        blocks = texel_blocks(
            self.low, self.rule.size, tile, supersample=self.rule.supersample, block=BLOCK
        )

        if "tangent" in wanted:
            _ = self.basis  # once, before several threads ask for it

        def work(block: TexelPoints) -> int:
            self._bake_block(block, out)
            return block.overlaps

        overlaps = 0
        across = {1: 1, 4: 2, 16: 4}[self.rule.supersample]
        total = _uv_texels(self.low, tile, self.rule.size * across)
        done = 0
        for block, late in on_all_cores(work, blocks, self.scene.threads):
            overlaps += late
            done += len(block)
            progress(f"baking tile {tile}", min(done, total), total)
        _fill_rest(out, self.scene.threads)
        progress(f"baking tile {tile}", total, total)
        return replace(out, overlaps=overlaps)

    def _empty_tile(self, tile: int, wanted: set[str], numbers: NormalNumbers | None) -> TileBake:
        """Return a tile of zeros; `_fill_rest` makes the end of it."""
        shape = (self.rule.size, self.rule.size)

        def zeros(name: str, kind: Any, *more: int) -> Any:
            return np.zeros((*shape, *more), kind) if name in wanted else None

        def ids(name: str, owned: Ints) -> Any:
            return zeros(name, narrowest(owned.max(initial=NO_ID))) if name in wanted else None

        normals = np.float32 if numbers is None else numbers.dtype
        return TileBake(
            tile=tile,
            size=self.rule.size,
            covered=np.zeros(shape, bool),
            hit=np.zeros(shape, bool),
            tangent=zeros("tangent", normals, 3),
            world=zeros("world", normals, 3),
            height=zeros("height", np.float32),
            part=ids("part", self.scene.surface.triangle_part),
            material=ids("material", self.material),
            overlaps=0,
            numbers=numbers,
        )

    def _bake_block(self, block: TexelPoints, out: TileBake) -> None:
        points, x, y = block.points, block.x, block.y
        _, seen = self.record(points)
        into_tile.mark(x, y, seen.face, out.covered, out.hit)
        one = self.rule.supersample == 1
        put_normals = into_tile.put_normals if one else into_tile.put_mean_normals
        put_numbers = into_tile.put_numbers if one else into_tile.put_first_numbers
        if out.tangent is not None:
            local = self.basis.encode(points.triangle, points.barycentric, seen.normal)
            put_normals(local, seen.face, x, y, _code(out.numbers), out.tangent)
        if out.world is not None:
            code = _code(out.numbers and NormalNumbers(out.numbers.bits))
            put_normals(seen.normal, seen.face, x, y, code, out.world)
        if out.height is not None and one:
            into_tile.put_heights(seen.t, x, y, out.height)
        elif out.height is not None:
            into_tile.put_mean_heights(seen.t, seen.face, x, y, out.height)
        if out.part is not None:
            part = self.scene.surface.triangle_part
            put_numbers(seen.face, part, x, y, out.part)
        if out.material is not None:
            put_numbers(points.triangle, self.material, x, y, out.material)


def predict_maps(
    low: LowPoly,
    scene: Scene,
    cage: Cage,
    rule: BakeRule,
    *,
    tiles: Iterable[int] | None = None,
    what: Iterable[str] = WHAT,
    paired: NDArray[np.bool_] | None = None,
    progress: Progress = silent,
) -> Iterator[TileBake]:
    """Yield the predicted bake of every tile in use (or of `tiles`), one at a time.

    Raises `InputError` when the low poly has no UVs or the size is not usable.
    """
    baker = Baker(low, cage, scene, rule, paired=paired)
    for tile in tiles_touched(low) if tiles is None else tiles:
        yield baker.tile(tile, what=what, progress=progress)


def on_all_cores(
    work: Callable[[Any], Any], items: Iterable[Any], threads: int
) -> Iterator[tuple[Any, Any]]:
    """Yield (item, result) in order, with a few items in work at a time, however many come."""
    if threads <= 1:
        for item in items:
            yield item, work(item)
        return
    with ThreadPoolExecutor(threads) as pool:
        waiting: deque[tuple[Any, Future[Any]]] = deque()
        for item in items:
            waiting.append((item, pool.submit(work, item)))
            if len(waiting) > 2 * threads:
                first, future = waiting.popleft()
                yield first, future.result()
        while waiting:
            first, future = waiting.popleft()
            yield first, future.result()


def _uv_texels(low: LowPoly, tile: int, size: int) -> int:
    """Return about how many texels a tile has covered, for progress."""
    share = float(np.abs(low.uv_area[low.tile == tile]).sum())
    return max(int(share * size * size), 1)


def _code(numbers: NormalNumbers | None) -> Code:
    return (0.0, 1.0) if numbers is None else numbers.code


def _fill_rest(out: TileBake, threads: int) -> None:
    """Write what texels without a record hold, wherever that is not zero."""
    filled = (
        (out.height, out.hit, np.nan),
        (out.part, out.hit, NO_ID),
        (out.material, out.covered, NO_ID),
    )

    def work(rows: slice) -> None:
        for image, kept, value in filled:
            if image is not None:
                into_tile.fill_rest(kept[rows], value, image[rows])

    bands = [slice(y, y + BLOCK) for y in range(0, out.size, BLOCK)]
    for _ in on_all_cores(work, bands, threads):
        pass


@njit(cache=True, nogil=True)
def _outermost_seen(
    first: NDArray[np.int64],
    t: Floats,
    face: Ints,
    face_part: Ints,
    seen: NDArray[np.bool_],
    low_part: Ints,
    start: Floats,
    depth: float,
    out_face: Ints,
    out_t: Floats,
) -> None:
    for i in range(len(first) - 1):
        out_face[i], out_t[i] = -1, np.nan
        for k in range(first[i + 1] - 1, first[i] - 1, -1):
            if t[k] > start[i] or not seen[low_part[i], face_part[face[k]]]:
                continue
            if t[k] >= -depth:
                out_face[i], out_t[i] = face[k], t[k]
            break
