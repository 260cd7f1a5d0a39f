"""glTF packed with Draco, against what was packed; the packer is the reference library's own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cagecheck.chores.materials.per_tile import write_tile_materials
from cagecheck.errors import InputError
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.formats.write_cage import write_cage
from tests.formats.test_hostile_files import damaged, outcome
from tests.formats.test_read_gltf import put
from tests.scenes.mesh_files import CORNERS, TRIANGLES, gltf_tree

DracoPy = pytest.importorskip("DracoPy", reason="the extra draco is not installed")

UV = np.linspace(0, 1, 16).reshape(8, 2)
DRACO = "KHR_draco_mesh_compression"


def packed() -> tuple[dict[str, Any], bytes]:
    """The cube of `gltf_tree` with its primitive packed, and no other data."""
    tree, _ = gltf_tree()
    raw = DracoPy.encode(CORNERS, TRIANGLES.astype(np.uint32), quantization_bits=20, tex_coord=UV)
    numbers = {a["attribute_type"]: a["unique_id"] for a in DracoPy.decode(raw).attributes}
    kinds = DracoPy.AttributeType
    tree["bufferViews"] = [{"buffer": 0, "byteOffset": 0, "byteLength": len(raw)}]
    for entry in tree["accessors"]:
        entry.pop("bufferView")
    primitive = tree["meshes"][0]["primitives"][0]
    primitive["extensions"] = {
        DRACO: {
            "bufferView": 0,
            "attributes": {
                "POSITION": numbers[int(kinds.POSITION)],
                "TEXCOORD_0": numbers[int(kinds.TEX_COORD)],
            },
        }
    }
    tree["extensionsUsed"] = tree["extensionsRequired"] = [DRACO]
    return tree, raw


def sorted_rows(rows: np.ndarray) -> np.ndarray:
    """Return triangles as rows in an order of their own: packing changes the order of all."""
    flat = np.round(rows, 4).reshape(len(rows), 3, -1)
    turned = [min(np.roll(t, -k, axis=0).ravel().tolist() for k in range(3)) for t in flat]
    return np.array(sorted(turned))


def test_unpacked_is_what_was_packed(tmp_path: Path) -> None:
    path = put(tmp_path, *packed())
    plain = read_mesh(put(tmp_path, *gltf_tree(), name="plain.glb"))
    mesh, surface = read_mesh(path), read_surface(path)
    assert mesh.part_names == plain.part_names and mesh.face_count == 12
    assert plain.corner_uv is not None and mesh.corner_uv is not None
    for one, other in (
        (mesh.positions[mesh.corner_vertex], plain.positions[plain.corner_vertex]),
        (
            np.column_stack([mesh.positions[mesh.corner_vertex], mesh.corner_uv]),
            np.column_stack([plain.positions[plain.corner_vertex], plain.corner_uv]),
        ),
    ):
        first, second = (sorted_rows(x.reshape(12, 3, -1)) for x in (one, other))
        assert np.allclose(first, second, atol=2e-3)
    assert np.allclose(surface.positions, mesh.positions, atol=1e-6)


def test_a_cage_is_written_anew_and_materials_are_refused(tmp_path: Path) -> None:
    path = put(tmp_path, *packed())
    mesh = read_mesh(path)
    (notice,) = write_cage(mesh, mesh.positions + 1, tmp_path / "cage.glb")
    assert "compressed with Draco" in notice.text
    assert read_mesh(tmp_path / "cage.glb").face_count == 12
    with pytest.raises(InputError, match="compressed"):
        write_tile_materials(path, tmp_path / "tiles.glb")


def test_without_the_library_says_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "DracoPy.py").write_text("raise ImportError('not here')")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with pytest.raises(InputError, match=r"pip install 'cagecheck\[draco\]'"):
        read_mesh(put(tmp_path, *packed()))


def test_damaged_and_lying_files(tmp_path: Path) -> None:
    tree, data = packed()
    for seed in range(8):
        outcome(put(tmp_path, packed()[0], damaged(data, seed)))
    tree["meshes"][0]["primitives"][0]["extensions"][DRACO]["attributes"]["POSITION"] = 99
    with pytest.raises(InputError, match="lacks the attribute POSITION"):
        read_mesh(put(tmp_path, tree, data))
    tree, data = packed()
    tree["accessors"][0]["type"] = "VEC2"
    with pytest.raises(InputError, match="not what its accessor says"):
        read_mesh(put(tmp_path, tree, data))
