"""A cage carried over to a low poly that has changed: what stayed stays, what is new is served."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cagecheck.errors import InputError
from cagecheck.formats.push_file import read_push
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh, Surface, join_meshes
from cagecheck.predicting.settings import Settings
from cagecheck.rays.cage import cage_from_push
from cagecheck.tuning.carried import carried_cage
from cagecheck.tuning.single import single_numbers, uniform_prediction
from cagecheck.tuning.tune import Tuning, tune
from cagecheck.tuning.write import write_tuning
from tests.scenes.tuning import sheet, surface_of
from tests.tuning.test_tune import left

QUICK = Settings(samples=4000, unseen_points=0, depth=0.1, reach=0.4)


def wave(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 0.05 + 0.04 * np.sin(2 * np.pi * x) * np.sin(2 * np.pi * y)


def flat(z: float) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    return lambda x, y: 0 * x + z


def low_of(*parts: tuple[str, Mesh]) -> LowPoly:
    return prepare_low(join_meshes([replace(mesh, part_names=(name,)) for name, mesh in parts]))


def high() -> Surface:
    return surface_of(sheet(40, wave), sheet(40, lambda x, y: wave(x, y) + 1))


def handed_out(folder: Path) -> np.ndarray:
    """The offsets as the file has them."""
    return read_push(folder / "push.json")[0]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Tuning, Path]:
    low = low_of(("a", sheet(8, flat(0.0))), ("b", sheet(8, flat(1.0))))
    result = tune(low, high(), paired=np.eye(2, dtype=bool), settings=QUICK)
    folder = tmp_path_factory.mktemp("tuned") / "out"
    write_tuning(result, single_numbers(uniform_prediction(result.before), 0, 1, 1), folder)
    return result, folder


def test_the_same_low_poly_gets_the_same_offsets_to_the_bit(
    written: tuple[Tuning, Path],
) -> None:
    result, folder = written
    cage, notices = carried_cage(result.low, folder)
    assert cage.positions is not None
    assert np.array_equal(cage.positions, cage_from_push(result.low, handed_out(folder)).positions)
    assert notices[0].count == result.low.position_count


def test_a_part_cut_finer_takes_the_old_cage_in_between(written: tuple[Tuning, Path]) -> None:
    """Of a square cut in four, new vertices lie on old edges: their offset is the mean of two."""
    result, folder = written
    low = low_of(("a", sheet(16, flat(0.0))), ("b", sheet(8, flat(1.0))))
    cage, notices = carried_cage(low, folder)
    assert cage.positions is not None
    height = (cage.positions - low.positions)[:, 2]
    old = dict(zip(map(tuple, result.low.positions.round(9)), handed_out(folder), strict=True))
    spots = [tuple(p) for p in low.positions.round(9)]
    known = np.array([spot in old for spot in spots])
    assert known.sum() == result.low.mesh.vertex_count == notices[0].count
    for k in np.flatnonzero(known):
        assert height[k] == pytest.approx(old[spots[k]], abs=1e-12)
    x, y = (low.positions[:, k] for k in range(2))
    between = np.flatnonzero(~known & (np.abs(y * 8 - np.round(y * 8)) < 1e-9))
    assert len(between)
    for k in between:
        ends = [old[(round(x[k] + d, 9), spots[k][1], spots[k][2])] for d in (-1 / 16, 1 / 16)]
        assert height[k] == pytest.approx(np.mean(ends), abs=1e-7)
    # From there on only what is wrong changes, and nothing stays wrong.
    again = tune(low, high(), paired=np.eye(2, dtype=bool), settings=QUICK, cage=cage, start=cage)
    assert left(again) == 0
    moved = np.abs(again.offset_out - height) > 1e-9
    assert not moved[low.positions[:, 2] > 0.5].any()


def test_what_lies_elsewhere_begins_with_its_parts_median(written: tuple[Tuning, Path]) -> None:
    result, folder = written
    moved = sheet(4, flat(0.0))
    moved = replace(moved, positions=moved.positions + [30.0, 0.0, 0.0])
    kept = sheet(8, flat(0.0))
    low = low_of(("a", join_meshes([kept, moved])), ("c", sheet(8, flat(1.0))))
    cage, notices = carried_cage(low, folder)
    assert cage.positions is not None
    height = (cage.positions - low.positions)[:, 2]
    away = low.positions[:, 0] > 10
    mine = handed_out(folder)[result.low.positions[:, 2] < 0.5]
    assert height[away] == pytest.approx(np.median(mine), abs=1e-12)
    # A part of a new name takes what lies where it is.
    other = low.positions[:, 2] > 0.5
    theirs = handed_out(folder)[result.low.positions[:, 2] > 0.5]
    assert np.sort(height[other]) == pytest.approx(np.sort(theirs), abs=1e-7)
    assert f"{int(away.sum())} positions lie too far" in notices[0].text


def test_other_folders_are_refused_in_words(written: tuple[Tuning, Path], tmp_path: Path) -> None:
    result, folder = written
    with pytest.raises(InputError, match=r"lacks push\.json, view\.npz, regions\.json"):
        carried_cage(result.low, tmp_path)
    for name in ("view.npz", "regions.json", "push.json"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    document = json.loads((tmp_path / "push.json").read_text())
    document["vertices"] = document["vertices"][:-1] if "vertices" in document else []
    (tmp_path / "regions.json").write_text(json.dumps({"low": {"parts": ["a"]}}))
    with pytest.raises(InputError, match=r"not from one run|of another run"):
        carried_cage(result.low, tmp_path)
