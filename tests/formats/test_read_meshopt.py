"""glTF packed with meshopt, against what was packed; the packer is the reference library's own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cagecheck.errors import InputError
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.formats.write_cage import write_cage
from tests.formats.test_hostile_files import damaged, outcome
from tests.formats.test_read_gltf import put
from tests.scenes.asked_here import use
from tests.scenes.mesh_files import CORNERS, TRIANGLES, gltf_tree

meshopt = pytest.importorskip("meshopt", reason="the extra meshopt is not installed")

NAME = "EXT_meshopt_compression"
UV = np.linspace(0, 1, 16, dtype=np.float32).reshape(8, 2)
NORMAL = (CORNERS - 0.5) / np.linalg.norm(CORNERS - 0.5, axis=1)[:, None]


def packed(name: str = NAME) -> tuple[dict[str, Any], bytes]:
    """The cube with positions packed as floats, normals through a filter, and indices."""
    tree, data = gltf_tree()
    tree["nodes"], tree["scenes"] = [{"mesh": 0}], [{"nodes": [0]}]
    primitive = tree["meshes"][0]["primitives"][0]
    count = len(CORNERS)
    octahedral = meshopt.encode_filter_oct(
        np.pad(NORMAL, ((0, 0), (0, 1)), constant_values=1.0).astype(np.float32), 4, 8
    )
    rows = [
        (CORNERS.astype("<f4"), "ATTRIBUTES", "NONE", 12, count, "VEC3", 5126, {}),
        (UV.astype("<f4"), "ATTRIBUTES", "NONE", 8, count, "VEC2", 5126, {}),
        (octahedral, "ATTRIBUTES", "OCTAHEDRAL", 4, count, "VEC3", 5120, {"normalized": True}),
        (TRIANGLES.astype("<u4").ravel(), "TRIANGLES", "NONE", 4, 36, "SCALAR", 5125, {}),
    ]  # fmt: skip
    tree["bufferViews"], tree["accessors"], data = [], [], b""
    for values, mode, filter_, stride, number, kind, code, more in rows:
        raw = meshopt.encode_gltf_buffer(values, mode)
        held = {"buffer": 0, "byteOffset": len(data), "byteLength": len(raw), "byteStride": stride,
                "count": number, "mode": mode, "filter": filter_}  # fmt: skip
        view: dict[str, Any] = {"buffer": 1, "byteLength": stride * number}
        if mode == "ATTRIBUTES":
            view["byteStride"] = stride
        tree["bufferViews"].append(view | {"extensions": {name: held}})
        accessor = {"bufferView": len(tree["accessors"]), "componentType": code, "type": kind}
        tree["accessors"].append(accessor | {"count": number} | more)
        data += raw + bytes(-len(raw) % 4)
    primitive["attributes"] = {"POSITION": 0, "TEXCOORD_0": 1, "NORMAL": 2}
    primitive["indices"] = 3
    tree["buffers"] = [
        {"byteLength": len(data)}, {"byteLength": 500, "extensions": {name: {"fallback": True}}},
    ]  # fmt: skip
    tree["extensionsUsed"] = tree["extensionsRequired"] = [name, "KHR_mesh_quantization"]
    return tree, data


@pytest.mark.parametrize("name", [NAME, "KHR_meshopt_compression"])
def test_unpacked_is_what_was_packed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    if name != NAME:
        use(monkeypatch, "meshopt")
    tree, data = packed(name)
    mesh = read_mesh(put(tmp_path, tree, data))
    assert np.array_equal(mesh.positions, CORNERS)
    # The packer may turn a triangle, never turn it round.
    for found, wanted in zip(mesh.corner_vertex.reshape(-1, 3), TRIANGLES, strict=True):
        assert any(np.array_equal(np.roll(found, k), wanted) for k in range(3))
    assert mesh.corner_uv is not None and mesh.corner_normal is not None
    assert np.allclose(mesh.corner_uv, (UV * [1, -1] + [0, 1])[mesh.corner_vertex])
    # Eight bits an axis of the octahedral map.
    assert np.allclose(mesh.corner_normal, NORMAL[mesh.corner_vertex], atol=0.02)
    assert read_surface(put(tmp_path, tree, data)).triangle_count == 12


def test_the_cage_of_packed_data_is_written_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    use(monkeypatch, "meshopt")
    mesh = read_mesh(put(tmp_path, *packed()))
    (notice,) = write_cage(mesh, mesh.positions + 1, tmp_path / "cage.glb")
    assert "compressed with meshopt" in notice.text
    assert np.allclose(
        read_mesh(tmp_path / "cage.glb").positions.min(axis=0), CORNERS.min(axis=0) + 1
    )


def test_broken_packing_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    use(monkeypatch, "meshopt")
    for key, value, said in (
        ("mode", "ALL", "unknown way"), ("filter", 7, "unknown way"), ("byteStride", 0, "stride"),
        ("byteLength", 10**6, "over the end"), ("count", 10**9, "grow far beyond"),
        ("count", -1, "not a whole number"), ("buffer", 7, "buffers 7"),
    ):  # fmt: skip
        tree, data = packed()
        tree["bufferViews"][0]["extensions"][NAME][key] = value
        with pytest.raises(InputError, match=said):
            read_mesh(put(tmp_path, tree, data))


def test_damaged_data_ends_in_a_sentence(tmp_path: Path) -> None:
    tree, data = packed()
    for seed in range(3):
        outcome(put(tmp_path, tree, damaged(data, seed)[: len(data)].ljust(len(data), b"x")))


def test_without_the_library_says_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "meshopt").mkdir()
    (tmp_path / "meshopt" / "__init__.py").write_text("raise ImportError('not here')\n")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with pytest.raises(InputError, match=r"pip install 'cagecheck\[meshopt\]'"):
        read_mesh(put(tmp_path, *packed()))
