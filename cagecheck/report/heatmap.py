"""The heat-map mesh: the low poly cut finely enough to carry the samples' findings.

Every low-poly triangle becomes a regular lattice about as fine as its samples. Each lattice
vertex shows the worst sample nearest to it, so that a defect is never averaged away; it may look
up to half a lattice cell larger than it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.formats.encode_gltf import AssetBuilder
from cagecheck.loops import njit
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.points import SurfacePoints

# A heat map of this many vertices opens at once in any viewer (about 20 MB as PLY).
MOST_VERTICES = 300_000
NO_REGION = 0
# Two lattice points k rings apart are at least k * sqrt(3/2) lattice steps apart in barycentric
# space, and a point lies at most (2/3, 1/3, 1/3) from the lattice point that it is rounded to.
RING_STEP = float(np.sqrt(1.5))
ROUNDED_OFF = float(np.sqrt(6) / 3)


@dataclass(frozen=True, eq=False)
class HeatMap:
    """A triangle mesh with one record per vertex.

    Attributes
    ----------
    positions : (K, 3) float64; triangles : (M, 3) int32; low_triangle : (M,) int32 its origin.
    sample : (K,) int64, the sample that each vertex shows.
    colours : (K, 4) uint8 RGBA of the main defect.
    fields : per name (K,) arrays, written as PLY properties.
    vertex_of_sample : (N,) int32, the vertex nearest to every sample.
    """

    positions: Floats
    triangles: Ints
    low_triangle: Ints
    sample: NDArray[np.int64]
    colours: NDArray[np.uint8]
    fields: dict[str, NDArray[Any]]
    vertex_of_sample: Ints


@dataclass(frozen=True, eq=False)
class Lattice:
    """The mesh of a heat map and the sample that each vertex shows; fields as in `HeatMap`."""

    positions: Floats
    triangles: Ints
    low_triangle: Ints
    sample: NDArray[np.int64]
    vertex_of_sample: Ints


def lay_lattice(
    low: LowPoly,
    points: SurfacePoints,
    rank: NDArray[np.int64],
    *,
    most_vertices: int = MOST_VERTICES,
) -> Lattice:
    """Lay a lattice over the low poly; of the samples at a vertex the least `rank` (N,) wins."""
    order = np.argsort(points.triangle, kind="stable")
    count = np.bincount(points.triangle, minlength=len(low.triangles))
    start = np.concatenate([[0], np.cumsum(count)])
    sides = _lattice_sides(count, most_vertices)
    vertex_start = np.concatenate([[0], np.cumsum((sides + 1) * (sides + 2) // 2)])
    face_start = np.concatenate([[0], np.cumsum(sides * sides)])
    barycentric = np.empty((vertex_start[-1], 3))
    triangles = np.empty((face_start[-1], 3), np.int32)
    sample = np.empty(vertex_start[-1], np.int64)
    vertex_of_sample = np.empty(len(points), np.int32)
    _fill_lattices(
        sides, vertex_start, face_start, start, order, points.barycentric,
        rank, barycentric, triangles, sample, vertex_of_sample,
    )  # fmt: skip
    owner = np.repeat(np.arange(len(sides)), np.diff(vertex_start))
    positions = np.einsum("ij,ijk->ik", barycentric, low.positions[low.triangles[owner]])
    low_triangle = np.repeat(np.arange(len(sides), dtype=np.int32), sides * sides)
    return Lattice(positions, triangles, low_triangle, sample, vertex_of_sample)


def _lattice_sides(count: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """Return (T,) lattice subdivisions: about two samples per lattice vertex, `most` in all."""
    sides = np.maximum(np.sqrt(count).astype(np.int64), 1)
    sides[count == 0] = 0
    total = int(((sides + 1) * (sides + 2) // 2)[count > 0].sum())
    if total > most:
        shrink = np.sqrt(most / total)
        sides = np.where(count > 0, np.maximum((sides * shrink).astype(np.int64), 1), 0)
    return np.where(count > 0, sides, 0)


@njit(cache=True, nogil=True)
def _lattice_index(i: int, j: int, n: int) -> int:
    """Number of lattice point (i, j), i + j <= n, rows of constant i."""
    return i * (n + 1) - i * (i - 1) // 2 + j


@njit(cache=True, nogil=True)
def _fill_lattices(
    sides: NDArray[np.int64],
    vertex_start: NDArray[np.int64],
    face_start: NDArray[np.int64],
    sample_start: NDArray[np.int64],
    order: NDArray[np.int64],
    sample_barycentric: Floats,
    sample_rank: NDArray[np.int64],
    barycentric: Floats,
    triangles: Ints,
    sample: NDArray[np.int64],
    vertex_of_sample: Ints,
) -> None:
    for t in range(len(sides)):
        n = sides[t]
        base = vertex_start[t]
        if n == 0:
            # A triangle without samples has no faces here; its one vertex slot stays unused.
            for k in range(vertex_start[t + 1] - base):
                barycentric[base + k, 0], barycentric[base + k, 1] = 1.0, 0.0
                barycentric[base + k, 2] = 0.0
                sample[base + k] = 0
            continue
        for i in range(n + 1):
            for j in range(n + 1 - i):
                v = base + _lattice_index(i, j, n)
                barycentric[v, 0] = i / n
                barycentric[v, 1] = j / n
                barycentric[v, 2] = (n - i - j) / n
                sample[v] = -1
        for r in range(sample_start[t], sample_start[t + 1]):
            s = order[r]
            i, j = _nearest_lattice_point(sample_barycentric[s], n)
            v = base + _lattice_index(i, j, n)
            vertex_of_sample[s] = v
            if sample[v] < 0 or sample_rank[s] < sample_rank[sample[v]]:
                sample[v] = s
        _fill_empty(n, base, order[sample_start[t] : sample_start[t + 1]], vertex_of_sample,
                    sample_barycentric, sample)  # fmt: skip
        f = face_start[t]
        for i in range(n):
            for j in range(n - i):
                a = base + _lattice_index(i, j, n)
                b = base + _lattice_index(i + 1, j, n)
                c = base + _lattice_index(i, j + 1, n)
                triangles[f, 0], triangles[f, 1], triangles[f, 2] = b, c, a
                f += 1
                if i + j < n - 1:
                    d = base + _lattice_index(i + 1, j + 1, n)
                    triangles[f, 0], triangles[f, 1], triangles[f, 2] = b, d, c
                    f += 1


@njit(cache=True, nogil=True)
def _nearest_lattice_point(w: Floats, n: int) -> Any:
    """Round barycentric coordinates to lattice coordinates that still add up to n."""
    i, j, k = round(w[0] * n), round(w[1] * n), round(w[2] * n)
    over = i + j + k - n
    if over != 0:
        ei, ej, ek = i - w[0] * n, j - w[1] * n, k - w[2] * n
        sign = 1 if over > 0 else -1
        if sign * ei >= sign * ej and sign * ei >= sign * ek:
            i -= over
        elif sign * ej >= sign * ek:
            j -= over
        else:
            k -= over
    i = min(max(i, 0), n)
    return i, min(max(j, 0), n - i)


@njit(cache=True, nogil=True)
def _fill_empty(
    n: int,
    base: int,
    members: NDArray[np.int64],
    vertex_of_sample: Ints,
    sample_barycentric: Floats,
    sample: NDArray[np.int64],
) -> None:
    """Give lattice vertices that no sample rounded to the nearest sample of their triangle.

    Samples are looked for ring by ring around the vertex. `members` are the samples of the
    triangle; of equally near ones the first of them is taken.
    """
    vertices = (n + 1) * (n + 2) // 2
    # The samples that rounded to each lattice vertex, as chains of positions in `members`.
    head, following = np.full(vertices, -1, np.int64), np.empty(len(members), np.int64)
    for r in range(len(members) - 1, -1, -1):
        v = vertex_of_sample[members[r]] - base
        following[r] = head[v]
        head[v] = r
    for i in range(n + 1):
        for j in range(n + 1 - i):
            if head[_lattice_index(i, j, n)] < 0:
                nearest = _nearest_member(i, j, n, head, following, members, sample_barycentric)
                sample[base + _lattice_index(i, j, n)] = members[nearest]


@njit(cache=True, nogil=True)
def _nearest_member(
    i: int,
    j: int,
    n: int,
    head: NDArray[np.int64],
    following: NDArray[np.int64],
    members: NDArray[np.int64],
    sample_barycentric: Floats,
) -> int:
    """Return which of `members` lies nearest to lattice point (i, j), in barycentric space."""
    best, nearest = np.inf, -1
    for ring in range(1, n + 1):
        if ring * RING_STEP - ROUNDED_OFF > n * np.sqrt(best):
            break
        for di in range(-ring, ring + 1):
            if i + di < 0 or i + di > n:
                continue
            for dj in range(-ring, ring + 1):
                if max(abs(di), abs(dj), abs(di + dj)) != ring:
                    continue
                if j + dj < 0 or i + di + j + dj > n:
                    continue
                r = head[_lattice_index(i + di, j + dj, n)]
                while r >= 0:
                    w = sample_barycentric[members[r]]
                    d = (w[0] - i / n) ** 2 + (w[1] - j / n) ** 2 + (w[2] - (n - i - j) / n) ** 2
                    if d < best or (d == best and r < nearest):
                        best, nearest = d, r
                    r = following[r]
    return nearest


def write_heat_ply(heat: HeatMap, path: Path) -> None:
    """Write binary PLY: position, colour, then every field as a vertex property."""
    columns: list[tuple[str, NDArray[Any]]] = [
        (axis, heat.positions[:, k].astype("<f4")) for k, axis in enumerate("xyz")
    ]
    columns += [
        (name, heat.colours[:, k]) for k, name in enumerate(("red", "green", "blue", "alpha"))
    ]
    columns += list(heat.fields.items())
    record = np.dtype([(name, values.dtype.newbyteorder("<")) for name, values in columns])
    rows = np.empty(len(heat.positions), record)
    for name, values in columns:
        rows[name] = values
    names = {"f4": "float", "u1": "uchar", "u2": "ushort", "i4": "int"}
    header = ["ply", "format binary_little_endian 1.0", f"element vertex {len(rows)}"]
    header += [f"property {names[values.dtype.str[1:]]} {name}" for name, values in columns]
    header += [f"element face {len(heat.triangles)}"]
    header += ["property list uchar int vertex_indices", "end_header", ""]
    faces = np.empty(len(heat.triangles), np.dtype([("n", "u1"), ("v", "<i4", 3)]))
    faces["n"], faces["v"] = 3, heat.triangles
    with path.open("wb") as stream:
        stream.write("\n".join(header).encode("ascii"))
        stream.write(rows.view(np.uint8).data)
        stream.write(faces.view(np.uint8).data)


def write_heat_glb(heat: HeatMap, path: Path) -> None:
    """Write GLB with vertex colours, for any glTF viewer."""
    builder = AssetBuilder()
    attributes = {
        "POSITION": builder.add_array(heat.positions.astype("<f4"), bounds=True),
        "COLOR_0": builder.add_array(heat.colours),
    }
    index = builder.add_array(heat.triangles.ravel().astype(np.uint32))
    builder.add_node("heat map", [{"attributes": attributes, "indices": index}])
    with path.open("wb") as stream:
        stream.writelines(bytes(chunk) for chunk in builder.glb())
