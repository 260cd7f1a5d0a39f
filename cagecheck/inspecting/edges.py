"""The edges of a low poly's polygons: who shares them, which way each runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.arrays.types import Ints
from cagecheck.meshes.edges import edge_table, next_corners
from cagecheck.meshes.lowpoly import LowPoly


@dataclass(frozen=True, eq=False)
class PolygonEdges:
    """Undirected edges of polygons, each part on its own.

    Half-edge c starts at corner c of the mesh and runs to the next corner of its face. Half-edges
    of no length (both ends at one position) belong to no edge, nor do those of faces that are set
    aside.

    Attributes
    ----------
    corner_site, next_site : (C,) int64, where half-edges start and end: the position's number,
        made different for every part.
    edge : (C,) int64, the edge of every half-edge, -1 for none.
    uses : (E,) int64, how many half-edges an edge has.
    balance : (E,) int64, how many run from the smaller site to the larger, less those that run
        back: 0 for two neighbours that agree about the outside.
    first : (E,) int64, one half-edge of every edge.
    shell : (F,) int32, faces connected across edges share a number, from 0.
    """

    corner_site: NDArray[np.int64]
    next_site: NDArray[np.int64]
    edge: NDArray[np.int64]
    uses: NDArray[np.int64]
    balance: NDArray[np.int64]
    first: NDArray[np.int64]
    shell: Ints

    @property
    def shell_count(self) -> int:
        """Number of shells."""
        return int(self.shell.max(initial=-1)) + 1


def takes_part(low: LowPoly) -> NDArray[np.bool_]:
    """Return (F,) bool: faces with triangles; the others are set aside."""
    out = np.zeros(low.mesh.face_count, bool)
    out[low.cut.face] = True
    return out


def polygon_edges(low: LowPoly) -> PolygonEdges:
    """Collect the edges of a low poly's polygons."""
    mesh = low.mesh
    face = mesh.corner_face
    part = mesh.face_part[face].astype(np.int64)
    site = low.position_id[mesh.corner_vertex].astype(np.int64)
    site = site + part * (int(site.max(initial=0)) + 1)
    _, site = np.unique(site, return_inverse=True)
    onwards = site[next_corners(mesh)]
    real = np.flatnonzero((site != onwards) & takes_part(low)[face])
    table = edge_table(site[real], onwards[real])
    edge = np.full(len(face), -1, np.int64)
    edge[real] = table.edge
    balance = np.zeros(len(table), np.int64)
    np.add.at(balance, table.edge, np.where(site[real] < onwards[real], 1, -1))
    nodes = mesh.face_count + len(table)
    graph = coo_array(
        (np.ones(len(real), np.int8), (face[real], mesh.face_count + table.edge)),
        shape=(nodes, nodes),
    )
    _, joined = connected_components(graph, directed=False)
    _, shell = np.unique(joined[: mesh.face_count], return_inverse=True)
    return PolygonEdges(
        corner_site=site,
        next_site=onwards,
        edge=edge,
        uses=table.uses,
        balance=balance,
        first=real[table.first],
        shell=shell.astype(np.int32),
    )
