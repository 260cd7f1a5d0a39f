"""GLB and glTF meshes: a part per node, positions in world space, UVs with v upwards.

glTF counts v downwards from the top of the image; here, as in OBJ and in tile numbers, it counts
upwards: v = 1 - v_gltf. A node that mirrors (negative determinant) has its faces' corners turned
round, as the standard asks, so that they face outwards. Skinned meshes stand as their joints hold
them; morph targets are left out. With a frame both follow the animation (`gltf_animation`); in the
rest pose skinned meshes stand as they were bound.
Source: Khronos Group, "glTF 2.0 Specification" (ISO/IEC 12113:2022).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.errors import Notice
from cagecheck.formats.checks import MOST_ITEMS, check_indices, check_positions, unit_or_nan
from cagecheck.formats.draco import unpack_draco
from cagecheck.formats.file_bytes import FileBytes
from cagecheck.formats.gltf_accessor import accessor, scaled
from cagecheck.formats.gltf_animation import put_pose
from cagecheck.formats.gltf_document import (
    PACKING,
    Document,
    MalformedError,
    Placed,
    children_of,
    is_whole,
    local_matrix,
    open_document,
    placed_meshes,
    under,
)
from cagecheck.formats.meshopt import unpack_meshopt
from cagecheck.meshes.mesh import Mesh, Surface, SurfaceNormals
from cagecheck.meshes.surface_normals import unit_rows
from cagecheck.progress import Progress, silent
from cagecheck.words.numbers import count_text

TRIANGLES, STRIP, FAN = 4, 5, 6
_BLOCK = 1 << 20
_LARGEST_WEIGHT = 1e6


@dataclass(frozen=True, eq=False)
class VertexRun:
    """Where one position accessor of one node landed: rows `begin` … `end` of the mesh.

    matrix : (4, 4), or (n, 4, 4) for a skinned mesh, from the accessor's space to the world.
    """

    accessor: int
    begin: int
    end: int
    matrix: Floats


@dataclass(frozen=True, eq=False)
class _Primitive:
    placed: Placed
    positions: int  # accessor
    attributes: dict[str, Any]
    material: int
    triangles: NDArray[Any]  # (t, 3) as stored
    targets: tuple[tuple[float, dict[str, Any]], ...]  # weight and attributes of morphs that show


def read_gltf_mesh(file: FileBytes, *, progress: Progress = silent) -> Mesh:
    """Read a GLB or glTF file faithfully. Raises `InputError`."""
    try:
        document, notices = _opened(file)
        return _mesh(file, document, notices, progress)
    except MalformedError as error:
        raise _broken(file, error) from error


def read_gltf_surface(
    file: FileBytes, *, normals: bool = True, progress: Progress = silent
) -> Surface:
    """Read the triangles of a GLB or glTF file. Raises `InputError`."""
    try:
        document, notices = _opened(file)
        return _surface(file, document, notices, normals, progress)
    except MalformedError as error:
        raise _broken(file, error) from error


def _opened(file: FileBytes) -> tuple[Document, list[Notice]]:
    document = open_document(file, with_packed=True)
    unpack_meshopt(document)
    unpack_draco(document)
    return document, [] if file.pose is None else put_pose(document, file.pose)


def _broken(file: FileBytes, error: MalformedError) -> Exception:
    what = str(error)
    if any(name in what for name in PACKING):
        return file.error(f"{what}.", "Export it again without compression.")
    return file.error(f"this is not a sound glTF file: {what}.", "Export it again.")


def _primitives(document: Document, skipped: dict[str, int]) -> Iterator[_Primitive]:
    for placed in placed_meshes(document):
        mesh = document.item("meshes", document.item("nodes", placed.node)["mesh"])
        primitives = mesh.get("primitives", [])
        if not isinstance(primitives, list) or not all(isinstance(p, dict) for p in primitives):
            raise MalformedError(f"the primitives of the mesh of node {placed.node} are not a list")
        for entry in primitives:
            attributes = entry.get("attributes")
            if not isinstance(attributes, dict):
                raise MalformedError(f"a primitive of node {placed.node} has no attributes")
            if entry.get("mode", TRIANGLES) not in (TRIANGLES, STRIP, FAN):
                skipped["lines or points"] = skipped.get("lines or points", 0) + 1
                continue
            if not all(is_whole(index) for index in attributes.values()):
                raise MalformedError(f"an attribute of node {placed.node} is not an accessor")
            if "POSITION" not in attributes:
                skipped["no positions"] = skipped.get("no positions", 0) + 1
                continue
            if (mesh.get("weights") or entry.get("targets")) and not document.is_morphed:
                skipped["morph targets"] = skipped.get("morph targets", 0) + 1
            yield _primitive(document, placed, entry, attributes)


def _primitive(
    document: Document, placed: Placed, entry: dict[str, Any], attributes: dict[str, Any]
) -> _Primitive:
    position = attributes["POSITION"]
    count = document.item("accessors", position).get("count", 0)
    if "indices" in entry:
        index = accessor(document, entry["indices"], 1)[:, 0]
        if index.dtype.kind != "u":
            raise MalformedError(f"the indices of node {placed.node} are not unsigned numbers")
    else:
        index = np.arange(count if is_whole(count) else 0, dtype=np.uint32)
    mode = entry.get("mode", TRIANGLES)
    if mode == TRIANGLES:
        if len(index) % 3:
            raise MalformedError(
                f"the triangles of node {placed.node} have {count_text(len(index))} corners"
            )
        triangles = index.reshape(-1, 3)
    else:
        triangles = _unroll(index, mode)
    material = entry.get("material", -1)
    if material != -1:
        document.item("materials", material)
    targets = _targets(document, placed, entry) if document.is_morphed else ()
    return _Primitive(placed, position, attributes, material, triangles, targets)


def _targets(
    document: Document, placed: Placed, entry: dict[str, Any]
) -> tuple[tuple[float, dict[str, Any]], ...]:
    """Return the morph targets that a node's weights, or else its mesh's, let show."""
    held = entry.get("targets", [])
    node = document.item("nodes", placed.node)
    weights = node.get("weights", document.item("meshes", node["mesh"]).get("weights", []))
    if not isinstance(held, list) or not isinstance(weights, list):
        raise MalformedError(f"the morph targets of node {placed.node} are not a list")
    out = []
    for weight, target in zip(weights, held, strict=False):
        if not isinstance(weight, int | float) or not isinstance(target, dict):
            raise MalformedError(f"a morph target of node {placed.node} is none")
        if not abs(weight) <= _LARGEST_WEIGHT:
            raise MalformedError(f"a morph target of node {placed.node} has no weight")
        if weight != 0:
            out.append((float(weight), target))
    return tuple(out)


def _morphed(document: Document, part: _Primitive, name: str, values: NDArray[Any]) -> NDArray[Any]:
    """Return positions or normals with the morphs that show added (glTF 2.0, 3.7.2.2)."""
    for weight, target in part.targets:
        if name not in target:
            continue
        moved = scaled(document, target[name], accessor(document, target[name], 3))
        if len(moved) != len(values):
            raise MalformedError(f"a morph target of node {part.placed.node} has not its vertices")
        with np.errstate(over="ignore", invalid="ignore"):
            values = values + weight * moved.astype(np.float64)
    return values


def _unroll(index: NDArray[Any], mode: int) -> NDArray[Any]:
    """Turn a strip or fan into triangles, degenerate ones left in (glTF 2.0, 3.7.2.1)."""
    n = max(len(index) - 2, 0)
    k = np.arange(n)
    if mode == STRIP:
        corners = np.stack([k, k + 1 + k % 2, k + 2 - k % 2], axis=1)
    else:
        corners = np.stack([k + 1, k + 2, np.zeros_like(k)], axis=1)
    return index[corners] if n else np.zeros((0, 3), index.dtype)


def _mirrors(matrix: Floats) -> bool:
    return bool(matrix.ndim == 2 and np.linalg.det(matrix[:3, :3]) < 0)


def to_world(positions: NDArray[Any], matrix: Floats) -> Floats:
    """Return (n, 3) float64 positions under one (4, 4) matrix or one for each."""
    p = np.asarray(positions, np.float64)
    if matrix.ndim == 3:
        return np.einsum("nij,nj->ni", matrix[:, :3, :3], p) + matrix[:, :3, 3]
    if np.array_equal(matrix, np.eye(4)):
        return p
    return p @ matrix[:3, :3].T + matrix[:3, 3]


def _matrix_of(document: Document, part: _Primitive, vertices: int) -> Floats:
    """Return the matrix from accessor to world, one a vertex where a skin holds the mesh."""
    node = document.item("nodes", part.placed.node)
    if "skin" not in node or "JOINTS_0" not in part.attributes:
        return part.placed.world
    if document.is_rest:  # the node's own transform does not count for a skinned mesh
        return np.eye(4)
    return _skin_matrices(document, node["skin"], part, vertices)


def _skin_matrices(document: Document, skin: object, part: _Primitive, vertices: int) -> Floats:
    entry = document.item("skins", skin)
    joints = entry.get("joints", [])
    if not isinstance(joints, list) or not joints:
        raise MalformedError(f"skin {skin} has no joints")
    world = _joint_worlds(document, joints)
    if "inverseBindMatrices" in entry:
        bind = scaled(document, entry["inverseBindMatrices"],
                      accessor(document, entry["inverseBindMatrices"], 16))  # fmt: skip
        if len(bind) < len(joints):
            raise MalformedError(f"skin {skin} has fewer bind matrices than joints")
        world = world @ bind[: len(joints)].astype(np.float64).reshape(-1, 4, 4).transpose(0, 2, 1)
    out = np.zeros((vertices, 4, 4))
    for k in range(8):
        if f"JOINTS_{k}" not in part.attributes or f"WEIGHTS_{k}" not in part.attributes:
            break
        at = accessor(document, part.attributes[f"JOINTS_{k}"], 4)
        weight = part.attributes[f"WEIGHTS_{k}"]
        share = scaled(document, weight, accessor(document, weight, 4))
        if len(at) != vertices or len(share) != vertices:
            raise MalformedError(f"the joints of node {part.placed.node} do not match its vertices")
        if at.dtype.kind != "u" or (len(at) and int(at.max()) >= len(joints)):
            raise MalformedError(f"the joints of node {part.placed.node} are out of range")
        for j in range(4):
            out += share[:, j].astype(np.float64)[:, None, None] * world[at[:, j]]
    total = out[:, 3, 3]
    if not (np.isfinite(out).all() and (np.abs(total) > 0).all()):
        raise MalformedError(f"the joint weights of node {part.placed.node} do not add up")
    out /= total[:, None, None]
    return out


def _joint_worlds(document: Document, joints: list[Any]) -> Floats:
    """Return the (J, 4, 4) world matrices of joints, whether or not a scene shows them."""
    nodes = document.items("nodes")
    parent: dict[int, int] = {}
    for k, node in enumerate(nodes):
        parent.update({child: k for child in children_of(node) if is_whole(child)})
    out = np.empty((len(joints), 4, 4))
    for row, joint in enumerate(joints):
        document.item("nodes", joint)
        matrix, at, steps = np.eye(4), joint, 0
        while at is not None:
            matrix = under(local_matrix(nodes[at], at), matrix)
            at = parent.get(at)
            steps += 1
            if steps > len(nodes):
                raise MalformedError(f"joint {joint} hangs below itself")
        out[row] = matrix
    return out


def _mesh(file: FileBytes, document: Document, posed: list[Notice], progress: Progress) -> Mesh:
    skipped: dict[str, int] = {}
    runs: dict[tuple[Any, ...], VertexRun] = {}
    positions: list[Floats] = []
    corners: list[Ints] = []
    uvs: list[Floats | None] = []
    normals: list[Floats | None] = []
    part_names: dict[str, int] = {}
    face_part: list[Ints] = []
    face_material: list[Ints] = []
    total = 0
    for part in _primitives(document, skipped):
        key = (part.placed.node, part.positions, *_morph_key(part))
        if key not in runs:
            stored = _positions(document, part)
            matrix = _matrix_of(document, part, len(stored))
            _check_room(total + len(stored))
            with np.errstate(over="ignore", invalid="ignore"):
                positions.append(to_world(stored, matrix))
            runs[key] = VertexRun(part.positions, total, total + len(stored), matrix)
            total += len(stored)
        run = runs[key]
        if part.triangles.size == 0:
            continue
        check_indices(file, part.triangles, run.end - run.begin, 3)
        triangles = part.triangles.astype(np.int64)
        if _mirrors(run.matrix):
            triangles = triangles[:, ::-1]
        local = triangles.reshape(-1)
        corners.append((local + run.begin).astype(np.int32))
        uvs.append(_corner_uv(document, part, local))
        normals.append(_corner_normal(document, part, local, run.matrix))
        part_id = part_names.setdefault(part.placed.name, len(part_names))
        face_part.append(np.full(len(triangles), part_id, np.int32))
        face_material.append(np.full(len(triangles), part.material, np.int32))
    if not corners:
        raise file.error("this file shows no triangles.", "Export the mesh with its faces.")
    corner_vertex = np.concatenate(corners)
    counts = [len(c) for c in corners]
    return Mesh(
        positions=np.concatenate(positions),
        face_start=np.arange(0, len(corner_vertex) + 1, 3, dtype=np.int64),
        corner_vertex=corner_vertex,
        face_part=np.concatenate(face_part),
        part_names=tuple(part_names),
        corner_uv=_joined(uvs, counts, 2),
        corner_normal=_joined(normals, counts, 3),
        face_material=np.concatenate(face_material),
        material_names=_material_names(document),
        source=file.source("glb" if document.binary is not None else "gltf", tuple(runs.values())),
        notices=(*_notices(file, skipped), *posed),
    )


def _check_room(vertices: int) -> None:
    if vertices > MOST_ITEMS:
        raise MalformedError("its nodes place more than 2,147,483,647 vertices")


def _morph_key(part: _Primitive) -> tuple[str, ...]:
    """Tell apart primitives that share positions but not the morphs that move them."""
    return tuple(repr(sorted(target.items())) for _, target in part.targets)


def _positions(document: Document, part: _Primitive) -> NDArray[Any]:
    stored = scaled(document, part.positions, accessor(document, part.positions, 3))
    return _morphed(document, part, "POSITION", stored)


def _stored(document: Document, part: _Primitive, name: str, width: int) -> NDArray[Any] | None:
    """Return an attribute's values, one a vertex, or None where the primitive lacks it."""
    if name not in part.attributes:
        return None
    index = part.attributes[name]
    values = scaled(document, index, accessor(document, index, width))
    if len(values) != len(accessor(document, part.positions, 3)):
        raise MalformedError(f"{name} of node {part.placed.node} does not match its positions")
    return _morphed(document, part, name, values) if name == "NORMAL" else values


def _attribute(
    document: Document, part: _Primitive, name: str, width: int, local: NDArray[np.int64]
) -> NDArray[Any] | None:
    values = _stored(document, part, name, width)
    return None if values is None else values[local].astype(np.float64)


def _corner_uv(document: Document, part: _Primitive, local: NDArray[np.int64]) -> Floats | None:
    uv = _attribute(document, part, "TEXCOORD_0", 2, local)
    if uv is None:
        return None
    uv[:, 1] = 1.0 - uv[:, 1]
    uv[~np.isfinite(uv).all(axis=1)] = np.nan
    return uv


def _corner_normal(
    document: Document, part: _Primitive, local: NDArray[np.int64], matrix: Floats
) -> Floats | None:
    normal = _attribute(document, part, "NORMAL", 3, local)
    if normal is None:
        return None
    return unit_or_nan(_turned(normal, matrix if matrix.ndim == 2 else matrix[local]))


def _turned(normals: NDArray[Any], matrix: Floats) -> Floats:
    """Return (n, 3) normals under one (4, 4) matrix or one for each, of any length.

    Normals go with the inverse transpose; times the determinant that is the cofactor matrix, which
    exists for flattening transforms too.
    """
    normals = np.asarray(normals, np.float64)
    if matrix.ndim == 3:
        return np.einsum("nij,nj->ni", _cofactor(matrix[:, :3, :3]), normals)
    out: Floats = normals @ _cofactor(matrix[None, :3, :3])[0].T
    return -out if _mirrors(matrix) else out


def _cofactor(m: Floats) -> Floats:
    return np.stack(
        [
            np.cross(m[:, 1], m[:, 2]),
            np.cross(m[:, 2], m[:, 0]),
            np.cross(m[:, 0], m[:, 1]),
        ],
        axis=1,
    )


def _joined(rows: list[Floats | None], counts: list[int], width: int) -> Floats | None:
    if all(r is None for r in rows):
        return None
    return np.concatenate(
        [np.full((n, width), np.nan) if r is None else r for r, n in zip(rows, counts, strict=True)]
    )


def _material_names(document: Document) -> tuple[str, ...]:
    return tuple(
        str(m["name"]) if isinstance(m.get("name"), str) else f"material {k}"
        for k, m in enumerate(document.items("materials"))
    )


def _notices(file: FileBytes, skipped: dict[str, int]) -> tuple[Notice, ...]:
    out = []
    for what, count in skipped.items():
        words = "were left out" if what != "morph targets" else "are read without them"
        out.append(
            Notice(
                "gltf-" + what.replace(" ", "-"),
                f"{file.name}: {count_text(count)} primitives with {what} {words}.",
                count=count,
            )
        )
    return tuple(out)


def _surface(
    file: FileBytes,
    document: Document,
    posed: list[Notice],
    with_normals: bool,
    progress: Progress,
) -> Surface:
    skipped: dict[str, int] = {}
    runs: dict[tuple[Any, ...], tuple[int, int, Floats]] = {}
    stored: list[tuple[_Primitive, NDArray[Any], Floats]] = []
    pieces: list[tuple[_Primitive, int, bool]] = []
    total = 0
    for part in _primitives(document, skipped):
        # Primitives that share positions but not normals are different vertices here, whether or
        # not the normals are read, so that a vertex keeps its number.
        normal = part.attributes.get("NORMAL", -1)
        key = (part.placed.node, part.positions, normal, *_morph_key(part))
        if key not in runs:
            values = _positions(document, part)
            matrix = _matrix_of(document, part, len(values))
            _check_room(total + len(values))
            stored.append((part, values, matrix))
            runs[key] = (total, len(values), matrix)
            total += len(values)
        begin, count, matrix = runs[key]
        if part.triangles.size:
            check_indices(file, part.triangles, count, 3)
            pieces.append((part, begin, _mirrors(matrix)))
    if not pieces:
        raise file.error("this file shows no triangles.", "Export the mesh with its faces.")
    positions = _surface_positions(stored, total)
    check_positions(file, positions)
    names: dict[str, int] = {}
    ids = [names.setdefault(p.placed.name, len(names)) for p, _, _ in pieces]
    counts = [len(p.triangles) for p, _, _ in pieces]
    return Surface(
        positions,
        _surface_triangles(pieces, progress),
        np.repeat(np.array(ids, np.int32), counts) if len(names) > 1
        else np.zeros(sum(counts), np.int32),
        tuple(names),
        file.source("glb" if document.binary is not None else "gltf"),
        (*_notices(file, skipped), *posed),
        _surface_normals(document, stored, total) if with_normals else None,
    )  # fmt: skip


def _surface_normals(
    document: Document, stored: list[tuple[_Primitive, NDArray[Any], Floats]], total: int
) -> SurfaceNormals | None:
    """Return one normal a vertex, zero where a primitive has none; the file's memory if it fits."""
    given = [_stored(document, part, "NORMAL", 3) for part, _, _ in stored]
    if all(values is None for values in given):
        return None
    if len(stored) == 1 and given[0] is not None and np.array_equal(stored[0][2], np.eye(4)):
        return SurfaceNormals(unit_rows(given[0]))
    out = np.zeros((total, 3), np.float32)
    row = 0
    for (_, positions, matrix), values in zip(stored, given, strict=True):
        for begin in range(0, 0 if values is None else len(values), _BLOCK):
            assert values is not None
            block = values[begin : begin + _BLOCK]
            m = matrix if matrix.ndim == 2 else matrix[begin : begin + _BLOCK]
            with np.errstate(over="ignore", invalid="ignore"):
                out[row + begin : row + begin + len(block)] = unit_rows(_turned(block, m))
        row += len(positions)
    return SurfaceNormals(out)


def _surface_positions(
    stored: list[tuple[_Primitive, NDArray[Any], Floats]], total: int
) -> NDArray[np.float32]:
    """Return world positions as float32; the file's own memory where nothing moves them."""
    if len(stored) == 1:
        _, values, matrix = stored[0]
        ready = values.dtype == np.float32 and values.flags.c_contiguous and values.flags.aligned
        if ready and np.array_equal(matrix, np.eye(4)):
            return values
    out = np.empty((total, 3), np.float32)
    row = 0
    with np.errstate(over="ignore", invalid="ignore"):
        for _, values, matrix in stored:
            for begin in range(0, len(values), _BLOCK):
                block = values[begin : begin + _BLOCK]
                m = matrix if matrix.ndim == 2 else matrix[begin : begin + _BLOCK]
                out[row : row + len(block)] = to_world(block, m)
                row += len(block)
    return out


def _surface_triangles(
    pieces: list[tuple[_Primitive, int, bool]], progress: Progress
) -> NDArray[np.integer[Any]]:
    if len(pieces) == 1:
        part, _, mirrored = pieces[0]
        t = part.triangles
        if t.dtype == np.uint32 and t.flags.c_contiguous and t.flags.aligned and not mirrored:
            return t.view(np.int32)
    out = np.empty((sum(len(p.triangles) for p, _, _ in pieces), 3), np.int32)
    row = 0
    for k, (part, begin, mirrored) in enumerate(pieces):
        t = part.triangles[:, ::-1] if mirrored else part.triangles
        for first in range(0, len(t), _BLOCK):
            block = out[row : row + len(t[first : first + _BLOCK])]
            block[:] = t[first : first + _BLOCK]
            block += begin
            row += len(block)
        progress("join parts", k + 1, len(pieces))
    return out
