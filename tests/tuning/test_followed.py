"""Targets followed while the low poly moves, on a table of crossings made by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from cagecheck.rays.cage import Rays
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.tuning.loops import _Bench


def test_a_target_is_followed_and_what_lies_next_is_of_its_own_ray() -> None:
    """Four rays along z, of high faces 0 (the targets' part), 1 (another part), in turn.

    The first has another layer above its target, the second none; on the third only the other part
    is left; the fourth met nothing before.
    """
    up = np.tile([0.0, 0, 1], (4, 1))
    origin = np.zeros((4, 3))
    origin[:, 0] = np.arange(4)
    table = Layers(
        first=np.array([0, 2, 3, 4, 5]),
        t=np.array([0.1, 0.4, 0.2, 0.3, 0.25]),
        face=np.array([0, 1, 0, 1, 0], np.int32),
        front=np.ones(5, bool),
        depth=np.ones(4),
        reach=np.ones(4),
    )
    place = origin + up * np.array([0.12, 0.18, 0.3, np.nan])[:, None]
    bench = _Bench.__new__(_Bench)
    surface = SimpleNamespace(triangle_part=np.array([0, 1]))
    for name, value in {
        "tuning": SimpleNamespace(scene=SimpleNamespace(surface=surface)),
        "place": place, "beside": np.full((4, 3), np.nan), "part": np.zeros(4, np.int64),
        "front": np.ones(4, bool),
    }.items():  # fmt: skip
        object.__setattr__(bench, name, value)
    found = bench._old_targets(Rays(origin, up, np.ones(4)), table)
    assert found.layer.tolist() == [0, 2, NO_LAYER, NO_LAYER]
    assert np.array_equal(found.t, [0.1, 0.2, np.nan, np.nan], equal_nan=True)
    assert found.next_layer.tolist() == [1, NO_LAYER, NO_LAYER, NO_LAYER]
    assert found.t_next.tolist() == [0.4, np.inf, np.inf, np.inf]
