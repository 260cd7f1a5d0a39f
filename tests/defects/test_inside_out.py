"""Which way pieces look, on shapes whose volume is known, and what is said of inside-out meshes."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from cagecheck.defects.kinds import Defect
from cagecheck.defects.reasons import CauseCode, CureCode
from cagecheck.defects.targets import low_orientation
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.rays.scene import Scene

BALL = trimesh.creation.icosphere(3, radius=1.0)
LOW = trimesh.creation.icosphere(2, radius=1.0)
SETTINGS = Settings(offset=0.1, depth=0.1, reach=0.5, samples=3000, unseen_points=0)


def way_of(corners):
    """1, -1 or 0 for triangles (T, 3, 3) of one part, as a high poly and as a low poly."""
    triangles = np.arange(3 * len(corners)).reshape(-1, 3)
    positions = corners.reshape(-1, 3)
    part = np.zeros(len(triangles), np.int32)
    (high,) = Scene(Surface(positions, triangles.astype(np.int32), part, ("one",))).orientation
    (low,) = low_orientation(prepare_low(mesh_from_polygons(positions, triangles)))
    assert low == high
    return low


@pytest.mark.parametrize("scale", [1e-4, 1.0, 1e6])
def test_the_sign_of_the_volume_decides_at_any_scale_and_place(scale: float) -> None:
    """trimesh works out the volume (divergence theorem) on its own."""
    corners = scale * (np.asarray(BALL.triangles) + [50.0, -3.0, 7.0])
    assert BALL.volume > 0
    assert way_of(corners) == 1
    assert way_of(corners[:, ::-1]) == -1


def test_a_body_with_an_opening_still_has_an_inside() -> None:
    """A ball cut off at z = 0.6: the opening is 0.64 / (4 - 0.8), a fifth of the skin."""
    corners = np.asarray(BALL.triangles)
    open_ball = corners[corners.mean(axis=1)[:, 2] < 0.6]
    assert way_of(open_ball) == 1
    assert way_of(open_ball[:, ::-1]) == -1


def test_sheets_and_cards_have_none() -> None:
    sheet = np.array([[[0, 0, 0], [1, 0, 0], [1, 1, 0]], [[0, 0, 0], [1, 1, 0], [0, 1, 0]]], float)
    assert way_of(sheet) == 0
    assert way_of(np.concatenate([sheet, sheet[:, ::-1]])) == 0


def outcome(*, low_inward: bool, high_inward: bool):
    low_faces = LOW.faces[:, ::-1] if low_inward else LOW.faces
    high_faces = BALL.faces[:, ::-1] if high_inward else BALL.faces
    low = prepare_low(mesh_from_polygons(np.asarray(LOW.vertices), low_faces, part="ball_low"))
    high = Surface(
        np.asarray(BALL.vertices, np.float32), np.asarray(high_faces, np.int32),
        np.zeros(len(high_faces), np.int32), ("ball_high",),
    )  # fmt: skip
    return predict(low, high, settings=SETTINGS)


@pytest.mark.parametrize(
    ("low_inward", "high_inward", "cause", "cure"),
    [
        (True, False, CauseCode.LOW_INSIDE_OUT, CureCode.FLIP_LOW),
        (False, True, CauseCode.HIGH_INSIDE_OUT, CureCode.FLIP_HIGH),
    ],
)
def test_the_mesh_that_looks_inward_is_the_one_to_flip(
    low_inward: bool, high_inward: bool, cause: CauseCode, cure: CureCode
) -> None:
    result = outcome(low_inward=low_inward, high_inward=high_inward)
    worst = result.regions[0]
    assert worst.why.code is cause and worst.remedy.code is cure
    assert "inside out" in worst.cause and "flip" in worst.cure
    # The cure, applied:
    cured = outcome(low_inward=False, high_inward=False)
    spoilt = {Defect.BACK_FACING, Defect.MISS_NOTHING}
    assert not any(region.defect in spoilt for region in cured.regions)
