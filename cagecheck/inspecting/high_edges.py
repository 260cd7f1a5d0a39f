"""The holes and the flipped patches of a high poly, from its open and contradicting edges."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.arrays.types import Ints
from cagecheck.inspecting.checks import CHECKS
from cagecheck.inspecting.finding import PLACES_NAMED, Finding, Place, how_many, point
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.surface_edges import HighEdges
from cagecheck.words.numbers import figures


def high_edge_findings(
    surface: Surface, open_edges: HighEdges, same_way: HighEdges
) -> list[Finding]:
    """Say where the high poly has holes or rims, and patches turned against the rest."""
    found = [
        _finding(surface, "high-flipped", same_way),
        _finding(surface, "high-open-borders", open_edges),
    ]
    return [f for f in found if f is not None]


def _finding(surface: Surface, code: str, edges: HighEdges) -> Finding | None:
    """Join edges into outlines and name the longest."""
    if len(edges.triangle) == 0:
        return None
    check = CHECKS[code]
    count, outline = _outlines(surface, edges)
    length = np.linalg.norm(edges.end - edges.start, axis=1)
    total = np.bincount(outline, weights=length, minlength=count)
    middle = 0.5 * (edges.start + edges.end)
    part = surface.triangle_part[edges.triangle]
    places = []
    for k in np.argsort(-total, kind="stable")[:PLACES_NAMED]:
        mine = outline == k
        centre = middle[mine].mean(axis=0)
        places.append(
            Place(
                part=surface.part_names[part[mine][0]],
                faces=tuple(int(t) for t in np.unique(edges.triangle[mine])[:4]),
                position=point(centre),
                measure=float(total[k]),
                note=f"{how_many(int(mine.sum()), 'edges')}, {figures(total[k])} units long",
            )
        )
    first = part[np.unique(outline, return_index=True)[1]]
    counts = np.bincount(first, minlength=len(surface.part_names))
    return Finding(
        check,
        count,
        f"{how_many(count, check.unit)} of {how_many(len(edges.triangle), 'edges')}, "
        f"{figures(length.sum())} units long together.",
        side="high",
        places=tuple(places),
        by_part={surface.part_names[k]: int(counts[k]) for k in np.flatnonzero(counts)},
        measures={"edges": float(len(edges.triangle)), "length_units": float(length.sum())},
        faces=np.unique(edges.triangle).astype(np.int32),
    )


def _outlines(surface: Surface, edges: HighEdges) -> tuple[int, Ints]:
    """Number the connected runs of edges, each part on its own."""
    part = surface.triangle_part[edges.triangle].astype(np.int64)
    own = edges.ends + part[:, None] * (int(edges.ends.max()) + 1)
    sites, index = np.unique(own, return_inverse=True)
    pairs = index.reshape(-1, 2)
    graph = coo_array(
        (np.ones(len(pairs), np.int8), (pairs[:, 0], pairs[:, 1])), shape=(len(sites), len(sites))
    )
    count, label = connected_components(graph, directed=False)
    return int(count), np.asarray(label[pairs[:, 0]], dtype=np.int32)
