"""Triangles of which nobody can tell where the rays of a bake ran.

Where one vertex serves both sides of a sheet (two triangles back to back, as decimation leaves
them), their normals cancel. A cage moves the vertex one way at most, or not at all; others push
each side its own way. Which of it a bake did cannot be known, so its maps are not judged there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import Notice
from cagecheck.locating.compare import Fault, TileView
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Cage, touching_distance
from cagecheck.words.sentences import count_words


def undetermined(low: LowPoly, cage: Cage) -> NDArray[np.bool_]:
    """Tell (T,) which triangles have a corner that is pushed otherwise than the cage's vertex.

    A cage mesh says itself where its vertices went, and corners that may part company (rays along
    corner or face normals) have directions of their own: none are undetermined then.
    """
    if cage.positions is None:
        return np.zeros(len(low.triangles), bool)
    moved = (cage.positions - low.positions)[low.triangles]
    away = np.abs(cage.displacement - moved).max(axis=2)
    apart: NDArray[np.bool_] = (away > touching_distance(low)).any(axis=1)
    return apart


def leave_undetermined(view: TileView, low: LowPoly, cage: Cage) -> None:
    """Take all texels of such triangles for right, and for none of which anything is expected."""
    unsure = undetermined(low, cage)
    if not unsure.any():
        return
    at = (view.triangle >= 0) & unsure[view.triangle]
    view.fault[at] = Fault.CLEAN
    view.angle[at] = view.target[at] = np.nan


def undetermined_notice(low: LowPoly, cage: Cage) -> Notice | None:
    """Say how many triangles are not judged."""
    count = int(undetermined(low, cage).sum())
    if count == 0:
        return None
    return Notice(
        "not-judged",
        f"{count_words(count, 'triangle')} of the low poly "
        f"{'shares' if count == 1 else 'share'} a vertex with the back of the same sheet, where no "
        f"one can tell which way the bake's rays ran: the maps are not judged there.",
        "Remove the doubled triangles, or give each side vertices of its own.",
        count,
    )
