"""Topology of the low poly: edges, borders, faces without area, duplicates."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from cagecheck.arrays.types import Floats
from cagecheck.inspecting.checks import CHECKS
from cagecheck.inspecting.edges import PolygonEdges
from cagecheck.inspecting.finding import (
    PLACES_NAMED,
    Finding,
    Place,
    count_by_part,
    how_many,
    point,
)
from cagecheck.meshes.edges import next_corners
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.normals import equal_positions
from cagecheck.meshes.set_aside import repeated_faces
from cagecheck.words.numbers import count_text, figures
from cagecheck.words.sentences import names_words

# Border vertices nearer than this share of the model's diagonal are meant to be one place: about
# the sixth digit, where text and float32 files round.
CRACK_GAP = 1e-5


def topology_findings(
    low: LowPoly, edges: PolygonEdges, flipped: NDArray[np.bool_] | None = None
) -> list[Finding]:
    """Run every check on edges and faces; see `checks` for what each means.

    flipped : (F,) bool, faces known to be turned against the rest of their shell.
    """
    found = [
        _edge_finding(
            low, edges, "non-manifold-edges", (edges.uses > 2) & ~_card_edges(low, edges)
        ),
        _winding(low, edges, flipped),
        _open_borders(low, edges),
        _cracks(low, edges),
        _zero_area(low),
        _turned_normals(low, flipped),
        *_duplicates(low),
    ]
    return [f for f in found if f is not None]


def face_places(
    low: LowPoly,
    faces: NDArray[np.integer[Any]],
    measure: Floats | None = None,
    unit: str = "",
) -> tuple[Place, ...]:
    """Name the first few of `faces` (worst first), with position, tile and measure."""
    return tuple(
        Place(
            part=low.part_names[low.mesh.face_part[face]],
            faces=(int(face),),
            position=face_centre(low, int(face)),
            tile=face_tile(low, int(face)),
            measure=None if measure is None else float(measure[k]),
            note="" if measure is None else f"{figures(measure[k], 3)} {unit}",
        )
        for k, face in enumerate(faces[:PLACES_NAMED])
    )


def face_centre(low: LowPoly, face: int) -> tuple[float, float, float] | None:
    """Return the mean of a face's corners."""
    begin, end = low.mesh.face_start[face], low.mesh.face_start[face + 1]
    if begin == end:
        return None
    return point(low.positions[low.mesh.corner_vertex[begin:end]].mean(axis=0))


def face_tile(low: LowPoly, face: int) -> int | None:
    """Return the tile of a face's first triangle, None where it has none."""
    at = int(np.searchsorted(low.cut.face, face))
    if at == len(low.cut.face) or low.cut.face[at] != face or low.tile[at] <= 0:
        return None
    return int(low.tile[at])


def _edge_ends(low: LowPoly, half_edge: NDArray[np.int64]) -> tuple[Floats, Floats]:
    ends = low.positions[low.mesh.corner_vertex]
    return ends[half_edge], ends[next_corners(low.mesh)[half_edge]]


def _edge_finding(
    low: LowPoly, edges: PolygonEdges, code: str, wanted: NDArray[np.bool_]
) -> Finding | None:
    number = np.flatnonzero(wanted)
    if len(number) == 0:
        return None
    check = CHECKS[code]
    start, end = _edge_ends(low, edges.first[number])
    length = np.linalg.norm(end - start, axis=1)
    half_edges = np.flatnonzero(np.isin(edges.edge, number))
    face = low.mesh.corner_face
    order = np.argsort(-length, kind="stable")[:PLACES_NAMED]
    places = []
    for k in order:
        sharing = face[half_edges[edges.edge[half_edges] == number[k]]]
        places.append(
            Place(
                part=low.part_names[low.mesh.face_part[sharing[0]]],
                faces=tuple(int(f) for f in sharing[:4]),
                position=point(0.5 * (start[k] + end[k])),
                tile=face_tile(low, int(sharing[0])),
                measure=float(length[k]),
            )
        )
    return Finding(
        check,
        len(number),
        f"{how_many(len(number), 'edges')}, {figures(length.sum())} units long together.",
        places=tuple(places),
        by_part=count_by_part(low.mesh.face_part[face[edges.first[number]]], low.part_names),
        measures={"length_units": float(length.sum())},
        faces=np.unique(face[half_edges]).astype(np.int32),
    )


def _card_edges(low: LowPoly, edges: PolygonEdges) -> NDArray[np.bool_]:
    """Return (E,) bool: edges between two faces of a double-sided card, fronts and backs."""
    half = np.flatnonzero(edges.edge >= 0)
    face, edge = low.mesh.corner_face[half], edges.edge[half]
    count = len(edges.uses)
    # Per part, as edges are: a back in another part is no back of this card.
    first, same_way = repeated_faces(low.mesh, equal_positions(low.positions))
    part = low.mesh.face_part
    group = first + part.astype(np.int64) * low.mesh.face_count
    number = np.unique(group, return_inverse=True)[1]
    ways = np.zeros((int(number.max(initial=-1)) + 1, 2), bool)
    ways[number[face], same_way[face].astype(int)] = True
    paired = np.asarray(ways.all(axis=1))[number]
    least, most = np.full(count, np.iinfo(np.int64).max), np.full(count, -1)
    np.minimum.at(least, edge, number[face])
    np.maximum.at(most, edge, number[face])
    of_least = np.bincount(edge, number[face] == least[edge], minlength=count)
    of_most = np.bincount(edge, number[face] == most[edge], minlength=count)
    both = np.bincount(edge, paired[face], minlength=count) == edges.uses
    two_faces = both & (of_least == 2) & (of_most == 2) & (least != most)
    return np.asarray(two_faces & (edges.uses == 4) & (edges.balance == 0))


def _winding(
    low: LowPoly, edges: PolygonEdges, flipped: NDArray[np.bool_] | None
) -> Finding | None:
    wanted = (edges.uses == 2) & (edges.balance != 0)
    finding = _edge_finding(low, edges, "inconsistent-winding", wanted)
    faces = np.zeros(0, np.int64) if flipped is None else np.flatnonzero(flipped)
    if finding is None or len(faces) == 0:
        return finding
    some = names_words([str(f) for f in faces], PLACES_NAMED)
    return replace(
        finding,
        text=f"{finding.text} Turned against the rest: {how_many(len(faces), 'faces')}.",
        measures={**finding.measures, "faces_to_flip": float(len(faces))},
        own_cure=f"Flip these faces (counted from 0): {some}.",
    )


def _open_borders(low: LowPoly, edges: PolygonEdges) -> Finding | None:
    """Count the connected runs of edges that only one face uses."""
    number = np.flatnonzero(edges.uses == 1)
    if len(number) == 0:
        return None
    half = edges.first[number]
    a, b = edges.corner_site[half], edges.next_site[half]
    sites, index = np.unique(np.concatenate([a, b]), return_inverse=True)
    a, b = index[: len(half)], index[len(half) :]
    graph = coo_array((np.ones(len(half), np.int8), (a, b)), shape=(len(sites), len(sites)))
    count, label = connected_components(graph, directed=False)
    border = label[a]
    start, end = _edge_ends(low, half)
    length = np.linalg.norm(end - start, axis=1)
    border_length = np.bincount(border, weights=length, minlength=count)
    face = low.mesh.corner_face[half]
    places = []
    for k in np.argsort(-border_length, kind="stable")[:PLACES_NAMED]:
        here = np.flatnonzero(border == k)
        places.append(
            Place(
                part=low.part_names[low.mesh.face_part[face[here[0]]]],
                faces=tuple(int(f) for f in np.unique(face[here])[:4]),
                position=point((0.5 * (start[here] + end[here])).mean(axis=0)),
                tile=face_tile(low, int(face[here[0]])),
                measure=float(border_length[k]),
                note=how_many(len(here), "edges"),
            )
        )
    first_of_border = face[np.unique(border, return_index=True)[1]]
    return Finding(
        CHECKS["open-borders"],
        count,
        f"{how_many(count, 'borders')} of {how_many(len(number), 'edges')}, "
        f"{figures(length.sum())} units long together.",
        places=tuple(places),
        by_part=count_by_part(low.mesh.face_part[first_of_border], low.part_names),
        measures={"edges": float(len(number)), "length_units": float(length.sum())},
        faces=np.unique(face).astype(np.int32),
    )


def _cracks(low: LowPoly, edges: PolygonEdges) -> Finding | None:
    """Find border vertices of one part that lie almost, but not exactly, at one place."""
    half = edges.first[edges.uses == 1]
    if len(half) == 0:
        return None
    # A border has as many starts as ends, so the starts alone are all its sites.
    _, at = np.unique(edges.corner_site[half], return_index=True)
    corner = half[at]
    position = low.positions[low.mesh.corner_vertex[corner]]
    part = low.mesh.face_part[low.mesh.corner_face[corner]]
    gap = CRACK_GAP * low.diagonal()
    # Parts lie far from each other along a fourth axis.
    tree = cKDTree(np.column_stack([position, part * (4 * gap + 1.0)]))
    pairs = tree.query_pairs(gap, output_type="ndarray")
    # Exactly coincident places are the two sides of a sheet, which the weld keeps apart.
    distance = np.linalg.norm(position[pairs[:, 0]] - position[pairs[:, 1]], axis=1)
    pairs, distance = pairs[distance > 0], distance[distance > 0]
    if len(pairs) == 0:
        return None
    chosen = np.unique(pairs)
    face = low.mesh.corner_face[corner]
    worst = np.argsort(-distance, kind="stable")[:PLACES_NAMED]
    return Finding(
        CHECKS["cracks"],
        len(chosen),
        f"{how_many(len(chosen), 'vertices')} on open borders within {figures(gap, 2)} units of "
        "another.",
        places=tuple(
            Place(
                part=low.part_names[part[pairs[k, 0]]],
                faces=(int(face[pairs[k, 0]]), int(face[pairs[k, 1]])),
                position=point(position[pairs[k, 0]]),
                tile=face_tile(low, int(face[pairs[k, 0]])),
                measure=float(distance[k]),
            )
            for k in worst
        ),
        by_part=count_by_part(part[chosen], low.part_names),
        measures={"widest_gap_units": float(distance.max()), "gap_limit_units": gap},
        faces=np.unique(face[chosen]).astype(np.int32),
    )


def _zero_area(low: LowPoly) -> Finding | None:
    """Tell of the faces that were set aside (a bow-tie's halves cancel: its own check)."""
    faces = low.aside.flat
    if len(faces) == 0:
        return None
    text = (
        f"{how_many(len(faces), 'faces')} without area (a line, a point, less than rounding, or "
        "under three corners), set aside: all else is told as if they were not there."
    )
    return _of_faces(low, "zero-area-faces", faces, text)


def _turned_normals(low: LowPoly, flipped: NDArray[np.bool_] | None) -> Finding | None:
    """Tell of faces whose own normals, at every corner, point away from the face's front.

    Faces that are turned themselves are told as such.
    """
    if low.mesh.corner_normal is None:
        return None
    given = low.mesh.corner_normal[low.cut.corners]
    front = np.einsum("ijk,ik->ij", given, low.face_normals)
    behind = (front < 0).all(axis=1) & (low.area > 0)
    of_face = np.zeros(low.mesh.face_count, bool)
    of_face[low.cut.face[behind]] = True
    of_face[low.cut.face[~behind]] = False
    faces = np.flatnonzero(of_face if flipped is None else of_face & ~flipped)
    if len(faces) == 0:
        return None
    text = f"{how_many(len(faces), 'faces')} whose normals in the file point behind the face."
    return _of_faces(low, "normals-turned", faces, text)


def _duplicates(low: LowPoly) -> list[Finding | None]:
    """Tell of faces on the places of an earlier face: copies, and backs of double-sided cards."""
    # Exactly equal positions count as one, also (unlike the weld) those of a sheet's two sides.
    first, same_way = repeated_faces(low.mesh, equal_positions(low.positions))
    number = np.arange(low.mesh.face_count)
    _, earliest, group = np.unique(2 * first + same_way, return_index=True, return_inverse=True)
    with_area = np.ones(low.mesh.face_count, bool)
    with_area[low.aside.flat] = False
    copy = earliest[group] != number
    copies = np.flatnonzero(copy & with_area)
    backs = np.flatnonzero(~copy & (first != number) & with_area)
    found: list[Finding | None] = []
    if len(copies):
        aside = len(low.aside.doubled)
        text = f"{how_many(len(copies), 'faces')} on exactly the places of another face"
        text += f"; {count_text(aside)} of them in the same part, set aside." if aside else "."
        found.append(_of_faces(low, "duplicate-faces", copies, text))
    if len(backs):
        text = f"{how_many(len(backs), 'faces')} that are the back of another face."
        found.append(_of_faces(low, "double-sided-faces", backs, text))
    return found


def _of_faces(low: LowPoly, code: str, faces: NDArray[np.integer[Any]], text: str) -> Finding:
    return Finding(
        CHECKS[code],
        len(faces),
        text,
        places=face_places(low, faces),
        by_part=count_by_part(low.mesh.face_part[faces], low.part_names),
        faces=faces.astype(np.int32),
    )
