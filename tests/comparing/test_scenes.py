"""Planted changes on a sheet whose bumps are known: what is said against what was done."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import cagecheck
from cagecheck.cli import app
from cagecheck.comparing.compare import Comparison
from cagecheck.comparing.limits import Limits
from cagecheck.comparing.read import read_placed
from cagecheck.errors import InputError
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.write import write_prediction
from tests.scenes.planted_sheets import TIGHT, Bump, prediction_of, square

pytestmark = pytest.mark.long

THREE = (Bump(0.2, 0.2), Bump(0.7, 0.3), Bump(0.5, 0.75))
PLANTED: dict[str, tuple[tuple[Bump, ...], dict[str, Any]]] = {
    "as it was": (THREE, {}),
    "other seed": (THREE, {"seed": 1}),
    "denser": (THREE, {"samples": 18_000, "seed": 2}),
    "mended": (THREE[:2], {}),
    "new": ((*THREE, Bump(0.8, 0.75)), {"seed": 3}),
    "grown": ((*THREE[:2], Bump(0.5, 0.75, 0.13)), {}),
    "shrunk": ((*THREE[:2], Bump(0.5, 0.75, 0.045)), {"seed": 4}),
    "moved": ((*THREE[:2], Bump(0.64, 0.75)), {}),
    "fell apart": (
        (*THREE[:2], Bump(0.45, 0.75, 0.03), Bump(0.55, 0.75, 0.03), Bump(0.5, 0.81, 0.03)),
        {"samples": 18_000},
    ),
}  # fmt: skip


@cache
def planted(name: str) -> Prediction:
    bumps, more = PLANTED[name]
    return prediction_of(bumps, **more)


@cache
def remade() -> Prediction:
    """The same bumps; the low poly has other faces, another name, and lies a little higher."""
    return prediction_of(THREE, low=square(5, "plate_v2", 0.004, turned=True), seed=5)


def tight(found: Comparison) -> dict[str, int]:
    """Return how many of the planted places became what, without those unchanged."""
    words = [c.became.value for c in found.changes if c.name == TIGHT and c.sure]
    return {word: words.count(word) for word in sorted(set(words)) if word != "unchanged"}


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("other seed", {}),
        ("denser", {}),
        ("mended", {"mended": 1}),
        ("new", {"new": 1}),
        ("grown", {"grown": 1}),
        ("shrunk", {"shrunk": 1}),
        ("moved", {"moved": 1}),
        ("fell apart", {"shrunk": 1}),
    ],
)
def test_planted_changes_are_named(name: str, expected: dict[str, int]) -> None:
    found = cagecheck.compare(planted("as it was"), planted(name))
    assert tight(found) == expected
    # And what was planted where: the change lies at the third bump, a new one at its own.
    for change in found.changes:
        if change.name == TIGHT and change.became.value != "unchanged":
            want = (0.8, 0.75) if name == "new" else (0.5, 0.75)
            row = change.old[0] if change.old else change.new[0]
            assert np.linalg.norm(np.array(row["centroid"][:2]) - want) < 0.05
    mirror = {"mended": "new", "new": "mended", "grown": "shrunk", "shrunk": "grown"}
    back = cagecheck.compare(planted(name), planted("as it was"))
    assert tight(back) == {mirror.get(word, word): n for word, n in expected.items()}


@pytest.mark.parametrize("name", ["as it was", "other seed", "denser"])
def test_chance_is_not_worse(name: str) -> None:
    """The same scene; seed and number of samples are chance."""
    found = cagecheck.compare(planted("as it was"), planted(name))
    assert (found.worse, found.better) == ((), ())
    assert found.passed


def test_a_result_against_itself_is_unchanged() -> None:
    found = cagecheck.compare(planted("as it was"), planted("as it was"))
    assert {c.became.value for c in found.changes} == {"unchanged"}
    assert found.harm_old == found.harm_new > 0
    assert found.summary.startswith("nothing changed")


def test_a_remade_low_poly_is_the_same_place() -> None:
    """Other faces, other part name, and lifted by more than the gap between samples is deep."""
    found = cagecheck.compare(planted("as it was"), remade())
    assert tight(found) == {}
    assert not found.worse
    parts = {(c.old[0]["part"], c.part) for c in found.changes if c.name == TIGHT}
    assert parts == {("plate", "plate_v2")}


def test_three_pieces_are_one_change() -> None:
    found = cagecheck.compare(planted("as it was"), planted("fell apart"))
    (shrunk,) = [c for c in found.changes if c.name == TIGHT and c.became.value == "shrunk"]
    assert (len(shrunk.old), len(shrunk.new)) == (1, 3)
    assert shrunk.harm_new == pytest.approx(sum(row["harm"] for row in shrunk.new))


def test_texel_by_texel_there_is_no_chance() -> None:
    old = prediction_of(THREE, texels=64)
    new = prediction_of((*THREE[:2], Bump(0.5, 0.75, 0.09)), texels=64)
    found = cagecheck.compare(old, new)
    assert tight(found) == {"grown": 1}
    (change,) = [c for c in found.changes if c.name == TIGHT and c.worse]
    assert change.within == pytest.approx(0.05 * change.harm_new)


def test_limits() -> None:
    old, new = planted("as it was"), planted("new")
    (harm,) = [c.harm_new for c in cagecheck.compare(old, new).worse if c.name == TIGHT]

    def passes(**limits: Any) -> bool:
        return cagecheck.compare(old, new, limits=Limits(**limits)).passed

    assert passes(no_new_above=harm + 1)
    assert not passes(no_new_above=harm - 1)
    assert passes(no_growth_above=0.0)
    assert not passes(no_worse=True)
    assert not passes(no_worse=True, no_new_above=harm + 1)
    total = cagecheck.compare(old, new).harm_new
    assert passes(max_harm=total + 1)
    assert not passes(max_harm=total - 1)
    breaches = cagecheck.compare(old, new, limits=Limits(no_new_above=harm - 1)).breaches
    assert len(breaches) == 1
    assert TIGHT in breaches[0]


def test_results_of_other_maps_are_refused() -> None:
    small = prediction_of(THREE, map_size=128)
    with pytest.raises(InputError, match="maps of 256 and 128"):
        cagecheck.compare(planted("as it was"), small)


def test_other_distances_are_said() -> None:
    deeper = prediction_of(THREE, depth=0.2)
    (notice,) = cagecheck.compare(planted("as it was"), deeper).notices
    assert notice.code == "settings-differ"
    assert "depth 0.15 and 0.2" in notice.text


# Files --------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("compared")
    for name in ("as it was", "other seed", "new"):
        write_prediction(planted(name), root / name, page=False)
    return root


def run(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["compare", *words])
    return done.exit_code, done.output


def test_folders_tell_what_predictions_tell(folders: Path) -> None:
    in_files = cagecheck.compare(folders / "as it was", folders / "new")
    in_memory = cagecheck.compare(planted("as it was"), planted("new"))
    a, b = ([c.to_dict() for c in found.changes] for found in (in_files, in_memory))
    for one, other in zip(a, b, strict=True):
        assert (one["change"], one["old"], one["new"]) == (
            other["change"],
            other["old"],
            other["new"],
        )
        assert one["within"] == pytest.approx(other["within"], rel=1e-4)  # float32 in files


def test_exit_codes(folders: Path) -> None:
    old, same, new = (str(folders / name) for name in ("as it was", "other seed", "new"))
    assert run(old, old)[0] == 0
    assert run(old, same)[0] == 0
    code, said = run(old, new)
    assert code == 1
    assert "new: miss: cage too tight on plate, harm" in said
    assert "(worst: miss: cage too tight, plate, harm" in said
    assert run(new, old)[0] == 0
    assert run(old, new, "--no-new-above", "1000000")[0] == 0
    assert run(old, new, "--no-new-above", "10")[0] == 1
    code, said = run(old, str(folders / "nowhere"))
    assert code == 2
    assert "no such folder" in said


def test_a_damaged_result_is_refused(folders: Path, tmp_path: Path) -> None:
    broken = tmp_path / "broken"
    write_prediction(planted("new"), broken, page=False)
    (broken / "samples.npz").write_bytes(b"nothing")
    assert run(str(folders / "new"), str(broken))[0] == 2
    write_prediction(planted("other seed"), broken, page=False, force=True)
    other = (folders / "new" / "samples.npz").read_bytes()
    (broken / "samples.npz").write_bytes(other)
    (broken / "regions.json").write_bytes((folders / "new" / "regions.json").read_bytes())
    code, said = run(str(folders / "new"), str(broken))
    assert code == 2
    assert "of another run" in said


def test_documents_alone_are_compared_roughly(folders: Path, tmp_path: Path) -> None:
    """Without samples each region is a ball: the same places are found, and a notice says so."""
    alone = tmp_path / "printed.json"
    alone.write_bytes((folders / "as it was" / "regions.json").read_bytes())
    found = cagecheck.compare(alone, folders / "new")
    assert tight(found) == {"new": 1}
    assert [notice.code for notice in found.notices] == ["places-known-roughly"]
    assert read_placed(folders / "new" / "regions.json").around is not None


def test_the_same_input_gives_the_same_document(folders: Path, tmp_path: Path) -> None:
    words = [str(folders / "as it was"), str(folders / "new")]
    for name in ("a", "b"):
        assert run(*words, "--out", str(tmp_path / name))[0] == 1
    first, second = ((tmp_path / n / "comparison.json").read_bytes() for n in ("a", "b"))
    assert first == second
    document = json.loads(first)
    # Written without report pages, which it says.
    assert [notice["code"] for notice in document["notices"]] == ["no-page"]
    assert run(*words, "--out", str(tmp_path / "a"))[0] == 2
