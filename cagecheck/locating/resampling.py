"""Was a picture scaled to another size and back? Scaling leaves a lattice that no surface has.

A texel that lies on one of the smaller picture's is sharp, one between two of them is a mean, so
how strongly values change from texel to texel goes up and down with the period of the smaller
picture, all over the map, along both axes alike (Gallagher, "Detection of linear and cubic
interpolation in JPEG compressed images", CRV 2005). Second differences show it; where a picture was
doubled, texels lie a quarter to either side of the smaller ones and only third differences do.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, maximum_filter, median_filter

from cagecheck.arrays.mask_boxes import SQUARE
from cagecheck.arrays.types import Floats
from cagecheck.locating.enlarging import softened

Picture = NDArray[np.float32]
Inside = NDArray[np.bool_]
# Differences that show it, see above.
ORDERS = (2, 3)
# Slower changes than seven texels a period are the surface's own.
LEAST_FREQUENCY = 0.15
# A peak stands so far above the middle of its spectrum, along both axes together. Of 200 numbers
# that fall as they like (Rayleigh) the largest is 2.8 times the middle one.
STANDS_OUT = 5.0
# One order of differences alone must stand out so far: noise of a step (dither) comes to 5 by
# chance, halved maps to 11 and more.
STANDS_OUT_ALONE = 8.0
# Along each axis alone it stands out as far as chance does at most.
ALONE = 3.0
# And so far above what the expected picture has there: meshes have lattices of their own.
ABOVE_EXPECTED = 3.0
# Lines with fewer texels than this, or fewer lines, tell nothing.
LEAST_TEXELS, LEAST_LINES = 24, 64
# Halving and back, the strongest scaling that leaves its lattice, has a variance of 4 / 3 texels
# along each axis; three tents, of a half each, are a little wider.
MOST_BLUR = 3
# Two roundings to 8 bits, in vectors from -1 to 1, and half a step to spare.
ROUNDING = 1.5 / 127.5
# The middle of a line's surroundings, in lines.
SURROUNDINGS = 31
# No more lines than this are looked at along either axis; they say enough.
MOST_LINES = 1024


def lattice(
    picture: Picture,
    inside: Inside,
    expected: Callable[[], Picture],
    in_steps: Callable[[Picture], Picture],
    straight: Callable[[Picture], Picture],
) -> float | None:
    """Return the frequency (cycles a texel) of a lattice that the expected picture has not.

    picture : (H, W, 3) values, inside : (H, W) bool, where they mean something. expected : gives
    the picture as it should be, asked for only where there is a lattice; in_steps : makes values of
    it, in the map's own steps, since those of a smooth surface make patterns, too; straight :
    turns the values into vectors by the conventions of the expected picture.
    """
    if not _peaks(spectra := _spectra(picture, inside)):
        return None
    own_picture = expected()
    off = np.abs(straight(picture) - own_picture).max(axis=2)
    other = inside & (off > most_by_scaling(own_picture))
    if other.any():
        # Padding over lost ridges has their rhythm, too; its neighbours are as doubtful.
        inside = inside & ~binary_dilation(other, SQUARE)
        spectra = _spectra(picture, inside)
    for order, peak, height in _peaks(spectra):
        own = _spectrum(own_picture, inside, order, in_steps)
        if own is None or height < ABOVE_EXPECTED * own[_near(peak)].max():
            continue
        count = min(*picture.shape[:2], MOST_LINES)
        return (peak + _first(count)) / count
    return None


def most_by_scaling(expected: Picture) -> NDArray[np.float32]:
    """Return (H, W) by how much a channel of the expected vectors may change by scaling and back.

    What the widest blur of `MOST_BLUR` tents changes in the texel or beside it, and rounding.
    """
    soft = expected
    for _ in range(MOST_BLUR):
        soft = softened(soft)
    bend = np.abs(soft - expected).max(axis=2)
    out: NDArray[np.float32] = maximum_filter(bend, 3) + np.float32(ROUNDING)
    return out


def _spectra(picture: Picture, inside: Inside) -> list[Floats | None]:
    return [_spectrum(picture, inside, order) for order in ORDERS]


def _peaks(spectra: list[Floats | None]) -> list[tuple[int, int, float]]:
    """Return the (order, place, height) of peaks that stand out."""
    out = []
    for order, spectrum in zip(ORDERS, spectra, strict=True):
        if spectrum is None:
            continue
        peak = int(np.argmax(spectrum))
        both = all(s is not None and s[_near(peak)].max() >= STANDS_OUT for s in spectra)
        if spectrum[peak] >= (STANDS_OUT if both else STANDS_OUT_ALONE):
            out.append((order, peak, spectrum[peak]))
    return out


def _near(peak: int) -> slice:
    return slice(max(peak - 1, 0), peak + 2)


def _first(count: int) -> int:
    return int(np.ceil(LEAST_FREQUENCY * count))


def _spectrum(
    picture: Picture,
    inside: Inside,
    order: int,
    in_steps: Callable[[Picture], Picture] | None = None,
) -> Floats | None:
    """Return how far each frequency stands out, along both axes together; None if unknown."""
    found = []
    for axis in (0, 1):
        levels = _levels(picture, inside, order, axis, in_steps)
        if levels is None:
            return None
        around = median_filter(levels, SURROUNDINGS, mode="nearest")
        even = levels / np.maximum(around, 1e-9) - 1
        size = np.abs(np.fft.rfft(np.clip(even, -2, 2) * np.hanning(len(even))))
        size = size[_first(len(even)) :]
        found.append(size / max(float(np.median(size)), 1e-9))
    both = np.minimum(found[0], found[1]) >= ALONE
    out: Floats = np.where(both, np.sqrt(found[0] * found[1]), 0.0)
    return out


def _levels(
    picture: Picture,
    inside: Inside,
    order: int,
    axis: int,
    in_steps: Callable[[Picture], Picture] | None,
) -> Floats | None:
    """Return the mean size of differences across each line of one axis."""
    size = min(*inside.shape, MOST_LINES)
    # The lines that are compared must follow each other; of the others some will do.
    along, across = (slice(0, size), slice(None, None, max(inside.shape[1 - axis] // size, 1)))
    pick = (along, across) if axis == 0 else (across, along)
    values, known = picture[pick][..., :2], inside[pick]
    values = values if in_steps is None else in_steps(values)
    change = np.abs(np.diff(values, n=order, axis=axis))
    change = change[..., 0] + change[..., 1]
    whole = known
    for _ in range(order):
        whole = np.logical_and(
            np.take(whole, range(whole.shape[axis] - 1), axis),
            np.take(whole, range(1, whole.shape[axis]), axis),
        )
    count = whole.sum(axis=1 - axis)
    total = np.where(whole, change, 0).sum(axis=1 - axis, dtype=np.float64)
    use = count >= LEAST_TEXELS
    if use.sum() < LEAST_LINES:
        return None
    mean = total / np.maximum(count, 1)
    mean[~use] = np.median(mean[use])
    out: Floats = np.concatenate([mean, np.full(size - len(mean), mean[-1])])
    return out
