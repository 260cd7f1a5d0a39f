"""What other maps of the same bake say about the texels of a normal map.

A height or a position says how far out the recorded surface lay, and a part map whose it was, where
a normal may fit several layers or none. An object-space normal does not depend on tangent frames.
All of them are read by what they show where the normal map is right: heights and positions by a
straight line through most texels, parts by the colour that most texels of a part have.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.locating.beside_maps import BesideMap
from cagecheck.locating.compare import (
    BLEED,
    CompareRule,
    Evidence,
    Fault,
    TileView,
    chosen_points,
    fault_of_layer,
    is_known,
)
from cagecheck.locating.conventions import (
    LEAST_AGREEMENT,
    TURNS,
    ConventionFault,
    Reading,
    Sampled,
    agreement_at,
    channel_ways,
    turned,
)
from cagecheck.locating.goals import DEPTH_SHARE, find_goals
from cagecheck.locating.patterns import Patterns
from cagecheck.locating.variants import Variants
from cagecheck.loops import njit
from cagecheck.maps.texels import texel_blocks
from cagecheck.predicting.maps.bake import Baker
from cagecheck.words.lengths import length_words
from cagecheck.words.sentences import count_words

# Texels that a line is laid through, and fewer than which say nothing.
FITTED, LEAST_FITTED = 20_000, 200
# Rounds after which a line no longer moves.
LINE_ROUNDS = 6
# A line must explain so much of what values differ by.
LEAST_EXPLAINED = 0.8
# Values within so many of their own scatters (1.48 times the median deviation) are on the line.
SCATTERS = 5.0
# Colours of one part lie within a few 8-bit steps (compression, filters); it has so much of it.
COLOUR_STEP, LEAST_OF_PART = 8 / 255, 0.3
# So many texels at one end of a range are clipped, and occlusion as dark as this is black.
LEAST_CLIPPED, BLACK, LEAST_BLACK, BRIGHT = 50, 0.06, 50, 0.3
# A recorded place so many texels beside its ray shows a ray that leaned.
LEAST_ASIDE = 1.5
# Faults that another map can show to be the map's own and not the rays'.
_OPEN = (Fault.UNEXPLAINED, Fault.SEAM, Fault.NOISE, Fault.SKEW)
_LAYERS = (Fault.OTHER_PART, Fault.OTHER_FOLD, Fault.TOO_DEEP)


@dataclass(frozen=True, eq=False)
class PartColours:
    """colour : (K, 3) of a part map; part : (K,) int32 the high part that each stands for."""

    colour: NDArray[np.float32]
    part: Ints

    def of(self, values: NDArray[np.float32]) -> Ints:
        """Return the (N,) parts of (N, 3) values, -1 where none has that colour."""
        out = np.full(len(values), -1, np.int32)
        for colour, part in zip(self.colour, self.part, strict=True):
            out[(np.abs(values - colour) <= COLOUR_STEP).all(axis=1)] = part
        return out


@dataclass(frozen=True, eq=False)
class Beside:
    """The other maps of a bake, by tile, and what part colours mean in all of them."""

    maps: tuple[BesideMap, ...]
    colours: PartColours | None

    def of(self, tile: int) -> list[BesideMap]:
        """Return the maps of a tile."""
        return [m for m in self.maps if m.tile == tile]


@dataclass(frozen=True, eq=False)
class Told:
    """What other maps say of a tile's texels, (H, W) each.

    height : of the recorded surface above the low poly, NaN unknown; slack : by how much heights
    may be off; aside : how far beside its ray the recorded place lies, world units, NaN unknown;
    part : the high part that was recorded, -1 unknown; right : object-space normals are right.
    """

    height: NDArray[np.float32]
    slack: float
    aside: NDArray[np.float32]
    part: Ints
    right: NDArray[np.bool_]


def read_beside(variants: Variants, maps: Sequence[BesideMap], tiles: Sequence[int]) -> Beside:
    """Give maps without a tile the only one there is, and learn the colours of parts."""
    only = tiles[0] if len(tiles) == 1 else None
    placed = tuple(m if m.tile is not None else replace(m, tile=only) for m in maps)
    shading = variants.normal_choices()[0]
    votes: list[tuple[NDArray[np.float32], Ints]] = []
    for found in placed:
        tile = found.tile
        if found.kind != "part" or tile is None or tile not in tiles:
            continue
        size = found.values.shape[0]
        sample = variants.sampled(tile, size, variants.settings.quads, shading)
        assert sample.points is not None
        baker = variants.baker(variants.settings.quads, shading)
        rays = baker.matcher.rays(baker.cage, sample.points)
        goal = find_goals(baker, sample.points, rays, DEPTH_SHARE * (variants.settings.depth or 0))
        known = goal.face >= 0
        part = variants.scene.surface.triangle_part[goal.face[known]]
        ways = [
            turned(found.values, turn)[sample.y[known], sample.x[known]]
            for turn in range(len(TURNS))
            if turned(found.values, turn).shape == found.values.shape
        ]
        seen = max(ways, key=lambda way: _purity(way, part))
        votes.append((seen, part.astype(np.int32)))
    return Beside(placed, _learn_colours(votes))


def _table(values: NDArray[np.float32], part: Ints) -> tuple[NDArray[np.int64], Ints, Floats]:
    """Return the colours (K, 8-bit steps in one number), the parts (P,) and their (K, P) count."""
    codes = np.rint(values * 255).astype(np.int64)
    key = (codes[:, 0] << 16) | (codes[:, 1] << 8) | codes[:, 2]
    kinds, kind = np.unique(key, return_inverse=True)
    parts, number = np.unique(part, return_inverse=True)
    table = np.zeros((len(kinds), len(parts)))
    np.add.at(table, (kind, number), 1)
    return kinds, parts, table


def _purity(values: NDArray[np.float32], part: Ints) -> float:
    """Return how well few colours stand for the parts, whichever way up the map lies."""
    _, _, table = _table(values, part)
    return float(table.max(axis=0).sum())


def _learn_colours(votes: list[tuple[NDArray[np.float32], Ints]]) -> PartColours | None:
    """Return the colours that large shares of a part's texels have, each for its likeliest part."""
    if not votes:
        return None
    values = np.concatenate([v for v, _ in votes])
    part = np.concatenate([p for _, p in votes])
    kinds, parts, table = _table(values, part)
    share = table / table.sum(axis=0)
    best = share.argmax(axis=1)
    told = np.flatnonzero(share[np.arange(len(kinds)), best] >= LEAST_OF_PART)
    if len(told) == 0:
        return None
    colour = np.stack([kinds[told] >> 16, (kinds[told] >> 8) & 255, kinds[told] & 255], axis=1)
    return PartColours((colour / 255).astype(np.float32), parts[best[told]].astype(np.int32))


def use_beside(
    variants: Variants, beside: Beside, reading: Reading, view: TileView, patterns: Patterns,
    rule: CompareRule,
) -> list[ConventionFault]:  # fmt: skip
    """Judge a tile's texels again by the other maps, in place; return what is wrong with those."""
    mine = beside.of(view.tile)
    if not mine:
        return []
    baker = variants.baker(reading.quads, reading.normals, reading.directions)
    sample = variants.sampled(view.tile, view.size, reading.quads, reading.normals)
    told, faults = _gather(baker, sample, beside, mine, reading, view, patterns)
    _judge(baker, told, view, patterns, rule)
    return faults


def _gather(
    baker: Baker, sample: Sampled, beside: Beside, maps: list[BesideMap], reading: Reading,
    view: TileView, patterns: Patterns,
) -> tuple[Told, list[ConventionFault]]:  # fmt: skip
    shape = view.fault.shape
    height = np.full(shape, np.nan, np.float32)
    aside = np.full(shape, np.nan, np.float32)
    slack, part, right = np.inf, np.full(shape, -1, np.int32), np.zeros(shape, bool)
    faults: list[ConventionFault] = []
    clean = (patterns.fault == Fault.CLEAN) & np.isfinite(view.target)
    for found in maps:
        values = _sized(turned(found.values, reading.turn), view.size)
        if found.kind == "part" and beside.colours is not None:
            on = view.triangle >= 0
            part[on] = beside.colours.of(values[on])
            continue
        known = True
        if found.kind == "occlusion":
            faults += _black_places(baker, found, values[..., 0], view, clean)
        elif found.kind == "object":
            angle = _object_angle(values, sample, view)
            known = angle is not None
            if angle is not None:
                right |= angle <= rule_degrees(patterns, view)
        elif found.kind == "height":
            # What lies at an end of the range may lie anywhere beyond it.
            within = (values[..., 0] > 0) & (values[..., 0] < 1)
            line = fit_line(view.target[clean & within], values[clean & within][:, 0])
            known = line is not None
            if line is not None and line.slack < slack:
                height, slack = line.back(values[..., 0]), line.slack
                height[~within] = np.nan
                faults += _clipped(found, values[..., 0], view, line)
        elif found.kind == "position":
            place = _places(values, baker, sample, clean)
            known = place is not None
            if place is not None:
                along, beside_ray = _along_rays(baker, place[0], view)
                aside = np.where(beside_ray > place[1], beside_ray, 0).astype(np.float32)
                if place[1] < slack:
                    height, slack = along, place[1]
        if not known or (found.kind == "part" and beside.colours is None):
            faults.append(_unread(found))
    return Told(height, float(slack), aside, part, right), faults


def rule_degrees(patterns: Patterns, view: TileView) -> float:
    """Return the angle within which nearly all clean texels are: what this map's filters leave."""
    clean = view.angle[(patterns.fault == Fault.CLEAN) & np.isfinite(view.angle)]
    return float(np.quantile(clean, 0.99)) + 1.0 if len(clean) else 3.0


def _unread(found: BesideMap) -> ConventionFault:
    return ConventionFault(
        "beside-unread",
        f"{found.path.name} does not fit the meshes as a map of kind {found.kind}, and was not "
        "used",
        "check that it is of the same bake, and its kind (--beside KIND=FILE)",
    )


def _sized(values: NDArray[np.float32], size: int) -> NDArray[np.float32]:
    """Return a map at another size, each texel the nearest of the map's own."""
    rows, columns = (
        np.minimum((np.arange(size) + 0.5) * n / size, n - 1).astype(np.int64)
        for n in values.shape[:2]
    )
    same = values.shape[:2] == (size, size)
    return values if same else values[rows[:, None], columns]


@dataclass(frozen=True)
class Line:
    """value = slope * x + base, and by how much x may be off."""

    slope: float
    base: float
    slack: float

    def back(self, values: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the x of values."""
        return ((values - self.base) / self.slope).astype(np.float32)


def fit_line(x: Floats | NDArray[np.float32], value: NDArray[np.float32]) -> Line | None:
    """Lay a line through most of N points; None where they lie on none.

    It begins with the median slope of pairs half the points apart (Theil, Proceedings KNAW 53,
    1950), which strangers do not sway; then least squares, each time without what lies off the
    line before.
    """
    some = slice(None, None, max(len(x) // FITTED, 1))
    x64, y64 = x[some].astype(np.float64), value[some].astype(np.float64)
    if len(x64) < LEAST_FITTED or np.ptp(x64) == 0 or np.ptp(y64) == 0:
        return None
    order = np.argsort(x64, kind="stable")
    half = len(order) // 2
    first, second = order[:half], order[half : 2 * half]
    apart = x64[second] > x64[first]
    slope = float(np.median((y64[second] - y64[first])[apart] / (x64[second] - x64[first])[apart]))
    base = float(np.median(y64 - slope * x64))
    use = np.ones(len(x64), bool)
    scatter = 0.0
    for _ in range(LINE_ROUNDS):
        off = np.abs(y64 - slope * x64 - base)
        scatter = 1.4826 * float(np.median(off))
        use = off <= max(SCATTERS * scatter, 1e-9)
        slope, base = np.polyfit(x64[use], y64[use], 1)
    spread = float(np.std(y64[use]))
    explained = 1 - float(np.var(y64[use] - slope * x64[use] - base)) / max(spread**2, 1e-30)
    if use.mean() < LEAST_EXPLAINED or explained < LEAST_EXPLAINED or slope == 0:
        return None
    return Line(float(slope), float(base), SCATTERS * scatter / abs(slope))


def _clipped(
    found: BesideMap, values: NDArray[np.float32], view: TileView, line: Line
) -> list[ConventionFault]:
    """Tell heights beyond the range of the map."""
    on = np.isfinite(view.target)
    wanted = line.slope * view.target + line.base
    margin = abs(line.slope) * line.slack
    out = []
    for end, beyond in ((0.0, wanted < -margin), (1.0, wanted > 1 + margin)):
        count = int((on & beyond & (np.abs(values - end) < 1 / 255)).sum())
        if count >= LEAST_CLIPPED:
            out.append(
                ConventionFault(
                    "height-clipped",
                    f"{count_words(count, 'texel')} of {found.path.name} lie "
                    f"{'below' if end == 0 else 'above'} its range, which ends "
                    f"{length_words(float((end - line.base) / line.slope))} from the low poly",
                    "bake the height with a wider range, or in floating point",
                )
            )
    return out


def _object_angle(
    values: NDArray[np.float32], sample: Sampled, view: TileView
) -> NDArray[np.float32] | None:
    """Return (H, W) degrees between an object-space map and what belongs; None where none fits."""
    some = sample.some(2000)
    at = values[some.y, some.x]
    ways = [
        Reading(sample.tile, space="object", channels=channels, signs=signs)
        for space, channels, signs in channel_ways()
        if space == "object"
    ]
    best = max(ways, key=lambda way: agreement_at(at, some, way))
    if agreement_at(values[sample.y, sample.x], sample, best) < LEAST_AGREEMENT:
        return None
    shown = best.straight(values)
    chord = np.linalg.norm(shown - view.expected, axis=2)
    known = is_known(view.expected)
    angle = np.degrees(2 * np.arcsin(np.clip(chord / 2, 0, 1)))
    return np.where(known, angle, np.inf).astype(np.float32)


def _places(
    values: NDArray[np.float32], baker: Baker, sample: Sampled, clean: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], float] | None:
    """Return (H, W, 3) recorded places and how far they may be off; None where they fit no axes."""
    assert sample.points is not None
    rays = baker.matcher.rays(baker.cage, sample.points)
    goal = find_goals(baker, sample.points, rays, DEPTH_SHARE * baker.rule.depth)
    rows = np.flatnonzero((goal.face >= 0) & clean[sample.y, sample.x])
    if len(rows) < LEAST_FITTED:
        return None
    place = rays.origin[rows] + goal.t[rows, None] * rays.direction[rows]
    seen = values[sample.y[rows], sample.x[rows]]
    out = np.empty_like(values)
    slack = 0.0
    for axis in range(3):
        lines = [(fit_line(place[:, axis], seen[:, channel]), channel) for channel in range(3)]
        known = [(line, channel) for line, channel in lines if line is not None]
        if not known:
            return None
        line, channel = min(known, key=lambda k: k[0].slack)
        out[..., axis] = line.back(values[..., channel])
        slack += line.slack**2
    return out, float(np.sqrt(slack))


def _along_rays(
    baker: Baker, place: NDArray[np.float32], view: TileView
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return (H, W) heights of recorded places along the texels' rays, and how far aside."""
    along = np.full(view.fault.shape, np.nan, np.float32)
    aside = np.full(view.fault.shape, np.nan, np.float32)
    for block in texel_blocks(baker.low, view.size, view.tile):
        rays = baker.matcher.rays(baker.cage, block.points)
        away = place[block.y, block.x] - rays.origin
        t = np.einsum("ij,ij->i", away, rays.direction)
        along[block.y, block.x] = t
        aside[block.y, block.x] = np.linalg.norm(away - t[:, None] * rays.direction, axis=1)
    return along, aside


def _black_places(
    baker: Baker, found: BesideMap, values: NDArray[np.float32], view: TileView,
    clean: NDArray[np.bool_],
) -> list[ConventionFault]:  # fmt: skip
    """Tell black occlusion where the normals are right, and the other part that lies over it."""
    if not clean.any() or np.median(values[clean]) < BRIGHT:
        return []
    black = clean & (values <= BLACK)
    if black.sum() < LEAST_BLACK:
        return []
    points, x, y = chosen_points(baker.low, view.tile, black)
    rays = baker.matcher.rays(baker.cage, points)
    layers = replace(baker.matcher, apart=False).layers(points, rays, 0.0, baker.low.diagonal() / 4)
    own = baker.low.triangle_part[points.triangle][layers.ray]
    part = baker.scene.surface.triangle_part[layers.face]
    over = layers.t - view.target[y, x][layers.ray]
    strange = (over > 0) & ~baker.matcher.paired[own, part]
    if len(np.unique(layers.ray[strange])) < LEAST_BLACK:
        return []
    names = baker.scene.surface.part_names
    name = names[int(np.bincount(part[strange]).argmax())]
    gap = length_words(float(np.median(over[strange])))
    count = count_words(len(np.unique(layers.ray[strange])), "texel")
    return [
        ConventionFault(
            "black-occlusion",
            f"{found.path.name} is black on {count} where the normals are right: {name} lies "
            f"{gap} above them and keeps the light off",
            "bake the occlusion part by part too, or take the neighbours out of the way for it",
        )
    ]


def _judge(baker: Baker, told: Told, view: TileView, patterns: Patterns, rule: CompareRule) -> None:
    """Ask the layers of every texel that is faulty, or that another map speaks against."""
    fault = patterns.fault
    kept = fault.copy()
    on = view.triangle >= 0
    slack = told.slack + BLEED * _steepest_target(view.target)
    with np.errstate(invalid="ignore"):
        known = np.isfinite(told.height) & np.isfinite(view.target)
        off = known & (np.abs(told.height - view.target) > slack)
    own = np.zeros(fault.shape, bool)
    low_part = np.where(on, baker.low.triangle_part[np.maximum(view.triangle, 0)], 0)
    named = on & (told.part >= 0)
    own[named] = baker.matcher.paired[low_part[named], told.part[named]]
    asked = on & (fault != Fault.PADDING)
    asked &= (fault != Fault.CLEAN) | off | (named & ~own)
    # A texel of one wrong value in a map that is right all around is the other map's own trouble.
    if asked.any():
        points, x, y = chosen_points(baker.low, view.tile, asked)
        rays = baker.matcher.rays(baker.cage, points)
        reach = np.maximum(rays.start * rule.largest_share, rule.reach)
        layers = replace(baker.matcher, apart=False).layers(points, rays, rule.depth, reach)
        out = fault[y, x]
        gap, other = view.gap[y, x].astype(np.float64), view.other[y, x]
        evidence = patterns.evidence[y, x]
        _ask(
            layers.first, layers.t.astype(np.float64), layers.face,
            baker.scene.surface.triangle_part, baker.matcher.paired,
            baker.low.triangle_part[points.triangle],
            np.where(known[y, x], told.height[y, x], np.nan).astype(np.float64),
            view.target[y, x].astype(np.float64), slack[y, x].astype(np.float64),
            told.part[y, x], told.right[y, x], out, gap, other, evidence,
        )  # fmt: skip
        fault[y, x], view.gap[y, x], view.other[y, x] = out, gap, other
        patterns.evidence[y, x] = evidence
        # Another map alone is believed where it speaks for more than a few texels.
        lone = (kept == Fault.CLEAN) & (fault != Fault.CLEAN)
        if lone.sum() < LEAST_BLACK:
            fault[lone] = Fault.CLEAN
    texel = float(np.sqrt(np.median(points.area))) if asked.any() else 0.0
    with np.errstate(invalid="ignore"):
        slid = on & (told.aside > LEAST_ASIDE * texel) & np.isin(fault, _OPEN) & (texel > 0)
    fault[slid] = Fault.SKEW
    if slid.any():
        patterns.shift[slid] = np.stack([told.aside[slid] / texel, np.zeros(slid.sum())], axis=1)
        patterns.evidence[slid] |= np.uint8(Evidence.SEEN)
    patterns.shift[fault != Fault.SKEW] = 0


def _steepest_target(target: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return (H, W) by how much the height that belongs changes to a neighbour, 0 unknown."""
    out = np.zeros(target.shape, np.float32)
    for axis in (0, 1):
        step = np.abs(np.diff(target, axis=axis))
        step = np.where(np.isfinite(step), step, 0)
        low = [slice(None), slice(None)]
        high = [slice(None), slice(None)]
        low[axis], high[axis] = slice(None, -1), slice(1, None)
        out[tuple(low)] = np.maximum(out[tuple(low)], step)
        out[tuple(high)] = np.maximum(out[tuple(high)], step)
    return out


_CLEAN, _UNEXPLAINED = int(Fault.CLEAN), int(Fault.UNEXPLAINED)
_OTHER_PART, _OTHER_FOLD = int(Fault.OTHER_PART), int(Fault.OTHER_FOLD)
_TOO_DEEP, _MISSED = int(Fault.TOO_DEEP), int(Fault.MISSED)
_SEEN, _RIGHT = int(Evidence.SEEN), int(Evidence.RIGHT)


@njit(cache=True, nogil=True)
def _ask(
    first: NDArray[np.int64],
    t: Floats,
    face: Ints,
    face_part: Ints,
    paired: NDArray[np.bool_],
    low_part: Ints,
    height: Floats,
    target: Floats,
    slack: Floats,
    named: Ints,
    right: NDArray[np.bool_],
    fault: NDArray[np.uint8],
    gap: Floats,
    other: Ints,
    evidence: NDArray[np.uint8],
) -> None:
    """Name the layer that each texel recorded, as other maps say; see `Told`."""
    for i in range(len(fault)):
        known = not np.isnan(height[i])
        belongs = known and abs(height[i] - target[i]) <= slack[i]
        mine = named[i] < 0 or paired[low_part[i], named[i]]
        if fault[i] == _MISSED:
            continue
        if not belongs or not mine:
            best, found = np.inf, -1
            for k in range(first[i], first[i + 1]):
                part = face_part[face[k]]
                if named[i] >= 0 and part != named[i]:
                    continue
                if abs(t[k] - target[i]) <= 1e-12:
                    continue
                # The part alone says too little: the layer farthest out is what a ray meets first.
                away = abs(t[k] - height[i]) if known else -t[k]
                if away < best and (not known or away <= slack[i]):
                    best, found = away, k
            if found >= 0 and (known or not mine):
                part = face_part[face[found]]
                other[i] = part
                evidence[i] |= _SEEN
                fault[i], gap[i] = fault_of_layer(t[found], target[i], paired[low_part[i], part])
                continue
            if not mine:
                fault[i], other[i] = _OTHER_PART, named[i]
                evidence[i] |= _SEEN
                continue
        layered = fault[i] == _OTHER_PART or fault[i] == _OTHER_FOLD or fault[i] == _TOO_DEEP
        if layered and (belongs or (fault[i] == _OTHER_PART and named[i] >= 0 and mine)):
            # A normal that fits another layer by chance.
            fault[i] = _UNEXPLAINED
            gap[i], other[i] = np.nan, -1
        if fault[i] == _UNEXPLAINED and (right[i] or belongs):
            evidence[i] |= _RIGHT
