"""Layers over USD scenes: the artist's file stays as it is, and only what is meant differs."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cagecheck.chores.materials.per_tile import write_tile_materials
from cagecheck.errors import InputError
from cagecheck.formats.read import read_mesh
from cagecheck.formats.write_cage import write_cage
from tests.formats.test_read_usd import crowd, put, saved
from tests.scenes.usd_files import PLATE

pxr = pytest.importorskip("pxr", reason="the extra usd is not installed")
from pxr import Sdf, Usd, UsdGeom, UsdShade  # noqa: E402


def opinions(path: Path) -> set[str]:
    """Return the paths of all properties that a layer itself holds."""
    layer = Sdf.Layer.OpenAsAnonymous(str(path))
    found: list[Any] = []
    layer.Traverse(Sdf.Path.absoluteRootPath, found.append)
    return {str(p) for p in found if p.IsPropertyPath()}


def moved_up(mesh: Any, rows: list[int]) -> Any:
    cage = mesh.positions.copy()
    cage[rows] += [0, 0, 8]
    return cage


@pytest.mark.parametrize("name", ["cage.usda", "cage.usdc", "out/cage.usd"])
def test_a_cage_is_a_layer_that_overrides_points_only(tmp_path: Path, name: str) -> None:
    low = put(tmp_path, "low.usda", PLATE.replace(b'upAxis = "Y"', b'upAxis = "Z"'))
    before = hashlib.sha256(low.read_bytes()).digest()
    mesh = read_mesh(low)
    cage = moved_up(mesh, [1, 4])
    path = tmp_path / name
    path.parent.mkdir(exist_ok=True)
    assert write_cage(mesh, cage, path) == ()
    assert hashlib.sha256(low.read_bytes()).digest() == before
    assert opinions(path) == {"/World/Plate_low.points", "/World/Plate_low.extent"}
    again = read_mesh(path, also_from=[tmp_path])
    assert np.allclose(again.positions, cage, atol=1e-5)
    assert np.array_equal(again.positions[[0, 2, 3]], mesh.positions[[0, 2, 3]])
    assert again.part_names == mesh.part_names and again.material_names == mesh.material_names
    assert np.array_equal(again.corner_vertex, mesh.corner_vertex)
    # The library composes the same, and says so of all that was not touched.
    stage = Usd.Stage.Open(str(path))
    plate = UsdGeom.Mesh(stage.GetPrimAtPath("/World/Plate_low"))
    assert plate.GetPrim().GetAttribute("userProperties:note").Get() == "kept"
    points = np.array(plate.GetPointsAttr().Get())
    assert np.allclose(plate.GetExtentAttr().Get(), [points.min(axis=0), points.max(axis=0)])
    assert stage.GetDefaultPrim().GetPath() == "/World"
    if name.startswith("out/"):
        with pytest.raises(InputError, match="outside the file's own folder"):
            read_mesh(path)


def test_a_package_is_copied_with_a_layer_put_first(tmp_path: Path) -> None:
    put(tmp_path, "plate.usda", PLATE)
    package = Sdf.ZipFileWriter.CreateNew(str(tmp_path / "low.usdz"))
    package.AddFile(str(tmp_path / "plate.usda"), "in/plate.usda")
    package.Save()
    mesh = read_mesh(tmp_path / "low.usdz")
    cage = moved_up(mesh, [0])
    assert write_cage(mesh, cage, tmp_path / "cage.usdz") == ()
    assert np.allclose(read_mesh(tmp_path / "cage.usdz").positions, cage)
    held = Sdf.ZipFile.Open(str(tmp_path / "cage.usdz"))
    assert list(held.GetFileNames()) == ["cage.usdc", "in/plate.usda"]
    assert bytes(held.GetFile("in/plate.usda")) == PLATE
    assert write_cage(mesh, cage, tmp_path / "cage.usda") == ()
    assert np.allclose(read_mesh(tmp_path / "cage.usda").positions, cage)


def test_instances_are_opened_and_point_instances_must_agree(tmp_path: Path) -> None:
    stage = Usd.Stage.CreateInMemory()
    crowd(stage)
    mesh = read_mesh(saved(stage, tmp_path / "low.usdc"))
    cage = moved_up(mesh, [1, 9])  # one vertex of each of two copies
    assert write_cage(mesh, cage, tmp_path / "cage.usda") == ()
    again = read_mesh(tmp_path / "cage.usda")
    assert np.allclose(again.positions, cage, atol=1e-4)
    cage = moved_up(mesh, [17])  # a vertex of one leaf of two
    with pytest.raises(InputError, match="several nodes show one mesh"):
        write_cage(mesh, cage, tmp_path / "bad.usda")


def test_materials_per_tile_are_bound_in_a_layer(tmp_path: Path) -> None:
    text = PLATE.replace(
        b"indices = [0, 1, 2, 3, 0, 1, 2]", b"indices = [0, 1, 2, 3, 4, 5, 6]"
    ).replace(b"(0, 1)] (", b"(0, 1), (3.2, 0.1), (3.8, 0.1), (3.8, 0.9)] (")
    low = put(tmp_path, "low.usda", text)
    before = read_mesh(low)
    result = write_tile_materials(low, tmp_path / "tiles.usda")
    assert [(m.tile, m.name, m.made_from) for m in result.materials] == [
        (1001, "low_1001", "skin"), (1004, "low_1004", "steel"),
    ]  # fmt: skip
    assert low.read_bytes() == text
    mesh = read_mesh(tmp_path / "tiles.usda")
    assert [mesh.material_names[k] for k in mesh.face_material] == ["low_1001", "low_1004"]
    assert np.array_equal(mesh.positions, before.positions)
    assert np.array_equal(mesh.corner_uv, before.corner_uv)
    assert not any(".points" in p or "primvars" in p for p in opinions(tmp_path / "tiles.usda"))
    # What the library binds, and what each new material is made after.
    stage = Usd.Stage.Open(str(tmp_path / "tiles.usda"))
    plate = stage.GetPrimAtPath("/World/Plate_low")
    for subset in UsdShade.MaterialBindingAPI(plate).GetMaterialBindSubsets():
        material, _ = UsdShade.MaterialBindingAPI(subset).ComputeBoundMaterial()
        base = material.GetBaseMaterial().GetPath()
        face = subset.GetIndicesAttr().Get()[0]
        assert str(base) == ("/World/Looks/skin", "/World/Looks/steel")[face]
    with pytest.raises(InputError, match="not moved"):
        write_tile_materials(low, tmp_path / "b.usda", to_first_tile=True)
    with pytest.raises(InputError, match="letters, digits"):
        write_tile_materials(low, tmp_path / "b.usda", names="a b {tile}")


def test_what_cannot_be_written_says_so(tmp_path: Path) -> None:
    mesh = read_mesh(put(tmp_path, "low.usda", PLATE))
    with pytest.raises(InputError, match="only as the copy of one"):
        write_cage(mesh, mesh.positions, tmp_path / "cage.usdz")
    assert "formats differ" in write_cage(mesh, mesh.positions, tmp_path / "cage.obj")[0].text
    put(tmp_path, "low.usda", PLATE + b"# changed")
    with pytest.raises(InputError, match="has changed"):
        write_cage(mesh, mesh.positions, tmp_path / "cage.usda")
