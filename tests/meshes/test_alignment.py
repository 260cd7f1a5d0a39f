"""Scale, axis and place mix-ups between low and high are found, and only where they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from cagecheck.errors import InputError
from cagecheck.meshes import alignment
from cagecheck.meshes.alignment import check_alignment, measure_alignment, transform_surface
from cagecheck.meshes.mesh import Mesh, SourceFile, Surface, SurfaceNormals, mesh_from_polygons


def scene() -> tuple[Mesh, Surface]:
    """A figure standing on the ground: a low poly and a finer one a little outside."""
    parts = [
        trimesh.creation.icosphere(2, radius=0.3).apply_translation((0, 1.7, 0.1)),
        trimesh.creation.box((0.8, 1.0, 0.4)).apply_translation((0, 0.9, 0)),
        trimesh.creation.box((0.3, 0.5, 0.9)).apply_translation((0.4, 0.25, 0.3)),
    ]
    low = trimesh.util.concatenate(parts)
    high = low.subdivide().subdivide()
    moved = high.vertices + 0.01 * high.vertex_normals
    surface = Surface(
        moved.astype(np.float32),
        high.faces.astype(np.int32),
        np.zeros(len(high.faces), np.int32),
    )
    return mesh_from_polygons(low.vertices, low.faces), surface


def test_well_placed_meshes_raise_nothing() -> None:
    low, high = scene()
    assert check_alignment(low, high) == ()
    found = measure_alignment(low, high)
    assert found.scale == 1 and found.axes == "as-is" and found.gap == 0


@pytest.mark.parametrize("scale", [0.001, 0.1, 1 / 2.54, 1, 39.3700787, 100])
@pytest.mark.parametrize("axes", ["as-is", "y-up", "z-up"])
def test_the_flags_named_undo_the_mix_up(scale: float, axes: str) -> None:
    low, high = scene()
    if scale == 1 and axes == "as-is":
        return
    wrong = transform_surface(high, scale, axes)  # type: ignore[arg-type]
    found = measure_alignment(low, wrong)
    assert found.scale * scale == pytest.approx(1, rel=1e-6)
    assert found.axes == {"as-is": "as-is", "y-up": "z-up", "z-up": "y-up"}[axes]
    mended = transform_surface(wrong, found.scale, found.axes)
    assert check_alignment(low, mended) == ()
    flag = "--high-scale" if scale != 1 else "--high-axes"
    if not 1 / 50 < scale < 50:
        with pytest.raises(InputError, match=flag.strip("-").replace("-", "_")):
            check_alignment(low, wrong)
    else:
        (notice,) = check_alignment(low, wrong)
        assert flag in notice.cure


def test_far_apart_and_odd_sizes() -> None:
    low, high = scene()
    away = transform_surface(high)
    away = Surface(high.positions + np.float32(100), high.triangles, high.triangle_part)
    with pytest.raises(InputError, match="do not meet"):
        check_alignment(low, away)
    (notice,) = check_alignment(low, transform_surface(high, 7.0))
    assert notice.code == "size-differs" and "times larger" in notice.text


@pytest.mark.parametrize(
    ("scale", "axes", "said", "cure", "code"),
    [
        (10.0, "as-is", "is 10 times larger.", "Pass --high-scale 0.1,", "scale-mismatch"),
        (1 / 12, "as-is", "is 12 times smaller.", "Pass --high-scale 12,", "scale-mismatch"),
        (
            1.0, "z-up", "is turned by 90 degrees (y is up in it).", "Pass --high-axes y-up,",
            "axis-mismatch",
        ),
        (
            0.1, "y-up", "is 10 times smaller and turned by 90 degrees (z is up in it).",
            "Pass --high-scale 10 --high-axes z-up,", "scale-mismatch",
        ),
    ],
)  # fmt: skip
def test_the_mix_up_is_said_as_it_is(
    scale: float, axes: str, said: str, cure: str, code: str
) -> None:
    low, high = scene()
    (notice,) = check_alignment(low, transform_surface(high, scale, axes))  # type: ignore[arg-type]
    assert said in notice.text and cure in notice.cure and notice.code == code


def cube(scale: float, at: tuple[float, float, float], stray: bool = False) -> Mesh:
    box = trimesh.creation.box((scale, scale, scale)).apply_translation(at)
    points = np.concatenate([box.vertices, [[1e6, 0, 0]]]) if stray else box.vertices
    return mesh_from_polygons(points, box.faces)


def as_high(mesh: Mesh) -> Surface:
    triangles = mesh.corner_vertex.reshape(-1, 3)
    return Surface(mesh.positions, triangles, np.zeros(len(triangles), np.int32))


@pytest.mark.parametrize("way", [1, -1])
def test_numbers_are_those_of_two_cubes(way: int) -> None:
    """In diagonals of the low, 2 sqrt(3); a vertex of no face counts for nothing."""
    low = cube(2, (0, 0, 0), stray=True)
    moved = measure_alignment(low, as_high(cube(2, (0.1 * way, 0, 0))))
    assert moved.distance == pytest.approx(0.1 / np.sqrt(12)) and moved.gap == 0
    assert moved.size_ratio == pytest.approx(1)
    # 4 apart along x and 5 along z less the size of 2, with y overlapping.
    away = measure_alignment(low, as_high(cube(2, (4 * way, 1, -5 * way))))
    assert away.gap == pytest.approx(np.sqrt(2**2 + 3**2) / np.sqrt(12))
    assert measure_alignment(low, as_high(cube(1, (0, 0, 0)))).size_ratio == pytest.approx(0.5)
    (notice,) = check_alignment(low, as_high(cube(2, (3 * way, 0, 0))))
    assert notice.code == "far-apart" and "0.289 low-poly sizes" in notice.text
    for size, said in ((14, "7 times larger"), (2 / 7, "7 times smaller")):
        (notice,) = check_alignment(low, as_high(cube(size, (0, 0, 0))))
        assert notice.code == "size-differs" and said in notice.text


def test_a_high_a_little_smaller_than_the_low_is_brought_back() -> None:
    found = measure_alignment(cube(2, (0, 0, 0)), as_high(cube(190, (0, 0, 0))))
    assert found.scale == pytest.approx(0.01) and found.axes == "as-is"
    assert found.corrected_distance == pytest.approx(0.025)


@pytest.mark.parametrize(
    ("size", "x", "hopeless"),
    [(2, 5.0, False), (2, 6.0, True), (2 / 30, 0, False), (2 / 60, 0, True), (2 * 60, 0, True)],
)
def test_what_no_ray_could_meet_is_refused(size: float, x: float, hopeless: bool) -> None:
    """The gap of 3 is 0.87 diagonals, that of 4 is 1.15; sizes may differ by 50. Names the file."""
    low = cube(2, (0, 0, 0))
    high = replace(as_high(cube(size, (x, 0, 0))), source=SourceFile("a/high.ply", "ply", ""))
    if hopeless:
        with pytest.raises(InputError) as error:
            check_alignment(low, high)
        assert error.value.file == "a/high.ply"
    else:
        (notice,) = check_alignment(low, high)
        assert notice.text.startswith("a/high.ply: ")


def test_meshes_without_size_are_left_to_the_readers() -> None:
    low = cube(2, (0, 0, 0))
    point = Surface(np.ones((3, 3)), np.array([[0, 1, 2]], np.int32), np.zeros(1, np.int32))
    assert check_alignment(low, point) == ()
    assert check_alignment(mesh_from_polygons(np.ones((3, 3)), [[0, 1, 2]]), as_high(low)) == ()


def test_turns_by_hand_over_several_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """With z up, z becomes y and y goes away from the viewer: (x, y, z) is (x, z, -y)."""
    monkeypatch.setattr(alignment, "_BLOCK", 2)
    rows = np.arange(1.0, 16.0).reshape(5, 3)
    x, y, z = rows.T
    surface = Surface(
        rows, np.zeros((1, 3), np.int32), np.zeros(1, np.int32),
        normals=SurfaceNormals(rows.astype(np.float32)),
    )  # fmt: skip
    for axes, turned in (("z-up", (x, z, -y)), ("y-up", (x, -z, y)), ("as-is", (x, y, z))):
        moved = transform_surface(surface, 2.0, axes)  # type: ignore[arg-type]
        assert np.array_equal(moved.positions, 2 * np.stack(turned, axis=1))
        assert moved.normals is not None
        assert np.array_equal(moved.normals.rows, np.stack(turned, axis=1))


def test_part_of_the_high_is_no_mix_up() -> None:
    """A glove alone against the whole character: sizes differ, but it lies where it should."""
    low, high = scene()
    keep = low.positions[low.corner_vertex].reshape(-1, 9).max(axis=1) < 1.0
    some = mesh_from_polygons(low.positions, low.corner_vertex.reshape(-1, 3)[keep])
    assert check_alignment(some, high) == ()


def test_transform_refuses_nonsense_and_keeps_precision() -> None:
    _, high = scene()
    assert transform_surface(high) is high
    assert transform_surface(high, 2.0).positions.dtype == np.float32
    for bad in (0.0, -1.0, np.nan, np.inf):
        with pytest.raises(InputError, match="no scale"):
            transform_surface(high, bad)
    with pytest.raises(InputError, match="no up axis"):
        transform_surface(high, 1.0, "x-up")  # type: ignore[arg-type]
