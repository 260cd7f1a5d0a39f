"""The same input gives the same files, to the byte, however many threads work on it."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from cagecheck.arrays import blocks
from cagecheck.arrays.blocks import usable_cores
from cagecheck.defects import belonging, nearest, surface_distance
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.inspecting.inspection import inspect_pair
from cagecheck.inspecting.write import inspection_document
from cagecheck.locating.locate import LocateSettings, locate
from cagecheck.locating.read_maps import read_map
from cagecheck.locating.write import write_location
from cagecheck.maps.pictures import Picture, write_picture
from cagecheck.mending.mend import mend_clashes
from cagecheck.mending.settings import MendSettings
from cagecheck.mending.write import write_mending
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.predicting.maps.write_maps import MapFormat
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.predicting.write import write_prediction
from cagecheck.rays import scene
from cagecheck.tuning import cage_picture, peaks, prisms
from cagecheck.tuning.single import single_numbers, uniform_prediction
from cagecheck.tuning.solver import solve
from cagecheck.tuning.tune import tune
from cagecheck.tuning.write import write_tuning
from tests.mending.test_mend import flat, sheet, sphere
from tests.watching.scene import write_scene

pytestmark = pytest.mark.long

THREADS = (1, 2, 5)
# What says how much work is a thread's at a time.
PIECES = (
    (scene, "BLOCK"), (scene, "_LEAST_BLOCK"), (blocks, "BLOCK"), (nearest, "_TASK"),
    (belonging, "_RAYS_A_TASK"),
    (surface_distance, "PAIRS_PER_TASK"), (peaks, "_TASK"), (prisms, "_TASK"),
)  # fmt: skip
SETTINGS = Settings(offset=0.02, depth=0.05, samples=4000, map_size=64, unseen_points=2000)


@pytest.fixture(scope="module")
def plate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plate")
    write_scene(folder)
    rng = np.random.default_rng(3)
    texels = rng.integers(100, 156, (64, 64, 3), dtype=np.uint8)
    texels[..., 2] = 255
    write_picture(folder / "baked.png", Picture(texels), "png")
    return folder


def predicted(plate: Path, out: Path) -> None:
    low, high = prepare_low(read_mesh(plate / "low.obj")), read_surface(plate / "high.ply")
    maps = MapFormat(kinds=("normal", "height", "defect"))
    write_prediction(predict(low, high, settings=SETTINGS), out, maps=maps)


def tuned(plate: Path, out: Path) -> None:
    low, high = prepare_low(read_mesh(plate / "low.obj")), read_surface(plate / "high.ply")
    found = tune(low, high, settings=SETTINGS)
    numbers = single_numbers(uniform_prediction(found.before), found.margin, found.limit)
    write_tuning(found, numbers, out)


def located(plate: Path, out: Path) -> None:
    low, high = read_mesh(plate / "low.obj"), read_surface(plate / "high.ply")
    settings = LocateSettings(offset=0.08, depth=0.05)
    write_location(locate([read_map(plate / "baked.png", 1001)], low, high, settings=settings), out)


def mended(plate: Path, out: Path) -> None:
    moment = [sheet(12, flat(0.9), 3.0, "cloth"), sphere(cuts=2)]
    write_mending(mend_clashes([moment], MendSettings(outer=("cloth",))), out)


def inspected(plate: Path, out: Path) -> None:
    low, high = prepare_low(read_mesh(plate / "low.obj")), read_surface(plate / "high.ply")
    found = inspect_pair(low, high, np.ones((1, 1), bool), map_size=256, padding=4.0)
    out.mkdir()
    (out / "inspect.json").write_text(json.dumps(inspection_document(found)))


@pytest.mark.parametrize("command", [predicted, tuned, located, mended, inspected])
def test_files_do_not_depend_on_how_many_threads_there_are(
    plate: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    command: Callable[[Path, Path], None],
) -> None:  # fmt: skip
    monkeypatch.setattr(cage_picture, "SIZE", 120)  # drawn in so many rays, and so much time
    # Scenes this small are one piece of work; cut into many, there is something to share.
    for module, name in PIECES:
        monkeypatch.setattr(module, name, 300)
    monkeypatch.setattr(solve, "GROUP", 10)
    found = []
    for count in THREADS:
        monkeypatch.setattr(os, "sched_getaffinity", lambda _, n=count: set(range(n)), False)
        assert usable_cores() == count
        out = tmp_path / f"of {count}"
        command(plate, out)
        found.append({p.relative_to(out).as_posix(): p.read_bytes() for p in out.rglob("*.*")})
    assert found[0], "nothing was written"
    for other in found[1:]:
        assert [name for name in {*found[0], *other} if found[0].get(name) != other.get(name)] == []
