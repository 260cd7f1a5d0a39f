"""Normals baked straight into the numbers of a map are those of the bake in floating point."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cagecheck.files import OutputFolder
from cagecheck.maps.encode import NormalNumbers, coded, quantised
from cagecheck.maps.pad import nearest_covered, padded, taken
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.predicting.maps.bake import Baker, BakeRule, TileBake
from cagecheck.predicting.maps.into_tile import narrowest
from cagecheck.predicting.maps.write_maps import MapFormat, write_tile_maps
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.scene import Scene
from tests.scenes.maps import SQUARE, sheet

EVERY = [NormalNumbers(bits, green) for bits in (8, 16) for green in ("up", "down")]  # type: ignore[arg-type]
FLAT = np.array([0.0, 0.0, 1.0], np.float32)


def two_parts_low() -> LowPoly:
    """Two bent plates on one tile, one of them mirrored, with a material each and bare texels."""
    plates = np.concatenate([SQUARE * [0.45, 0.9, 1], SQUARE * [0.4, 0.8, 1] + [0.55, 0.1, 0]])
    plates[2, 2], plates[5, 2] = -0.05, 0.1
    square = SQUARE[:, :2]
    uv = np.concatenate([square * [0.4, 0.9] + 0.03, square * [-0.45, 0.7] + [0.95, 0.2]])
    mesh = mesh_from_polygons(plates, [[0, 1, 2, 3], [4, 5, 6, 7]], uv=uv)
    return prepare_low(replace(mesh, face_material=np.array([0, 1], np.int32)))


def two_parts_high() -> Surface:
    """Waves that end before the plates do (so some texels miss), and a coat over half of them."""
    body = sheet(lambda x, y: 0.05 * np.sin(20 * x) * np.cos(13 * y), n=65, margin=-0.1)
    coat = sheet(lambda x, y: np.where(x > 0.6, 0.2 + 0.1 * x, 3.0), n=33, margin=-0.1)
    return Surface(
        np.concatenate([body.positions, coat.positions]),
        np.concatenate([body.triangles, coat.triangles + len(body.positions)]),
        np.repeat(np.int32([0, 1]), [len(body.triangles), len(coat.triangles)]),
        ("body", "coat"),
    )


def baker(size: int, supersample: int) -> Baker:
    low = two_parts_low()
    rule = BakeRule(size=size, supersample=supersample, depth=0.2)
    return Baker(low, cage_from_offset(low, 0.3), Scene(two_parts_high()), rule)


# 531 texels need three blocks a row, the last of them a sliver.
@pytest.mark.parametrize(
    ("size", "supersample"),
    [*product((9, 101), (1, 4, 16)), (531, 1), (531, 4),
     pytest.param(531, 16, marks=pytest.mark.long)],
)  # fmt: skip
def test_numbers_are_the_quantised_normals(size: int, supersample: int) -> None:
    asked = baker(size, supersample)
    plain = asked.tile(1001)
    assert plain.tangent is not None and plain.world is not None and plain.part is not None
    assert plain.missed.any() and not plain.covered.all() and {0, 1} <= set(plain.part.ravel())
    for numbers in EVERY:
        bake = asked.tile(1001, numbers=numbers)
        green = np.float32([1, -1 if numbers.green == "down" else 1, 1])
        for got, normals, signs in (
            (bake.tangent, plain.tangent, green),
            (bake.world, plain.world, np.float32([1, 1, 1])),
        ):
            assert got is not None and got.dtype == numbers.dtype
            expected = quantised(normals * signs, numbers.bits)
            assert np.array_equal(got[plain.hit], expected[plain.hit])
            assert np.all(got[~plain.hit] == 0)
        for name in ("covered", "hit", "height", "part", "material"):
            a, b = getattr(bake, name), getattr(plain, name)
            assert np.array_equal(a, b, equal_nan=name == "height")


def written(folder: Path, bake: TileBake, form: MapFormat) -> dict[str, bytes]:
    with OutputFolder(folder) as out:
        write_tile_maps(bake, out, form, part_names=("body", "coat"), material_names=("a", "b"))
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.parametrize("padding", [0, 16])
@pytest.mark.parametrize("supersample", [1, 4, 16])
def test_files_are_the_same_bytes_either_way(
    supersample: int, padding: float, tmp_path: Path
) -> None:
    asked = baker(77, supersample)
    plain = asked.tile(1001)
    for number, numbers in enumerate(EVERY):
        form = MapFormat(
            kinds=("normal", "object"), bits=numbers.bits, green=numbers.green, padding=padding
        )
        assert form.numbers == numbers
        direct = asked.tile(1001, numbers=numbers)
        one = written(tmp_path / f"direct{number}", direct, form)
        two = written(tmp_path / f"after{number}", plain, form)
        assert one == two and len(one) == 2


def test_numbers_of_another_form_are_not_written(tmp_path: Path) -> None:
    bake = baker(9, 1).tile(1001, numbers=NormalNumbers(16))
    with pytest.raises(AssertionError, match="other maps"):
        written(tmp_path / "x", bake, MapFormat(bits=8))


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("padding", [0, 3, 16])
def test_padding_numbers_is_padding_normals(bits: int, padding: float) -> None:
    rng = np.random.default_rng(8)
    covered = rng.random((37, 37)) < 0.05
    normals = rng.uniform(-1, 1, (37, 37, 3)).astype(np.float32)
    after = quantised(padded(np.where(covered[..., None], normals, FLAT), covered, padding), bits)  # type: ignore[arg-type]
    source = nearest_covered(covered, padding)
    before = taken(quantised(normals, bits), source, quantised(FLAT, bits))  # type: ignore[arg-type]
    assert np.array_equal(before, after)


@given(st.floats(-1, 1, width=32), st.sampled_from([8, 16]))
def test_one_component_is_coded_like_an_array(component: float, bits: int) -> None:
    half = (2**bits - 1) / 2
    (expected,) = quantised(np.float32([component]), bits)  # type: ignore[arg-type]
    assert coded(component, half) == expected


@pytest.mark.parametrize("bits", [8, 16])
def test_components_at_and_beside_every_border(bits: int) -> None:
    # Between two numbers of the map, and the float32 on either side.
    half = (2**bits - 1) / 2
    border = ((np.arange(2**bits - 1) + 0.5) / half - 1).astype(np.float32)
    beside = [np.nextafter(border, np.float32(way)) for way in (-2, 2)]
    for values in (border, *beside):
        expected = quantised(values, bits)  # type: ignore[arg-type]
        assert [coded(float(v), half) for v in values] == expected.tolist()


def test_ids_are_as_narrow_as_they_can_be() -> None:
    assert [narrowest(n) for n in (-1, 0, 127, 128, 32767, 32768)] == [
        np.int8, np.int8, np.int8, np.int16, np.int16, np.int32,
    ]  # fmt: skip
