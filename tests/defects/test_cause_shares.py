"""What is said of a group goes by what holds for more than half of it, on samples made by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from cagecheck.defects import causes
from cagecheck.defects.kinds import Defect
from cagecheck.defects.reasons import CauseCode, CureCode
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.rays.cage import Rays
from tests.scenes.shapes import plane_high, plane_low


@pytest.mark.parametrize(("covered", "cover"), [(2, None), (3, 1)])
@pytest.mark.parametrize("raised", [0, 4])
def test_a_part_covers_what_it_covers_more_than_half_of(
    covered: int, cover: int | None, raised: int
) -> None:
    """Four points of part 0 at height 0.2, `covered` of them below a crossing of part 1 at 0.3.

    The others are below part 0's own crossing, or below nothing. Rays start at 0.5, or at 0.1 for
    `raised` of the points, which lie above the cage then.
    """
    up, origin = np.tile([0.0, 0, 1], (4, 1)), np.zeros((4, 3))
    recorded = np.array([0, 0, 0, -1])
    recorded[covered:3] = 1
    scan: Any = SimpleNamespace(
        unseen=SimpleNamespace(
            points=SimpleNamespace(position=origin + 0.2 * up, face=np.zeros(4, np.int32)),
            below=np.arange(4),
        ),
        rays=Rays(origin, up, np.where(np.arange(4) < raised, 0.1, 0.5)),
        findings=SimpleNamespace(recorded=recorded),
        layers=SimpleNamespace(t=np.array([0.3, 0.3]), face=np.array([1, 0])),
        surface=SimpleNamespace(triangle_part=np.array([0, 1], np.int32)),
    )
    group: Any = SimpleNamespace(samples=np.arange(4))
    assert causes._what_hides(scan, [group]) == [(raised / 4, cover)]
    # A crossing below a point covers nothing, nor does the point's own part.
    scan.layers.t[:] = 0.1
    assert causes._what_hides(scan, [group]) == [(raised / 4, None)]


@pytest.mark.parametrize("reach", [0.2, 1.0])
def test_surface_above_the_cage_is_told_whether_any_ray_looks_that_far_or_not(reach: float) -> None:
    """A plane at 0.3 over a cage at 0.1. With a reach of 0.2 no ray crosses anything at all."""
    settings = Settings(offset=0.1, depth=0.1, reach=reach, samples=2000, unseen_points=500)
    result = predict(plane_low(4), plane_high([0.3]), settings=settings)
    assert (len(result.layers.t) == 0) == (reach < 0.3)
    (region,) = [r for r in result.regions if r.defect is Defect.UNSEEN]
    assert region.why.code is CauseCode.ABOVE_CAGE
    assert region.remedy.code is CureCode.RAISE_OR_MODEL


@pytest.mark.parametrize(("lost", "code"), [(2, CauseCode.STICKS_OUT), (3, CauseCode.NOT_ALIGNED)])
def test_a_part_is_not_aligned_where_more_than_half_of_it_finds_nothing(
    monkeypatch: pytest.MonkeyPatch, lost: int, code: CauseCode
) -> None:
    scan: Any = SimpleNamespace(
        low=SimpleNamespace(triangle_part=np.zeros(4, np.int32), part_names=("a",)),
        points=SimpleNamespace(triangle=np.arange(4)),
        targets=SimpleNamespace(found=np.arange(4) >= lost),
        findings=SimpleNamespace(recorded=np.full(4, -1)),
        paired=np.ones((1, 1), bool),
        surface=None,
        depth=0.1,
        low_facing=np.ones(1, np.int8),
        high_facing=np.ones(1, np.int8),
    )
    monkeypatch.setattr(causes, "rim_within", lambda surface, paired, *_: np.zeros(len(paired)))
    group: Any = SimpleNamespace(part=0, samples=np.arange(lost), centroid=(0, 0, 0), radius=1.0)
    (told,) = causes._nothing_there(scan, [group])
    assert told.cause.code is code
