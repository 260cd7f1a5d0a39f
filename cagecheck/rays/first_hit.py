"""The first surface that rays meet on their way in: what a bake records, without the other layers.

A bake of a map asks one question per texel and none of the table's others, so rays are cast from
the cage inwards and stop at the first crossing. The answer is that of the layer table
(`Layers.recorded`), save where two faces lie within float32 rounding of each other: there either
may be named. A ray for which float32 cannot tell (it met nothing, or a face that lies beyond its
start once the distance is computed in float64) is left `DOUBTFUL` for the table to answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import minus, moved, row, scaled
from cagecheck.loops import njit
from cagecheck.rays import embree
from cagecheck.rays.rounding import SEGMENT_PAD, refine, shift_of

MISSED, DOUBTFUL = -1, -2


@dataclass(frozen=True, eq=False)
class Hits:
    """What N rays record.

    face : (N,) int32 triangle of the high poly, `MISSED` for none; t : (N,) float64 distance
    from the ray's origin along its outward direction, world units, NaN for a miss.
    """

    face: Ints
    t: Floats


@njit(cache=True, nogil=True)
def first_hits(
    native: int,
    positions: NDArray[Any],
    triangles: NDArray[np.int32],
    centre: Floats,
    scale: float,
    origin: Floats,
    origin_bits: NDArray[np.uint64],
    direction: Floats,
    start: Floats,
    depth: float,
    face: Ints,
    t: Floats,
) -> int:
    """Write face and t of every ray and return how many are `DOUBTFUL`.

    Rays begin at ``t = start`` and end at ``-depth``. Refining distances in a loop of its own lets
    the processor fetch many triangles at once; between two traversals it would wait for each.
    """
    _trace(native, centre, scale, origin, origin_bits, direction, start, depth, face, t)
    doubtful = 0
    for i in range(len(face)):
        if face[i] >= 0:
            begin, outward = row(origin, i), row(direction, i)
            t[i], _ = refine(positions, triangles, face[i], begin, outward, t[i], scale)
            if t[i] > start[i]:
                face[i] = DOUBTFUL
            elif t[i] < -depth:
                face[i], t[i] = MISSED, np.nan
        if face[i] == DOUBTFUL:
            t[i] = np.nan
            doubtful += 1
    return doubtful


@njit(cache=True, nogil=True)
def _trace(
    native: int,
    centre: Floats,
    scale: float,
    origin: Floats,
    origin_bits: NDArray[np.uint64],
    direction: Floats,
    start: Floats,
    depth: float,
    face: Ints,
    t: Floats,
) -> None:
    """Write face (`DOUBTFUL` where a ray met nothing) and t as the traversal has it."""
    query = embree.make_query(0, embree.FIRST_ONLY)
    middle = (centre[0], centre[1], centre[2])
    pad = SEGMENT_PAD * scale
    to_unit = 1.0 / scale
    for first in range(0, len(face), embree.LANES):
        lanes = min(embree.LANES, len(face) - first)
        if lanes < embree.LANES:
            embree.clear_lanes(query)
        for lane in range(lanes):
            i = first + lane
            above = start[i] + pad
            outward = row(direction, i)
            place = minus(moved(row(origin, i), above, outward), middle)
            begin = moved(shift_of(origin_bits, i), to_unit, place)
            length = (above + depth + pad) * to_unit
            embree.set_lane(query, lane, begin, scaled(outward, -1.0), length)
        embree.cast_packet(native, query)
        for lane in range(lanes):
            i = first + lane
            down, found = embree.first_of(query, lane)
            face[i] = found if found >= 0 else DOUBTFUL
            t[i] = start[i] + pad - np.float64(down) * scale
