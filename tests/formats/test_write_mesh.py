"""Meshes and surfaces written anew read back the same, here and in trimesh."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from cagecheck.errors import InputError
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.formats.write_mesh import write_mesh, write_surface
from cagecheck.meshes.mesh import Surface, SurfaceNormals, mesh_from_polygons
from cagecheck.meshes.triangulate import triangulate
from tests.scenes.mesh_files import CORNERS, OBJ_TEXT, TRIANGLES


@pytest.fixture
def low(tmp_path: Path):  # type: ignore[no-untyped-def]
    path = tmp_path / "low.obj"
    path.write_bytes(OBJ_TEXT)
    return read_mesh(path)


def test_obj_keeps_everything(tmp_path: Path, low) -> None:  # type: ignore[no-untyped-def]
    write_mesh(low, tmp_path / "out.obj")
    again = read_mesh(tmp_path / "out.obj")
    for name in ("positions", "face_start", "corner_vertex", "face_part", "face_material",
                 "face_smoothing"):  # fmt: skip
        assert np.array_equal(getattr(again, name), getattr(low, name))
    assert again.part_names == low.part_names and again.material_names == low.material_names
    assert np.array_equal(again.corner_uv, low.corner_uv, equal_nan=True)
    assert np.array_equal(again.corner_normal, low.corner_normal, equal_nan=True)
    write_mesh(again, tmp_path / "twice.obj")
    assert (tmp_path / "twice.obj").read_bytes() == (tmp_path / "out.obj").read_bytes()


def test_ply_keeps_polygons_and_uvs(tmp_path: Path, low) -> None:  # type: ignore[no-untyped-def]
    write_mesh(low, tmp_path / "out.ply")
    again = read_mesh(tmp_path / "out.ply")
    assert np.array_equal(again.positions, low.positions)
    assert np.array_equal(again.face_start, low.face_start)
    assert np.array_equal(again.corner_vertex, low.corner_vertex)
    assert np.array_equal(again.corner_uv, np.nan_to_num(low.corner_uv))


@pytest.mark.parametrize("extension", ["glb", "gltf"])
def test_gltf_keeps_parts_uvs_and_materials(tmp_path: Path, low, extension: str) -> None:  # type: ignore[no-untyped-def]
    write_mesh(low, tmp_path / f"out.{extension}")
    again = read_mesh(tmp_path / f"out.{extension}")
    cut = triangulate(low)
    corners = cut.corners.ravel()
    assert again.part_names == low.part_names and again.material_names == low.material_names
    assert np.array_equal(again.positions[again.corner_vertex],
                          low.positions[low.corner_vertex[corners]])  # fmt: skip
    has_uv = np.isfinite(low.corner_uv[corners]).all(axis=1)
    assert np.allclose(again.corner_uv[has_uv], low.corner_uv[corners][has_uv])
    assert np.array_equal(again.face_material, low.face_material[cut.face])
    scene = trimesh.load(tmp_path / f"out.{extension}", force="scene")
    assert set(scene.graph.nodes_geometry) == set(low.part_names)
    assert sum(len(g.faces) for g in scene.geometry.values()) == len(cut.face)


@pytest.mark.parametrize("extension", ["obj", "ply", "stl", "glb", "gltf", "ply.gz"])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_surfaces(tmp_path: Path, extension: str, dtype: type) -> None:
    rng = np.random.default_rng(1)
    positions = (CORNERS + rng.normal(0, 0.1, CORNERS.shape)).astype(dtype)
    part = (np.arange(12) // 5).astype(np.int32)
    surface = Surface(positions, TRIANGLES.astype(np.int32), part, ("a", "b", "c"))
    path = tmp_path / f"out.{extension}"
    write_surface(surface, path)
    again = read_surface(path)
    got, want = again.positions[again.triangles], positions[TRIANGLES]
    if extension in ("obj", "ply", "ply.gz"):
        # Numbers of 17 digits in text are off by a unit in the last place in a surface.
        assert np.array_equal(got.astype(np.float32), want.astype(np.float32))
        assert np.allclose(got, want, rtol=4e-16, atol=0) or dtype is np.float32
    else:
        assert np.array_equal(got, want.astype(np.float32))
    if extension in ("obj", "glb", "gltf"):
        assert again.part_names == ("a", "b", "c")
        assert np.array_equal(again.triangle_part, part)
    if extension in ("ply", "stl"):
        other = trimesh.load(path, process=False)
        assert np.allclose(other.vertices[other.faces], want, atol=1e-6)


@pytest.mark.parametrize(("corners", "kind"), [(127, b"uchar"), (128, b"int")])
def test_ply_counts_take_a_byte_while_that_holds_them(
    tmp_path: Path, corners: int, kind: bytes
) -> None:
    """A polygon of 128 corners has 256 UV numbers, one more than a byte counts."""
    angle = 2 * np.pi * np.arange(corners) / corners
    ring = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    uv = np.arange(2 * (corners + 3), dtype=float).reshape(-1, 2)  # the triangle's are its own
    mesh = mesh_from_polygons(ring, [list(range(corners)), [2, 1, 0]], uv=uv)
    write_mesh(mesh, tmp_path / "a.ply")
    header = (tmp_path / "a.ply").read_bytes().partition(b"end_header")[0]
    assert header.count(b"property list " + kind + b" ") == 2
    again = read_mesh(tmp_path / "a.ply")
    assert np.array_equal(again.face_start, mesh.face_start)
    assert np.array_equal(again.corner_vertex, mesh.corner_vertex)
    assert np.array_equal(again.corner_uv, uv)


@pytest.mark.parametrize(("step", "kind"), [(0.25, b"float"), (0.1, b"double")])
def test_ply_uvs_of_faces_are_double_where_float_would_round_them(
    tmp_path: Path, step: float, kind: bytes
) -> None:
    uv = step * np.arange(12, dtype=float).reshape(6, 2)
    mesh = mesh_from_polygons(CORNERS[:4], [[0, 1, 2], [2, 1, 0]], uv=uv)
    write_mesh(mesh, tmp_path / "a.ply")
    header = (tmp_path / "a.ply").read_bytes().partition(b"end_header")[0]
    assert b"property list uchar " + kind + b" texcoord" in header
    assert np.array_equal(read_mesh(tmp_path / "a.ply").corner_uv, uv)


@pytest.mark.parametrize("missing", [False, True])
def test_gltf_has_normals_of_a_surface_for_all_of_its_vertices_or_none(
    tmp_path: Path, missing: bool
) -> None:
    """A row of zeros stands for a normal that the file did not give."""
    rows = CORNERS.astype(np.float32) - np.float32(0.5)
    rows /= np.linalg.norm(rows, axis=1, keepdims=True)
    rows[3] *= not missing
    part = np.zeros(12, np.int32)
    surface = Surface(
        CORNERS, TRIANGLES.astype(np.int32), part, ("a",), normals=SurfaceNormals(rows)
    )
    write_surface(surface, tmp_path / "a.glb")
    again = read_mesh(tmp_path / "a.glb")
    if missing:
        assert again.corner_normal is None
    else:
        assert again.corner_normal is not None
        assert np.allclose(again.corner_normal, rows[TRIANGLES.ravel()], atol=1e-6)


def test_same_mesh_gives_same_bytes(tmp_path: Path, low) -> None:  # type: ignore[no-untyped-def]
    for name in ("a.glb.gz", "b.glb.gz"):
        write_mesh(low, tmp_path / name)
    assert (tmp_path / "a.glb.gz").read_bytes() == (tmp_path / "b.glb.gz").read_bytes()


def test_unknown_extension_and_existing_file_are_refused(tmp_path: Path, low) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match="does not write"):
        write_mesh(low, tmp_path / "out.fbx")
    with pytest.raises(InputError, match="`force`"):
        write_mesh(low, tmp_path / "low.obj")
