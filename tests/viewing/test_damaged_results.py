"""Result folders that were damaged or edited end in a plain sentence, or in what can be shown."""

from __future__ import annotations

import json
import random
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cagecheck.errors import InputError
from cagecheck.predicting.record_fields import LIT, SAMPLES, VIEW
from cagecheck.predicting.write import write_prediction
from cagecheck.viewing.model import ViewModel
from cagecheck.viewing.result import read_result
from cagecheck.watching.rounds import Rounds
from tests.scenes.damage import npz_bytes, odd_json, odd_npz
from tests.watching.scene import write_scene

CASES = 12


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small result with every file and some regions; do not write into it."""
    place = tmp_path_factory.mktemp("plate")
    write_prediction(Rounds(write_scene(place)).predict(), place / "out")
    return place / "out"


@pytest.fixture
def folder(whole: Path, tmp_path: Path) -> Path:
    out = tmp_path / "out"
    shutil.copytree(whole, out, ignore=shutil.ignore_patterns("*.html", "*.glb"))
    return out


def arrays_of(path: Path) -> dict[str, Any]:
    with np.load(path) as stored:
        return {name: stored[name] for name in stored.files}


def shown(folder: Path) -> str:
    """Show a folder as far as no window is needed; return what was refused, or nothing."""
    try:
        model = ViewModel(read_result(folder))
    except InputError as error:
        return str(error)
    for number in range(1, len(model.result.regions) + 1):
        model.members(number)
    model.set_factor(0.5)
    assert model.distance_words() and model.cage_corners().ndim == 3
    return ""


@pytest.mark.parametrize("name", ["view.npz", "samples.npz", "lit.npz"])
def test_odd_arrays_end_in_a_sentence(folder: Path, name: str) -> None:
    arrays = arrays_of(folder / name)
    refused = 0
    for seed in range(CASES):
        (folder / name).write_bytes(odd_npz(arrays, random.Random(seed)))
        said = shown(folder)
        refused += bool(said)
        assert "Traceback" not in said and len(said) < 600
    assert refused > CASES / 3, "the damage was none"


def test_odd_documents_end_in_a_sentence(folder: Path) -> None:
    document = json.loads((folder / "regions.json").read_text())
    refused = 0
    for seed in range(3 * CASES):
        (folder / "regions.json").write_bytes(odd_json(document, random.Random(seed)))
        said = shown(folder)
        refused += bool(said)
        assert len(said) < 600
    assert refused > CASES / 3


@pytest.mark.parametrize(
    ("name", "fields"), [("samples.npz", SAMPLES), ("view.npz", VIEW), ("lit.npz", LIT)]
)
def test_every_array_is_missed_and_must_be_of_its_kind(
    folder: Path, name: str, fields: Any
) -> None:
    whole = arrays_of(folder / name)
    assert shown(folder) == ""
    for field in fields:
        for other in (None, np.array("x"), whole[field][..., None], whole[field].astype("<U4")):
            changed = dict(whole) | ({} if other is None else {field: other})
            if other is None:
                del changed[field]
            (folder / name).write_bytes(npz_bytes(changed))
            assert field in shown(folder), field


@pytest.mark.parametrize("word", ["9" * 400, "1e400", "NaN", "[" * 200_000])
def test_numbers_without_end_are_refused(folder: Path, word: str) -> None:
    path = folder / "regions.json"
    path.write_text(path.read_text().replace('"samples": ', f'"samples": {word}', 1))
    assert "regions.json" in shown(folder)
