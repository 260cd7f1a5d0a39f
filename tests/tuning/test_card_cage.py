"""A double-sided card whose sides share vertices: its cage mesh cannot follow, and that is said."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from cagecheck.formats.read import read_mesh
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.tuning.tune import tune
from cagecheck.tuning.write import write_tuning
from tests.scenes.tuning import BUMPS, sheet, surface_of

HEIGHT = 0.02


def card(shared: bool):
    """A unit square with faces on both sides, over the same 9 vertices or over 9 each."""
    one = sheet(2, lambda x, y: 0 * x)
    quads = one.corner_vertex.reshape(-1, 4)
    back = quads[:, ::-1] + (0 if shared else len(one.positions))
    positions = one.positions if shared else np.concatenate([one.positions, one.positions])
    return prepare_low(mesh_from_polygons(positions, np.concatenate([quads, back])))


@pytest.mark.long
@pytest.mark.parametrize("shared", [True, False])
def test_shared_vertices_stay_and_are_told(tmp_path, shared):
    low = card(shared)
    up = sheet(8, lambda x, y: 0 * x + HEIGHT)
    down = up.with_positions(up.positions * [1, 1, -1])
    down = mesh_from_polygons(down.positions, down.corner_vertex.reshape(-1, 4)[:, ::-1])
    high = surface_of(up, down)
    paired = np.ones((1, 2), bool)
    result = tune(low, high, paired=paired, settings=replace(BUMPS, offset=3 * HEIGHT))
    write_tuning(result, [], tmp_path / "out")
    document = json.loads((tmp_path / "out" / "tuning.json").read_text())
    told = [n for n in document["notices"] if n["code"] == "cage-leaves-sheets"]
    cage = read_mesh(str(tmp_path / "out" / "cage.obj"))
    moved = np.abs(cage.positions[:, 2])
    if shared:
        assert [n["count"] for n in told] == [9] and "9 vertices" in told[0]["text"]
        assert (moved == 0).all()
    else:
        assert not told
        assert (moved > HEIGHT).all(), "the rays start above what they should record"
