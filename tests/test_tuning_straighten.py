"""Straightening on a box whose studs slide, and fields in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cagecheck.defects.kinds import Defect
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.prediction import Settings
from cagecheck.tuning.straighten import straighten, turned_push
from cagecheck.tuning.tune import tune
from tests.tuning_scenes import sheet, studded_box, surface_of

SETTINGS = Settings(samples=4000, unseen_points=0, depth=0.05, reach=0.2, map_size=512)


def harm(prediction: object, *kinds: Defect) -> int:
    return sum(int(prediction.findings.has(k).sum()) for k in kinds)  # type: ignore[attr-defined]


def test_studs_on_a_box_stop_sliding_without_splits_or_misses() -> None:
    low, high = studded_box(cells=4, fine=10)
    result = tune(low, high, settings=SETTINGS)
    turned = straighten(result)
    before, after = turned.before, turned.rays
    assert harm(before, Defect.SKEW) > 100
    assert harm(after, Defect.SKEW) < 0.2 * harm(before, Defect.SKEW)
    assert harm(after, Defect.SPLIT) == 0
    kinds = (Defect.MISS_TIGHT, Defect.OVERSHOOT_OWN, Defect.OVERSHOOT_OTHER)
    assert harm(after, *kinds) <= harm(before, *kinds)
    assert turned.rays_help()
    assert ((turned.share >= 0) & (turned.share <= 1)).all()
    # One number per position: the cage of moved vertices stays closed.
    for field in (turned.share, turned.cage.cage.positions):
        assert field is not None
    positions = turned.cage.cage.positions
    assert positions is not None
    _, first = np.unique(low.position_id, return_index=True)
    assert np.array_equal(positions, positions[first][low.position_id])


def test_a_flat_sheet_needs_no_straightening() -> None:
    low = prepare_low(sheet(4, lambda x, y: 0 * x))
    result = tune(low, surface_of(sheet(8, lambda x, y: 0 * x + 0.02)), settings=SETTINGS)
    turned = straighten(result)
    assert not turned.share.any()
    assert not turned.rays_help()


@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
def test_turned_corners_keep_their_height_over_their_own_triangle(share: float) -> None:
    low, _ = studded_box(cells=2, fine=2)
    push = turned_push(low, np.full(low.position_count, share))
    averaged = low.ray_normals[low.welded]
    height = np.einsum("tvk,tk->tv", averaged, low.face_normals)
    assert np.einsum("tvk,tk->tv", push, low.face_normals) == pytest.approx(height, abs=1e-12)
    if share == 1.0:
        along = push / np.linalg.norm(push, axis=2, keepdims=True)
        assert along == pytest.approx(np.repeat(low.face_normals[:, None], 3, axis=1), abs=1e-12)


def test_the_same_input_gives_the_same_field() -> None:
    low, high = studded_box(cells=2, fine=12)
    result = tune(low, high, settings=replace(SETTINGS, samples=1000))
    assert straighten(result).share.tobytes() == straighten(result).share.tobytes()
