"""Texels are joined to places as if each were asked what it touches."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, label
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.defects.regions import LINK_SPACINGS, group_samples
from cagecheck.locating import fault_regions
from cagecheck.locating.compare import Fault, chosen_points
from cagecheck.locating.fault_regions import FaultyTexels
from cagecheck.maps.texels import texel_mask
from cagecheck.meshes.lowpoly import LowPoly
from tests.scenes.sound_lows import box, low_of

SIZE = 160


def texels_of(low: LowPoly, mask: np.ndarray) -> FaultyTexels:
    mask = mask & texel_mask(low, SIZE, 1001)
    points, x, y = chosen_points(low, 1001, mask)
    patch = label(mask, np.ones((3, 3)))[0]
    n = len(points)
    zeros, none = np.zeros(n), np.zeros(n, np.int32)
    return FaultyTexels(
        points, points.positions(low), np.full(n, 1001, np.int32), x, y,
        np.full(n, Fault.UNEXPLAINED, np.uint8), zeros, zeros, zeros, zeros, none,
        patch[y, x].astype(np.int32), zeros + 1, zeros, np.zeros(n, np.uint8),
    )  # fmt: skip


def groups(members: list[np.ndarray]) -> set[tuple[int, ...]]:
    return {tuple(sorted(m)) for m in members}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("share", [0.2, 0.5])
def test_what_lies_inside_a_place_needs_no_asking(
    seed: int, share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    low = low_of(box())
    blobs = gaussian_filter(np.random.default_rng(seed).normal(size=(SIZE, SIZE)), 5)
    texels = texels_of(low, blobs > np.quantile(blobs, 1 - share))
    chosen = np.arange(len(texels))
    near = fault_regions._near_ends(texels, chosen, texels.patch)
    assert 0.05 < near.mean() < 0.95
    found = fault_regions._joined(low, texels, chosen)
    monkeypatch.setattr(fault_regions, "DENSE_SHARE", np.inf)
    assert fault_regions._near_ends(texels, chosen, texels.patch).all()
    assert groups(found) == groups(fault_regions._joined(low, texels, chosen))
    # Places are joined over the box's seams.
    assert len(found) < len(np.unique(texels.patch))


@pytest.mark.parametrize("seed", range(3))
def test_groups_are_those_of_the_definition_in_any_order(seed: int) -> None:
    rng = np.random.default_rng(seed)
    low = low_of(box())
    texels = texels_of(low, rng.random((SIZE, SIZE)) < 0.12)
    points, place = texels.points, texels.positions
    chosen = rng.permutation(len(points))[: len(points) // 2]
    spacing, triangle = points.spacing[chosen], points.triangle[chosen]
    far = np.linalg.norm(place[chosen][:, None] - place[chosen][None], axis=2)
    close = far <= LINK_SPACINGS * np.maximum(spacing[:, None], spacing[None])
    corners = low.welded[triangle]
    touch = (corners[:, None, :, None] == corners[None, :, None, :]).any(axis=(2, 3))
    count, wanted = connected_components(coo_array(close & touch), directed=False)
    found = group_samples(low, points, place, chosen)
    assert 10 < count < len(chosen)
    assert len(set(zip(found, wanted, strict=True))) == count == found.max() + 1
