"""Nodes, skins and primitives of glTF, against SciPy's rotations and the standard's formulas.

Sections are those of Khronos Group, "glTF 2.0 Specification" (ISO/IEC 12113:2022); their numbers
are from memory.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from cagecheck.errors import InputError
from cagecheck.formats import gltf
from cagecheck.formats.file_bytes import load_bytes
from cagecheck.formats.read import read_mesh, read_surface
from tests.scenes.mesh_files import CORNERS, TRIANGLES, glb_bytes, gltf_tree


def put(folder: Path, tree: dict[str, Any], data: bytes, name: str = "a.glb") -> Path:
    tree["buffers"] = [{"byteLength": len(data)}]
    path = folder / name
    path.write_bytes(glb_bytes(tree, data))
    return path


def attach(tree: dict[str, Any], data: bytes, rows: np.ndarray, kind: str) -> tuple[bytes, int]:
    """Append an accessor over rows of its own. Returns the data and the accessor's number."""
    code = {"f4": 5126, "u1": 5121, "u2": 5123, "u4": 5125}[rows.dtype.str[1:]]
    data += b"\0" * (-len(data) % 4)
    raw = rows.tobytes()
    tree["bufferViews"].append({"buffer": 0, "byteOffset": len(data), "byteLength": len(raw)})
    tree["accessors"].append(
        {
            "bufferView": len(tree["bufferViews"]) - 1,
            "componentType": code,
            "count": len(rows),
            "type": kind,
        }
    )
    return data + raw, len(tree["accessors"]) - 1


def placed(shift: np.ndarray, turn: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """T R S as a matrix (section 3.5.3), rotations by SciPy, which orders quaternions alike."""
    out = np.eye(4)
    out[:3, :3] = Rotation.from_quat(turn).as_matrix() @ np.diag(scale)
    out[:3, 3] = shift
    return out


def moved(points: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    return (np.column_stack([points, np.ones(len(points))]) @ matrix.T)[:, :3]


def random_node(rng: np.random.Generator) -> tuple[dict[str, Any], np.ndarray]:
    shift, turn = rng.normal(size=3), rng.normal(size=4)
    scale = rng.uniform(0.5, 2, 3) * rng.choice([-1, 1], 3)
    node = {"translation": shift.tolist(), "rotation": turn.tolist(), "scale": scale.tolist()}
    return node, placed(shift, turn, scale)


@pytest.mark.parametrize("seed", range(6))
def test_nodes_within_nodes_anywhere(tmp_path: Path, seed: int) -> None:
    """Quaternions of any length and axis, mirrored scales, and a matrix, column by column."""
    rng = np.random.default_rng(seed)
    tree, data = gltf_tree()
    (outer, first), (inner, second) = random_node(rng), random_node(rng)
    third = np.eye(4)
    third[:3] = rng.normal(size=(3, 4))
    tree["nodes"] = [
        outer | {"children": [1]},
        inner | {"children": [2]},
        {"name": "last", "mesh": 0, "matrix": third.T.ravel().tolist()},
    ]
    del tree["scenes"], tree["scene"]  # then every root is shown
    path = put(tmp_path, tree, data)
    world = first @ second @ third
    expected = moved(CORNERS, world)
    mesh, surface = read_mesh(path), read_surface(path)
    assert np.allclose(mesh.positions, expected, atol=1e-9)
    assert np.allclose(surface.positions, expected, atol=1e-4)
    # Section 3.7.4: a negative determinant turns the winding round.
    order = TRIANGLES[:, ::-1] if np.linalg.det(world) < 0 else TRIANGLES
    assert np.array_equal(mesh.corner_vertex.reshape(-1, 3), order)
    assert np.array_equal(surface.triangles, order)


@pytest.mark.parametrize("seed", range(4))
def test_normals_go_with_the_inverse_transpose(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    tree, data = gltf_tree()
    normals = rng.normal(size=(8, 3)).astype("<f4")
    data, index = attach(tree, data, normals, "VEC3")
    tree["meshes"][0]["primitives"][0]["attributes"]["NORMAL"] = index
    node, matrix = random_node(rng)
    tree["nodes"] = [node | {"mesh": 0}]
    tree["scenes"] = [{"nodes": [0]}]
    mesh = read_mesh(put(tmp_path, tree, data))
    expected = normals @ np.linalg.inv(matrix[:3, :3])
    expected /= np.linalg.norm(expected, axis=1, keepdims=True)
    assert mesh.corner_normal is not None
    assert np.allclose(mesh.corner_normal, expected[mesh.corner_vertex], atol=1e-6)


def test_surface_and_mesh_agree_on_many_pieces(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two primitives that share positions under two nodes, one mirrored, in blocks of five."""
    monkeypatch.setattr(gltf, "_BLOCK", 5)
    tree, data = gltf_tree(two_nodes=True)
    data, index = attach(tree, data, TRIANGLES[:2].ravel().astype("<u2"), "SCALAR")
    tree["materials"].append({})
    tree["meshes"][0]["primitives"].append(
        {"attributes": {"POSITION": 0}, "indices": index, "material": 1}
    )
    path = put(tmp_path, tree, data)
    mesh, surface = read_mesh(path), read_surface(path)
    assert mesh.vertex_count == 16 and mesh.material_names == ("skin", "material 1")
    assert mesh.face_material is not None
    assert mesh.face_material.tolist() == ([0] * 12 + [1] * 2) * 2
    assert mesh.face_part.tolist() == [0] * 14 + [1] * 14
    assert np.array_equal(surface.triangle_part, mesh.face_part)
    assert surface.part_names == mesh.part_names == ("Cube", "Mirrored")
    assert np.array_equal(surface.triangles.ravel(), mesh.corner_vertex)
    corners = mesh.positions[mesh.corner_vertex].reshape(-1, 3, 3)
    assert np.allclose(surface.positions[surface.triangles], corners, atol=1e-6)
    mirrored = CORNERS[np.concatenate([TRIANGLES, TRIANGLES[:2]])][:, ::-1] * [-1, 1, 1]
    assert np.allclose(corners[14:], mirrored)
    # The second primitive has no UVs of its own.
    assert mesh.corner_uv is not None
    has_uv = np.isfinite(mesh.corner_uv).all(axis=1).reshape(-1, 3).all(axis=1)
    assert has_uv.tolist() == ([True] * 12 + [False] * 2) * 2


@pytest.mark.parametrize("bind", [True, False])
@pytest.mark.parametrize("total", [1.0, 0.5])
def test_skins_follow_their_joints_and_not_their_node(
    tmp_path: Path, bind: bool, total: float
) -> None:
    """Section 3.7.3: the weighted sum of joint matrix times inverse bind matrix, nothing else.

    Weights that do not sum to 1 are brought to it.
    """
    rng = np.random.default_rng(3)
    tree, data = gltf_tree()
    (hip, hip_matrix), (knee, knee_matrix), (own, _) = (random_node(rng) for _ in range(3))
    joints = rng.integers(0, 2, (8, 4)).astype("<u1")
    weights = rng.dirichlet(np.ones(4), 8) * total
    binds = np.tile(np.eye(4), (2, 1, 1))
    binds[:, :3] = rng.normal(size=(2, 3, 4))
    data, at = attach(tree, data, joints, "VEC4")
    data, share = attach(tree, data, weights.astype("<f4"), "VEC4")
    stored = np.ascontiguousarray(binds.transpose(0, 2, 1)).astype("<f4").reshape(2, 16)
    data, inverse = attach(tree, data, stored, "MAT4")
    tree["meshes"][0]["primitives"][0]["attributes"] |= {"JOINTS_0": at, "WEIGHTS_0": share}
    # The knee hangs below the hip; neither is shown by the scene.
    tree["nodes"] = [own | {"mesh": 0, "skin": 0}, hip | {"children": [2]}, knee]
    tree["scenes"] = [{"nodes": [0]}]
    tree["skins"] = [{"joints": [2, 1]} | ({"inverseBindMatrices": inverse} if bind else {})]
    path = put(tmp_path, tree, data)
    world = [hip_matrix @ knee_matrix, hip_matrix]
    if bind:
        world = [m @ b for m, b in zip(world, binds, strict=True)]
    expected = [
        sum(w * moved(p[None], world[j])[0] for j, w in zip(js, ws, strict=True)) / total
        for p, js, ws in zip(CORNERS, joints, weights, strict=True)
    ]
    assert np.allclose(read_mesh(path).positions, expected, atol=1e-5)
    assert np.allclose(read_surface(path).positions, expected, atol=1e-5)


def test_normals_of_skins_go_vertex_by_vertex(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each by the inverse transpose of its own vertex's matrix; the surface in blocks of three."""
    monkeypatch.setattr(gltf, "_BLOCK", 3)
    rng = np.random.default_rng(8)
    tree, data = gltf_tree()
    nodes, matrices = [], []
    while len(nodes) < 8:
        node, matrix = random_node(rng)
        if np.linalg.det(matrix) > 0:
            nodes.append(node)
            matrices.append(matrix)
    normals = rng.normal(size=(8, 3)).astype("<f4")
    joints = np.column_stack([np.arange(8), np.zeros((8, 3))]).astype("<u1")
    data, index = attach(tree, data, normals, "VEC3")
    data, at = attach(tree, data, joints, "VEC4")
    data, share = attach(tree, data, np.tile([[1, 0, 0, 0]], (8, 1)).astype("<f4"), "VEC4")
    tree["meshes"][0]["primitives"][0]["attributes"] |= {
        "NORMAL": index, "JOINTS_0": at, "WEIGHTS_0": share,
    }  # fmt: skip
    tree["nodes"] = [{"mesh": 0, "skin": 0}, *nodes]
    tree["scenes"] = [{"nodes": [0]}]
    tree["skins"] = [{"joints": list(range(1, 9))}]
    path = put(tmp_path, tree, data)
    expected = [np.linalg.inv(m[:3, :3]).T @ n for m, n in zip(matrices, normals, strict=True)]
    expected /= np.linalg.norm(expected, axis=1, keepdims=True)
    # Straight from the reader: `read_surface` leaves out normals that faces contradict, as here.
    mesh, surface = read_mesh(path), gltf.read_gltf_surface(load_bytes(path))
    assert mesh.corner_normal is not None and surface.normals is not None
    assert np.allclose(mesh.corner_normal, expected[mesh.corner_vertex], atol=1e-6)
    assert np.allclose(surface.normals.rows, expected, atol=1e-6)


def test_a_glb_shorter_than_it_says_is_refused(tmp_path: Path) -> None:
    path = put(tmp_path, *gltf_tree())
    whole = bytearray(path.read_bytes())
    whole[8:12] = (len(whole) + 4).to_bytes(4, "little")
    path.write_bytes(whole)
    with pytest.raises(InputError, match="promises"):
        read_mesh(path)


def test_what_is_no_triangle_is_counted_and_left_out(tmp_path: Path) -> None:
    tree, data = gltf_tree()
    primitives = tree["meshes"][0]["primitives"]
    primitives += [{"attributes": {"POSITION": 0}, "mode": mode} for mode in (0, 1, 3)]
    primitives += [{"attributes": {"TEXCOORD_0": 2}}] * 2
    mesh = read_mesh(put(tmp_path, tree, data))
    assert {n.code: n.count for n in mesh.notices} == {
        "gltf-lines-or-points": 3, "gltf-no-positions": 2,
    }  # fmt: skip
    assert mesh.face_count == 12


def test_without_indices_vertices_make_triangles_in_turn(tmp_path: Path) -> None:
    tree, data = gltf_tree()
    data, index = attach(tree, data, CORNERS[TRIANGLES.ravel()].astype("<f4"), "VEC3")
    tree["meshes"][0]["primitives"] = [{"attributes": {"POSITION": index}}]
    tree["nodes"][1].pop("translation")
    tree["nodes"][0] = {"children": [1]}
    path = put(tmp_path, tree, data)
    assert read_mesh(path).corner_vertex.tolist() == list(range(36))
    assert np.array_equal(read_surface(path).positions, CORNERS[TRIANGLES.ravel()])


@pytest.mark.parametrize("name", ["TEXCOORD_0", "NORMAL", "JOINTS_0"])
def test_attributes_of_another_length_are_refused(tmp_path: Path, name: str) -> None:
    tree, data = gltf_tree()
    attributes = tree["meshes"][0]["primitives"][0]["attributes"]
    width, kind = {"TEXCOORD_0": (2, "VEC2"), "NORMAL": (3, "VEC3"), "JOINTS_0": (4, "VEC4")}[name]
    data, attributes[name] = attach(
        tree, data, np.zeros((7, width), "<u1" if name == "JOINTS_0" else "<f4"), kind
    )
    if name == "JOINTS_0":
        data, attributes["WEIGHTS_0"] = attach(tree, data, np.ones((8, 4), "<f4"), "VEC4")
        tree["skins"] = [{"joints": [0]}]
        tree["nodes"][1]["skin"] = 0
    with pytest.raises(InputError, match="match"):
        read_mesh(put(tmp_path, tree, data))


@pytest.mark.parametrize(
    ("mode", "count"), [(5, 3), (5, 8), (5, 9), (6, 3), (6, 8), (5, 2), (6, 0)]
)
def test_strips_and_fans_of_any_length(tmp_path: Path, mode: int, count: int) -> None:
    """Section 3.7.2.1: strip i has corners i, i + (1 + i % 2), i + (2 - i % 2); fans meet in 0."""
    tree, data = gltf_tree()
    data, points = attach(tree, data, np.random.default_rng(1).random((9, 3), "f4"), "VEC3")
    data, index = attach(tree, data, np.arange(count, dtype="<u2")[::-1].copy(), "SCALAR")
    strip = {"attributes": {"POSITION": points}, "indices": index, "mode": mode}
    tree["meshes"][0]["primitives"] = [strip, {"attributes": {"POSITION": points}}]
    path = put(tmp_path, tree, data)
    v = list(range(count))[::-1]
    if mode == 5:
        expected = [[v[i], v[i + 1 + i % 2], v[i + 2 - i % 2]] for i in range(count - 2)]
    else:
        expected = [[v[i + 1], v[i + 2], v[0]] for i in range(count - 2)]
    expected += [[0, 1, 2], [3, 4, 5], [6, 7, 8]]
    assert read_mesh(path).corner_vertex.reshape(-1, 3).tolist() == expected
    assert read_surface(path).triangles.tolist() == expected


@pytest.mark.parametrize(
    ("code", "kind", "unit"),
    [(5120, "i1", 127), (5121, "u1", 255), (5122, "<i2", 32767), (5123, "<u2", 65535)],
)
@pytest.mark.parametrize("normalised", [True, False])
def test_whole_numbers_as_fractions(
    tmp_path: Path, code: int, kind: str, unit: int, normalised: bool
) -> None:
    """Section 3.11: f = c / 127 and so on, signed ones no less than -1; else as they are."""
    values = np.zeros((8, 2 if kind[-1] == "2" else 4), kind)
    limits = np.iinfo(values.dtype)
    values[:, 0] = np.linspace(limits.min, limits.max, 8).astype(kind)
    tree, data = gltf_tree()
    data += b"\0" * (-len(data) % 4)
    tree["bufferViews"].append(
        {"buffer": 0, "byteOffset": len(data), "byteLength": values.nbytes, "byteStride": 4}
    )
    tree["accessors"][2] = {
        "bufferView": 3, "componentType": code, "count": 8, "type": "VEC2",
        "normalized": normalised,
    }  # fmt: skip
    tree["extensionsRequired"] = ["KHR_mesh_quantization"]
    mesh = read_mesh(put(tmp_path, tree, data + values.tobytes()))
    stored = values[:, 0].astype(float)
    expected = np.maximum(stored / unit, -1) if normalised else stored
    assert mesh.corner_uv is not None
    assert np.allclose(mesh.corner_uv[:, 0], expected[mesh.corner_vertex], rtol=1e-6, atol=1e-7)
    assert np.allclose(mesh.corner_uv[:, 1], 1)


@pytest.mark.parametrize(
    ("scene", "parts"), [(None, ("b", "c", "a")), (0, ("b", "c", "a")), (1, ("a",))]
)
def test_the_scene_named_is_read_or_else_the_first(
    tmp_path: Path, scene: int | None, parts: tuple[str, ...]
) -> None:
    """Parts come depth first, in the order of the lists."""
    tree, data = gltf_tree()
    tree["nodes"] = [
        {"name": "a", "mesh": 0},
        {"name": "b", "mesh": 0, "children": [2]},
        {"name": "c", "mesh": 0},
    ]
    tree["scenes"] = [{"nodes": [1, 0]}, {"nodes": [0]}]
    del tree["scene"]
    if scene is not None:
        tree["scene"] = scene
    path = put(tmp_path, tree, data)
    assert read_mesh(path).part_names == read_surface(path).part_names == parts


def test_morphs_are_told_and_broken_compression_is_refused(tmp_path: Path) -> None:
    tree, data = gltf_tree()
    primitive = tree["meshes"][0]["primitives"][0]
    primitive["targets"] = [{"POSITION": 0}]
    (notice,) = read_mesh(put(tmp_path, tree, data)).notices
    assert (notice.code, notice.count) == ("gltf-morph-targets", 1)
    assert "are read without them" in notice.text
    primitive["extensions"] = {"KHR_draco_mesh_compression": {}}
    with pytest.raises(InputError) as error:
        read_mesh(put(tmp_path, tree, data))
    assert "bufferViews None" in error.value.what
    tree["meshes"][0]["primitives"][0].pop("extensions")
    tree["bufferViews"][0]["extensions"] = {"EXT_meshopt_compression": {}}
    with pytest.raises(InputError, match="not a whole number"):
        read_mesh(put(tmp_path, tree, data))


def test_pieces_with_and_without_normals_and_wide_indices(tmp_path: Path) -> None:
    """Two primitives of their own vertices, indices of four bytes, normals on the first alone."""
    tree, data = gltf_tree()
    attributes = tree["meshes"][0]["primitives"][0]["attributes"]
    attributes.pop("TEXCOORD_0")
    data, index = attach(tree, data, TRIANGLES.ravel().astype("<u4"), "SCALAR")
    tree["nodes"] = [{"mesh": 0}]
    tree["scenes"] = [{"nodes": [0]}]
    tree["meshes"][0]["primitives"] = [{"attributes": attributes, "indices": index}] * 2
    bare = put(tmp_path, tree, data, "bare.glb")
    mesh, surface = read_mesh(bare), gltf.read_gltf_surface(load_bytes(bare))
    assert mesh.corner_uv is None and mesh.corner_normal is None and surface.normals is None
    assert surface.triangles.tolist() == [*TRIANGLES.tolist()] * 2
    data, normal = attach(tree, data, np.tile([0, 0, 2], (8, 1)).astype("<f4"), "VEC3")
    tree["meshes"][0]["primitives"] = [
        {"attributes": {"POSITION": 0, "NORMAL": normal}, "indices": index},
        {"attributes": {"POSITION": 0}, "indices": index},
    ]
    path = put(tmp_path, tree, data)
    mesh, surface = read_mesh(path), gltf.read_gltf_surface(load_bytes(path))
    assert mesh.corner_normal is not None and surface.normals is not None
    assert mesh.corner_normal[:36].tolist() == [[0, 0, 1]] * 36
    assert np.isnan(mesh.corner_normal[36:]).all()
    assert surface.normals.rows.tolist() == [[0, 0, 1]] * 8 + [[0, 0, 0]] * 8
    assert surface.triangles.tolist() == [*TRIANGLES.tolist(), *(TRIANGLES + 8).tolist()]


@pytest.mark.parametrize(("joint", "said"), [(0, None), (1, "out of range"), (255, "out of range")])
def test_joints_that_a_skin_lacks_are_refused(tmp_path: Path, joint: int, said: str | None) -> None:
    tree, data = gltf_tree()
    data, at = attach(tree, data, np.full((8, 4), joint, "<u1"), "VEC4")
    data, share = attach(tree, data, np.full((8, 4), 0.25, "<f4"), "VEC4")
    tree["meshes"][0]["primitives"][0]["attributes"] |= {"JOINTS_0": at, "WEIGHTS_0": share}
    tree["nodes"] = [{"mesh": 0, "skin": 0}, {"children": [2]}, {}]
    tree["scenes"] = [{"nodes": [0]}]
    tree["skins"] = [{"joints": [2]}]
    path = put(tmp_path, tree, data)
    if said is None:
        assert np.array_equal(read_mesh(path).positions, CORNERS)
        tree["nodes"][2]["children"] = [1]  # round and round, though no scene shows it
        path, said = put(tmp_path, tree, data), "hangs below itself"
    with pytest.raises(InputError, match=said):
        read_mesh(path)


def test_broken_containers_and_strides_are_refused(tmp_path: Path) -> None:
    tree, data = gltf_tree()
    whole = put(tmp_path, tree, data).read_bytes()
    text = 20 + int.from_bytes(whole[12:16], "little")
    binary = whole[text:]
    cases = {
        "cut off": whole[:16],
        "no JSON chunk": whole[:8] + (12 + len(binary)).to_bytes(4, "little") + binary,
    }
    tree["bufferViews"][0]["byteStride"] = 8
    cases["stride of 8 bytes for 12"] = put(tmp_path, tree, data).read_bytes()
    tree["bufferViews"][0].pop("byteStride")
    tree["meshes"][0]["primitives"][0]["attributes"]["POSITION"] = "0"
    cases["not an accessor"] = put(tmp_path, tree, data).read_bytes()
    for said, raw in cases.items():
        path = tmp_path / "broken.glb"
        path.write_bytes(raw)
        for read in (read_mesh, read_surface):
            with pytest.raises(InputError, match=said):
                read(path)


def test_extensions_that_change_no_shape_are_let_pass_and_others_refused(tmp_path: Path) -> None:
    tree, data = gltf_tree()
    tree["extensionsRequired"] = ["KHR_materials_unlit", "KHR_texture_transform"]
    mesh = read_mesh(put(tmp_path, tree, data))
    assert mesh.face_count == 12 and mesh.source is not None and mesh.source.format == "glb"
    tree["extensionsRequired"] = ["KHR_materials_unlit", "XYZ_shapes"]
    with pytest.raises(InputError, match="XYZ_shapes") as error:
        read_mesh(put(tmp_path, tree, data))
    assert error.value.cure == "Export it again."


def test_only_the_first_buffer_is_the_files_own(tmp_path: Path) -> None:
    """Section 4.4.3.3: the binary chunk is buffer 0; another one needs an address."""
    tree, data = gltf_tree()
    path = put(tmp_path, tree, data)
    tree["buffers"] = [{"byteLength": len(data)}] * 2
    tree["bufferViews"][0]["buffer"] = 1
    path.write_bytes(glb_bytes(tree, data))
    with pytest.raises(InputError, match="buffer 1 has no data"):
        read_mesh(path)
