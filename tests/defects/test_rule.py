"""The rule of defects, sample by sample, against the words of its table."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cagecheck.arrays import blocks
from cagecheck.defects.kinds import CLEAN, PRECEDENCE, Defect, Thresholds
from cagecheck.defects.rule import Judged, Known, judge, room_for
from cagecheck.predicting.result import Prediction

DEPTH = 1.0
FAR = np.inf


def judged(known: Known, limits: Thresholds | None = None, **more: object) -> Judged:
    out = room_for(len(known))
    judge(known, limits or Thresholds(), DEPTH, out, **more)  # type: ignore[arg-type]
    return out


def one(
    t: list[float], target: int, *, start: float = 0.5, front: bool = True, own: bool = True,
    lean: float = 0.0, slant: float = 0.0, fold_from: float = FAR, split_slope: float = 0.0,
) -> Known:  # fmt: skip
    """One sample with crossings at `t`, of which number `target` belongs to it (-1 for none)."""
    n = len(t)
    return Known(
        np.array([start]), np.array([0, n]), np.array(t, float), np.full(n, front),
        np.full(n, own), np.array([target]), np.array([lean]), np.array([slant]),
        np.array([10.0]), np.array([fold_from]), np.array([split_slope]),
    )  # fmt: skip


SKEW_START = 0.1 / np.sin(np.radians(30))  # slide times scale is 1 at this distance and 30 degrees


@pytest.mark.parametrize(
    ("known", "recorded", "defects"),
    [
        (one([0.1], 0), 0, []),
        (one([0.5], 0), 0, []),  # a start on the surface records it
        (one([0.6], 0), -1, [Defect.MISS_TIGHT]),
        (one([-0.2, 0.6], 1), 0, [Defect.MISS_TIGHT]),
        (one([], -1), -1, [Defect.MISS_NOTHING]),
        (one([-0.2], -1), 0, [Defect.MISS_NOTHING]),  # through a hole, the far side
        (one([0.0], -1), 0, [Defect.MISS_NOTHING]),
        (one([0.2], -1), 0, [Defect.OVERSHOOT_OWN]),  # the cage pokes into something
        (one([-1.0], 0), 0, []),
        (one([-1.5], 0), -1, [Defect.MISS_DEEP]),
        (one([-1.5, 0.2], 0), 1, [Defect.OVERSHOOT_OWN]),
        (one([0.1, 0.2], 0), 1, [Defect.OVERSHOOT_OWN]),
        (one([0.1, 0.2], 0, own=False), 1, [Defect.OVERSHOOT_OTHER]),
        (one([0.1, 0.7], 0, own=False), 0, []),
        (one([0.1], 0, front=False, lean=80.0), 0, [Defect.BACK_FACING]),
        (one([0.1], 0, lean=Thresholds().steep_degrees), 0, []),
        (one([0.1], 0, lean=64.0), 0, [Defect.STEEP]),
        (one([SKEW_START], 0, slant=30.0), 0, []),
        (one([-1.001 * SKEW_START], 0, slant=30.0), 0, [Defect.SKEW]),
        (one([0.5], 0, slant=Thresholds().skew_degrees), 0, []),
        (one([0.1, 0.2], 0, slant=80.0, lean=80.0), 1, [Defect.OVERSHOOT_OWN]),
        (one([0.1], 0, fold_from=1.0), 0, []),
        (one([0.1], 0, fold_from=0.99), 0, [Defect.FOLD]),
        (one([0.1], 0, split_slope=10.0), 0, []),
        (one([0.1], 0, split_slope=10.1), 0, [Defect.SPLIT]),
        (one([0.1], 0, split_slope=-10.1), 0, []),
        (one([0.1], 0, split_slope=FAR), 0, [Defect.SPLIT]),
        (one([0.0], 0, split_slope=FAR), 0, []),
        (one([], -1, split_slope=2.1), -1, [Defect.MISS_NOTHING, Defect.SPLIT]),
    ],
)  # fmt: skip
def test_every_line_of_the_rule(known: Known, recorded: int, defects: list[Defect]) -> None:
    found = judged(known)
    assert found.recorded[0] == recorded
    assert found.flags[0] == sum(int(d.flag) for d in defects)
    worst = [d for d in PRECEDENCE if d in defects]
    assert found.main[0] == (worst[0] if worst else CLEAN)


def test_thresholds_are_taken_from_the_settings() -> None:
    known = one([0.1], 0, lean=50.0, slant=10.0, split_slope=4.0)
    known = replace(known, skew_scale=np.array([1000.0]))
    assert judged(known).flags[0] == 0
    strict = Thresholds(steep_degrees=49.0, skew_degrees=9.0, split_texels=0.3)
    assert judged(known, strict).flags[0] == sum(
        d.flag for d in (Defect.STEEP, Defect.SKEW, Defect.SPLIT)
    )


def test_the_factor_scales_the_start_and_where_nothing_is_to_scale_is_the_distance() -> None:
    known = one([0.1, 0.8], 0, fold_from=1.5)
    assert judged(known, factor=1.59).recorded[0] == 0
    assert judged(known, factor=1.61).recorded[0] == 1
    assert judged(known, factor=1.61).flags[0] & Defect.FOLD.flag
    flat = replace(known, start=np.array([0.0]))
    assert judged(flat, factor=0.79, touching=True).recorded[0] == 0
    assert judged(flat, factor=1.61, touching=True).flags[0] == Defect.OVERSHOOT_OWN.flag


def test_blocks_of_any_size_give_the_same(
    demo_prediction: Prediction, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = demo_prediction
    depth, size = first.settings.depth, first.settings.map_size
    assert depth is not None
    monkeypatch.setattr(blocks.in_blocks, "__defaults__", (1013,))
    again = first.matcher.classify(
        first.cage, first.cast, depth=depth, map_size=size, thresholds=first.settings.thresholds
    )
    for name in ("recorded", "flags", "main", "hit_distance", "slant", "lean", "slide"):
        mine, theirs = getattr(again, name), getattr(first.findings, name)
        assert np.array_equal(mine, theirs, equal_nan=mine.dtype.kind == "f"), name
    mine, theirs = again.measures, first.findings.measures
    assert mine.keys() == theirs.keys()
    assert all(np.array_equal(mine[d], theirs[d], equal_nan=True) for d in mine)
