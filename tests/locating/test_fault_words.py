"""What `locate` says of a region, from texels made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.locating.bake_reach import BakeReach
from cagecheck.locating.compare import Fault
from cagecheck.locating.fault_regions import Bake, FaultyTexels, fault_regions
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.points import PointKind, SurfacePoints

COUNT, OFFSET, DEPTH = 40, 0.2, 0.2


@pytest.fixture(scope="module")
def square() -> LowPoly:
    corners = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float)
    mesh = mesh_from_polygons(corners, np.array([[0, 1, 2, 3]]), uv=corners[:, :2], part="plate")
    return prepare_low(mesh)


def words(
    low: LowPoly,
    fault: Fault,
    count: int = COUNT,
    reach: BakeReach = BakeReach(),  # noqa: B008
    **known: float | np.ndarray,
) -> tuple[str, str]:
    """Return cause and cure of one region whose texels all have the values given."""
    share = np.linspace(0.1, 0.2, count)
    barycentric = np.stack([1 - 2 * share, share, share], axis=1)
    points = SurfacePoints(
        np.zeros(count, np.int32), barycentric, np.full(count, 1e-4),
        np.full(count, PointKind.TEXEL, np.uint8), np.full(count, 1e-2),
    )  # fmt: skip
    values = {
        "measure": np.nan,
        "gap": np.nan,
        "target": np.nan,
        "angle": 30.0,
        "weight": 1.0,
        "error": 30.0,
    }
    none = np.zeros(count, np.int32)
    texels = FaultyTexels(
        points=points, positions=points.positions(low), tile=none + 1001, x=none, y=none,
        fault=np.full(count, fault, np.uint8), other=none, patch=none,
        evidence=np.zeros(count, np.uint8),
        **{name: np.broadcast_to(known.get(name, value), count) for name, value in values.items()},
    )  # fmt: skip
    bake = Bake(DEPTH, cage_from_offset(low, OFFSET), reach)
    (region,), _ = fault_regions(low, texels, ("plate_high",), bake)
    return region.cause, region.cure


def test_a_miss_under_the_cage_does_not_blame_the_cage_given(square: LowPoly) -> None:
    cause, cure = words(square, Fault.MISSED, target=0.3)
    assert cause == "nothing was recorded: the surface rises to 0.3, rays started beneath it"
    assert cure == "raise the offset here above 0.3"
    cause, cure = words(square, Fault.MISSED, target=0.1)
    assert "rises to 0.1" in cause and "0.2 out, would have met it" in cause
    assert "above 0.1" in cure and "included this part" in cure


def test_a_miss_below_the_low_poly_goes_by_the_depth(square: LowPoly) -> None:
    assert words(square, Fault.MISSED, target=-0.3)[1] == "raise the depth to more than 0.3"
    assert "lies only 0.1 below" in words(square, Fault.MISSED, target=-0.1)[0]
    assert "no surface of plate lies here" in words(square, Fault.MISSED)[0]


def test_a_fold_is_not_cured_by_baking_parts_apart(square: LowPoly) -> None:
    for fault, aside in (
        (Fault.OTHER_FOLD, "split the part here and bake the pieces apart"),
        (Fault.OTHER_PART, "bake the parts apart"),
    ):
        assert words(square, fault, gap=0.1, target=0.05) == (
            "the map shows plate_high here, 0.1 above the surface of plate at the median",
            f"keep the offset here below 0.15, or {aside}",
        )
        # It lies below surface that belongs elsewhere in the region.
        high = np.where(np.arange(COUNT) % 2, 0.05, 0.5)
        assert words(square, fault, gap=0.1, target=high)[1].startswith(aside)


def test_one_texel_is_one_texel(square: LowPoly) -> None:
    cause, cure = words(square, Fault.PADDING, count=1, measure=1.0)
    assert cause == "1 texel beside islands of plate shows the background"
    assert cure == "bake with at least 1 texel of padding"
    cause, cure = words(square, Fault.PADDING, measure=4.0)
    assert cause.startswith("40 texels") and cause.endswith("show the background")
    assert cure == "bake with at least 4 texels of padding"
