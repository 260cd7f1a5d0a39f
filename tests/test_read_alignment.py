"""Scale, axis and place mix-ups between low and high are found, and only where they are."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from cagecheck.errors import InputError
from cagecheck.meshes.alignment import check_alignment, measure_alignment, transform_surface
from cagecheck.meshes.mesh import Mesh, Surface, mesh_from_polygons


def scene() -> tuple[Mesh, Surface]:
    """A figure standing on the ground: a low poly and a finer one a little outside."""
    parts = [
        trimesh.creation.icosphere(2, radius=0.3).apply_translation((0, 1.7, 0.1)),
        trimesh.creation.box((0.8, 1.0, 0.4)).apply_translation((0, 0.9, 0)),
        trimesh.creation.box((0.3, 0.5, 0.9)).apply_translation((0.4, 0.25, 0.3)),
    ]
    low = trimesh.util.concatenate(parts)
    high = low.subdivide().subdivide().subdivide()
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
        with pytest.raises(InputError, match=flag):
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
