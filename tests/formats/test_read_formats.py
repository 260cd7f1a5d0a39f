"""PLY, STL, glTF and FBX files, each against its own numbers and against trimesh."""

from __future__ import annotations

import gzip
import io
from pathlib import Path

import numpy as np
import pytest
import trimesh

from cagecheck.errors import InputError
from cagecheck.formats import apart, fbx
from cagecheck.formats.file_bytes import load_bytes
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.meshes.mesh import Mesh
from tests.scenes.mesh_files import (
    CORNERS,
    FBX_TEXT,
    QUADS,
    TRIANGLES,
    glb_bytes,
    gltf_bytes,
    gltf_tree,
    ply_bytes,
    samples,
    stl_bytes,
    stl_text,
)


def put(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def signed_volume(mesh: Mesh) -> float:
    """Volume inside outward-facing triangles (divergence theorem)."""
    p = mesh.positions[mesh.corner_vertex].reshape(-1, 3, 3)
    return float(np.einsum("ij,ij->i", p[:, 0], np.cross(p[:, 1], p[:, 2])).sum() / 6)


@pytest.mark.parametrize("order", ["<", ">", "text"])
@pytest.mark.parametrize("quads", [True, False])
@pytest.mark.parametrize("extra", [True, False])
def test_ply(tmp_path: Path, order: str, quads: bool, extra: bool) -> None:
    path = put(tmp_path, "cube.ply", ply_bytes(order, quads=quads, uv=True, extra=extra))
    mesh = read_mesh(path)
    faces = QUADS if quads else TRIANGLES
    assert np.array_equal(mesh.positions, CORNERS)
    assert np.array_equal(mesh.corner_vertex, faces.ravel())
    assert np.diff(mesh.face_start).tolist() == [faces.shape[1]] * len(faces)
    assert mesh.part_names == ("cube",)
    assert mesh.corner_uv is not None
    assert np.array_equal(mesh.corner_uv[:, 0], faces.ravel() / 8)
    surface = read_surface(path)
    assert surface.positions.dtype == np.float32 or order == "text"
    assert surface.triangles.dtype == np.int32
    assert len(surface.triangles) == 12


def test_ply_with_mixed_faces_and_face_uvs(tmp_path: Path) -> None:
    text = (
        "ply\nformat ascii 1.0\nelement vertex 5\nproperty float x\nproperty float y\n"
        "property float z\nelement face 2\nproperty list uchar int vertex_index\n"
        "property list uchar float texcoord\nend_header\n"
        "0 0 0\n1 0 0\n1 1 0\n0 1 0\n2 0 0\n"
        "4 0 1 2 3 8 0 0 1 0 1 1 0 1\n3 1 4 2 6 .5 .5 .75 .5 .5 .75\n"
    )
    mesh = read_mesh(put(tmp_path, "a.ply", text.encode()))
    assert np.diff(mesh.face_start).tolist() == [4, 3]
    assert mesh.corner_uv is not None
    assert mesh.corner_uv[4:].tolist() == [[0.5, 0.5], [0.75, 0.5], [0.5, 0.75]]
    binary = text.replace("ascii", "binary_big_endian").split("end_header\n")[0] + "end_header\n"
    rows = b"".join(np.array(p, ">f4").tobytes() for p in mesh.positions)
    for begin, end in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True):
        n = int(end - begin)
        rows += bytes([n]) + mesh.corner_vertex[begin:end].astype(">i4").tobytes()
        rows += bytes([2 * n]) + mesh.corner_uv[begin:end].astype(">f4").tobytes()
    again = read_mesh(put(tmp_path, "b.ply", binary.encode() + rows))
    assert np.array_equal(again.corner_vertex, mesh.corner_vertex)
    assert np.array_equal(again.corner_uv, mesh.corner_uv)


@pytest.mark.parametrize("data", [stl_bytes(), stl_text()])
def test_stl_corners_are_welded(tmp_path: Path, data: bytes) -> None:
    mesh = read_mesh(put(tmp_path, "cube.stl", data))
    assert mesh.vertex_count == 8 and mesh.face_count == 12
    assert np.array_equal(mesh.positions[mesh.corner_vertex], CORNERS[TRIANGLES.ravel()])
    assert signed_volume(mesh) == pytest.approx(1.0)


def test_text_stl_has_a_part_per_solid(tmp_path: Path) -> None:
    mesh = read_mesh(put(tmp_path, "cube.stl", stl_text()))
    assert mesh.part_names == ("left side", "right")
    assert np.bincount(mesh.face_part).tolist() == [6, 6]


def test_text_stl_whose_solids_are_misspelt(tmp_path: Path) -> None:
    data = stl_text().replace(b"solid ", b"solids")
    assert read_mesh(put(tmp_path, "cube.stl", data)).part_names == ("cube",)


def test_binary_stl_that_begins_with_solid(tmp_path: Path) -> None:
    data = b"solid ".ljust(80, b" ") + stl_bytes()[80:]
    assert read_mesh(put(tmp_path, "cube.stl", data)).face_count == 12


@pytest.mark.parametrize("pack", [glb_bytes, gltf_bytes])
def test_gltf_nodes_are_placed(tmp_path: Path, pack: object) -> None:
    """Against the matrices of the standard's section 3.6.2, multiplied by hand here."""
    path = put(tmp_path, "a.glb" if pack is glb_bytes else "a.gltf", pack(*gltf_tree()))  # type: ignore[operator]
    mesh = read_mesh(path)
    # The quaternion (0, 0, 0.6, 0.8) turns about z with cosine 0.28 and sine 0.96.
    turn = np.array([[0.28, -0.96, 0], [0.96, 0.28, 0], [0, 0, 1]])
    world = ((CORNERS + [1, 2, 3]) * [2, 1, 3]) @ turn.T
    assert np.allclose(mesh.positions, world, atol=1e-12)
    assert mesh.part_names == ("Cube",) and mesh.material_names == ("skin",)
    assert mesh.corner_uv is not None
    # v counts upwards here and downwards in glTF.
    stored = np.linspace(0, 1, 16).astype("<f4").reshape(-1, 2)[TRIANGLES.ravel()]
    assert np.allclose(mesh.corner_uv, stored * [1, -1] + [0, 1])
    surface = read_surface(path)
    assert np.allclose(surface.positions, world, atol=1e-6)
    assert np.array_equal(surface.triangles, TRIANGLES)


def test_gltf_sparse_quantised_and_mirrored(tmp_path: Path) -> None:
    plain = read_mesh(put(tmp_path, "p.glb", glb_bytes(*gltf_tree())))
    quantised = read_mesh(put(tmp_path, "q.glb", glb_bytes(*gltf_tree(quantised=True))))
    assert np.allclose(quantised.positions, plain.positions, atol=1e-4)
    both = read_mesh(put(tmp_path, "s.glb", glb_bytes(*gltf_tree(sparse=True, two_nodes=True))))
    assert both.part_names == ("Cube", "Mirrored")
    changed = CORNERS.copy()
    changed[[6, 7]] = [[2, 2, 2], [0, 1, 4]]
    assert np.allclose(both.positions[8:], changed * [-1, 1, 1])
    # A mirrored node still faces outwards.
    assert signed_volume(plain) == pytest.approx(6.0)
    flat = gltf_tree(two_nodes=True)
    flat[0]["scenes"][0]["nodes"] = [2]
    assert signed_volume(read_mesh(put(tmp_path, "m.glb", glb_bytes(*flat)))) == pytest.approx(1.0)


def test_gltf_agrees_with_trimesh(tmp_path: Path) -> None:
    path = put(tmp_path, "a.glb", glb_bytes(*gltf_tree(two_nodes=True)))
    other = trimesh.load(path, force="mesh")
    mesh = read_mesh(path)
    ours = np.sort(mesh.positions.round(4).view([("", float)] * 3).ravel())
    theirs = np.sort(np.array(other.vertices).round(4).view([("", float)] * 3).ravel())
    assert len(ours) == len(theirs)
    assert np.allclose(ours.view(float), theirs.view(float), atol=2e-4)


def test_gltf_external_buffer_beside_the_file(tmp_path: Path) -> None:
    tree, data = gltf_tree()
    tree["buffers"] = [{"byteLength": len(data), "uri": "data%20file.bin"}]
    put(tmp_path, "data file.bin", data)
    import json

    assert read_mesh(put(tmp_path, "a.gltf", json.dumps(tree).encode())).face_count == 12


@pytest.mark.parametrize("mode", [5, 6])
def test_gltf_strips_and_fans(tmp_path: Path, mode: int) -> None:
    """The winding of strips and fans: glTF 2.0, section 3.7.2.1."""
    tree, data = gltf_tree()
    index = [0, 1, 3, 2] if mode == 5 else [0, 1, 2, 3]
    data = data[:96] + np.array(index, "<u2").tobytes() + data[104:]
    tree["accessors"][1]["count"] = 4
    tree["meshes"][0]["primitives"][0]["mode"] = mode
    tree["nodes"] = [{"mesh": 0}]
    mesh = read_mesh(put(tmp_path, "a.glb", glb_bytes(tree, data)))
    p = mesh.positions[mesh.corner_vertex].reshape(-1, 3, 3)
    area = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]) / 2
    assert area.tolist() == [[0, 0, 0.5], [0, 0, 0.5]]


@pytest.mark.parametrize("name", ["quads.obj", "big.ply", "text.stl", "sparse.glb"])
def test_gzipped_files_read_the_same(tmp_path: Path, name: str) -> None:
    data = samples()[name]
    plain = read_mesh(put(tmp_path, name, data))
    packed = read_mesh(put(tmp_path, name + ".gz", gzip.compress(data)))
    assert np.array_equal(plain.positions, packed.positions)
    assert plain.part_names == packed.part_names
    assert plain.source is not None and packed.source is not None
    assert plain.source.format == packed.source.format
    assert plain.source.sha256 != packed.source.sha256


def test_fbx(tmp_path: Path) -> None:
    pytest.importorskip("ufbx", reason="the extra fbx is not installed")
    mesh = read_mesh(put(tmp_path, "plate.fbx", FBX_TEXT))
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    assert np.allclose(mesh.positions, square * [2, 3, 4] + [10, 20, 30])
    assert mesh.face_start.tolist() == [0, 4]
    assert mesh.corner_vertex.tolist() == [0, 1, 2, 3]
    assert mesh.part_names == ("Plate",) and mesh.notices == ()
    assert mesh.corner_uv is not None
    assert mesh.corner_uv.tolist() == [[0, 0], [1, 0], [1, 1], [0, 1]]
    assert read_surface(tmp_path / "plate.fbx").triangle_count == 2


def test_fbx_units_and_axes_are_applied_and_told(tmp_path: Path) -> None:
    pytest.importorskip("ufbx", reason="the extra fbx is not installed")
    text = FBX_TEXT.replace(
        b'"UnitScaleFactor", "double", "Number", "",1',
        b'"UnitScaleFactor", "double", "Number", "",100',
    )
    text = text.replace(b'"UpAxis", "int", "Integer", "",1', b'"UpAxis", "int", "Integer", "",2')
    text = text.replace(
        b'"FrontAxis", "int", "Integer", "",2', b'"FrontAxis", "int", "Integer", "",1'
    )
    text = text.replace(
        b'"FrontAxisSign", "int", "Integer", "",1', b'"FrontAxisSign", "int", "Integer", "",-1'
    )
    mesh = read_mesh(put(tmp_path, "plate.fbx", text))
    before = read_mesh(put(tmp_path, "before.fbx", FBX_TEXT)).positions
    # z up to y up: (x, y, z) becomes (x, z, -y).
    assert np.allclose(mesh.positions, 100 * before[:, [0, 2, 1]] * [1, 1, -1])
    assert {n.code for n in mesh.notices} == {"fbx-units", "fbx-axes"}


def test_an_fbx_unit_of_nothing_is_no_unit(tmp_path: Path) -> None:
    """The library reads such a file as it stands, so nothing is said of scaling."""
    file = load_bytes(put(tmp_path, "plate.fbx", FBX_TEXT))
    assert fbx._notices(file, {"unit": 0.0, "up": 2}) == ()
    (notice,) = fbx._notices(file, {"unit": 1.0, "up": 2})
    assert "a unit of this file is 100 cm; it was scaled by 100" in notice.text


@pytest.mark.parametrize("reads", ["an FBX", "a USD", "an Alembic", "a Draco"])
def test_what_a_library_refuses_is_called_by_its_name(reads: str) -> None:
    answer = io.BytesIO(b'{"error": "no header"}\n')
    with pytest.raises(InputError) as error:
        apart._received("a.b", apart.Library(reads.split()[1], "", ""), answer)
    assert error.value.what == f"this does not read as {reads} file (no header)."


def test_fbx_without_the_library_says_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    (empty / "ufbx.py").write_text("raise ImportError('not here')\n")
    monkeypatch.setenv("PYTHONPATH", str(empty))
    with pytest.raises(InputError, match="pip install"):
        read_mesh(put(tmp_path, "plate.fbx", FBX_TEXT))


def test_a_file_is_known_by_its_bytes(tmp_path: Path) -> None:
    assert read_mesh(put(tmp_path, "wrong.obj", ply_bytes())).face_count == 6
    picture = io.BytesIO(b"\x89PNG\r\n\x1a\n")
    with pytest.raises(InputError, match="PNG picture"):
        read_mesh(put(tmp_path, "map.obj", picture.getvalue()))
    with pytest.raises(InputError, match="no mesh format"):
        read_mesh(put(tmp_path, "notes.txt", b"hello"))
