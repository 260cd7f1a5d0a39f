"""A cage to begin from: its offsets and directions stay wherever the check finds nothing wrong.

Tuning counts in offsets along one direction per position. A cage whose vertices were also moved
sideways has directions of its own; the low poly's rays are turned to these, and all that follows
moves vertices along them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.errors import InputError, Notice
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Cage, Directions, corner_directions
from cagecheck.tuning.corridors import BAKER_ROUNDINGS
from cagecheck.words.numbers import count_text
from cagecheck.words.sentences import count_words


@dataclass(frozen=True, eq=False)
class Start:
    """A cage as offsets.

    Attributes
    ----------
    cage : the cage itself.
    low : the low poly, its rays turned where the cage has directions of its own.
    offsets : (P,) float64 per welded position, 0 or more, world units.
    turned : how many positions have such directions; inside : how many lie below the low poly,
        where offsets begin at 0.
    """

    cage: Cage
    low: LowPoly
    offsets: Floats
    turned: int = 0
    inside: int = 0


def start_of(low: LowPoly, cage: Cage, directions: Directions = "averaged") -> Start:
    """Return a cage as offsets along the directions, or along its own.

    Raises `InputError` where vertices at one position go different ways.
    """
    largest = float(np.abs(low.positions[low.triangles.ravel()]).max(initial=0.0))
    # What files lose; a cage that was tuned and written is along the normals to within that.
    rounding = BAKER_ROUNDINGS * float(np.finfo(np.float32).eps) * largest
    normals = corner_directions(low, directions)
    along = np.einsum("tvk,tvk->tv", cage.displacement, normals)
    aside = np.linalg.norm(cage.displacement - along[:, :, None] * normals, axis=2)
    offsets = np.zeros(low.position_count)
    offsets[low.welded] = along
    apart = np.abs(along - offsets[low.welded]) > rounding
    if not (aside > rounding).any() and not apart.any():
        return Start(cage, low, np.maximum(offsets, 0.0), 0, int((offsets < -rounding).sum()))
    return _with_own_directions(low, cage, directions, rounding)


def _with_own_directions(
    low: LowPoly, cage: Cage, directions: Directions, rounding: float
) -> Start:
    way = np.zeros((low.position_count, 3))
    way[low.welded] = cage.displacement
    apart = np.linalg.norm(cage.displacement - way[low.welded], axis=2) > rounding
    if apart.any() or directions != "averaged":
        count = len(np.unique(low.welded[apart])) if apart.any() else low.position_count
        raise InputError(
            f"the cage's vertices go different ways at {count_words(count, 'place')} of the low "
            "poly, so it cannot be begun from.",
            cure="Weld the cage where the low poly is welded, or use `afresh` to compare with it "
            "only.",
        )
    outward = np.einsum("ij,ij->i", way, low.ray_normals)
    length = np.linalg.norm(way, axis=1)
    own = outward > rounding
    turned = own & (np.linalg.norm(way - outward[:, None] * low.ray_normals, axis=1) > rounding)
    rays = low.ray_normals.copy()
    rays[turned] = way[turned] / length[turned, None]
    offsets = np.where(turned, length, np.maximum(outward, 0.0))
    sheets = low.sheet_normals.copy()
    sheets[turned[low.welded]] = 0.0
    return Start(
        cage,
        replace(low, ray_normals=rays, sheet_normals=sheets),
        offsets,
        int(turned.sum()),
        int((outward < -rounding).sum()),
    )


def as_it_was(start: Start, cage: Cage, offsets: Floats, low: LowPoly) -> Cage:
    """Return a cage with the start's own numbers, to the bit, wherever offsets stayed."""
    stayed = offsets == start.offsets
    displacement = np.where(
        stayed[low.welded][:, :, None], start.cage.displacement, cage.displacement
    )
    positions = cage.positions
    if positions is not None and start.cage.positions is not None:
        same = stayed[low.position_id][:, None]
        positions = np.where(same, start.cage.positions, positions)
    return replace(cage, displacement=displacement, positions=positions)


def start_notices(start: Start, offsets: Floats) -> tuple[Notice, ...]:
    """Say how much of the cage stayed, and what cannot be said by push distances."""
    moved = int((offsets != start.offsets).sum())
    count = len(offsets)
    out = [
        Notice(
            "begun-from-cage",
            f"begun from the cage: {count_text(count - moved)} of {count_text(count)} positions "
            f"stay as they were, {count_text(moved)} were moved.",
            "`afresh` tunes without it.",
            count=moved,
        )
    ]
    if start.turned:
        out.append(
            Notice(
                "own-directions",
                f"the cage goes its own way at {count_words(start.turned, 'position')}: the push "
                "distances there are along its directions, not along the normals.",
                "Hand over the cage mesh, not the push distances.",
                count=start.turned,
            )
        )
    if start.inside:
        out.append(
            Notice(
                "cage-inside",
                f"the cage lay below the low poly at {count_words(start.inside, 'position')}; "
                "offsets there began at 0.",
                "Nothing to mend if the check is clean.",
                count=start.inside,
            )
        )
    return tuple(out)
