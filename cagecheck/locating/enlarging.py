"""What enlarging makes of a picture: means of blocks, drawn out again between their centres.

A map that was made at a smaller size and enlarged shows, at every texel, a mixture of what belongs
to the texels around. Where normals or tangent frames jump, from triangle to triangle or over a hard
edge, that mixture is far from what belongs to the texel itself, and no defect.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import convolve1d

from cagecheck.arrays.types import Floats
from cagecheck.locating.compare import BETTER, Fault, TileView, is_known
from cagecheck.maps.encode import TangentBasis
from cagecheck.maps.texels import texel_blocks
from cagecheck.meshes.normals import degrees_between, normalised
from cagecheck.predicting.maps.bake import Baker

Times = tuple[int, int]
Rows = NDArray[np.int64]
TENT = np.array([1, 2, 1], np.float32) / 4


def block_means(
    picture: NDArray[np.float32], inside: NDArray[np.bool_], times: Times
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the means of blocks of `times` (rows, columns) texels, and the share that is inside.

    picture : (H, W, 3), zero outside; blocks at the right and the lower border may be cut off.
    """
    rows, columns = (np.arange(0, n, k) for n, k in zip(inside.shape, times, strict=True))

    def summed(values: NDArray[np.float32]) -> NDArray[np.float32]:
        out: NDArray[np.float32] = np.add.reduceat(
            np.add.reduceat(values, rows, axis=0), columns, axis=1
        )
        return out

    count = summed(inside.astype(np.float32))
    total = summed(np.where(inside[..., None], picture, np.float32(0)))
    means = total / np.maximum(count, 1)[..., None]
    share = count / (times[0] * times[1])
    return means.astype(np.float32, copy=False), share.astype(np.float32, copy=False)


def enlarged_at(
    small: NDArray[np.float32],
    known: NDArray[np.bool_],
    y: NDArray[np.int64],
    x: NDArray[np.int64],
    times: Times,
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return unit vectors of the bilinearly enlarged picture, and where all it needs is known.

    small : (h, w, 3); known : (h, w) bool; y, x : (N,) rows and columns of the large picture.
    """
    rows, columns = (y + 0.5) / times[0] - 0.5, (x + 0.5) / times[1] - 0.5
    r, c = np.floor(rows).astype(np.int64), np.floor(columns).astype(np.int64)
    s, t = (rows - r)[:, None], (columns - c)[:, None]
    out, fits = np.zeros((len(y), 3)), np.ones(len(y), bool)
    for dr, dc, weight in (
        (0, 0, (1 - s) * (1 - t)),
        (0, 1, (1 - s) * t),
        (1, 0, s * (1 - t)),
        (1, 1, s * t),
    ):
        # The outermost texels are drawn out to the border.
        at = np.clip(r + dr, 0, small.shape[0] - 1), np.clip(c + dc, 0, small.shape[1] - 1)
        out += weight * small[at]
        fits &= known[at]
    return normalised(out), fits


def explained_by_enlarging(
    view: TileView,
    baker: Baker,
    basis: TangentBasis | None,
    stored: NDArray[np.float32],
    times: Times,
    base_degrees: float,
) -> NDArray[np.bool_]:
    """Tell (H, W) which unexplained texels show what enlarging makes of the expected picture.

    stored : (H, W, 3) unit normals as the map holds them, by our conventions; basis : their frames,
    None for object space. The rule is that of `explains`.
    """
    out = np.zeros(view.fault.shape, bool)
    y, x = np.nonzero(view.fault == Fault.UNEXPLAINED)
    if len(y) == 0:
        return out
    wanted = as_stored(view, baker, basis)
    inside = is_known(view.expected)
    small, share = block_means(wanted, inside, times)
    mixed, known = enlarged_at(small, share > 0, y, x, times)
    shown, own = stored[y, x].astype(np.float64), wanted[y, x].astype(np.float64)
    explained = known & explains(shown, own, mixed, degrees_between(mixed, own), base_degrees)
    out[y[explained], x[explained]] = True
    return out


def explains(
    shown: Floats, right: Floats, mixed: Floats, changed: Floats, base_degrees: float
) -> NDArray[np.bool_]:
    """Tell (N,) where a mixture explains what a map shows much better than what belongs there.

    shown, right, mixed : (N, 3) unit vectors, the map's, what belongs to the texel, the mixture;
    changed : (N,) degrees by which mixing may have changed the texel. How far the mixture may be
    off grows with that, since filters differ in their weights.
    """
    off, sharp = degrees_between(shown, mixed), degrees_between(shown, right)
    return np.asarray((off <= BETTER * sharp) & (off <= base_degrees + BETTER * changed))


def explained_by_filtering(
    view: TileView,
    wanted: NDArray[np.float32],
    stored: NDArray[np.float32],
    base_degrees: float,
    asked: NDArray[np.bool_] | None = None,
) -> NDArray[np.bool_]:
    """Tell (H, W) which unexplained texels show what a mild filter makes of the expected picture.

    Mip levels, denoising and several samples a texel mix a texel with its neighbours, about as a
    tent over 3 x 3 texels does or less: of all mixtures of the texel and that tent the nearest
    counts. wanted, stored : (H, W, 3) unit normals as the map should hold
    them and as it does; asked : (H, W) bool, other texels than the unexplained. The rule is that
    of `explains`.
    """
    out = np.zeros(view.fault.shape, bool)
    y, x = np.nonzero(view.fault == Fault.UNEXPLAINED if asked is None else asked)
    if len(y) == 0:
        return out
    shown, own = (p[y, x].astype(np.float64) for p in (stored, wanted))
    mild = nearest_mixture(shown, own, softened_at(wanted, y, x))
    explained = is_known(own) & explains(shown, own, mild, degrees_between(mild, own), base_degrees)
    out[y[explained], x[explained]] = True
    return out


def softened_at(picture: NDArray[np.float32], y: Rows, x: Rows) -> Floats:
    """Return (N, 3) unit vectors: what a tent over 3 x 3 makes of a picture at some texels.

    Texels that hold nothing (zero) hold what padding puts there: what lies beside them.
    """
    out = np.zeros((len(y), 3))
    for row, column in itertools.product((-1, 0, 1), repeat=2):
        at = _within(y + row, x + column, picture)
        beside = picture[at].astype(np.float64)
        bare = np.flatnonzero(~is_known(beside))
        beside[bare] = _padding_at(picture, at[0][bare], at[1][bare])
        out += float(TENT[row + 1] * TENT[column + 1]) * beside
    return normalised(out)


def _padding_at(picture: NDArray[np.float32], y: Rows, x: Rows) -> Floats:
    total = np.zeros((len(y), 3))
    for row, column in itertools.product((-1, 0, 1), repeat=2):
        total += picture[_within(y + row, x + column, picture)]
    return normalised(total)


def _within(y: Rows, x: Rows, picture: NDArray[np.float32]) -> tuple[Rows, Rows]:
    return np.clip(y, 0, picture.shape[0] - 1), np.clip(x, 0, picture.shape[1] - 1)


def nearest_mixture(shown: Floats, own: Floats, mixed: Floats) -> Floats:
    """Return the (N, 3) unit vectors between `own` and `mixed` that are nearest to `shown`."""
    way = mixed - own
    length = np.einsum("ij,ij->i", way, way)
    along = np.einsum("ij,ij->i", shown - own, way)
    share = np.clip(np.divide(along, length, out=np.zeros_like(along), where=length > 0), 0, 1)
    return normalised(own + share[:, None] * way)


def softened(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a picture after the widest filter that is common in baking."""
    for axis in (0, 1):
        picture = convolve1d(picture, TENT, axis=axis, mode="nearest")
    return picture


def as_stored(
    view: TileView,
    baker: Baker,
    basis: TangentBasis | None,
    near: NDArray[np.bool_] | None = None,
) -> NDArray[np.float32]:
    """Return the expected picture in the map's own frames.

    near : (H, W) bool, texels that are asked for with their neighbours; what lies far from them may
    be left zero.
    """
    if basis is None:
        return view.expected
    # Pages of zeros that nothing is written to cost nothing.
    out = np.zeros(view.expected.shape, np.float32)

    def asked(rows: slice, columns: slice) -> bool:
        top, left = max(rows.start - 2, 0), max(columns.start - 2, 0)
        return near is None or bool(near[top : rows.stop + 2, left : columns.stop + 2].any())

    for block in texel_blocks(baker.low, view.size, view.tile, wanted=asked):
        points, world = block.points, view.expected[block.y, block.x].astype(np.float64)
        out[block.y, block.x] = basis.encode(points.triangle, points.barycentric, world)
    return out
