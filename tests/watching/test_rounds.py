"""Rounds in memory: what is kept, and that a round gives what a fresh prediction gives."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

import cagecheck.watching.rounds as rounds_module
from cagecheck.errors import InputError
from cagecheck.predicting.inputs import CageFiles
from cagecheck.predicting.write import write_prediction
from cagecheck.report.thin import KeptThin, thin_surface
from cagecheck.watching.bake import Bake
from cagecheck.watching.rounds import Rounds
from tests.commands.test_cli import run_here
from tests.scenes.shapes import grid, halves, surface
from tests.watching.scene import OPTIONS, SETTINGS, contents, low_text, write_high, write_scene


def fresh(folder: Path, out: str, *more: str) -> dict[str, bytes]:
    """What `predict` writes of the files as they are now."""
    names = folder / "low.obj", folder / "high.ply"
    code, _, errors = run_here("predict", *names, *OPTIONS, *more, "--out", out, cwd=folder)
    assert code in (0, 1), errors
    return contents(folder / out)


@pytest.mark.long
def test_a_round_is_what_predict_gives_to_the_byte(tmp_path: Path) -> None:
    bake = write_scene(tmp_path)
    rounds, thin = Rounds(bake), KeptThin()

    def written(name: str) -> dict[str, bytes]:
        write_prediction(rounds.predict(), tmp_path / name, thin=thin)
        return contents(tmp_path / name)

    first = written("round-1")
    assert first == fresh(tmp_path, "fresh-1")
    bake.low.write_text(low_text(lift=0.5))
    second = written("round-2")
    assert second == fresh(tmp_path, "fresh-2")
    assert first["regions.json"] != second["regions.json"], "the low poly changed something"
    write_high(bake.high, height=0.5)
    third = written("round-3")
    assert third == fresh(tmp_path, "fresh-3") and third["samples.npz"] != second["samples.npz"]
    # Back again: what is kept of the first must not be mixed with what came between.
    bake.low.write_text(low_text())
    write_high(bake.high)
    assert written("round-4") == first


def test_what_did_not_change_is_not_read_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []
    for name in ("read_low", "read_high", "build_scene"):
        real = getattr(rounds_module, name)

        def counted(*args, name=name, real=real, **kwargs):
            read.append(name)
            return real(*args, **kwargs)

        monkeypatch.setattr(rounds_module, name, counted)
    bake = write_scene(tmp_path)
    rounds = Rounds(bake)
    scene = rounds.predict().scene
    assert read == ["read_low", "read_high", "build_scene"] and rounds.changed() == ()
    read.clear()
    bake.low.write_text(low_text(lift=0.5))
    assert rounds.changed() == (bake.low,)
    assert rounds.predict().scene is scene and read == ["read_low"]
    read.clear()
    # Written again with the same bytes: another time, the same content.
    bake.high.write_bytes(bake.high.read_bytes())
    os.utime(bake.high, (1, 1))
    assert rounds.changed() == ()
    assert rounds.predict().scene is scene and read == []
    write_high(bake.high, height=0.5)
    assert rounds.changed() == (bake.high,)
    assert rounds.predict().scene is not scene and read == ["read_high", "build_scene"]


def test_a_file_that_is_written_while_it_is_read_is_not_taken_for_its_content(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bake = write_scene(tmp_path)
    real = rounds_module.read_low

    def interrupted(path, how, **kwargs):
        found = real(path, how, **kwargs)
        path.write_text(low_text(lift=0.5))
        return found

    monkeypatch.setattr(rounds_module, "read_low", interrupted)
    rounds = Rounds(bake)
    assert float(rounds.predict().low.positions[:, 2].max()) == 0.0
    monkeypatch.setattr(rounds_module, "read_low", real)
    assert bake.low in rounds.changed()
    assert float(rounds.predict().low.positions[:, 2].max()) > 0.01


def test_a_round_that_fails_leaves_the_last_result(tmp_path: Path) -> None:
    bake = write_scene(tmp_path)
    rounds = Rounds(bake)
    good = rounds.predict()
    bake.low.write_text("v 0 0")
    with pytest.raises(InputError):
        rounds.predict()
    assert rounds.result is good and rounds.changed() == (bake.low,)


def test_inputs_are_the_files_that_are_named_and_those_that_they_name(tmp_path: Path) -> None:
    (tmp_path / "low.obj").write_text("mtllib my  paint.mtl\n" + low_text())
    (tmp_path / "high.gltf").write_text(
        '{"buffers": [{"uri": "high%20data.bin"}, {"uri": "data:,"}, {}]}'
    )
    bake = Bake(
        tmp_path / "low.obj", tmp_path / "high.gltf", CageFiles(cage=tmp_path / "cage.obj"),
        SETTINGS,
    )  # fmt: skip
    names = [path.name for path in bake.data()]
    assert names == ["low.obj", "high.gltf", "high data.bin", "cage.obj"]
    assert [path.name for path in bake.materials()] == ["my  paint.mtl"]


def test_what_no_save_can_mend_is_refused_at_once(tmp_path: Path) -> None:
    bake = write_scene(tmp_path)
    with pytest.raises(InputError, match="no such folder"):
        Bake(tmp_path / "nowhere" / "low.obj", bake.high).checked()
    with pytest.raises(InputError, match="more than one cage"):
        Bake(bake.low, bake.high, CageFiles(cage=bake.low), SETTINGS).checked()


def test_a_thinned_copy_is_kept_for_its_surface_only() -> None:
    positions, quads = grid(30)
    one, other = (surface(positions * k, halves(quads)) for k in (1, 2))
    thin = KeptThin()
    first = thin(one, 300)
    assert thin(one, 300) is first
    assert np.array_equal(first.positions, thin_surface(one, 300).positions)
    assert float(thin(other, 300).positions.max()) == pytest.approx(2 * first.positions.max())
