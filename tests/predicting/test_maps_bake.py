"""The predicted maps: flat, tilted and hemispherical surfaces have their closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.maps.encode import quantised
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.predicting.maps.bake import Baker, BakeRule
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.scene import Scene
from tests.scenes.maps import SQUARE, bake, hemisphere, plate, sheet


@pytest.mark.parametrize("supersample", [1, 4, 16])
def test_flat_surface_is_exactly_128_128_255(supersample: int) -> None:
    out = bake(plate(), sheet(lambda x, y: 0.1 + 0 * x), supersample=supersample)
    assert out.hit.all() and out.covered.all()
    assert np.all(quantised(out.tangent, 8) == [128, 128, 255])
    assert np.all(quantised(out.tangent, 16) == [32768, 32768, 65535])
    assert np.allclose(out.height, 0.1, atol=1e-6)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("slope", [(0.3, 0.0), (0.0, -0.5), (0.4, 0.7)])
def test_tilted_plane_is_its_closed_form(mirrored: bool, slope: tuple[float, float]) -> None:
    a, b = slope
    out = bake(
        plate(mirrored), sheet(lambda x, y: a * (x - 0.5) + b * (y - 0.5)), offset=0.7, depth=0.7
    )
    # z = a x + b y has the normal (-a, -b, 1); u runs with x (or against it), v with y.
    normal = np.array([a if mirrored else -a, -b, 1]) / np.sqrt(1 + a * a + b * b)
    assert np.allclose(out.tangent, normal, atol=1e-6)
    centre = (np.arange(64) + 0.5) / 64
    x = 1 - centre if mirrored else centre
    expected = a * (x[None, :] - 0.5) + b * (1 - centre[:, None] - 0.5)
    assert np.allclose(out.height, expected, atol=1e-6)


def test_hemisphere_on_a_plane_is_its_closed_form() -> None:
    radius, size = 0.3, 128
    out = bake(plate(), hemisphere(radius), size=size)
    centre = (np.arange(size) + 0.5) / size
    x, y = centre[None, :] - 0.5, 0.5 - centre[:, None]
    square = x**2 + y**2
    inside, outside = square < (0.97 * radius) ** 2, square > (1.02 * radius) ** 2
    z = np.sqrt(np.maximum(radius**2 - square, 0))
    expected = np.stack(np.broadcast_arrays(x / radius, y / radius, z / radius), axis=-1)
    # Facets of 0.56 degrees: chord height and interpolation stay well below one 8-bit step.
    assert np.abs(out.tangent[inside] - expected[inside]).max() < 1 / 255
    assert np.abs(out.height[inside] - z[inside]).max() < 1e-3
    assert np.all(quantised(out.tangent)[outside] == [128, 128, 255])
    assert np.array_equal(out.tangent, out.world)  # the plate's frame is the world's


def test_face_normals_are_constant_on_a_facet() -> None:
    high = sheet(lambda x, y: 0.05 * np.sin(9 * x), n=9)
    smooth, flat = (bake(plate(), high, normals=n) for n in ("smooth", "face"))
    assert len(np.unique(quantised(flat.tangent).reshape(-1, 3), axis=0)) <= 16
    assert len(np.unique(quantised(smooth.tangent).reshape(-1, 3), axis=0)) > 16


def test_misses_and_background_are_told_apart() -> None:
    low = prepare_low(mesh_from_polygons(SQUARE, [[0, 1, 2, 3]], uv=SQUARE[:, :2] * 0.5 + 0.25))
    high = sheet(lambda x, y: np.where(x > 0.5, 0.0, 5.0), n=257)
    out = bake(low, high)
    assert out.covered.sum() == 32 * 32
    assert out.missed.sum() == pytest.approx(16 * 32, abs=32)
    assert np.isnan(out.height[out.missed]).all() and np.all(out.part[~out.hit] == -1)
    assert np.all(out.tangent[~out.hit] == 0)


def test_apart_sees_only_the_paired_part() -> None:
    lower, upper = sheet(lambda x, y: 0 * x), sheet(lambda x, y: 0.2 + 0.1 * x)
    high = Surface(
        np.concatenate([lower.positions, upper.positions]),
        np.concatenate([lower.triangles, upper.triangles + len(lower.positions)]),
        np.repeat(np.int32([0, 1]), [len(lower.triangles), len(upper.triangles)]),
        ("body", "coat"),
    )
    low, scene = plate(), Scene(high)
    cage = cage_from_offset(low, 0.5)
    together = Baker(low, cage, scene, BakeRule(size=32, depth=0.1)).tile(1001)
    apart = Baker(
        low, cage, scene, BakeRule(size=32, depth=0.1, apart=True), paired=np.array([[True, False]])
    ).tile(1001)
    assert np.all(together.part == 1) and np.all(apart.part == 0)
    assert np.allclose(apart.height, 0, atol=1e-7)


def test_supersampling_averages_over_the_texel() -> None:
    # A step edge in the middle of a texel column: half the sub-texels lie on either side.
    def ramp(x, y):  # type: ignore[no-untyped-def]
        return np.where(x > 0.5 + 0.5 / 64, 0.2 * (x - 0.5 - 0.5 / 64), 0.0)

    n = 2 * 154 + 1
    high = sheet(ramp, n=n, margin=(154 - 128) / 256 + 0.5 / 64 * 0)
    one = bake(plate(), high, normals="face")
    many = bake(plate(), high, normals="face", supersample=16)
    level, slope = one.tangent[0, 10], one.tangent[0, 50]
    assert np.allclose(many.tangent[0, 10], level) and np.allclose(many.tangent[0, 50], slope)
    mixed = many.tangent[:, 32]
    middle = (level + slope) / np.linalg.norm(level + slope)
    assert np.allclose(mixed, middle, atol=0.02)


def test_same_input_same_bytes_on_one_and_two_threads() -> None:
    high = sheet(lambda x, y: 0.05 * np.sin(20 * x) * np.cos(13 * y), n=129)
    low = plate()
    cage, rule = cage_from_offset(low, 0.3), BakeRule(size=600, depth=0.3)
    runs = [Baker(low, cage, Scene(high, threads=n), rule).tile(1001) for n in (1, 2)]
    assert np.array_equal(runs[0].tangent, runs[1].tangent)
    assert np.array_equal(runs[0].height, runs[1].height)
