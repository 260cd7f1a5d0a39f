"""Faces of a low poly that are set aside before anything else is made of it.

Faces without area have no direction, and a face that repeats another one lies in its place twice:
both would make their neighbours' edges, normals, islands and shells look broken. They keep their
places in the file (a cage is written back into it), but give no triangles.

What counts as no area: a triangle whose height over its longest side is no more than

- `SLIVER_HEIGHT` of that side, where float32 rounding decides where it faces, or
- `EXTENT_ROUNDING` of its part's diagonal, float32's half step at that size: nothing that small
  is left of it where rays are traversed, or
- where all positions are whole float32 numbers, float32's step at its own coordinates: the file
  could not hold its shape.

A thin triangle above all three is real and stays.

One kind of triangle without area stays too, with its area put to 0: three places on a line that
fill the gap of a corner on a neighbour's edge. Without it a closed surface would seem open there.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.errors import Notice
from cagecheck.meshes.edges import triangle_edges
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.normals import SLIVER_HEIGHT, equal_positions
from cagecheck.meshes.triangulate import Triangulation
from cagecheck.words.sentences import count_words, names_words

Mask = NDArray[np.bool_]

# Half a float32 step, as a share of the number.
EXTENT_ROUNDING = 2.0**-24
# A whole float32 step, as a share of the number at most.
FLOAT32_STEP = 2.0**-23
# Face numbers that the notice lists.
FACES_NAMED = 8


def _none() -> Ints:
    return np.zeros(0, np.int32)


@dataclass(frozen=True, eq=False)
class SetAside:
    """Faces that take no part, by their numbers in the file, ascending.

    Attributes
    ----------
    flat : (K,) int32, faces without area.
    doubled : (D,) int32, faces with the places of an earlier face of their part, in its order.
    """

    flat: Ints = field(default_factory=_none)
    doubled: Ints = field(default_factory=_none)

    def notices(self, mesh: Mesh) -> tuple[Notice, ...]:
        """Say what was set aside and where, a notice per kind; nothing where nothing was."""
        kinds = (
            ("zero-area-faces", self.flat, "without area"),
            ("doubled-faces", self.doubled, "lying exactly on an earlier face of the part"),
        )
        out = []
        for code, faces, words in kinds:
            if len(faces) == 0:
                continue
            parts = [mesh.part_names[k] for k in np.unique(mesh.face_part[faces])]
            numbers = names_words([str(f) for f in faces], FACES_NAMED)
            place = f"{mesh.source.name}: " if mesh.source else ""
            text = (
                f"{place}{count_words(len(faces), 'face')} {words} set aside: not sampled, not "
                f"baked, nobody's neighbours. Parts: {names_words(parts)}. Faces, counted from 0: "
                f"{numbers}."
            )
            cure = "Delete them and merge vertices by distance; inspect shows where they are."
            out.append(Notice(code, text, cure, len(faces)))
        return tuple(out)


def set_aside(mesh: Mesh, cut: Triangulation) -> tuple[Triangulation, SetAside]:
    """Return the triangles that take part, with ``solid`` filled in, and the faces that do not."""
    place = equal_positions(mesh.positions)
    doubled = _doubled(mesh, place)
    triangles = mesh.corner_vertex[cut.corners]
    part = mesh.face_part[cut.face]
    solid = has_area(mesh.positions, triangles, part)
    wanted = ~doubled[cut.face]
    has_solid = np.zeros(mesh.face_count, bool)
    has_solid[cut.face[solid]] = True
    joints = _joints(place[triangles], part, cut.face, solid & wanted, ~solid & wanted, has_solid)
    kept = (solid & wanted) | joints
    aside = SetAside(
        np.flatnonzero(~has_solid).astype(np.int32),
        np.flatnonzero(doubled & has_solid).astype(np.int32),
    )
    if kept.all():
        return replace(cut, solid=solid), aside
    return Triangulation(cut.corners[kept], cut.face[kept], solid[kept]), aside


def has_area(positions: Floats, triangles: Ints, part: Ints) -> Mask:
    """Return (T,) bool: is the triangle higher than rounding? (See the module's rule.)"""
    if len(triangles) == 0:
        return np.zeros(0, bool)
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    ab, ac, bc = b - a, c - a, c - b
    doubled = np.linalg.norm(np.cross(ab, ac), axis=1)
    longest = np.sqrt(np.max([np.einsum("ij,ij->i", e, e) for e in (ab, ac, bc)], axis=0))
    solid = doubled > SLIVER_HEIGHT * longest**2
    limit = EXTENT_ROUNDING * _diagonals(positions, triangles, part, solid)[part]
    if np.array_equal(positions, positions.astype(np.float32)):
        size = np.abs(positions[triangles]).max(axis=(1, 2))
        limit = np.maximum(limit, FLOAT32_STEP * size)
    return np.asarray(solid & (doubled > limit * longest))


def _diagonals(positions: Floats, triangles: Ints, part: Ints, solid: Mask) -> Floats:
    """Return the diagonal of every part's box over its solid triangles, 0 where it has none."""
    count = int(part.max(initial=-1)) + 1
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    owner = np.repeat(part[solid], 3)
    np.minimum.at(low, owner, positions[triangles[solid].ravel()])
    np.maximum.at(high, owner, positions[triangles[solid].ravel()])
    filled = np.isfinite(low).all(axis=1)
    out = np.zeros(count)
    out[filled] = np.linalg.norm(high[filled] - low[filled], axis=1)
    return out


def repeated_faces(mesh: Mesh, place: NDArray[np.int64]) -> tuple[NDArray[np.int64], Mask]:
    """Return (F,) the earliest face on exactly the same places (itself if none), and how it lies.

    place : (V,) number of every vertex's place. The (F,) bool is True where that face runs the
    same way round. The faces may be of different parts.
    """
    first = np.arange(mesh.face_count, dtype=np.int64)
    same_way = np.ones(mesh.face_count, bool)
    sizes = np.diff(mesh.face_start)
    for size in np.unique(sizes[sizes >= 3]):
        faces = np.flatnonzero(sizes == size)
        rows = place[mesh.corner_vertex[mesh.face_start[:-1][faces][:, None] + np.arange(size)]]
        # Both ways round from the smallest number; the smaller of the two is what is compared.
        ahead = _from_smallest(rows)
        back = _from_smallest(rows[:, ::-1])
        differ = ahead != back
        at = np.argmax(differ, axis=1)[:, None]
        turned = np.take_along_axis(ahead > back, at, axis=1)[:, 0]
        key = np.where(turned[:, None], back, ahead)
        order = np.lexsort(key.T)  # stable, so by face within a group
        new = np.ones(len(faces), bool)
        new[1:] = (key[order][1:] != key[order][:-1]).any(axis=1)
        head = order[np.flatnonzero(new)[np.cumsum(new) - 1]]
        first[faces[order]] = faces[head]
        same_way[faces[order]] = turned[order] == turned[head]
    return first, same_way


def _from_smallest(rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """Turn each row round so that it begins with its smallest number."""
    begin = np.argmin(rows, axis=1)[:, None]
    out: NDArray[np.int64] = np.take_along_axis(
        rows, (begin + np.arange(rows.shape[1])) % rows.shape[1], axis=1
    )
    return out


def _doubled(mesh: Mesh, place: NDArray[np.int64]) -> Mask:
    """Return (F,) bool: has an earlier face of the part the same places in the same order?"""
    # Places numbered per part, so that parts do not repeat each other.
    per_part = place[mesh.corner_vertex] + mesh.face_part[mesh.corner_face].astype(np.int64) * (
        int(place.max(initial=0)) + 1
    )
    alone = replace(mesh, corner_vertex=np.arange(len(mesh.corner_vertex), dtype=np.int32))
    first, same_way = repeated_faces(alone, per_part)
    # A face may repeat an earlier one that lies the other way than the first of all.
    key = first * 2 + same_way
    _, earliest, number = np.unique(key, return_index=True, return_inverse=True)
    return np.asarray(earliest[number] != np.arange(mesh.face_count))


def _joints(
    places: NDArray[np.int64], part: Ints, face: Ints, solid: Mask, flat: Mask, has_solid: Mask
) -> Mask:
    """Return (T,) bool: triangles without area that close a gap between the others.

    All three of their sides are met by exactly one other triangle that runs the other way. Of a
    face without area all triangles stay or none.
    """
    distinct = (places != np.roll(places, -1, axis=1)).all(axis=1)
    joints = np.asarray(flat & distinct)
    while joints.any():
        rows = np.flatnonzero(solid | joints)
        # Sides that touch no triangle in question need no count.
        near = np.zeros(int(places.max()) + 1, bool)
        near[places[joints]] = True
        rows = rows[near[places[rows]].any(axis=1)]
        sound = _sides_met_once(places[rows], part[rows])
        bad = joints.copy()
        bad[rows[sound]] = False
        whole = np.zeros(len(has_solid), bool)
        whole[face[bad | (flat & ~joints)]] = True
        bad |= joints & whole[face] & ~has_solid[face]
        if not bad.any():
            break
        joints &= ~bad
    return joints


def _sides_met_once(places: NDArray[np.int64], part: Ints) -> Mask:
    """Return (T,) bool: has each side one other triangle of the part, running the other way?"""
    own = places + (int(places.max(initial=0)) + 1) * part[:, None].astype(np.int64)
    table = triangle_edges(own)
    ahead = (own < np.roll(own, -1, axis=1)).ravel()
    balance = np.bincount(table.edge, np.where(ahead, 1, -1), minlength=len(table))
    met_once = (table.uses == 2) & (balance == 0)
    return np.asarray(met_once[table.edge].reshape(-1, 3).all(axis=1))
