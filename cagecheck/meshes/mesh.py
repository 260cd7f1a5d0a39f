"""The two kinds of mesh that travel through cagecheck.

`Mesh` keeps a file as it is (vertices, polygons, corners, parts): the low poly and its cage.
`Surface` is a bag of triangles to shoot at: the high poly, possibly tens of millions of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.errors import Notice
from cagecheck.meshes.pose import Pose
from cagecheck.words.numbers import count_text

# How long a unit is as each format is read: glTF 2.0 counts metres (section 3.4), USD and FBX
# scenes are brought to centimetres, their default. Other formats say nothing.
_METRES_PER_UNIT = {
    "glb": 1.0, "gltf": 1.0, "usd": 0.01, "usda": 0.01, "usdc": 0.01, "usdz": 0.01, "fbx": 0.01,
}  # fmt: skip


@dataclass(frozen=True)
class SourceFile:
    """Where a mesh came from: path, format name (``obj``, ``ply``, …) and SHA-256 of the bytes.

    `pose` is the frame of a file that moves, None for it as it lies there. `layout` is private
    to the reader that made it and the writer that rewrites the same file.
    """

    path: str
    format: str
    sha256: str
    layout: Any = field(default=None, repr=False, compare=False)
    pose: Pose | None = None

    @property
    def name(self) -> str:
        """The file's name without its folders."""
        return self.path.replace("\\", "/").rsplit("/", 1)[-1]

    @property
    def metres_per_unit(self) -> float | None:
        """How long a unit of the positions read is, None where the format does not say."""
        return _METRES_PER_UNIT.get(self.format)


def scale_of(source: SourceFile | None) -> float | None:
    """Return how many metres a unit is, None where nobody says."""
    return None if source is None else source.metres_per_unit


def label_of(source: SourceFile | None) -> str:
    """Return the name of a file and the frame that was read, or that there is none."""
    if source is None:
        return "in memory"
    return source.name if source.pose is None else f"{source.name}, {source.pose.words}"


@dataclass(frozen=True, eq=False)
class Mesh:
    """A polygon mesh with the file's own vertices, polygons, corners and parts.

    Attributes
    ----------
    positions : (V, 3) float64
        World space, file units, in file order.
    face_start : (F + 1,) int64
        The corners of face f are ``face_start[f]:face_start[f + 1]``.
    corner_vertex : (C,) int32
        Index into `positions`.
    face_part : (F,) int32
        Index into `part_names`.
    part_names : tuple[str, ...]
        Names of the parts.
    corner_uv : (C, 2) float64 or None
        NaN rows where the file gives none; v upwards.
    corner_normal : (C, 3) float64 or None
        Unit length, NaN rows where the file gives none.
    face_material : (F,) int32 or None
        Index into `material_names`; -1 is no material.
    material_names : tuple[str, ...]
        Names of the materials.
    face_smoothing : (F,) int32 or None
        Smoothing group (0 is off); None where the format has none.
    source : SourceFile | None
        The file, or None for a mesh made in memory.
    notices : tuple[Notice, ...]
        What the reader wants the artist to know.
    """

    positions: Floats
    face_start: NDArray[np.int64]
    corner_vertex: Ints
    face_part: Ints
    part_names: tuple[str, ...] = ("mesh",)
    corner_uv: Floats | None = None
    corner_normal: Floats | None = None
    face_material: Ints | None = None
    material_names: tuple[str, ...] = ()
    face_smoothing: Ints | None = None
    source: SourceFile | None = None
    notices: tuple[Notice, ...] = ()

    def __repr__(self) -> str:
        return (
            f"<Mesh {self.label}: {count_text(self.vertex_count)} vertices, "
            f"{count_text(self.face_count)} faces>"
        )

    @property
    def label(self) -> str:
        """The name of the file that the mesh is from, for people."""
        return label_of(self.source)

    @property
    def vertex_count(self) -> int:
        """Number of vertices, V."""
        return len(self.positions)

    @property
    def face_count(self) -> int:
        """Number of polygons, F."""
        return len(self.face_start) - 1

    @property
    def corner_face(self) -> Ints:
        """(C,) int32, the face of every corner."""
        sizes = np.diff(self.face_start)
        return np.repeat(np.arange(self.face_count, dtype=np.int32), sizes)

    def with_positions(self, positions: Floats) -> Mesh:
        """Return the same mesh (and source) with its vertices elsewhere.

        Parameters
        ----------
        positions : (V, 3) float64
            World space.
        """
        positions = np.ascontiguousarray(positions, dtype=np.float64)
        assert positions.shape == self.positions.shape, "a cage has the low poly's own vertices"
        return replace(self, positions=positions, corner_normal=None)


@dataclass(frozen=True, eq=False)
class SurfaceNormals:
    """The normals that a high poly's file gives its triangle corners.

    rows : (R, 3) float32 unit normals, zero where the file gives none that is usable.
    corner : (T, 3) int32, the row of every triangle corner; None where vertex v has row v.
    """

    rows: NDArray[np.float32]
    corner: Ints | None = None


@dataclass(frozen=True, eq=False)
class Surface:
    """Triangles to cast rays at.

    Attributes
    ----------
    positions : (V, 3) float32 or float64
        World space, file units.
    triangles : (T, 3) int32 or uint32
        Index into `positions`.
    triangle_part : (T,) int32
        Index into `part_names`.
    part_names : tuple[str, ...]
        Names of the parts.
    source : SourceFile | None
        The file, or None for a surface made in memory.
    notices : tuple[Notice, ...]
        What the reader wants the artist to know.
    normals : SurfaceNormals | None
        The file's own, or None where it has none, or none that can be used.
    """

    positions: NDArray[np.floating[Any]]
    triangles: NDArray[np.integer[Any]]
    triangle_part: Ints
    part_names: tuple[str, ...] = ("mesh",)
    source: SourceFile | None = None
    notices: tuple[Notice, ...] = ()
    normals: SurfaceNormals | None = None

    def __repr__(self) -> str:
        return f"<Surface {label_of(self.source)}: {count_text(self.triangle_count)} triangles>"

    @property
    def triangle_count(self) -> int:
        """Number of triangles, T."""
        return len(self.triangles)


def mesh_from_polygons(
    positions: Any,
    polygons: list[list[int]] | NDArray[np.integer[Any]],
    *,
    uv: Any = None,
    part: str = "mesh",
) -> Mesh:
    """Build a one-part `Mesh` from positions and a list of polygons.

    Parameters
    ----------
    positions : (V, 3) float64
        World space.
    polygons : list of lists of int, or (F, K) int
        Vertex numbers of every polygon, from 0, counter-clockwise from outside.
    uv : (C, 2) float64, optional
        One row per corner in polygon order, or None.
    part : str, optional
        The part's name.

    Examples
    --------
    >>> import cagecheck
    >>> square = [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]]
    >>> cagecheck.mesh_from_polygons(square, [[0, 1, 2, 3]])
    <Mesh in memory: 4 vertices, 1 faces>
    """
    sizes = np.array([len(p) for p in polygons], dtype=np.int64)
    start = np.concatenate([[0], np.cumsum(sizes)])
    corners = np.array([v for p in polygons for v in p], dtype=np.int32)
    return Mesh(
        positions=np.ascontiguousarray(positions, dtype=np.float64).reshape(-1, 3),
        face_start=start,
        corner_vertex=corners,
        face_part=np.zeros(len(sizes), np.int32),
        part_names=(part,),
        corner_uv=None if uv is None else np.ascontiguousarray(uv, dtype=np.float64),
    )


def join_meshes(meshes: list[Mesh]) -> Mesh:
    """Return one mesh with the vertices, faces and parts of all, in the order given.

    Part and material names are kept; equal names become one part. Corner data that only some of
    the meshes have is NaN (or smoothing group 0) on the others.
    """
    part_names = tuple(dict.fromkeys(n for m in meshes for n in m.part_names))
    material_names = tuple(dict.fromkeys(n for m in meshes for n in m.material_names))
    vertex_base = np.cumsum([0] + [m.vertex_count for m in meshes])
    corner_base = np.cumsum([0] + [len(m.corner_vertex) for m in meshes])

    def corner_rows(name: str, width: int) -> Floats | None:
        if all(getattr(m, name) is None for m in meshes):
            return None
        return np.concatenate(
            [
                getattr(m, name)
                if getattr(m, name) is not None
                else np.full((len(m.corner_vertex), width), np.nan)
                for m in meshes
            ]
        )

    def renumber(index: Ints | None, names: tuple[str, ...], into: tuple[str, ...], n: int) -> Ints:
        table = np.array([into.index(x) for x in names] + [-1], dtype=np.int32)
        return np.full(n, -1, np.int32) if index is None else table[index]

    smoothing = [
        m.face_smoothing if m.face_smoothing is not None else np.zeros(m.face_count, np.int32)
        for m in meshes
    ]
    return Mesh(
        positions=np.concatenate([m.positions for m in meshes]),
        face_start=np.concatenate(
            [[0]] + [m.face_start[1:] + b for m, b in zip(meshes, corner_base, strict=False)]
        ).astype(np.int64),
        corner_vertex=np.concatenate(
            [m.corner_vertex + b for m, b in zip(meshes, vertex_base, strict=False)]
        ).astype(np.int32),
        face_part=np.concatenate(
            [renumber(m.face_part, m.part_names, part_names, m.face_count) for m in meshes]
        ),
        part_names=part_names,
        corner_uv=corner_rows("corner_uv", 2),
        corner_normal=corner_rows("corner_normal", 3),
        face_material=np.concatenate(
            [
                renumber(m.face_material, m.material_names, material_names, m.face_count)
                for m in meshes
            ]
        ),
        material_names=material_names,
        face_smoothing=np.concatenate(smoothing)
        if any(m.face_smoothing is not None for m in meshes)
        else None,
        notices=tuple(n for m in meshes for n in m.notices),
    )
