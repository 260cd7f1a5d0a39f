"""Offsets are the same to the bit however many threads work on them."""

from __future__ import annotations

import os

import numpy as np
import pytest

from cagecheck.arrays.blocks import usable_cores
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, join_meshes
from cagecheck.predicting.settings import Settings
from cagecheck.tuning.solver import solve
from cagecheck.tuning.tune import tune
from tests.scenes.tuning import bumpy_pair


def three_sheets() -> tuple[LowPoly, Surface]:
    """Three bumpy sheets beside each other, which share no vertices."""
    lows, points, faces, first = [], [], [], 0
    for k in range(3):
        low, high = bumpy_pair(k + 1, count=4, fine=24)
        shift = [2.0 * k, 0.0, 0.0]
        lows.append(low.mesh.with_positions(low.positions + shift))
        points.append(high.positions + shift)
        faces.append(high.triangles + first)
        first += len(high.positions)
    triangles = np.concatenate(faces).astype(np.int32)
    part = np.zeros(len(triangles), np.int32)
    surface = Surface(np.concatenate(points), triangles, part, ("sheets",))
    return prepare_low(join_meshes(lows)), surface


def test_offsets_do_not_depend_on_how_many_threads_there_are(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Every sheet is a problem of its own.
    monkeypatch.setattr(solve, "GROUP", 10)
    low, high = three_sheets()
    settings = Settings(samples=4000, unseen_points=0, depth=0.08, reach=0.25)
    found = []
    for count in (1, 2, 5):
        monkeypatch.setattr(os, "sched_getaffinity", lambda _, n=count: set(range(n)), False)
        assert usable_cores() == count
        result = tune(low, high, settings=settings)
        found.append((result.offset_out.tobytes(), result.offset_in.tobytes(), result.rounds))
    assert found[0] == found[1] == found[2]
    assert result.offset_out.max() > 0.01
