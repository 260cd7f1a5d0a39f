"""Which of two parts lies outside: the one that lines meet first and last.

Lines are cast through points of both where the parts are near each other. Of those that meet both
parts, each end is the outer part's, whichever way faces are turned, open or double-sided.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.find import Clash, Clashes
from cagecheck.chores.clash.solids import Solid
from cagecheck.errors import InputError
from cagecheck.meshes.mesh import Surface
from cagecheck.rays.scene import Scene

# Lines through so many points; a point has one line, of a direction drawn evenly over the sphere.
_LINES, _SEED = 4000, 20
# A part lies outside when at least this share of the ends is its own.
_OUTSIDE = 0.7
_FEW = 20

Key = tuple[int, str]


def outside_share(one: Solid, other: Solid) -> float | None:
    """Return the share of line ends that are `one`'s; None where hardly a line meets both."""
    low = np.maximum(one.box[0], other.box[0])
    high = np.minimum(one.box[1], other.box[1])
    room = 0.05 * np.linalg.norm(np.subtract(*one.box))
    points = np.concatenate([_points_in(solid, low - room, high + room) for solid in (one, other)])
    if len(points) == 0:
        return None
    generator = np.random.default_rng(_SEED)
    if len(points) > _LINES:
        points = points[np.sort(generator.choice(len(points), _LINES, replace=False))]
    ways = generator.normal(size=points.shape)
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    count = len(one.triangles)
    surface = Surface(
        np.concatenate([one.positions, other.positions]),
        np.concatenate([one.triangles, other.triangles + len(one.positions)]).astype(np.int32),
        np.repeat(np.arange(2, dtype=np.int32), [count, len(other.triangles)]),
        (one.name, other.name),
    )
    far = 4.0  # parts lie in a frame of size 1
    layers = Scene(surface).cast(points, ways, far, far)
    is_one = layers.face < count
    met = np.diff(layers.first)
    rows = np.flatnonzero(met > 1)
    begin, end = layers.first[rows], layers.first[rows + 1]
    sums = np.concatenate([[0], np.cumsum(is_one)])
    ones = sums[end] - sums[begin]
    both = (ones > 0) & (ones < end - begin)
    if both.sum() < _FEW:
        return None
    ends = np.concatenate([is_one[begin[both]], is_one[end[both] - 1]])
    return float(ends.mean())


def _points_in(solid: Solid, low: Floats, high: Floats) -> Floats:
    centres = solid.positions[solid.triangles].mean(axis=1)
    return centres[np.all((centres >= low) & (centres <= high), axis=1)]


def outer_parts(found: Sequence[Clashes], rest: Clashes | None) -> list[str]:
    """Return the names of parts that lie outside of one they clash with, from the inside out.

    Told from the rest pose where there is one, else from each pair's first clashing frame.

    Raises
    ------
    InputError
        It cannot be told of a pair, or parts lie around each other in a ring.
    """
    inside_of: dict[str, set[str]] = {}
    known: set[frozenset[Key]] = set()
    for clashes in found:
        for hit in clashes.passing:
            pair = frozenset({(hit.mesh, hit.part), (hit.other_mesh, hit.other)})
            if pair in known:
                continue
            known.add(pair)
            outer, inner = _told(hit, clashes if rest is None else rest, rest is not None)
            inside_of.setdefault(outer, set()).add(inner)
            inside_of.setdefault(inner, set())
    known_parts: set[str] = set()
    order: list[str] = []
    while inside_of:
        ready = sorted(name for name, inner in inside_of.items() if inner <= known_parts)
        if not ready:
            raise InputError(
                f"{', '.join(sorted(inside_of))} lie around each other, so which of them moves "
                "cannot be told.",
                cure="Name what moves with `outer`, from the inside out.",
            )
        known_parts |= set(ready)
        order += [name for name in ready if inside_of.pop(name)]
    return order


def _told(hit: Clash, clashes: Clashes, in_rest: bool) -> tuple[str, str]:
    parts = {part.name: part for part in clashes.parts}
    one, other = parts.get(hit.part), parts.get(hit.other)
    share = None
    if one is not None and other is not None:
        share = outside_share(one, other)
    if share is not None and share >= _OUTSIDE:
        return hit.part, hit.other
    if share is not None and share <= 1 - _OUTSIDE:
        return hit.other, hit.part
    raise InputError(
        f"which of {hit.part} and {hit.other} lies outside cannot be told"
        + (" from the rest pose." if in_rest else " from the frame where they clash."),
        cure="Name what moves with `outer`"
        + ("." if in_rest else ", or give a pose without clashes with `rest`."),
    )
