"""The first look at a map: its values over the whole tile, and how they are to be read.

A map need not be square. UVs stretch any picture over the whole tile, so a map of 1024 x 512 texels
is a tile with half the resolution along one axis, and is interpolated along that to be compared.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import InputError
from cagecheck.locating.alpha import unpacked
from cagecheck.locating.befallen import read_through_noise, without_shift, without_strength
from cagecheck.locating.conventions import (
    LEAST_GAIN,
    SURE_AGREEMENT,
    ConventionFault,
    Reading,
    Sampled,
    find_reading,
)
from cagecheck.locating.read_maps import BakedMap, as_shares
from cagecheck.locating.variants import Variants
from cagecheck.progress import Progress
from cagecheck.words.numbers import count_text, share_text

HALF_STEP = 0.5 / 255
# Most pictures show by every so many rows and columns that they are not of one value.
SOME = 16
# Other normals of the low poly must agree this much better before they are believed.
SHADING_GAIN = 0.1


@dataclass(frozen=True, eq=False)
class FirstLook:
    """What a first look at a map tells.

    shares : (S, S, 3) float32 values from 0 to 1 over the whole tile; stretch : how many times its
    shorter edge was lengthened for that; repeats : how many times the file repeats every line along
    its longer edge (once each in `shares`); said : the tile that the file's name carries, None
    where it names none that is in use; reading : the best way to read it; faults : what was seen on
    the way; empty : (H, W) bool of the file, what alpha says was not baked, or None.
    """

    shares: NDArray[np.float32]
    stretch: float
    repeats: int
    said: int | None
    reading: Reading
    faults: tuple[ConventionFault, ...] = ()
    empty: NDArray[np.bool_] | None = None


def first_look(
    variants: Variants, baked: BakedMap, tiles: tuple[int, ...], progress: Progress
) -> FirstLook:
    """Look at a map.

    Raises `InputError` when no ray from the low poly meets the high poly.
    """
    plain = unpacked(as_shares(baked.values), baked.alpha, baked.empty)
    values, repeats = _without_repeats(plain.shares)
    shares = over_tile(values)
    faults = [plain.fault, _blue_computed(shares)]
    said = baked.tile if baked.tile in tiles else None
    shares, reading, more = _rough_reading(variants, shares, tiles, said, baked.name, progress)
    stretch = max(values.shape[:2]) / min(values.shape[:2])
    known = tuple(fault for fault in [*faults, *more] if fault is not None)
    return FirstLook(shares, stretch, repeats, said, reading, known, plain.empty)


def _without_repeats(values: NDArray[Any]) -> tuple[NDArray[Any], int]:
    """Return a map without the copies of lines that made its longer edge so long, and how many."""
    height, width = values.shape[:2]
    if width > height:
        upright, times = _without_repeats(np.swapaxes(values, 0, 1))
        return np.ascontiguousarray(np.swapaxes(upright, 0, 1)), times
    times = height // width
    if times * width != height or times == 1:
        return values, 1
    groups = values.reshape(width, times, *values.shape[1:])
    return (groups[:, 0], times) if (groups == groups[:, :1]).all() else (values, 1)


def over_tile(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a picture interpolated linearly along its shorter edge, so that it is square."""
    height, width = picture.shape[:2]
    if height == width:
        return picture
    if width < height:
        return np.ascontiguousarray(np.swapaxes(over_tile(np.swapaxes(picture, 0, 1)), 0, 1))
    above, below, share = _neighbours(height, width)
    out = np.empty((width, width, *picture.shape[2:]), np.float32)
    # Row by row: no second picture of full size.
    for row in range(width):
        out[row] = picture[above[row]] * (1 - share[row]) + picture[below[row]] * share[row]
    return out


def mask_over_tile(mask: NDArray[np.bool_], size: int) -> NDArray[np.bool_]:
    """Return (size, size) bool: a mask laid over the whole tile."""
    rows, columns = (np.arange(size) * n // size for n in mask.shape)
    return mask[rows[:, None], columns]


def _neighbours(
    short: int, size: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float32]]:
    """Return the texels of a short edge around each of `size` places, and the second's share."""
    place = np.clip((np.arange(size) + 0.5) * short / size - 0.5, 0, short - 1)
    first = np.floor(place).astype(np.int64)
    return first, np.minimum(first + 1, short - 1), (place - first).astype(np.float32)


def shape_fault(baked: BakedMap, look: FirstLook) -> ConventionFault | None:
    """Say which axis of a map that is not square has how many texels; None for a square one."""
    width, height = baked.size
    if width == height:
        return None
    u, v = (width, height) if look.reading.turn < 4 else (height, width)
    coarse, fine = ("V", "U") if v < u else ("U", "V")
    short, long = sorted(baked.size)
    text = (
        f"the map is {width} x {height} texels: {count_text(u)} along U and {count_text(v)} along V"
    )
    if look.repeats > 1:
        return ConventionFault(
            "not-square",
            f"{text}, but along {fine} every texel is there {look.repeats} times: it was enlarged "
            f"from {short} x {short}, and compared as that",
            f"use the map of {short} x {short}, or bake {long} x {long}",
        )
    return ConventionFault(
        "not-square",
        f"{text}, so {coarse} has {_share_words(short / long)} the resolution; it was compared as "
        "the UVs show it, stretched over the whole tile",
        f"bake {long} x {long}, or keep it where the texture is meant to be coarser along {coarse}",
    )


def _share_words(share: float) -> str:
    names = {0.5: "half", 0.25: "a quarter", 0.125: "an eighth"}
    return names.get(share, f"{share_text(share)} of")


def _rough_reading(
    variants: Variants,
    shares: NDArray[np.float32],
    tiles: tuple[int, ...],
    said: int | None,
    name: str,
    progress: Progress,
) -> tuple[NDArray[np.float32], Reading, list[ConventionFault | None]]:
    """Return the reading that fits best, the values by it, and what befell the map as a whole.

    Other normals of the high poly are tried where none fits.
    """
    size = shares.shape[0]
    best: Reading | None = None
    of_best: list[Sampled] = []
    as_stored, strength = shares, None
    for normals in variants.normal_choices():
        samples = []
        for done, tile in enumerate(tiles):
            progress(f"reading {name}", done, len(tiles) + 1)
            sample = variants.sampled(tile, size, variants.settings.quads, normals)
            if len(sample):
                samples.append(sample)
        if not samples:
            raise InputError(
                "rays from the low poly meet no high poly at all.",
                cure="Check that both were exported with the same place, scale and axes.",
            )
        found = find_reading(as_stored, samples, said)
        progress(f"reading {name}", len(tiles) + 1, len(tiles) + 1)
        # How steep a map is can be told beside the right normals only.
        values, found, fault = without_strength(as_stored, samples, found, said)
        if best is None or found.agreement > best.agreement + LEAST_GAIN:
            best, of_best = replace(found, normals=normals), samples
            shares, strength = values, fault
        if best.agreement >= SURE_AGREEMENT:
            break
    assert best is not None
    normals, shading = best.normals, best.shading
    if best.agreement < SURE_AGREEMENT and not blank(shares):
        best, of_best = _other_shading(variants, shares, of_best, best, said)
        shading = best.shading
        if strength is None:
            shares, best, strength = without_strength(shares, of_best, best, said)
    shares, best, shift = without_shift(shares, of_best, best)
    best = read_through_noise(shares, of_best, best, said)
    return shares, replace(best, normals=normals, shading=shading), [strength, shift]


def _other_shading(
    variants: Variants,
    shares: NDArray[np.float32],
    samples: list[Sampled],
    best: Reading,
    said: int | None,
) -> tuple[Reading, list[Sampled]]:
    """Try frames of the low poly with other normals than its own."""
    out = best, samples
    for shading in variants.shading_choices()[1:]:
        tried = [
            variants.sampled(s.tile, s.size, variants.settings.quads, best.normals, shading)
            for s in samples
        ]
        found = find_reading(shares, tried, said)
        if found.agreement > out[0].agreement + SHADING_GAIN:
            out = replace(found, normals=best.normals, shading=shading), tried
    return out


def _blue_computed(shares: NDArray[np.float32]) -> ConventionFault | None:
    """Fill in the blue of a map that keeps red and green only; return the fault, or None."""
    if np.ptp(shares[::SOME, ::SOME, 2]) > HALF_STEP or np.ptp(shares[..., 2]) > HALF_STEP:
        return None
    if blank(shares):
        return None
    red, green = shares[..., 0] * 2 - 1, shares[..., 1] * 2 - 1
    blue = (np.sqrt(np.clip(1 - red * red - green * green, 0, 1)) + 1) / 2
    steps = np.diff(np.unique(np.rint(shares[..., :2] * 255)))
    coarse = float(np.median(steps)) / 255 if len(steps) else 0.0
    if np.abs(blue - shares[..., 2]).max() < max(4 * HALF_STEP, coarse):
        return None  # so flat that blue is what it should be, within the map's own steps
    shares[..., 2] = blue
    return ConventionFault(
        "two-channels",
        "the blue channel is empty: the map keeps red and green only",
        "tell the material to compute blue, or bake all three channels",
    )


def blank(values: NDArray[Any]) -> bool:
    """Tell whether a picture has one value only, within a rounding step of 8 bits."""
    some = as_shares(values[::SOME, ::SOME])
    return _alike(some) and _alike(as_shares(values))


def _alike(shares: NDArray[np.float32]) -> bool:
    return bool((np.ptp(shares.reshape(-1, shares.shape[-1]), axis=0) <= 2 * HALF_STEP).all())
