"""What a map shows where no layer explains it: slid detail, smeared padding, noise.

*Skew*: rays that lean record their neighbourhood's detail, so the map shows the expected
picture moved sideways. Found by registration: of all shifts of a small window the one that brings
expected picture and map together, if it does so well and better than no shift by far.

*Smeared*: missed texels that a bake filled by padding repeat their neighbours' values exactly.

*Noise*: differences that change from texel to texel and cancel out over a window.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, label, uniform_filter

from cagecheck.arrays.mask_boxes import SQUARE, box_around, dilated
from cagecheck.arrays.types import Ints
from cagecheck.locating.compare import Fault, TileView, is_known
from cagecheck.loops import njit
from cagecheck.predicting.maps.bake import on_all_cores
from cagecheck.progress import Progress, silent

# Windows of 17 texels hold one period of detail as fine as a bake usually keeps; windows that slide
# further than 12 texels of a map of 512 have left the place altogether. In larger maps the same
# slide is more texels, and shifts are tried in wider steps before finer ones.
WINDOW, LARGEST_SHIFT, STRIDE = 8, 12, 4
SHIFT_SIZE = 512
# A shift is believed when it takes this much of the squared difference away.
EXPLAINED_SHARE = 0.7
# What may be left is what half a texel of slide does to detail that the window can tell: 5 degrees.
LEFT_OVER = float(np.radians(5.0) ** 2)
MOST_WINDOWS = 20_000
# Windows that one core registers at a time.
TASK = 256
# Filters run over blocks of this edge, with a margin as wide as the widest of them reaches.
BLOCK, MARGIN = 256, WINDOW + 1
Block = tuple[tuple[slice, slice], tuple[slice, slice], tuple[slice, slice]]
# Fewer texels than this in a window decide nothing.
LEAST_TEXELS = 60
NOISE_WINDOW = 7
# White noise of n texels averages to 1 / sqrt(n) of its size; detail and tilts do not cancel.
NOISE_MEAN_SHARE, NOISE_CORRELATION = 0.4, 0.35
SMEARED_SHARE = 0.6
# A patch is a miss as a whole when this much of it certainly is.
MISSED_SHARE = 0.4
# Wider than what one texel of a border feeds.
LEAST_PAINTED, PAINTED_SHARE = 60, 0.9
# Repeats mean something where the surface turns by two 8-bit steps a texel: 0.9 degrees.
LEAST_CHANGE = float(np.radians(0.9))


@dataclass(frozen=True, eq=False)
class Patterns:
    """What the picture-based tests found.

    fault : (H, W) uint8, the tile's faults with unexplained texels told apart; shift : (H, W, 2)
    float32 (right, down) in texels where the fault is SKEW, else 0; evidence : (H, W) uint8
    `Evidence`.
    """

    fault: NDArray[np.uint8]
    shift: NDArray[np.float32]
    evidence: NDArray[np.uint8]


def explain_patterns(
    view: TileView,
    values: NDArray[np.float32],
    *,
    threads: int = 1,
    progress: Progress = silent,
) -> Patterns:
    """Tell unexplained texels of a tile apart by their surroundings.

    values : (H, W, 3) the map's values, turned upright but otherwise as stored. Only blocks with
    such texels are looked at.
    """
    fault = view.fault.copy()
    evidence = np.zeros(fault.shape, np.uint8)
    unclear = fault == Fault.UNEXPLAINED
    if not unclear.any():
        return Patterns(fault, np.zeros((*fault.shape, 2), np.float32), evidence)
    covered = view.triangle >= 0
    defective = unclear.copy()
    for kind in (Fault.OTHER_PART, Fault.OTHER_FOLD, Fault.TOO_DEEP):
        defective |= fault == kind
    moved, shift = find_shifts(view.shown, view.expected, covered, defective, threads)
    smeared, noisy, mostly_open = (np.zeros(fault.shape, bool) for _ in range(3))
    blocks = list(_blocks_with(defective))

    def work(block: Block) -> None:
        inner, outer, within = block
        seen = view.shown[outer], view.expected[outer]
        smeared[inner] = _smeared(values[outer], seen[1], unclear[outer])[within]
        noisy[inner] = _noisy(*seen, defective[outer], covered[outer])[within]
        mostly_open[inner] = _mostly_open(unclear[outer], defective[outer])[within]

    for done, _ in enumerate(on_all_cores(work, blocks, threads), start=1):
        progress(f"explaining tile {view.tile}", done, len(blocks))
    windows = moved.copy()
    moved &= mostly_open
    fault[moved & defective] = Fault.SKEW
    # Of scattered normals some agree with a layer by chance.
    fault[defective & mostly_open & ~moved & noisy] = Fault.NOISE
    # Padding copies borders inwards, which looks like a slide there: repeats tell. One colour all
    # over a place is no padding: somebody painted it.
    fault[smeared & ~_painted(values, smeared)] = Fault.MISSED
    _join_misses(fault)
    shift[windows & (fault != Fault.SKEW)] = 0
    return Patterns(fault, shift, evidence)


def _blocks_with(mask: NDArray[np.bool_]) -> Iterator[Block]:
    """Yield the blocks that hold a chosen texel: the block, the same with its margin, and where
    it lies in that.
    """
    height, width = mask.shape
    for top in range(0, height, BLOCK):
        for left in range(0, width, BLOCK):
            bottom, right = min(top + BLOCK, height), min(left + BLOCK, width)
            inner = slice(top, bottom), slice(left, right)
            if mask[inner].any():
                y, x = max(top - MARGIN, 0), max(left - MARGIN, 0)
                outer = slice(y, bottom + MARGIN), slice(x, right + MARGIN)
                yield inner, outer, (slice(top - y, bottom - y), slice(left - x, right - x))


def _mostly_open(unclear: NDArray[np.bool_], defective: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell where most of the defective texels around are unexplained.

    Slid texels agree by chance with some layer here and there, and a layer that explains most of a
    place agrees by chance with some shift: the better half decides.
    """
    size = 2 * WINDOW + 1
    open_share = uniform_filter(unclear.astype(np.float32), size)
    all_share = uniform_filter(defective.astype(np.float32), size)
    return open_share > 0.5 * all_share


def _join_misses(fault: NDArray[np.uint8]) -> None:
    """Count unexplained patches that touch a larger miss to it: padding filled them unevenly."""
    missed = fault == Fault.MISSED
    if not missed.any():
        return
    either = missed | (fault == Fault.UNEXPLAINED)
    box = box_around(either, 1)
    fault, either, missed = fault[box], either[box], missed[box]
    labels, count = label(binary_dilation(either, iterations=1), np.ones((3, 3), np.int8))
    whole = np.bincount(labels[either], minlength=count + 1)
    certain = np.bincount(labels[missed], minlength=count + 1)
    mostly = certain >= MISSED_SHARE * np.maximum(whole, 1)
    fault[either & mostly[labels]] = Fault.MISSED


def find_shifts(
    shown: NDArray[np.float32],
    expected: NDArray[np.float32],
    covered: NDArray[np.bool_],
    ask: NDArray[np.bool_],
    threads: int = 1,
) -> tuple[NDArray[np.bool_], NDArray[np.float32]]:
    """Register windows around the texels in `ask`.

    Returns (H, W) bool, texels in a window that slid, and (H, W, 2) float32 by how much: the map
    shows at x what was expected at x - shift.
    """
    height, width = covered.shape
    near = dilated(ask, 2)
    # Wider steps on badly broken maps; windows still overlap.
    for step in (STRIDE, 2 * STRIDE, 3 * STRIDE):
        rows, columns = np.nonzero(near[step // 2 :: step, step // 2 :: step])
        if len(rows) <= MOST_WINDOWS:
            break
    rows, columns = rows * step + step // 2, columns * step + step // 2
    found = np.zeros((len(rows), 4))
    valid = covered & is_known(expected)
    scale = max(round(max(height, width) / SHIFT_SIZE), 1)

    def work(some: slice) -> None:
        _register(shown, expected, valid, rows[some], columns[some], scale, found[some])

    parts = [slice(k, k + TASK) for k in range(0, len(rows), TASK)]
    for _ in on_all_cores(work, parts, threads):
        pass
    good = found[:, 3] > 0
    moved = np.zeros((height, width), bool)
    shift = np.zeros((height, width, 2), np.float32)
    # The best explained window has the last word on a texel.
    for k in np.flatnonzero(good)[np.argsort(-found[good, 2], kind="stable")]:
        r, c = rows[k], columns[k]
        window = (
            slice(max(r - WINDOW, 0), r + WINDOW + 1),
            slice(max(c - WINDOW, 0), c + WINDOW + 1),
        )
        moved[window] = True
        shift[window] = found[k, :2]
    shift[moved & ~covered] = 0
    return moved & covered, shift


@njit(cache=True, nogil=True)
def _register(
    shown: NDArray[np.float32],
    expected: NDArray[np.float32],
    valid: NDArray[np.bool_],
    rows: NDArray[np.int64],
    columns: NDArray[np.int64],
    scale: int,
    found: NDArray[np.float64],
) -> None:
    """Write (shift right, shift down, share left over, 1 if believed) of every window.

    scale : shifts go so many times as far as `LARGEST_SHIFT`.
    """
    rim = LARGEST_SHIFT * scale
    for w in range(len(rows)):
        still, count = _difference(shown, expected, valid, rows[w], columns[w], 0, 0)
        if count < LEAST_TEXELS or still <= 0.0:
            continue
        best, right, down = still, 0, 0
        # Every second shift first (of a map of 512), then closer and closer to the best.
        step, reach = 2 * scale, rim
        while step >= 1:
            middle_x, middle_y = right, down
            for dy in range(middle_y - reach, middle_y + reach + 1, step):
                for dx in range(middle_x - reach, middle_x + reach + 1, step):
                    value, n = _difference(shown, expected, valid, rows[w], columns[w], dx, dy)
                    if n >= 0.7 * count and value < best:
                        best, right, down = value, dx, dy
            step = step // 2
            reach = step
        found[w, 0], found[w, 1], found[w, 2] = right, down, best / still
        believed = best < min((1 - EXPLAINED_SHARE) * still, LEFT_OVER)
        far = right * right + down * down
        # A best shift at the rim of the search is no best shift.
        if 1 <= far < rim * rim and believed:
            found[w, 3] = 1.0


@njit(cache=True, nogil=True)
def _difference(
    shown: NDArray[np.float32],
    expected: NDArray[np.float32],
    valid: NDArray[np.bool_],
    row: int,
    column: int,
    dx: int,
    dy: int,
) -> tuple[float, int]:
    """Mean squared difference between the map and the expected picture moved by (dx, dy)."""
    height, width = valid.shape
    total, count = 0.0, 0
    for y in range(max(row - WINDOW, 0), min(row + WINDOW + 1, height)):
        for x in range(max(column - WINDOW, 0), min(column + WINDOW + 1, width)):
            sy, sx = y - dy, x - dx
            if not (0 <= sy < height and 0 <= sx < width):
                continue
            if not valid[y, x] or not valid[sy, sx]:
                continue
            count += 1
            for k in range(3):
                total += (shown[y, x, k] - expected[sy, sx, k]) ** 2
    return (total / count if count else np.inf), count


def _smeared(
    values: NDArray[np.float32], expected: NDArray[np.float32], unclear: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Tell texels whose surroundings repeat values exactly where the expected picture changes."""
    along = np.ones(unclear.shape, bool)
    down = np.ones(unclear.shape, bool)
    along[:, 1:] = (values[:, 1:] == values[:, :-1]).all(axis=2)
    down[1:] = (values[1:] == values[:-1]).all(axis=2)
    repeats = (along | down).astype(np.float32)
    changes = np.zeros(unclear.shape, np.float32)
    changes[:, 1:] = np.linalg.norm(expected[:, 1:] - expected[:, :-1], axis=2)
    weight = uniform_filter(unclear.astype(np.float32), 5)
    share = uniform_filter(repeats * unclear, 5) / np.maximum(weight, 1e-6)
    moving = uniform_filter(changes * unclear, 5) / np.maximum(weight, 1e-6)
    return unclear & (share > SMEARED_SHARE) & (moving > LEAST_CHANGE)


def _painted(values: NDArray[np.float32], smeared: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell the places of repeats that hold one colour nearly all over; padding holds as many as
    there are texels along the border that it comes from.
    """
    out = np.zeros(smeared.shape, bool)
    box = box_around(smeared, 0)
    labels, count = label(smeared[box])
    if count == 0:
        return out
    y, x = np.nonzero(smeared[box])
    number = labels[y, x].astype(np.int64)
    codes = np.rint(values[box][y, x] * 255).astype(np.int64)
    colour = (codes[:, 0] << 16) | (codes[:, 1] << 8) | codes[:, 2]
    kinds, of_kind = np.unique((number << 24) | colour, return_counts=True)
    most = np.zeros(count + 1, np.int64)
    np.maximum.at(most, kinds >> 24, of_kind)
    whole = np.bincount(number, minlength=count + 1)
    painted = (whole >= LEAST_PAINTED) & (most >= PAINTED_SHARE * whole)
    out[box][y, x] = painted[number]
    return out


def _noisy(
    shown: NDArray[np.float32],
    expected: NDArray[np.float32],
    defective: NDArray[np.bool_],
    covered: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Tell texels around which the differences cancel and neighbours have little in common."""
    use = (covered & is_known(expected)).astype(np.float32)
    difference = (shown - expected) * use[..., None]
    count = np.maximum(uniform_filter(use, NOISE_WINDOW), 1e-6)
    mean = np.stack(
        [uniform_filter(difference[..., k], NOISE_WINDOW) / count for k in range(3)], axis=-1
    )
    square = uniform_filter(np.einsum("...i,...i->...", difference, difference), NOISE_WINDOW)
    square = square / count
    product = np.zeros(use.shape, np.float32)
    product[:, 1:] = np.einsum("...i,...i->...", difference[:, 1:], difference[:, :-1])
    product[1:] += np.einsum("...i,...i->...", difference[1:], difference[:-1])
    common = uniform_filter(product / 2, NOISE_WINDOW) / count
    cancels = np.einsum("...i,...i->...", mean, mean) < NOISE_MEAN_SHARE**2 * square
    return defective & cancels & (common < NOISE_CORRELATION * square)


def grown_over(mask: NDArray[np.bool_], inside: NDArray[np.bool_], steps: int) -> Ints:
    """Return (H, W) int32 labels of `mask`, joined across gaps of up to 2 `steps` texels."""
    out = np.zeros(mask.shape, np.int32)
    box = box_around(mask, steps)
    if mask[box].size:
        wide = binary_dilation(mask[box], SQUARE, iterations=steps) & inside[box]
        labels, _ = label(wide, SQUARE)
        out[box] = np.where(mask[box], labels, 0)
    return out
