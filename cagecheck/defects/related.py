"""Which pieces of the high poly were made for which pieces of the low poly.

Parts often hold several pieces that were never joined: crossing cards of hair, a horn run into a
head. Where two of them meet, a crossing lies about as near to the one as to the other, and only the
piece that it is of tells where it belongs. A high piece is *related* to a low piece when a good
share of its surface is nearest to that one, or when it is what a good share of that one meets. A
bolt is so to the body that it sits on, and a sculpt in one piece to all that it was modelled with.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Ints
from cagecheck.defects.nearest import NearestPaired
from cagecheck.meshes.facets import hit_normals
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.pieces import connected_pieces, scattered
from cagecheck.rays.scene import Scene

# Points asked of every piece, fewer where a mesh has so many pieces that these would be too many.
ASKED_PER_PIECE, LEAST_PER_PIECE, MOST_ASKED = 32, 8, 1 << 18
# Where pieces cross, the share of one that lies nearer to the other is a few hundredths; of pieces
# that belong together one lies whole at the other (common practice, no source).
RELATED_SHARE = 0.25
# More pairs of pieces than this are a soup (a byte each): parts are then taken as wholes.
MOST_PAIRS = 1 << 24


@dataclass(frozen=True, eq=False)
class Pieces:
    """The pieces of both meshes.

    low : (T,) the piece of every low triangle; high : (F,) that of every high triangle.
    related : (low pieces, high pieces) bool, of paired parts only.
    """

    low: NDArray[np.int32]
    high: NDArray[np.int32]
    related: NDArray[np.bool_]


def related_pieces(
    low: LowPoly,
    scene: Scene,
    nearest: NearestPaired,
    turned: NDArray[np.bool_],
    *,
    seed: int = 0,
) -> Pieces | None:
    """Relate the pieces of both meshes; None where no part is of several.

    nearest : of the low poly's parts. turned : (low parts, high parts) bool, one of the two is
    inside out.
    """
    paired = nearest.paired
    low_piece, low_count = connected_pieces(low.welded, low.triangle_part)
    if low_count <= len(low.part_names):
        return None
    high_piece, high_count = scene.pieces
    if high_count <= len(scene.surface.part_names) or low_count * high_count > MOST_PAIRS:
        return None
    rng = np.random.default_rng([seed, 4])
    low_part, high_part = np.zeros(low_count, np.int64), np.zeros(high_count, np.int64)
    low_part[low_piece] = low.triangle_part
    high_part[high_piece] = scene.surface.triangle_part
    votes = np.zeros((2, low_count, high_count), np.float32)
    of_high = _nearest_to_high(low, scene, nearest, turned, low_piece, high_piece, rng)
    of_low = _met_by_low(low, scene, nearest, turned, low_piece, high_piece, rng)
    for share, count, (a, b) in zip(votes, (high_count, low_count), (of_high, of_low), strict=True):
        np.add.at(share, (a, b), 1.0 / _asked_of_each(count))
    related = np.asarray((votes >= RELATED_SHARE).any(axis=0))
    return Pieces(low_piece, high_piece, related & paired[np.ix_(low_part, high_part)])


def _asked_of_each(count: int) -> int:
    return int(np.clip(MOST_ASKED // count, LEAST_PER_PIECE, ASKED_PER_PIECE))


def _nearest_to_high(
    low: LowPoly,
    scene: Scene,
    nearest: NearestPaired,
    turned: NDArray[np.bool_],
    low_piece: Ints,
    high_piece: Ints,
    rng: np.random.Generator,
) -> tuple[Ints, Ints]:
    """Return low and high piece of points on the high poly that have a nearest place."""
    surface = scene.surface
    count = scene.pieces[1]
    _, face, place = scattered(
        surface.positions, surface.triangles, high_piece, count, _asked_of_each(count), rng
    )
    part = surface.triangle_part[face]
    facing = hit_normals(surface, face)
    some_turned = np.asarray((turned & nearest.paired).any(axis=0))
    facing[some_turned[part]] *= -1.0
    triangle, _, _ = nearest.find(place, part, facing)
    found = triangle >= 0
    return low_piece[triangle[found]], high_piece[face[found]]


def _met_by_low(
    low: LowPoly,
    scene: Scene,
    nearest: NearestPaired,
    turned: NDArray[np.bool_],
    low_piece: Ints,
    high_piece: Ints,
    rng: np.random.Generator,
) -> tuple[Ints, Ints]:
    """Return low and high piece where the surface nearest to a low point is nearest to its piece.

    Nearest to the point means along its face's normal.
    """
    surface = scene.surface
    count = int(low_piece.max()) + 1
    _, triangle, place = scattered(
        low.positions, low.triangles, low_piece, count, _asked_of_each(count), rng
    )
    direction, far = low.face_normals[triangle], low.diagonal()
    layers = scene.cast(place, direction, far, far)
    ray, part = layers.ray, surface.triangle_part[layers.face]
    own = low.triangle_part[triangle][ray]
    rows = np.flatnonzero(nearest.paired[own, part] & (layers.front ^ turned[own, part]))
    rows = rows[np.lexsort((np.abs(layers.t[rows]), ray[rows]))]
    rows = rows[np.unique(ray[rows], return_index=True)[1]]
    ray = ray[rows]
    crossing = place[ray] + layers.t[rows, None] * direction[ray]
    back, _, _ = nearest.find(crossing, part[rows], direction[ray])
    mine = (back >= 0) & (low_piece[back] == low_piece[triangle[ray]])
    return low_piece[back[mine]], high_piece[layers.face[rows[mine]]]
