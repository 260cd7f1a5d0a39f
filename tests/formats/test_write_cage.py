"""A written cage is the low poly's file with nothing but its positions changed."""

from __future__ import annotations

import base64
import gzip
import json
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cagecheck.errors import InputError
from cagecheck.formats.cage_gltf import to_local
from cagecheck.formats.cage_text import CannotKeepError
from cagecheck.formats.read import read_mesh
from cagecheck.formats.write_cage import write_cage
from cagecheck.meshes.mesh import mesh_from_polygons
from tests.scenes.mesh_files import (
    CORNERS,
    FBX_TEXT,
    OBJ_TEXT,
    QUADS,
    glb_bytes,
    gltf_tree,
    ply_bytes,
    samples,
    stl_bytes,
    stl_text,
)

# sparse.glb shows one mesh in two nodes, which has tests of its own below.
WRITTEN = [name for name in samples() if name != "sparse.glb" and not name.endswith(".gz")]


def put(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def cage_of(path: Path, name: str, every: int = 1) -> tuple[Path, np.ndarray]:
    mesh = read_mesh(path)
    positions = mesh.positions.copy()
    rng = np.random.default_rng(7)
    positions[::every] += rng.normal(0, 0.25, positions[::every].shape)
    out = path.parent / name
    assert write_cage(mesh, positions, out) == ()
    return out, positions


@pytest.mark.parametrize("name", WRITTEN)
@pytest.mark.parametrize("every", [1, 3])
def test_cage_reads_back_with_everything_else_the_same(
    tmp_path: Path, name: str, every: int
) -> None:
    path = put(tmp_path, name, samples()[name])
    out, positions = cage_of(path, f"cage-{name}", every)
    low, cage = read_mesh(path), read_mesh(out)
    assert np.allclose(cage.positions, positions, atol=2e-6)
    for field in ("face_start", "corner_vertex", "face_part", "face_material", "face_smoothing"):
        assert np.array_equal(getattr(low, field), getattr(cage, field))
    assert low.material_names == cage.material_names
    if not name.endswith((".ply", "binary.stl")):
        assert low.part_names == cage.part_names
    if low.corner_uv is not None:
        assert np.array_equal(low.corner_uv, cage.corner_uv, equal_nan=True)


@pytest.mark.parametrize("name", [n for n in WRITTEN if n.split(".")[1] in ("obj", "ply", "stl")])
def test_unmoved_cage_is_the_same_bytes(tmp_path: Path, name: str) -> None:
    path = put(tmp_path, name, samples()[name])
    mesh = read_mesh(path)
    write_cage(mesh, mesh.positions, tmp_path / f"cage-{name}")
    assert (tmp_path / f"cage-{name}").read_bytes() == samples()[name]


def test_obj_changes_coordinates_only(tmp_path: Path) -> None:
    path = put(tmp_path, "low.obj", OBJ_TEXT)
    mesh = read_mesh(path)
    positions = mesh.positions.copy()
    positions[1] = [1.25, -1e-7, 0.1]
    write_cage(mesh, positions, tmp_path / "cage.obj")
    expected = OBJ_TEXT.replace(b"v 1 0 0 0.5 0.25 1", b"v 1.25 -0.0000001 0.1 0.5 0.25 1")
    assert (tmp_path / "cage.obj").read_bytes() == expected
    positions = mesh.positions + 0.1
    write_cage(mesh, positions, tmp_path / "all.obj")
    before = OBJ_TEXT.replace(b"\\\n", b"").splitlines()
    after = (tmp_path / "all.obj").read_bytes().splitlines()
    assert len(before) == len(after)
    for a, b in zip(before, after, strict=True):
        if a.split()[:1] == [b"v"]:
            assert a.split()[4:] == b.split()[4:]
        else:
            assert a == b
    assert np.array_equal(read_mesh(tmp_path / "all.obj").positions, positions)


@pytest.mark.parametrize("order", ["<", ">", "text"])
def test_ply_keeps_all_other_properties(tmp_path: Path, order: str) -> None:
    data = ply_bytes(order, uv=True, extra=True)
    path = put(tmp_path, "low.ply", data)
    mesh = read_mesh(path)
    write_cage(mesh, mesh.positions + [1, 2, 3], tmp_path / "cage.ply")
    moved = (CORNERS + [1, 2, 3]).tolist()
    if order == "text":
        lines = data.decode().splitlines()
        first = lines.index("end_header") + 1
        for k, p in enumerate(moved):
            words = [f"{x:g}" for x in p] + lines[first + k].split()[3:]
            lines[first + k] = " ".join(words)
        assert (tmp_path / "cage.ply").read_text().splitlines() == lines
        return
    expected = bytearray(data)
    begin = data.index(b"end_header\n") + 11
    stride = struct.calcsize("<fffffBd")
    for k, p in enumerate(moved):
        struct.pack_into(order + "fff", expected, begin + k * stride, *p)
    assert (tmp_path / "cage.ply").read_bytes() == bytes(expected)


def test_stl_keeps_header_and_attributes(tmp_path: Path) -> None:
    path = put(tmp_path, "low.stl", stl_bytes())
    mesh = read_mesh(path)
    write_cage(mesh, mesh.positions * [2, 1, 1], tmp_path / "cage.stl")
    before, after = stl_bytes(), (tmp_path / "cage.stl").read_bytes()
    assert after[:84] == before[:84]
    assert after[84 + 48 :: 50] == before[84 + 48 :: 50]
    facet = struct.unpack_from("<12f", after, 84)
    assert facet[:3] == (0, 0, -1)
    assert max(facet) == 2
    text = put(tmp_path, "text.stl", stl_text())
    mesh = read_mesh(text)
    write_cage(mesh, mesh.positions * [2, 1, 1], tmp_path / "cage-text.stl")
    lines = (tmp_path / "cage-text.stl").read_text().splitlines()
    assert len(lines) == len(stl_text().splitlines())
    assert lines[1] == "  facet normal -0 0 -1" or lines[1] == "  facet normal 0 0 -1"
    keep = [k for k, line in enumerate(lines) if "vertex" not in line and "normal" not in line]
    assert [lines[k] for k in keep] == [stl_text().decode().splitlines()[k] for k in keep]


def glb_parts(data: bytes) -> tuple[dict[str, Any], bytes, bytes]:
    size = struct.unpack_from("<I", data, 12)[0]
    tree = json.loads(data[20 : 20 + size])
    place = 20 + size
    length = struct.unpack_from("<I", data, place)[0]
    return tree, data[place + 8 : place + 8 + length], data[place + 8 + length :]


def test_glb_changes_position_data_and_bounds_only(tmp_path: Path) -> None:
    more = struct.pack("<I4s4s", 4, b"ABCD", b"kept")
    source = glb_bytes(*gltf_tree(), more)
    path = put(tmp_path, "low.glb", source)
    out, positions = cage_of(path, "cage.glb")
    tree_a, data_a, more_a = glb_parts(source)
    tree_b, data_b, more_b = glb_parts(out.read_bytes())
    assert more_a == more_b == more
    assert data_a[96:] == data_b[96:] and data_a[:96] != data_b[:96]
    local = np.frombuffer(data_b[:96], "<f4").reshape(-1, 3)
    assert tree_b["accessors"][0].pop("min") == local.min(axis=0).tolist()
    assert tree_b["accessors"][0].pop("max") == local.max(axis=0).tolist()
    del tree_a["accessors"][0]["min"], tree_a["accessors"][0]["max"]
    assert tree_a == tree_b
    assert np.allclose(read_mesh(out).positions, positions, atol=2e-6)


def test_gltf_keeps_its_other_data_and_becomes_self_contained(tmp_path: Path) -> None:
    tree, data = gltf_tree()
    tree["buffers"] = [{"byteLength": len(data), "uri": "low.bin"}]
    put(tmp_path, "low.bin", data)
    path = put(tmp_path, "low.gltf", json.dumps(tree).encode())
    (tmp_path / "elsewhere").mkdir()
    mesh = read_mesh(path)
    write_cage(mesh, mesh.positions + 0.5, tmp_path / "elsewhere" / "cage.gltf")
    after = json.loads((tmp_path / "elsewhere" / "cage.gltf").read_text())
    uri = after["buffers"][0]["uri"]
    assert base64.b64decode(uri.partition(",")[2])[96:] == data[96:]
    assert after["extras"] == tree["extras"]


@pytest.mark.parametrize("kind", [{"quantised": True}, {"sparse": True}])
def test_quantised_and_sparse_positions_get_new_float_data(
    tmp_path: Path, kind: dict[str, bool]
) -> None:
    path = put(tmp_path, "low.glb", glb_bytes(*gltf_tree(**kind)))
    out, positions = cage_of(path, "cage.glb")
    tree, data, _ = glb_parts(out.read_bytes())
    assert tree["accessors"][0]["componentType"] == 5126
    assert data[: len(gltf_tree(**kind)[1])] == gltf_tree(**kind)[1]
    assert np.allclose(read_mesh(out).positions, positions, atol=2e-6)


def test_one_mesh_in_two_nodes(tmp_path: Path) -> None:
    path = put(tmp_path, "low.glb", glb_bytes(*gltf_tree(two_nodes=True)))
    mesh = read_mesh(path)
    assert mesh.source is not None
    local = CORNERS + 0.1 * (CORNERS - 0.5)
    runs = mesh.source.layout
    same = np.concatenate([local @ r.matrix[:3, :3].T + r.matrix[:3, 3] for r in runs])
    assert write_cage(mesh, same, tmp_path / "same.glb") == ()
    assert np.allclose(read_mesh(tmp_path / "same.glb").positions, same, atol=1e-5)
    differs = same.copy()
    differs[0] += 1
    (notice,) = write_cage(mesh, differs, tmp_path / "differs.glb")
    assert notice.code == "cage-written-anew" and "several nodes" in notice.text
    again = read_mesh(tmp_path / "differs.glb")
    assert again.part_names == mesh.part_names
    assert np.allclose(again.positions[again.corner_vertex], differs[mesh.corner_vertex], atol=1e-5)


def test_flattened_node_cannot_be_undone(tmp_path: Path) -> None:
    tree, data = gltf_tree()
    tree["nodes"][0]["scale"] = [1, 1, 0]
    mesh = read_mesh(put(tmp_path, "low.glb", glb_bytes(tree, data)))
    (notice,) = write_cage(mesh, mesh.positions + 1, tmp_path / "cage.glb")
    assert "flattens" in notice.text


def test_a_node_that_all_but_flattens_cannot_be_undone_in_float32() -> None:
    """At a scale of 1e-40 one unit is 1e40 in the node's own space; float32 ends at 3.4e38."""
    matrix = np.diag([1e-40, 1, 1, 1])
    assert np.allclose(to_local(np.array([[1e-3, 1, 1]]), matrix), [[1e37, 1, 1]])
    with pytest.raises(CannotKeepError, match="flattens"):
        to_local(np.array([[1.0, 1, 1]]), matrix)


def test_gzipped_source_gives_a_gzipped_cage(tmp_path: Path) -> None:
    path = put(tmp_path, "low.obj.gz", gzip.compress(OBJ_TEXT))
    mesh = read_mesh(path)
    write_cage(mesh, mesh.positions, tmp_path / "cage.obj.gz")
    assert gzip.decompress((tmp_path / "cage.obj.gz").read_bytes()) == OBJ_TEXT
    write_cage(mesh, mesh.positions, tmp_path / "cage.obj")
    assert (tmp_path / "cage.obj").read_bytes() == OBJ_TEXT


def test_another_format_is_written_anew(tmp_path: Path) -> None:
    mesh = read_mesh(put(tmp_path, "low.obj", OBJ_TEXT))
    (notice,) = write_cage(mesh, mesh.positions, tmp_path / "cage.ply")
    assert notice.code == "cage-written-anew"
    assert np.array_equal(read_mesh(tmp_path / "cage.ply").corner_vertex, mesh.corner_vertex)


def test_fbx_source_is_written_as_obj_and_says_so(tmp_path: Path) -> None:
    pytest.importorskip("ufbx", reason="the extra fbx is not installed")
    mesh = read_mesh(put(tmp_path, "low.fbx", FBX_TEXT))
    (notice,) = write_cage(mesh, mesh.positions, tmp_path / "cage.obj")
    assert "no FBX" in notice.text
    cage = read_mesh(tmp_path / "cage.obj")
    assert np.array_equal(cage.corner_vertex, mesh.corner_vertex)
    assert np.array_equal(cage.corner_uv, mesh.corner_uv)
    with pytest.raises(InputError, match="does not write"):
        write_cage(mesh, mesh.positions, tmp_path / "cage.fbx")


def test_a_changed_source_is_refused(tmp_path: Path) -> None:
    path = put(tmp_path, "low.obj", OBJ_TEXT)
    mesh = read_mesh(path)
    path.write_bytes(OBJ_TEXT + b"# saved again\n")
    with pytest.raises(InputError, match="has changed"):
        write_cage(mesh, mesh.positions, tmp_path / "cage.obj")
    assert not (tmp_path / "cage.obj").exists()


def test_refusals_leave_nothing_behind(tmp_path: Path) -> None:
    mesh = mesh_from_polygons(CORNERS, QUADS)
    target = put(tmp_path, "cage.obj", b"mine")
    with pytest.raises(InputError, match="`force`"):
        write_cage(mesh, CORNERS, target)
    assert target.read_bytes() == b"mine"
    with pytest.raises(InputError, match="finite"):
        write_cage(mesh, CORNERS * np.nan, tmp_path / "nan.obj")
    with pytest.raises(InputError, match="8 positions"):
        write_cage(mesh, CORNERS[:7], tmp_path / "short.obj")
    write_cage(mesh, CORNERS, target, force=True)
    assert [p.name for p in tmp_path.iterdir()] == ["cage.obj"]
