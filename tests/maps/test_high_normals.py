"""The high poly's own normals: read from every format, looked over, and what maps show of them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.spatial import ConvexHull
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.formats.write_mesh import write_mesh, write_surface
from cagecheck.maps.high_normals import high_shading
from cagecheck.meshes.alignment import transform_surface
from cagecheck.meshes.mesh import Mesh, Surface, mesh_from_polygons
from cagecheck.meshes.surface_normals import MOST_AGAINST, unit_rows
from cagecheck.meshes.triangulate import triangulate
from cagecheck.predicting.maps.bake import BakeRule, predict_maps
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.scene import Scene
from tests.scenes.maps import SQUARE, bake, plate
from tests.scenes.mesh_files import FBX_TEXT, glb_bytes, gltf_tree, samples

RADIUS = 0.6


def ball(points: int = 500) -> trimesh.Trimesh:
    """A coarse ball of uneven triangles with the sphere's exact normals at its vertices."""
    rng = np.random.default_rng(5)
    p = rng.normal(size=(points, 3))
    p /= np.linalg.norm(p, axis=1, keepdims=True)
    faces = ConvexHull(p).simplices
    out = trimesh.Trimesh(p, faces, process=False, vertex_normals=p)
    outward = np.einsum("ij,ij->i", out.face_normals, p[faces[:, 0]]) > 0
    faces[~outward] = faces[~outward][:, ::-1]
    return trimesh.Trimesh(p * RADIUS + [0.5, 0.5, 0], faces, process=False, vertex_normals=p)


def corner_rows(surface: Surface) -> np.ndarray:
    """(T, 3, 3) normals of a surface's triangle corners."""
    assert surface.normals is not None
    corner = surface.triangles if surface.normals.corner is None else surface.normals.corner
    return surface.normals.rows[corner]


def mesh_rows(mesh: Mesh) -> np.ndarray:
    """The same from the faithful reader, zero where it has none."""
    assert mesh.corner_normal is not None
    rows = mesh.corner_normal[triangulate(mesh).corners]
    return np.nan_to_num(rows, nan=0.0)


@pytest.mark.parametrize("ending", ["ply", "obj", "glb"])
def test_a_coarse_ball_with_exact_normals_bakes_as_the_sphere(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"ball.{ending}"
    path.write_bytes(_exported(ball(), ending))
    high = read_surface(path)
    assert high.normals is not None and high.normals.corner is None
    assert len(high.normals.rows) == len(high.positions)
    out = bake(plate(), high, offset=0.8)
    x, y = np.meshgrid((np.arange(64) + 0.5) / 64, 1 - (np.arange(64) + 0.5) / 64)
    place = np.stack([x - 0.5, y - 0.5, out.height], axis=-1)
    # On a sphere normals are linear in the place, so interpolation is exact on every triangle.
    exact = place / np.linalg.norm(place, axis=-1, keepdims=True)
    assert np.abs(out.world - exact)[out.hit].max() < 5e-5  # a text file has six digits
    # Against the sphere itself only the triangles' sag is left: r (1 - cos a), for the circumradius
    # angle a of the largest triangle, seen over the height at which the ray meets it.
    inner = np.hypot(x - 0.5, y - 0.5) < 0.7 * RADIUS
    z = np.sqrt(RADIUS**2 - (x - 0.5) ** 2 - (y - 0.5) ** 2, where=inner, out=np.ones_like(x))
    analytic = np.stack([x - 0.5, y - 0.5, z], axis=-1) / RADIUS
    corners = high.positions[high.triangles].astype(float) - [0.5, 0.5, 0]
    cut = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    distance = np.einsum("ij,ij->i", cut, corners[:, 0]) / np.linalg.norm(cut, axis=1)
    sag = 1 - distance.min() / RADIUS
    assert np.abs(out.world - analytic)[inner].max() < 2 * sag
    smooth = bake(plate(), high, offset=0.8, normals="smooth")
    assert np.abs(smooth.world - exact)[inner].max() > 0.05, "averaged normals are off by degrees"


def _exported(mesh: trimesh.Trimesh, ending: str) -> bytes:
    if ending == "glb":
        return bytes(trimesh.Scene(mesh).export(file_type="glb", include_normals=True))
    options = {"vertex_normal": True} if ending == "ply" else {"include_normals": True}
    data = mesh.export(file_type=ending, **options)
    return data.encode() if isinstance(data, str) else data


def roof(hard: bool) -> Mesh:
    """A roof over the plate, hard or soft along its ridge by its own normals; soft in position."""
    p = np.array(
        [[-1, -1, 0], [0.5, -1, 0.3], [2, -1, 0], [-1, 2, 0], [0.5, 2, 0.3], [2, 2, 0]], float
    )
    left, right = np.array([-0.2, 0, 1]), np.array([0.2, 0, 1])
    ridge = (left + right) / 2
    normals = np.array(
        [left, left, left, left, right, right, right, right]
        if hard
        else [left, ridge, ridge, left, ridge, right, right, ridge]
    )
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    mesh = mesh_from_polygons(p, [[0, 1, 4, 3], [1, 2, 5, 4]])
    return replace(mesh, corner_normal=normals)


@pytest.mark.parametrize("ending", ["obj", "glb", "gltf"])
def test_hard_edges_of_the_file_stay_hard(tmp_path: Path, ending: str) -> None:
    write_mesh(roof(hard=True), tmp_path / f"hard.{ending}")
    write_mesh(roof(hard=False), tmp_path / f"soft.{ending}")
    high = read_surface(tmp_path / f"hard.{ending}")
    out = bake(plate(), high)
    left = np.array([-0.2, 0, 1]) / np.hypot(0.2, 1)
    assert np.allclose(out.world[:, :32], left, atol=1e-6)
    assert np.allclose(out.world[:, 32:], left * [-1, 1, 1], atol=1e-6)
    soft = bake(plate(), read_surface(tmp_path / f"soft.{ending}"))
    # Interpolated from the slope's normal at the eaves to straight up at the ridge.
    share = (np.abs((np.arange(64) + 0.5) / 64 - 0.5) / 1.5)[None, :, None]
    eaves = np.where((np.arange(64) < 32)[None, :, None], left, left * [-1, 1, 1])
    expected = (1 - share) * np.array([0, 0, 1.0]) + share * eaves
    expected = expected / np.linalg.norm(expected, axis=-1, keepdims=True)
    assert np.allclose(soft.world, np.broadcast_to(expected, soft.world.shape), atol=1e-5)
    averaged = bake(plate(), high, normals="smooth")
    assert np.abs(averaged.world[:, 31] - left).max() > 0.1


def test_only_hard_edges_cost_a_number_per_corner(tmp_path: Path) -> None:
    write_mesh(roof(hard=True), tmp_path / "hard.obj")
    write_mesh(roof(hard=False), tmp_path / "soft.obj")
    assert read_surface(tmp_path / "hard.obj").normals.corner.shape == (4, 3)
    assert read_surface(tmp_path / "soft.obj").normals.corner is None
    assert read_surface(tmp_path / "hard.obj", normals=False).normals is None
    # Every corner with a row of its own, as exporters like it: the values decide.
    text = "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\n" + "vn 0 0 2\n" * 6
    text += "f 1//1 2//2 3//3\nf 1//4 3//5 4//-1\n"
    (tmp_path / "many.obj").write_text(text)
    normals = read_surface(tmp_path / "many.obj").normals
    assert normals.corner is None and np.array_equal(normals.rows, [[0, 0, 1]] * 4)


NORMAL_FBX = FBX_TEXT.replace(
    b"\t\tLayerElementUV: 0 {",
    b"""\t\tLayerElementNormal: 0 {
\t\t\tVersion: 101
\t\t\tMappingInformationType: "ByPolygonVertex"
\t\t\tReferenceInformationType: "Direct"
\t\t\tNormals: *12 {
\t\t\t\ta: 0,0,1,0,0.6,0.8,0,0,1,0.6,0,0.8
\t\t\t}
\t\t}
\t\tLayerElementUV: 0 {""",
).replace(
    b"\t\t\tLayerElement:  {",
    b"""\t\t\tLayerElement:  {
\t\t\t\tType: "LayerElementNormal"
\t\t\t\tTypedIndex: 0
\t\t\t}
\t\t\tLayerElement:  {""",
)


def normal_ply(order: str) -> bytes:
    """Two triangles and a quad with normals that are not of unit length, one of them zero."""
    name = {"<": "binary_little_endian", ">": "binary_big_endian", "text": "ascii"}[order]
    rows = [(0, 0, 0, 0, 0, 2), (1, 0, 0, 0, 3, 3), (1, 1, 0, 0, 0, 0), (0, 1, 0, 1, 0, 1)]
    head = f"ply\nformat {name} 1.0\nelement vertex 4\n" + "".join(
        f"property float {n}\n" for n in ("x", "y", "z", "nx", "ny", "nz")
    )
    head += "element face 1\nproperty list uchar int vertex_indices\nend_header\n"
    if order == "text":
        return (head + "\n".join(" ".join(map(str, r)) for r in rows) + "\n4 0 1 2 3\n").encode()
    body = (
        np.array(rows, order + "f4").tobytes() + b"\4" + np.arange(4).astype(order + "i4").tobytes()
    )
    return head.encode() + body


def turned_glb() -> bytes:
    """The cube of the samples with normals, placed mirrored and unevenly scaled by its node."""
    tree, data = gltf_tree()
    rng = np.random.default_rng(3)
    normals = (np.array(CUBE) - 0.5) + 0.1 * rng.normal(size=(8, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    tree["nodes"][1]["scale"] = [-1, 2, 0.5]
    tree["bufferViews"].append({"buffer": 0, "byteOffset": len(data), "byteLength": 96})
    tree["accessors"].append(
        {"bufferView": len(tree["bufferViews"]) - 1, "componentType": 5126, "count": 8,
         "type": "VEC3"}
    )  # fmt: skip
    attributes = tree["meshes"][0]["primitives"][0]["attributes"]
    attributes["NORMAL"] = len(tree["accessors"]) - 1
    return glb_bytes(tree, data + normals.astype("<f4").tobytes())


CUBE = [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [0, 0, 1], [1, 0, 1], [1, 1, 1], [0, 1, 1]]


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("quads.obj", samples()["quads.obj"]),
        ("little.ply", normal_ply("<")),
        ("big.ply", normal_ply(">")),
        ("text.ply", normal_ply("text")),
        ("turned.glb", turned_glb()),
        ("plate.fbx", NORMAL_FBX),
    ],
)
def test_both_readers_have_the_same_normals(tmp_path: Path, name: str, data: bytes) -> None:
    path = tmp_path / name
    path.write_bytes(data)
    if name.endswith(".fbx"):
        pytest.importorskip("ufbx")
    mesh, surface = read_mesh(path), read_surface(path)
    want, have = mesh_rows(mesh), corner_rows(surface)
    assert have.dtype == np.float32 and np.any(want != 0)
    assert np.allclose(have, want, atol=1e-6)
    length = np.linalg.norm(have, axis=-1)
    assert np.all((np.abs(length - 1) < 1e-3) | (length == 0))


def test_normals_that_cannot_be_right_are_not_used(tmp_path: Path) -> None:
    good = ball()
    turned = trimesh.Trimesh(good.vertices, good.faces, process=False,
                             vertex_normals=-good.vertex_normals)  # fmt: skip
    (tmp_path / "turned.ply").write_bytes(_exported(turned, "ply"))
    surface = read_surface(tmp_path / "turned.ply")
    assert surface.normals is None
    (notice,) = surface.notices
    assert notice.code == "high-normals-unusable" and "100 %" in notice.text
    assert high_shading(surface).used == "smooth"
    one = trimesh.Trimesh(good.vertices, good.faces, process=False,
                          vertex_normals=np.tile([0, 0, 1.0], (len(good.vertices), 1)))  # fmt: skip
    (tmp_path / "constant.ply").write_bytes(_exported(one, "ply"))
    (notice,) = read_surface(tmp_path / "constant.ply").notices
    assert "face against" in notice.text and notice.cure


def test_parts_are_looked_over_one_by_one(tmp_path: Path) -> None:
    lines, base = [], 0
    for name, sign in (("right", 1), ("wrong", -1), ("none", 0)):
        lines.append(f"o {name}")
        lines += [f"v {x} {y} {z}" for x, y, z in CUBE[:4]]
        if sign:
            lines.append(f"vn 0.6 0 {0.8 * sign}")
        row = {"right": "//1", "wrong": "//2", "none": ""}[name]
        lines.append("f " + " ".join(f"{base + k}{row}" for k in (1, 2, 3, 4)))
        base += 4
    (tmp_path / "three.obj").write_text("\n".join(lines) + "\n")
    surface = read_surface(tmp_path / "three.obj")
    assert [n.code for n in surface.notices] == ["high-normals-unusable", "high-normals-missing"]
    assert "wrong" in surface.notices[0].text and "none" in surface.notices[1].text
    shading = high_shading(surface)
    assert shading.used == "file"
    middle = np.full((6, 3), 1 / 3)
    shown = shading.at(np.arange(6, dtype=np.int32), surface.positions[surface.triangles].mean(1))
    assert len(middle) == len(shown)
    assert np.allclose(shown[:2], [0.6, 0, 0.8]) and np.allclose(shown[2:], [0, 0, 1])


def test_a_needle_or_two_does_not_cost_the_normals() -> None:
    assert 0.01 < MOST_AGAINST < 0.25


def test_unit_rows_keeps_what_is_unit_already() -> None:
    rows = np.eye(3, dtype=np.float32)
    assert unit_rows(rows) is rows
    odd = np.array([[0, 0, 1e-30], [np.nan, 0, 1], [np.inf, 0, 0], [0, 3, 4]], np.float32)
    assert np.allclose(unit_rows(odd), [[0, 0, 1], [0, 0, 0], [0, 0, 0], [0, 0.6, 0.8]])


def test_normals_turn_with_the_high_poly(tmp_path: Path) -> None:
    (tmp_path / "ball.ply").write_bytes(_exported(ball(60), "ply"))
    surface = read_surface(tmp_path / "ball.ply")
    moved = transform_surface(surface, 3.0, "z-up")
    centre = transform_surface(
        replace(surface, positions=np.tile(np.float32([0.5, 0.5, 0]), (len(surface.positions), 1))),
        3.0, "z-up",
    ).positions  # fmt: skip
    expected = (moved.positions - centre) / (3 * RADIUS)
    assert np.allclose(moved.normals.rows, expected, atol=1e-5)


def test_the_commands_say_which_normals_they_used(tmp_path: Path) -> None:
    square = mesh_from_polygons(SQUARE, [[0, 1, 2, 3]], uv=SQUARE[:, :2])
    write_mesh(square, tmp_path / "low.obj")
    write_mesh(roof(hard=True), tmp_path / "high.obj")
    runner = CliRunner()
    arguments = [str(tmp_path / "low.obj"), str(tmp_path / "high.obj"), "--offset", "0.5",
                 "--depth", "0.1"]  # fmt: skip
    maps = ["--maps", "normal", "--size", "64", "--samples", "500"]
    said = {}
    for choice, used in ((["--high-normals", "smooth"], "smooth"), ([], "file")):
        out = ["--out", str(tmp_path / used)]
        said[used] = runner.invoke(app, ["predict", *arguments, *maps, *choice, *out]).output
        assert json.loads((tmp_path / used / "maps.json").read_text())["high_normals"] == used
    assert "smooth normals of the high poly" in said["smooth"]
    assert "own normals of the high poly" in said["file"]
    (picture,) = (tmp_path / "smooth").glob("*normal*.png")
    found = json.loads(runner.invoke(app, ["locate", str(picture), *arguments, "--json"]).stdout)
    # The map was baked with averaged normals, which locate finds out by itself.
    assert found["maps"][0]["reading"]["high_normals"] == "smooth"


@pytest.mark.parametrize("ending", ["obj", "glb", "gltf", "ply"])
@pytest.mark.parametrize("hard", [True, False])
def test_normals_survive_writing(tmp_path: Path, ending: str, hard: bool) -> None:
    write_mesh(roof(hard), tmp_path / "roof.obj")
    high = read_surface(tmp_path / "roof.obj")
    write_surface(high, tmp_path / f"again.{ending}")
    again = read_surface(tmp_path / f"again.{ending}")
    place = again.positions[again.triangles], high.positions[high.triangles]
    assert np.allclose(*place, atol=1e-6)
    if hard and ending == "ply":
        assert again.normals is None
    else:
        assert np.allclose(corner_rows(again), corner_rows(high), atol=1e-6)


def test_shading_is_the_same_on_a_scene_and_alone(tmp_path: Path) -> None:
    write_mesh(roof(hard=True), tmp_path / "hard.obj")
    high = read_surface(tmp_path / "hard.obj")
    low = plate()
    rule = BakeRule(size=32, depth=0.5)
    (one,) = predict_maps(low, Scene(high), cage_from_offset(low, 0.5), rule)
    (two,) = predict_maps(low, Scene(high, threads=1), cage_from_offset(low, 0.5), rule)
    assert np.array_equal(one.world, two.world)


def test_weights_by_area_are_those_of_the_triangles() -> None:
    """Two triangles at a right angle, one four times the other: their sum leans to the larger."""
    positions = np.array([[0, 0, 0], [0, 1, 0], [4.0, 0, 0], [0, 0, 1.0]])
    triangles = np.array([[0, 2, 1], [0, 1, 3]], np.int32)
    surface = Surface(positions, triangles, np.zeros(2, np.int32), ("bend",))
    by_area = high_shading(surface, "area").normals[0]
    by_angle = high_shading(surface, "smooth").normals[0]
    areas = np.array([1.0, 0, 4.0])
    # Both triangles have a right angle there.
    np.testing.assert_allclose(np.abs(by_area), areas / np.linalg.norm(areas), atol=1e-6)
    np.testing.assert_allclose(np.abs(by_angle), [0.5**0.5, 0, 0.5**0.5], atol=1e-6)
