"""Layers over USD scenes: the artist's file stays as it is, and only what is meant differs."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from cagecheck.chores.materials.per_tile import write_tile_materials
from cagecheck.cli import app
from cagecheck.errors import InputError
from cagecheck.formats.push_file import read_push
from cagecheck.formats.read import read_mesh
from cagecheck.formats.write_cage import write_cage
from cagecheck.meshes.pose import Pose
from tests.formats.test_read_usd import crowd, put, saved
from tests.scenes.asked_here import use
from tests.scenes.shapes import grid
from tests.scenes.usd_files import PLATE, write_plate

pxr = pytest.importorskip("pxr", reason="the extra usd is not installed")
from pxr import Sdf, Usd, UsdGeom, UsdShade  # noqa: E402


@pytest.fixture(autouse=True)
def here(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """One test from files to files has the processes that users have."""
    if request.node.name != "test_a_tuned_cage_is_a_layer_that_predict_reads_back":
        use(monkeypatch, "usd", "usd_write")


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


@pytest.mark.parametrize("name", ["copy.usda", "out/copy.usdc"])
def test_a_cage_may_be_a_copy_with_only_points_changed(tmp_path: Path, name: str) -> None:
    """All other values and all that the scene refers to are as the library reads them in it."""
    flat, lifted = grid(3, 1.0), grid(3, 1.0, lambda x, y: x + 2)[0]
    write_plate(tmp_path / "low.usda", "Plate_low", *flat)
    source = (tmp_path / "low.usda").read_bytes()
    path = tmp_path / name
    path.parent.mkdir(exist_ok=True)
    mesh = read_mesh(tmp_path / "low.usda")
    assert write_cage(mesh, lifted, path, copy=True) == ()
    assert (tmp_path / "low.usda").read_bytes() == source
    again = read_mesh(path, also_from=[tmp_path])
    assert np.allclose(again.positions, lifted) and again.part_names == mesh.part_names
    assert np.array_equal(again.corner_uv, mesh.corner_uv)
    layer = Sdf.Layer.OpenAsAnonymous(str(path))
    assert list(layer.subLayerPaths) == []
    stages = [Usd.Stage.Open(str(file)) for file in (tmp_path / "low.usda", path)]
    before, after = (stage.GetPrimAtPath("/Plate_low") for stage in stages)
    names = [one.GetName() for one in before.GetAuthoredAttributes()]
    assert names == [one.GetName() for one in after.GetAuthoredAttributes()]
    differ = {n for n in names if before.GetAttribute(n).Get() != after.GetAttribute(n).Get()}
    assert differ - {"userProperties:picture"} == {"points"}
    picture = path.parent / after.GetAttribute("userProperties:picture").Get().path
    assert picture.resolve() == tmp_path / "parts" / "wood.png"


def test_a_copy_of_what_moves_stands_still(tmp_path: Path) -> None:
    rest = b"(1, 0, 0), (1, 1, 0), (0, 1, 0), (2, 0, 0)]"
    samples = b"{1: [(0, 0, 5), " + rest + b", 5: [(0, 0, 9), " + rest + b"}"
    text = PLATE.replace(
        b"        float3[] extent",
        b"        point3f[] points.timeSamples = " + samples + b"\n        float3[] extent",
    )
    mesh = read_mesh(put(tmp_path, "low.usda", text))
    cage = moved_up(mesh, [1])
    for name, copy in (("copy.usda", True), ("layer.usda", False)):
        write_cage(mesh, cage, tmp_path / name, copy=copy)
        for pose in (None, Pose(5)):
            assert np.allclose(read_mesh(tmp_path / name, pose=pose).positions, cage)


@pytest.mark.long
def test_a_tuned_cage_is_a_layer_that_predict_reads_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From files to files: the artist's stay as they are to the byte."""
    # The page's pictures take most of the time, and have tests of their own.
    monkeypatch.setattr("cagecheck.tuning.page.charts_of", lambda *_, **__: ())
    write_plate(tmp_path / "low.usda", "Plate_low", *grid(6, 1.0))
    positions, faces = grid(24, 1.0, lambda x, y: 0.05 * np.cos(3 * x) * np.cos(3 * y))
    write_plate(tmp_path / "high.usda", "Plate_high", positions, faces)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*.usd?")}
    names = [str(tmp_path / "low.usda"), str(tmp_path / "high.usda")]
    more = ["--samples", "600", "--size", "64", "--json"]
    run = CliRunner().invoke(app, ["tune", *names, *more, "--out", str(tmp_path / "tuned")])
    assert run.exit_code == 0, run.output
    cage = tmp_path / "tuned" / "cage.usda"
    assert opinions(cage) == {"/Plate_low.points"}
    assert list(Sdf.Layer.OpenAsAnonymous(str(cage)).subLayerPaths) == ["../low.usda"]
    assert {path: path.read_bytes() for path in before} == before
    moved = read_mesh(cage, also_from=[tmp_path]).positions - grid(6, 1.0)[0]
    pushes, _ = read_push(tmp_path / "tuned" / "push.json")
    assert np.allclose(np.linalg.norm(moved, axis=1), pushes, atol=1e-6) and pushes.max() > 0.04
    run = CliRunner().invoke(app, ["predict", *names, "--cage", str(cage), *more])
    document = json.loads(run.stdout)
    assert document["cage"].startswith("cage mesh") and run.exit_code == 0, run.output
    # The other way to write it.
    more = ["--samples", "300", "--size", "64", "--copy-cage"]
    CliRunner().invoke(app, ["tune", *names, *more, "--out", str(tmp_path / "copied")])
    layer = Sdf.Layer.OpenAsAnonymous(str(tmp_path / "copied" / "cage.usda"))
    assert list(layer.subLayerPaths) == []


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
    posed = read_mesh(put(tmp_path, "low.usda", PLATE), pose=Pose(3))
    with pytest.raises(InputError, match=r"cage of one frame .*Name the cage"):
        write_cage(posed, posed.positions, tmp_path / "cage.usda")
    mesh = read_mesh(tmp_path / "low.usda")
    with pytest.raises(InputError, match="only as the copy of one"):
        write_cage(mesh, mesh.positions, tmp_path / "cage.usdz")
    assert "formats differ" in write_cage(mesh, mesh.positions, tmp_path / "cage.obj")[0].text
    put(tmp_path, "low.usda", PLATE + b"# changed")
    with pytest.raises(InputError, match="has changed"):
        write_cage(mesh, mesh.positions, tmp_path / "cage.usda")
