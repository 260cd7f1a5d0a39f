"""Noise of scans: rays that cross one rough skin several times, told from surfaces that lie near.

A vertex that noise moves farther than its faces are long turns the skin over there. Rays cross it
out, in and out again, within about a face's length. Modelled shape is larger than the faces that
show it, so one face is not bent hard outward at one of its edges and hard inward at another; with
noise most are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.types import Floats, Ints
from cagecheck.loops import njit
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.surface_edges import site_numbers

# Two crossings that lie nearer than two faces are long lie on faces that touch or nearly do.
FACES_APART = 2.0
# Faces that meet at more than this count as hard against each other, as edges of a low poly do.
HARD_DEGREES = 30.0
# Where noise turns a skin over, about 60 of 100 faces around are crumpled (normal noise of 0.6 and
# of 1.5 edge lengths, as in the tests), 35 where it just begins to, and hardly any where shape is
# modelled: around 999 of 1,000 faces of the demo's high poly fewer than 19. Two rings of faces
# around a crossing are about forty, enough to tell 20 from 35 nearly always.
CRUMPLED_AROUND = 1 / 5
# What holds for more than this of a group's samples is said of the group.
MOSTLY = 0.5


def rough_crossings(
    surface: Surface,
    recorded: Sequence[NDArray[np.int64]],
    wanted: Sequence[NDArray[np.int64]],
    gaps: Sequence[Floats],
    *,
    site: Callable[[], Ints] | None = None,
) -> list[float | None]:
    """Tell which groups of rays cross one rough skin several times.

    Parameters
    ----------
    recorded, wanted : for each group the high faces that its rays record, and those that they
        should (-1 for none). gaps : how far apart the two crossings lie. site : gives the
        `site_numbers` of the surface to those who have them.

    Returns
    -------
    For each group the widest of those gaps, None where it is not noise.
    """
    near = [
        (w >= 0) & (np.abs(g) <= FACES_APART * _longest_edge(surface, r))
        for r, w, g in zip(recorded, wanted, gaps, strict=True)
    ]
    asked = [k for k, mask in enumerate(near) if len(mask) and np.mean(mask) > MOSTLY]
    out: list[float | None] = [None] * len(near)
    if not asked:
        return out
    faces = np.unique(np.concatenate([x[k][near[k]] for k in asked for x in (recorded, wanted)]))
    around = crumpled_around(surface, faces, site_numbers(surface) if site is None else site())
    for k in asked:
        rows = [np.searchsorted(faces, x[k][near[k]]) for x in (recorded, wanted)]
        if np.mean([around[x] for x in rows]) > CRUMPLED_AROUND:
            out[k] = float(np.abs(gaps[k][near[k]]).max())
    return out


def _longest_edge(surface: Surface, faces: NDArray[np.int64]) -> Floats:
    corner = surface.positions[surface.triangles[faces]].astype(np.float64)
    out: Floats = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).max(axis=1)
    return out


def crumpled_around(surface: Surface, faces: NDArray[np.int64], site: Ints) -> Floats:
    """Return the share of the faces in two rings around each of some faces that are crumpled.

    Those of the inner ring, being around more of its corners, count more often. site : see
    `site_numbers`.
    """
    ring = _touching(surface, site, faces)
    wide = _touching(surface, site, ring)
    crumpled = crumpled_faces(surface, wide, site)
    # Few of all places are near: numbered anew.
    here, corner = np.unique(site[surface.triangles[wide]], return_inverse=True)
    corner = corner.reshape(-1, 3)
    of, count_of, bent_of = corner, np.ones(len(wide)), crumpled.astype(np.float64)
    for inner in (ring, faces):
        ends = of.ravel()
        count_at = np.bincount(ends, weights=np.repeat(count_of, 3), minlength=len(here))
        bent_at = np.bincount(ends, weights=np.repeat(bent_of, 3), minlength=len(here))
        of = corner[np.searchsorted(wide, inner)]
        count_of, bent_of = count_at[of].sum(axis=1), bent_at[of].sum(axis=1)
    out: Floats = bent_of / count_of
    return out


def _touching(
    surface: Surface, site: Ints, faces: NDArray[np.int64], corners: int = 1
) -> NDArray[np.int64]:
    """Return the faces that share corners with some faces, so many at least; these among them."""
    marked = np.zeros(int(site.max(initial=0)) + 1, bool)
    marked[site[surface.triangles[faces]]] = True
    touching = np.empty(surface.triangle_count, np.bool_)

    def mark(begin: int, end: int) -> None:
        _mark_touching(begin, end, surface.triangles, site, marked, corners, touching)

    in_blocks(len(touching), mark)
    return np.flatnonzero(touching)


@njit(cache=True, nogil=True)
def _mark_touching(
    begin: int, end: int, triangles: Ints, site: Ints, marked: NDArray[np.bool_], corners: int,
    out: NDArray[np.bool_],
) -> None:  # fmt: skip
    for f in range(begin, end):
        shared = 0
        for k in range(3):
            shared += marked[site[triangles[f, k]]]
        out[f] = shared >= corners


def crumpled_faces(
    surface: Surface, faces: NDArray[np.int64], site: Ints | None = None
) -> NDArray[np.bool_]:
    """Tell which of some faces are bent hard outward at one edge and hard inward at another.

    Vertices at one place count as one (`site`, see `site_numbers`); edges that not exactly two
    faces share say nothing.
    """
    site = site_numbers(surface) if site is None else site
    around = _touching(surface, site, faces, corners=2)
    corner = site[surface.triangles[around]].astype(np.int64)
    place = surface.positions[surface.triangles[around]].astype(np.float64)
    normal = np.cross(place[:, 1] - place[:, 0], place[:, 2] - place[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    # Half-edges: k runs from corner k to corner k + 1, and corner k + 2 lies across.
    begin, end = corner, np.roll(corner, -1, axis=1)
    key = np.minimum(begin, end) * (int(site.max(initial=0)) + 2) + np.maximum(begin, end)
    order = np.argsort(key.ravel(), kind="stable")
    ordered = key.ravel()[order]
    _, first, uses = np.unique(ordered, return_index=True, return_counts=True)
    pair = first[uses == 2]
    one, other = order[pair], order[pair + 1]
    # Neighbours that run the edge the same way look to opposite sides: no angle between them.
    opposite = begin.ravel()[one] != begin.ravel()[other]
    one, other = one[opposite], other[opposite]
    f, g = one // 3, other // 3
    cosine = np.einsum("ij,ij->i", normal[f], normal[g])
    hard = cosine < np.cos(np.radians(HARD_DEGREES))
    across = place[g, (other % 3 + 2) % 3] - place[f, one % 3]
    inward = np.einsum("ij,ij->i", across, normal[f]) > 0
    bent = np.zeros((2, len(around)), bool)
    for which, mask in enumerate((hard & ~inward, hard & inward)):
        bent[which, f[mask]] = True
        bent[which, g[mask]] = True
    out: NDArray[np.bool_] = (bent[0] & bent[1])[np.searchsorted(around, faces)]
    return out
