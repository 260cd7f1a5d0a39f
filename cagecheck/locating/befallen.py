"""What befell a whole map besides its channels: its strength, a shift, noise all over, no bake.

Each is undone before the map is compared texel by texel, so that what else is wrong still shows.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from cagecheck.arrays.types import Floats
from cagecheck.locating.conventions import (
    LEAST_AGREEMENT,
    LEAST_GAIN,
    SURE_AGREEMENT,
    ConventionFault,
    Reading,
    Sampled,
    agreement_at,
    find_reading,
    turned,
)
from cagecheck.words.numbers import figures
from cagecheck.words.sentences import count_words

# Slopes that tell a strength: from what 8 bits can say (six steps) to where 8 bits clip a double.
LEAST_SLOPE, MOST_SLOPE = 0.05, 1.0
LEAST_TEXELS = 200
# Flat to within the rounding of 8 bits.
FLAT_SLOPE = 1.5 / 127.5
# A slider multiplies all slopes alike: so many of them must be within this share of the median.
ALIKE, MOSTLY_ALIKE = 0.25, 0.5
# Filters and supersampling, or a high poly that was made lighter since, take up to a third of fine
# detail's slope (1.36 measured on an open model's own map); a slider takes more.
MILDEST = 1.5
# A whole map is looked for up to so many texels aside, or this share of its width.
LEAST_REACH, REACH_SHARE = 8, 1 / 64
SHIFT_TEXELS = 2000
# The picture is cut into so many cells each way; those with enough texels say whether a shift mends
# them. A few are worse for another fault that lies there.
CELLS, LEAST_IN_CELL, CELL_GAIN, MOST_WORSE = 8, 100, 0.02, 0.1
# Scatter all over is averaged out over this many texels each way before the map is read.
NOISE_WINDOW = 5
NOISE_GAIN = 0.15


def without_strength(
    shares: NDArray[np.float32], samples: list[Sampled], reading: Reading, said: int | None
) -> tuple[NDArray[np.float32], Reading, ConventionFault | None]:
    """Bring slopes that were multiplied all over back; return values, reading and the fault.

    A slider multiplies red and green about the middle, so that the slope of every normal (its
    lean over its height) is multiplied by one number.
    """
    unchanged = shares, reading, None
    plainly = reading.space == "tangent" and reading.transfer == "plain"
    factor = _factor(shares, samples, reading) if plainly else None
    if factor is None and reading.agreement < SURE_AGREEMENT:
        # A map that is too strong may look more like a flatter tile's, or like itself with other
        # channels, than like its own: how steep its normals are does not depend on either.
        guess = _read_by_steepness(shares, samples, said)
        if guess is not None and guess.agreement > reading.agreement + LEAST_GAIN:
            reading, factor = guess, _factor(shares, samples, guess)
    if factor is None:
        return unchanged
    back = _scaled(shares, reading, 1 / factor)
    found = find_reading(back, samples, said)
    if found.agreement <= unchanged[1].agreement + LEAST_GAIN:
        return unchanged
    fault = ConventionFault(
        "strength",
        f"slopes are {figures(factor, 2)} times those of the high poly all over: the map was made "
        f"{'stronger' if factor > 1 else 'weaker'}",
        "use the map as it was baked, and set its strength in the material",
    )
    return back, found, fault


def _factor(shares: NDArray[np.float32], samples: list[Sampled], reading: Reading) -> float | None:
    """Return by what a slider multiplied the slopes; None where it did not, or nothing tells."""
    sample = _sample_of(samples, reading)
    if sample is None:
        return None
    stored = turned(shares, reading.turn)[sample.y, sample.x]
    factor = _slope_ratio(stored, sample.tangent, reading)
    return None if factor is None or 1 / MILDEST < factor < MILDEST else factor


def _read_by_steepness(
    shares: NDArray[np.float32], samples: list[Sampled], said: int | None
) -> Reading | None:
    """Read a map after its slopes were brought to how steep those of its own tile are."""
    best: Reading | None = None
    for sample in samples:
        if said is not None and sample.tile != said:
            continue
        wanted = _steepness(sample.tangent)
        stored = _steepness(shares[sample.y, sample.x].astype(np.float64) * 2 - 1)
        if wanted <= LEAST_SLOPE or 1 / MILDEST < stored / wanted < MILDEST or stored <= FLAT_SLOPE:
            continue
        back = _scaled(shares, Reading(sample.tile), wanted / stored)
        found = find_reading(back, [sample], said)
        if best is None or found.agreement > best.agreement:
            best = found
    return best


def _steepness(vectors: Floats) -> float:
    """Return a slope that a quarter of the vectors exceeds, whichever way they lean."""
    height = np.maximum(np.abs(vectors[:, 2]), 0.1)
    return float(np.quantile(np.hypot(vectors[:, 0], vectors[:, 1]) / height, 0.75))


def _slope_ratio(stored: NDArray[np.float32], wanted: Floats, reading: Reading) -> float | None:
    """Return the median ratio of stored to wanted slopes along the wanted ones, None if unknown."""
    n = (stored.astype(np.float64) * 2 - 1)[:, list(reading.channels)] * reading.signs
    use = (n[:, 2] > 0.1) & (wanted[:, 2] > 0.1)
    slope, own = n[use, :2] / n[use, 2:], wanted[use, :2] / wanted[use, 2:]
    steep = np.hypot(own[:, 0], own[:, 1])
    # What was missed is filled with flat colour and says nothing about a slider.
    tells = (steep > LEAST_SLOPE) & (steep < MOST_SLOPE) & (np.abs(slope).max(axis=1) > FLAT_SLOPE)
    if tells.sum() < LEAST_TEXELS:
        return None
    along = (slope[tells] * own[tells]).sum(axis=1) / steep[tells] ** 2
    ratio = float(np.median(along))
    if ratio <= 0 or np.mean(np.abs(along - ratio) < ALIKE * ratio) < MOSTLY_ALIKE:
        return None
    return ratio


def _scaled(shares: NDArray[np.float32], reading: Reading, factor: float) -> NDArray[np.float32]:
    """Return values whose slopes are multiplied, as unit vectors again.

    Where making a map stronger took a channel to the end of its range, the lean that was cut off is
    what blue, which a slider leaves alone, lacks to unit length.
    """
    x, y, z = reading.channels
    n = shares * np.float32(2) - np.float32(1)
    at = np.nonzero((np.abs(n[..., x]) >= 1) | (np.abs(n[..., y]) >= 1))
    cut = np.abs(n[at][:, [x, y]]) >= 1
    n[..., [x, y]] *= np.float32(factor)
    if factor < 1:
        vectors = n[at]
        vectors[:, [x, y]] = _uncut(vectors[:, [x, y]], vectors[:, z], cut)
        n[at] = vectors
    length = np.sqrt(np.einsum("...i,...i->...", n, n))[..., None]
    n = np.divide(n, length, out=np.zeros_like(n), where=length > 0)
    return ((n + 1) / 2).astype(np.float32)


def _uncut(
    lean: NDArray[np.float32], height: NDArray[np.float32], cut: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """Return (N, 2) leans whose cut components are long enough for unit length, or as they were.

    lean, cut : (N, 2); height : (N,) the third component.
    """
    square = lean * lean
    wanted = 1 - height * height - np.where(cut, 0, square).sum(axis=1)
    had = np.where(cut, square, 0).sum(axis=1)
    longer = np.sqrt(np.maximum(wanted / had, 1))
    return np.where(cut, lean * longer[:, None], lean)


def without_shift(
    shares: NDArray[np.float32], samples: list[Sampled], reading: Reading
) -> tuple[NDArray[np.float32], Reading, ConventionFault | None]:
    """Bring a map that lies some texels aside back; return values, reading and the fault."""
    sample = _sample_of(samples, reading)
    if sample is None or reading.turn:
        return shares, reading, None
    some = sample.some(SHIFT_TEXELS)
    reach = max(LEAST_REACH, round(REACH_SHARE * sample.size))
    right, down = _best_shift(shares, some, reading, reach)
    if right == 0 and down == 0:
        return shares, reading, None
    back = np.roll(shares, (-down, -right), axis=(0, 1))
    better = agreement_at(back[sample.y, sample.x], sample, reading)
    if better <= reading.agreement + LEAST_GAIN or not _all_over(shares, back, sample, reading):
        return shares, reading, None
    ways = [
        f"{count_words(abs(by), 'texel')} {way[by > 0]}"
        for by, way in ((right, ("to the left", "to the right")), (down, ("up", "down")))
        if by
    ]
    fault = ConventionFault(
        "shifted",
        f"the whole picture lies {' and '.join(ways)} of where the UVs are",
        "move the picture back, or bake again: it was moved or cropped after the bake",
    )
    return back, replace(reading, agreement=better), fault


def _all_over(
    before: NDArray[np.float32], after: NDArray[np.float32], sample: Sampled, reading: Reading
) -> bool:
    """Tell whether a shift mends the picture nearly wherever it changes it.

    A picture that was moved is mended everywhere; where surface was moved instead, islands that lie
    another way in the picture become worse. What fitted nothing before cannot.
    """
    cell = sample.y // (sample.size // CELLS + 1) * CELLS + sample.x // (sample.size // CELLS + 1)
    better = worse = 0
    for number in np.unique(cell):
        mine = cell == number
        here = replace(
            sample, x=sample.x[mine], y=sample.y[mine], world=sample.world[mine],
            tangent=sample.tangent[mine],
        )  # fmt: skip
        if len(here) < LEAST_IN_CELL:
            continue
        fitted = agreement_at(before[here.y, here.x], here, reading)
        gain = agreement_at(after[here.y, here.x], here, reading) - fitted
        better += gain > CELL_GAIN
        worse += gain < -CELL_GAIN and fitted >= LEAST_AGREEMENT
    return better > 0 and worse <= MOST_WORSE * better


def _best_shift(
    shares: NDArray[np.float32], sample: Sampled, reading: Reading, reach: int
) -> tuple[int, int]:
    """Return the shift (right, down) at which the picture agrees best; (0, 0) among equals."""
    size = sample.size

    def fit(right: int, down: int) -> float:
        values = shares[(sample.y + down) % size, (sample.x + right) % size]
        return agreement_at(values, sample, reading)

    best, right, down = fit(0, 0), 0, 0
    step = max(reach // 8, 1)
    while True:
        middle = right, down
        far = reach if middle == (0, 0) else step
        pace = step if middle == (0, 0) else max(step // 2, 1)
        for dy in range(middle[1] - far, middle[1] + far + 1, pace):
            for dx in range(middle[0] - far, middle[0] + far + 1, pace):
                value = fit(dx, dy)
                if value > best:
                    best, right, down = value, dx, dy
        if pace == 1 or (right, down) == (0, 0):
            return right, down
        step = pace


def read_through_noise(
    shares: NDArray[np.float32], samples: list[Sampled], reading: Reading, said: int | None
) -> Reading:
    """Read a map that scatters all over by its local means, where that agrees far better."""
    if reading.agreement >= SURE_AGREEMENT:
        return reading
    smooth = uniform_filter(shares, (NOISE_WINDOW, NOISE_WINDOW, 0))
    found = find_reading(smooth, samples, said)
    return found if found.agreement > reading.agreement + NOISE_GAIN else reading


def _sample_of(samples: list[Sampled], reading: Reading) -> Sampled | None:
    return next((s for s in samples if s.tile == reading.tile and len(s)), None)
