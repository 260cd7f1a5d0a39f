"""One map from its values to its faults: conventions, layers, patterns, padding."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from cagecheck.arrays.types import Ints
from cagecheck.locating.bake_reach import Levels, levels_of
from cagecheck.locating.beside import Beside, use_beside
from cagecheck.locating.compare import (
    TOLERANCE_DEGREES,
    CompareRule,
    Evidence,
    Fault,
    OffsetVotes,
    TileView,
    compare_tile,
    is_fill,
)
from cagecheck.locating.conventions import (
    LEAST_AGREEMENT,
    SURE_AGREEMENT,
    ConventionFault,
    Reading,
    convention_faults,
    decode_srgb,
    encode_srgb,
    turned,
)
from cagecheck.locating.enlarging import (
    as_stored,
    explained_by_enlarging,
    explained_by_filtering,
)
from cagecheck.locating.finer_conventions import finer_reading
from cagecheck.locating.finer_detail import explained_by_samples
from cagecheck.locating.first_look import FirstLook, blank, mask_over_tile, shape_fault
from cagecheck.locating.goals import DEPTH_SHARE
from cagecheck.locating.grown_places import VISIBLE_DEGREES, grow_places
from cagecheck.locating.levels import level_fault
from cagecheck.locating.lossy_blocks import block_fault
from cagecheck.locating.moved_high import mark_moved
from cagecheck.locating.moved_islands import (
    moved_islands,
    slid_alike,
    turned_islands,
    wants_islands,
)
from cagecheck.locating.padding_check import Padding, background_of, check_padding
from cagecheck.locating.painted import painted_over
from cagecheck.locating.patterns import Patterns, explain_patterns
from cagecheck.locating.ray_directions import ToldDirections, directions_fault, told_directions
from cagecheck.locating.read_maps import UNIT_SHARE, BakedMap, unit_share
from cagecheck.locating.resampling import lattice
from cagecheck.locating.sharpness import scaled_fault, softness_fault
from cagecheck.locating.smeared_layers import mark_smeared
from cagecheck.locating.texel_samples import ToldSamples, told_samples
from cagecheck.locating.undetermined import leave_undetermined
from cagecheck.locating.variants import Variants
from cagecheck.loops import njit
from cagecheck.maps.encode import TangentBasis
from cagecheck.maps.pad import needed_padding
from cagecheck.maps.texels import texel_mask
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.predicting.maps.bake import Baker, on_all_cores
from cagecheck.progress import Progress
from cagecheck.words.numbers import share_text

# The offset of the bake is looked for up to this many times the one assumed.
LARGEST_SHARE = 8.0
# No surface is looked for above this many times the highest of the texels looked at first, however
# far off the assumed cage is: tens of thousands of texels, evenly picked, see most of its height.
HIGHER_SHARE = 2.0

# A map that was scaled and back mixes neighbours about as one that was enlarged twice.
SCALED_BACK = 2
# A value is a fill when every channel is within a step of 8 bits of it.
FILL_STEP = 1.01 / 255
# A tile of which less shows anything holds chance hits on what lies near; no reading can be told.
BLANK_SHARE = 0.9

# Larger maps than so many texels across are thinned to that where texels are only counted.
THINNED = 1024

# Rows that one core works on at a time.
BAND = 256

Rim = Callable[[int], NDArray[np.bool_]]


@dataclass(frozen=True, eq=False)
class LocatedMap:
    """One map and how it was read.

    Attributes
    ----------
    source : BakedMap
        The map as it was read.
    reading : Reading
        By which conventions it fits best.
    conventions : tuple[ConventionFault, ...]
        What differs from ours.
    record : TileRecord | None
        Texel by texel; None where the map fits nothing.
    fault : (H, W) uint8 or None
        The final faults.
    padding : Padding | None
        How far colours run on beyond the islands, and how far they should.
    grey : (H, W) uint8
        The map upright, to draw on.
    blank : bool
        The picture is one colour.
    enlarged : int
        How many times it was, by its softness.
    directions, samples : optional
        Along which the rays ran and how many a texel has; None where nothing tells.
    """

    source: BakedMap
    reading: Reading
    conventions: tuple[ConventionFault, ...]
    record: TileRecord | None
    fault: NDArray[np.uint8] | None
    padding: Padding | None
    grey: NDArray[np.uint8]
    blank: bool = False
    enlarged: int = 1
    directions: ToldDirections | None = None
    samples: ToldSamples | None = None

    def __repr__(self) -> str:
        return f"<LocatedMap {self.source.name}: tile {self.reading.tile}>"


@dataclass(frozen=True, eq=False)
class TileRecord:
    """What is kept of a comparison: little for texels that are right, all for the others.

    tile, size : as in `TileView`; covered : (H, W) bool, on the low poly; shown, expected :
    (H, W, 3) float16 world normals; votes : for the offset. key : (K,) int64 ascending,
    ``y * size + x`` of texels that are not clean, or are so only as bends and filters allow; angle,
    gap, target, slide : (K,) float32 and other : (K,) int32 theirs (slide in texels, 0 where
    nothing slid or moved). tolerance : degrees on flat ground; parts : what each low part recorded
    here; levels : heights of what shows and of what is lost; start : (K,) float32 the cage's
    distance; evidence : (K,) uint8 `Evidence`.
    """

    tile: int
    size: int
    covered: NDArray[np.bool_]
    shown: NDArray[np.float16]
    expected: NDArray[np.float16]
    votes: OffsetVotes
    key: NDArray[np.int64]
    angle: NDArray[np.float32]
    gap: NDArray[np.float32]
    target: NDArray[np.float32]
    slide: NDArray[np.float32]
    other: Ints
    tolerance: float
    parts: PartRecords
    levels: Levels
    start: NDArray[np.float32]
    evidence: NDArray[np.uint8]

    def rows(self, x: Ints, y: Ints) -> NDArray[np.int64]:
        """Return the rows of texels that are not clean."""
        key = y.astype(np.int64) * self.size + x
        found: NDArray[np.int64] = np.searchsorted(self.key, key)
        assert np.array_equal(self.key[found], key), "a texel that is right has no row"
        return found


@dataclass(frozen=True, eq=False)
class PartRecords:
    """How much of every low part a map records: (P,) int64 texels of each.

    texels : on the low poly; filled : with a fill colour; lost : of those, where it visibly shows.
    """

    texels: NDArray[np.int64]
    filled: NDArray[np.int64]
    lost: NDArray[np.int64]


def part_records(
    low: LowPoly, view: TileView, upright: NDArray[np.float32], rule: CompareRule
) -> PartRecords:
    """Count the texels of every part; of a large map one in so many, each for the others."""
    step = max(view.size // THINNED, 1)
    y, x = (step * at + step // 2 for at in np.nonzero(view.triangle[::step, ::step] >= 0))
    y, x = np.minimum(y, view.size - 1), np.minimum(x, view.size - 1)
    triangle = view.triangle[y, x]
    y, x, triangle = y[triangle >= 0], x[triangle >= 0], triangle[triangle >= 0]
    part, count = low.triangle_part[triangle], len(low.part_names)
    filled = is_fill(upright[y, x], rule.fills, rule.fill_step)
    lost = filled & (view.fault[y, x] == Fault.MISSED) & np.isfinite(view.target[y, x])
    return PartRecords(
        *(
            np.bincount(part[rows], minlength=count) * step**2
            for rows in (slice(None), filled, lost)
        )
    )


def keep_record(
    view: TileView, patterns: Patterns, tolerance: float, parts: PartRecords, threads: int
) -> TileRecord:
    """Return the record of a comparison, so that its pictures can be let go."""
    with np.errstate(invalid="ignore"):
        off = (view.angle > tolerance) & (view.triangle >= 0)
    y, x = np.nonzero((patterns.fault != Fault.CLEAN) | off)
    # How far a bake looked is told by what is certain of itself.
    grown = (patterns.evidence & Evidence.GROWN) > 0
    certain = (
        np.where(grown, np.uint8(Fault.CLEAN), patterns.fault) if grown.any() else patterns.fault
    )
    return TileRecord(
        tile=view.tile,
        size=view.size,
        covered=view.triangle >= 0,
        shown=_halves(view.shown, threads),
        expected=_halves(view.expected, threads),
        votes=view.votes,
        key=y * view.size + x,
        angle=view.angle[y, x],
        gap=view.gap[y, x],
        target=view.target[y, x],
        slide=np.hypot(patterns.shift[y, x, 0], patterns.shift[y, x, 1]),
        other=view.other[y, x],
        tolerance=tolerance,
        parts=parts,
        levels=levels_of(view, certain),
        start=view.start[y, x],
        evidence=patterns.evidence[y, x],
    )


def _halves(picture: NDArray[np.float32], threads: int) -> NDArray[np.float16]:
    """Return a picture with half as many bits, rounded on all cores."""
    out = np.empty(picture.shape, np.float16)

    def work(rows: slice) -> None:
        out[rows] = picture[rows]

    bands = [slice(y, y + BAND) for y in range(0, len(picture), BAND)]
    for _ in on_all_cores(work, bands, threads):
        pass
    return out


def judge_map(
    variants: Variants,
    baked: BakedMap,
    look: FirstLook,
    *,
    prior: Reading | None = None,
    beside: Beside | None = None,
    progress: Progress,
) -> LocatedMap:
    """Say by which conventions a map was written, then compare it texel by texel.

    look : what a first look told; prior : how another map of the asset was read, see
    `finer_reading`; beside : other maps of the bake.
    """
    reading, shares = look.reading, look.shares
    faults = list(look.faults)
    if (fault := shape_fault(baked, look)) is not None:
        faults.append(fault)
    if (fault := level_fault(baked, reading.transfer)) is not None:
        faults.append(fault)
    told = look.said or reading.tile
    empty = blank(baked.values) or _nearly_blank(variants, shares, told)
    if empty and (reading.agreement < SURE_AGREEMENT or reading.tile != told):
        # Nothing in it tells how it is to be read.
        reading = Reading(tile=told, normals=reading.normals)
        look = replace(look, reading=reading)
        return _compare(variants, baked, look, 0.0, faults, progress, empty=True)
    if reading.agreement < LEAST_AGREEMENT:
        faults.append(_fits_nothing(reading, unit_share(baked.values)))
        return LocatedMap(baked, reading, tuple(faults), None, None, None, _grey(shares))
    faults = convention_faults(reading, look.said) + faults
    reading, residual, finer = finer_reading(variants, shares, reading, prior)
    faults += finer
    directions = told_directions(variants, reading, shares)
    fault = directions_fault(directions, variants.settings.directions)
    if directions is not None and fault is not None:
        reading, faults = replace(reading, directions=directions.rule), [*faults, fault]
    look = replace(look, reading=reading)
    found = _compare(variants, baked, look, residual, faults, progress, empty=empty, beside=beside)
    return replace(found, directions=directions, samples=_samples(variants, found, look))


def _samples(variants: Variants, found: LocatedMap, look: FirstLook) -> ToldSamples | None:
    """Tell the samples a texel of a map that is as sharp as its size."""
    record, fault = found.record, found.fault
    if record is None or fault is None or found.blank or found.enlarged > 1 or look.stretch > 1:
        return None
    clean = record.covered & (fault == Fault.CLEAN)
    return told_samples(variants, found.reading, record.shown, record.expected, clean)


def _nearly_blank(variants: Variants, shares: NDArray[np.float32], tile: int) -> bool:
    """Tell whether nearly all texels of a tile on the low poly hold the fill colour."""
    # A thousand texels across tell as much as all.
    size = min(shares.shape[0], THINNED)
    some = (np.arange(size) * 2 + 1) * shares.shape[0] // (2 * size)
    thin = shares[some[:, None], some]
    covered = texel_mask(variants.low(variants.settings.quads), size, tile)
    background = background_of(thin, covered)
    alike = np.abs(thin[covered] - background).max(axis=1) <= FILL_STEP
    return bool(alike.mean() >= BLANK_SHARE) if len(alike) else False


def _fits_nothing(reading: Reading, unit: float) -> ConventionFault:
    text = (
        f"the map fits no tile of this low poly in any reading (best agreement "
        f"{share_text(reading.agreement)})"
    )
    cure = "check that it is of this low poly and this high poly, and the assumed offset and depth"
    if unit < UNIT_SHARE:
        text += (
            f", and only {share_text(unit)} of its texels hold vectors of unit length, as normals "
            "are: it is rather a colour or other picture"
        )
        cure = "pass the normal map"
    return ConventionFault("no-match", text, cure)


def _compare(
    variants: Variants,
    baked: BakedMap,
    look: FirstLook,
    residual: float,
    faults: list[ConventionFault],
    progress: Progress,
    empty: bool = False,
    beside: Beside | None = None,
) -> LocatedMap:
    """Compare a map; empty : it is one colour, so that nothing can be told from its detail."""
    shares, reading = look.shares, look.reading
    baker = variants.baker(reading.quads, reading.normals, reading.directions)
    upright = np.ascontiguousarray(_upright(shares, reading))
    basis = (
        variants.frames(reading.quads, reading.basis, reading.shading)
        if reading.space == "tangent"
        else None
    )
    # A bake without an inward limit records whatever lies behind, and one with far too large an
    # offset what lies across: layers are known all through.
    size = baker.low.diagonal()
    target_depth = DEPTH_SHARE * (variants.settings.depth or 0.0)
    sample = variants.sampled(
        reading.tile, shares.shape[0], variants.settings.quads, variants.normal_choices()[0]
    )
    target_reach = max(HIGHER_SHARE * sample.highest, target_depth)
    # A map that is soft or rounded throughout widens the tolerance a little, not without limit.
    base = float(np.clip(3 * residual, TOLERANCE_DEGREES, 3 * TOLERANCE_DEGREES))
    covered = texel_mask(baker.low, shares.shape[0], reading.tile)
    wanted = variants.settings.padding
    needed = needed_padding(shares.shape[0]) if wanted is None else wanted
    padding = check_padding(upright, covered, needed, baker.scene.threads)
    rule = CompareRule(
        depth=max(size, target_depth), reach=size / 2, target_depth=target_depth,
        target_reach=target_reach, largest_share=LARGEST_SHARE, base_degrees=base,
        fills=_fill_values(padding, reading), fill_step=FILL_STEP,
        enlarged=int(np.ceil(look.stretch)), faceted=reading.shading == "face",
    )  # fmt: skip
    rim = _rim_drawn_in(covered, padding)
    view, patterns = _compared(variants, baked, baker, upright, basis, look, rule, rim, progress)
    lossy = None if empty else block_fault(view)
    soft = None if empty or lossy else softness_fault(view, patterns.fault, upright)
    mixed = rule.enlarged
    if lossy is not None:
        faults = [*faults, lossy[0]]
        rule = replace(rule, base_degrees=max(rule.base_degrees, lossy[1]))
    elif soft is not None and soft[1] > rule.enlarged:
        faults = [*faults, soft[0]]
        rule = replace(rule, enlarged=soft[1])
    else:
        if soft is None and not empty and look.stretch == 1:
            steps = float(2 ** min(baked.bits, 16) - 1)

            def expected() -> NDArray[np.float32]:
                return as_stored(view, baker, basis)

            def in_steps(vectors: NDArray[np.float32]) -> NDArray[np.float32]:
                return np.asarray(np.rint((vectors + 1) / 2 * steps) / steps, np.float32)

            # The rims of what is faulty stand out by themselves.
            clean = covered & (patterns.fault == Fault.CLEAN)
            frequency = lattice(upright, clean, expected, in_steps, reading.straight)
            soft = scaled_fault(view, patterns.fault, frequency)
        faults = [*faults, soft[0]] if soft is not None and soft[1] == 1 else faults
        mixed = SCALED_BACK if soft is not None and soft[1] == 1 else mixed
        soft = None
    if lossy is not None or soft is not None or mixed > rule.enlarged:
        rule = replace(rule, enlarged=max(mixed, rule.enlarged))
        view, patterns = _compared(
            variants, baked, baker, upright, basis, look, rule, rim, progress
        )
    if beside is not None:
        faults = [*faults, *use_beside(variants, beside, reading, view, patterns, rule)]
    parts = part_records(baker.low, view, upright, rule)
    record = keep_record(view, patterns, rule.base_degrees, parts, baker.scene.threads)
    return LocatedMap(
        baked,
        reading,
        tuple(faults),
        record,
        patterns.fault,
        padding,
        _grey(upright),
        empty,
        1 if soft is None else rule.enlarged,
    )


def _compared(
    variants: Variants,
    baked: BakedMap,
    baker: Baker,
    upright: NDArray[np.float32],
    basis: TangentBasis | None,
    look: FirstLook,
    rule: CompareRule,
    rim: Rim,
    progress: Progress,
) -> tuple[TileView, Patterns]:
    reading = look.reading
    view = compare_tile(
        baker, reading.straight, upright, basis, reading.tile, rule, progress=progress
    )
    leave_undetermined(view, baker.low, baker.cage)
    if look.empty is not None:
        empty = _upright(mask_over_tile(look.empty, view.size), reading) & (view.triangle >= 0)
        view.fault[empty & (view.fault != Fault.CLEAN)] = Fault.MISSED
    if rule.enlarged > 1:
        times = _times_enlarged(baked, look, rule.enlarged)
        mixed = explained_by_enlarging(
            view, baker, basis, reading.straight(upright), times, rule.base_degrees
        )
        view.fault[mixed] = Fault.CLEAN
        view.fault[rim(rule.enlarged) & (view.fault == Fault.UNEXPLAINED)] = Fault.PADDING
    wanted: NDArray[np.float32] | None = None
    stored: NDArray[np.float32] | None = None
    if (view.fault == Fault.UNEXPLAINED).any():
        wrong = view.fault != Fault.CLEAN
        wanted = as_stored(view, baker, basis, wrong)
        # Most of a large map is right and not asked for, so that its pages are never touched.
        stored = np.zeros(upright.shape, np.float32)
        stored[wrong] = reading.straight(upright[wrong])
        mild = explained_by_filtering(view, wanted, stored, rule.base_degrees)
        view.fault[mild] = Fault.CLEAN
        mark_smeared(view, baker, basis, wanted, stored, rule.base_degrees)
        finer = explained_by_samples(view, baker, basis, wanted, stored, rule.base_degrees)
        view.fault[finer] = Fault.CLEAN
    patterns = explain_patterns(view, upright, threads=baker.scene.threads, progress=progress)
    if wanted is not None and stored is not None:
        painted = painted_over(patterns.fault, wanted, stored)
        patterns.fault[painted], patterns.shift[painted] = Fault.UNEXPLAINED, 0
        patterns.evidence[painted] |= np.uint8(Evidence.PAINTED)
    if wants_islands(view, patterns.fault):
        wanted = as_stored(view, baker, basis)
        stored = reading.straight(upright)
        moved, shift = moved_islands(view.triangle >= 0, patterns.fault, wanted, stored)
        slid = (patterns.fault == Fault.SKEW) & ~moved
        wrong = patterns.fault != Fault.CLEAN
        # What befell a whole island befell its bends, too, where filters excuse as much.
        with np.errstate(invalid="ignore"):
            visible = wrong | (view.angle > VISIBLE_DEGREES)
        if slid_alike(moved & wrong, shift, slid, patterns.shift):
            alike = moved & (patterns.fault == Fault.UNEXPLAINED)
            patterns.fault[alike], patterns.shift[alike] = Fault.SKEW, shift[alike]
            moved[:] = False
        moved &= visible
        patterns.fault[moved], patterns.shift[moved] = Fault.ISLAND_MOVED, shift[moved]
        painted = (patterns.evidence & Evidence.PAINTED) > 0
        over = turned_islands(view.triangle >= 0, patterns.fault, wanted, stored, painted)
        over &= visible
        patterns.fault[over], patterns.shift[over] = Fault.SEAM, 0
        patterns.evidence[over] |= np.uint8(Evidence.TURNED)
    sample = variants.sampled(reading.tile, view.size, reading.quads, reading.normals)
    painted = (patterns.evidence & Evidence.PAINTED) > 0
    moved = mark_moved(baker, view, patterns.fault, painted, sample, rule)
    patterns.shift[moved], patterns.evidence[moved] = 0, 0
    # A map that was scaled is soft all over: its rims are told apart by nothing.
    if rule.enlarged == 1:
        grow_places(view, patterns, rule.base_degrees)
    return view, patterns


def _times_enlarged(baked: BakedMap, look: FirstLook, enlarged: int) -> tuple[int, int]:
    """Return how many times the map was enlarged along rows and along columns."""
    if enlarged > np.ceil(look.stretch):
        return enlarged, enlarged
    width, height = baked.size if look.reading.turn < 4 else baked.size[::-1]
    return (enlarged, 1) if height < width else (1, enlarged)


def _rim_drawn_in(covered: NDArray[np.bool_], padding: Padding) -> Rim:
    """Return where enlarging draws bare background into the islands, for so many times."""
    box = np.ones((3, 3), bool)

    def rim(times: int) -> NDArray[np.bool_]:
        if not padding.too_thin:
            return np.zeros(covered.shape, bool)
        return covered & binary_dilation(~covered, box, iterations=2 * times)

    return rim


def _upright(values: NDArray[Any], reading: Reading) -> NDArray[Any]:
    return turned(values, reading.turn)


def _fill_values(padding: Padding, reading: Reading) -> tuple[tuple[float, float, float], ...]:
    """Return the stored values that may stand for "nothing recorded": background, black, flat."""
    flat = np.full(3, 128 / 255)
    if reading.space == "tangent":
        flat[reading.channels[2]] = 1.0
    if reading.transfer != "plain":
        flat = (encode_srgb if reading.transfer == "srgb-encoded" else decode_srgb)(flat)
    fills = {tuple(float(v) for v in padding.background), (0.0, 0.0, 0.0)}
    fills.add(tuple(float(v) for v in flat))
    return tuple(sorted(fills))  # type: ignore[arg-type]


def _grey(shares: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return (H, W) uint8: the means of the channels."""
    out = np.empty(shares.shape[:2], np.uint8)
    _mean_of_channels(shares, out)
    return out


@njit(cache=True, nogil=True)
def _mean_of_channels(shares: NDArray[np.float32], out: NDArray[np.uint8]) -> None:
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            total = shares[y, x, 0] + shares[y, x, 1] + shares[y, x, 2]
            out[y, x] = np.uint8(total / np.float32(3) * np.float32(255))
