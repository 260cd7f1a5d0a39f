"""Did the high poly move since the bake? One move in space then brings a whole part's picture back.

A map of a high poly that lay elsewhere shows, along every ray, what that ray meets when it is moved
the other way. The move is looked for by casting some texels of a part so: first along all sides,
from half a texel to a multiple of the cage's distance, then ever finer around the best. A place
whose rays leaned, an island that was moved or a sculpt that was changed agrees with no single move
of the whole part.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, label

from cagecheck.arrays.types import Floats, Ints
from cagecheck.locating.compare import BETTER, CompareRule, Fault, TileView, is_known
from cagecheck.locating.conventions import Sampled
from cagecheck.locating.goals import find_goals
from cagecheck.maps.texels import texel_blocks
from cagecheck.predicting.maps.bake import Baker
from cagecheck.rays.cage import Rays
from cagecheck.rays.points import SurfacePoints

# Kinds that a moved surface is taken for where neither its layers nor its picture tell.
OPEN = (Fault.UNEXPLAINED, Fault.SKEW, Fault.NOISE, Fault.SEAM, Fault.ISLAND_MOVED)
# A part is asked where so much of it differs by more than rounding: other faults are places, and a
# clean map differs at bends only.
ASKED_SHARE = 0.15
# Fewer texels of a part than this tell no move; so many are cast to look around, to search near by
# and to decide.
LEAST_TEXELS, LOOKED, SEARCHED, DECIDED = 200, 300, 700, 2500
# Whatever is not still agrees better than it by so much, or nothing moved.
LEAST_GAIN = 0.02
# Of a flat part (this share of its normals' squares along one line) nothing tells a move of the
# surface from a move of its picture.
FLAT_SHARE = 0.9
# Moves are looked for from half a texel to so many distances of the cage; farther off rays meet
# something else altogether.
LEAST_MOVE, MOST_MOVE = 0.5, 2.0
# The best of each length is refined down to this share of a texel.
FINEST, REFINED = 0.05, 3
# Angles that count as agreement while a move is looked for, half way down.
WIDE_DEGREES = 10.0
# A texel tells where the two places of the surface differ by more than filters and 8 bits do; so
# many of those must be much nearer to the moved surface, as many as are of a clean map.
TELLING_DEGREES, LEAST_TELLING, LEAST_NEARER = 3.0, 60, 0.75
# What is left in a place is of the move, where so much of it is.
JOINED_SHARE = 0.5

SIDES = np.array([s for s in itertools.product((-1.0, 0.0, 1.0), repeat=3) if any(s)])
SIDES /= np.linalg.norm(SIDES, axis=1, keepdims=True)


@dataclass(frozen=True, eq=False)
class Asked:
    """Some texels of a part: points and rays of the bake, and (N, 3) the normals that they show."""

    points: SurfacePoints
    rays: Rays
    shown: Floats

    def some(self, count: int) -> Asked:
        """Return about `count` of them, evenly picked."""
        rows = np.arange(len(self.shown))[:: max(len(self.shown) // count, 1)]
        rays = Rays(self.rays.origin[rows], self.rays.direction[rows], self.rays.start[rows])
        return Asked(self.points.take(rows), rays, self.shown[rows])


def mark_moved(
    baker: Baker,
    view: TileView,
    fault: NDArray[np.uint8],
    painted: NDArray[np.bool_],
    sample: Sampled,
    rule: CompareRule,
) -> NDArray[np.bool_]:
    """Mark the texels of a tile that show a high poly which moved since, and tell by how much.

    fault : (H, W) the faults so far, changed in place; `view.gap` gets the length of the move
    (world units). painted : (H, W) bool, places of one colour. sample : even texels of the tile.
    Returns the marks.
    """
    marks = np.zeros(fault.shape, bool)
    part_of = baker.low.triangle_part
    points = sample.points
    assert points is not None
    part, kind = part_of[points.triangle], fault[sample.y, sample.x]
    open_ones = np.isin(kind, (*OPEN, Fault.CLEAN))
    with np.errstate(invalid="ignore"):
        off = open_ones & (view.angle[sample.y, sample.x] > rule.base_degrees)
    count = np.bincount(part[open_ones], minlength=len(baker.low.part_names))
    wrong = np.bincount(part[off], minlength=len(count))
    for number in np.flatnonzero((count >= LEAST_TEXELS) & (wrong >= ASKED_SHARE * count)):
        rows = np.flatnonzero((part == number) & open_ones)
        if _is_flat(baker.low.face_normals[points.triangle[rows]]):
            continue
        chosen = points.take(rows)
        shown = view.shown[sample.y[rows], sample.x[rows]].astype(np.float64)
        asked = Asked(chosen, baker.matcher.rays(baker.cage, chosen), shown).some(DECIDED)
        move = find_move(baker, asked, rule)
        if move is not None:
            marks |= _mark_part(baker, view, fault, painted, int(number), move, rule)
    return marks


def _is_flat(normals: Floats) -> bool:
    spread = np.linalg.eigvalsh(normals.T @ normals)
    return bool(spread[-1] >= FLAT_SHARE * spread.sum())


def find_move(baker: Baker, asked: Asked, rule: CompareRule) -> Floats | None:
    """Return (3,) how the bake's high poly lay beside the one in hand, world units; None if not."""
    texel = float(np.sqrt(np.median(asked.points.area)))
    farthest = MOST_MOVE * float(np.median(asked.rays.start))

    def fit_of(some: Asked) -> Callable[[Floats], float]:
        def fit(move: Floats) -> float:
            normal = normals_at(baker, some.points, some.rays, move, rule)
            chord = ((some.shown - normal) ** 2).sum(axis=1)
            return float(np.exp(-chord / np.radians(WIDE_DEGREES) ** 2).mean())

        return fit

    look, fit = fit_of(asked.some(LOOKED)), fit_of(asked.some(SEARCHED))
    lengths = [LEAST_MOVE * texel]
    while lengths[-1] * 2 <= farthest:
        lengths.append(lengths[-1] * 2)
    found = []
    for length in lengths:
        value, k = max((look(length * side), k) for k, side in enumerate(SIDES))
        found.append((value, length * SIDES[k], length))
    found.sort(key=lambda f: -f[0])
    if found[0][0] < look(np.zeros(3)) + LEAST_GAIN:
        return None
    best, move = fit(np.zeros(3)), np.zeros(3)
    for _, start, length in found[:REFINED]:
        value, refined = _refined(fit, start, fit(start), length / 2, FINEST * texel)
        if value > best:
            best, move = value, refined
    return move if _moved_as_a_whole(baker, asked, move, rule) else None


def _refined(
    fit: Callable[[Floats], float], move: Floats, value: float, step: float, finest: float
) -> tuple[float, Floats]:
    """Go to the best of all sides, halving the step where none is better."""
    while step >= finest:
        tried = [(fit(move + step * side), k) for k, side in enumerate(SIDES)]
        best, k = max(tried)
        if best > value:
            value, move = best, move + step * SIDES[k]
        else:
            step /= 2
    return value, move


def _moved_as_a_whole(baker: Baker, asked: Asked, move: Floats, rule: CompareRule) -> bool:
    """Tell whether nearly all texels that can tell agree far better with the moved surface."""
    here = normals_at(baker, asked.points, asked.rays, np.zeros(3), rule)
    there = normals_at(baker, asked.points, asked.rays, move, rule)
    known = is_known(here) & is_known(there)
    telling = known & (np.linalg.norm(here - there, axis=1) > np.radians(TELLING_DEGREES))
    if telling.sum() < LEAST_TELLING:
        return False
    off_here, off_there = (
        np.linalg.norm(asked.shown - normal, axis=1)[telling] for normal in (here, there)
    )
    return bool(np.mean(off_there <= BETTER * off_here) >= LEAST_NEARER)


def normals_at(
    baker: Baker, points: SurfacePoints, rays: Rays, move: Floats, rule: CompareRule
) -> Floats:
    """Return (N, 3) normals that rays record of the high poly moved so; zero for nothing."""
    moved = Rays(rays.origin - move, rays.direction, rays.start)
    goal = find_goals(baker, points, moved, rule.target_depth, rule.target_reach)
    return baker.shading.along(goal.face, moved.origin, moved.direction, goal.t)


def _mark_part(
    baker: Baker,
    view: TileView,
    fault: NDArray[np.uint8],
    painted: NDArray[np.bool_],
    part: int,
    move: Floats,
    rule: CompareRule,
) -> NDArray[np.bool_]:
    """Mark the texels of one part that show the moved surface, and what is left among them."""
    mine = np.zeros(fault.shape, bool)
    marks = np.zeros(fault.shape, bool)
    for block in texel_blocks(baker.low, view.size, view.tile):
        rows = np.flatnonzero(baker.low.triangle_part[block.points.triangle] == part)
        y, x = block.y[rows], block.x[rows]
        mine[y, x] = True
        with np.errstate(invalid="ignore"):
            off = view.angle[y, x] > rule.base_degrees
        rows, y, x = rows[off], y[off], x[off]
        if len(rows) == 0:
            continue
        points = block.points.take(rows)
        rays = baker.matcher.rays(baker.cage, points)
        normal = normals_at(baker, points, rays, move, rule)
        chord = np.linalg.norm(view.shown[y, x] - normal, axis=1)
        there = np.degrees(2 * np.arcsin(np.clip(chord / 2, 0, 1)))
        fits = there <= BETTER * view.angle[y, x]
        marks[y[fits], x[fits]] = True
    marks |= _left_among(fault, mine & ~painted, marks)
    fault[marks] = Fault.HIGH_MOVED
    view.gap[marks] = np.linalg.norm(move)
    return marks


def _left_among(
    fault: NDArray[np.uint8], mine: NDArray[np.bool_], marks: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Tell what is open in places that mostly show the moved surface: borders and fine bends."""
    left = mine & np.isin(fault, OPEN) & ~marks
    either = left | marks
    labels: Ints
    labels, count = label(binary_dilation(either), np.ones((3, 3), np.int8))
    whole = np.bincount(labels[either], minlength=count + 1)
    moved = np.bincount(labels[marks], minlength=count + 1)
    return left & (moved >= JOINED_SHARE * np.maximum(whole, 1))[labels]
