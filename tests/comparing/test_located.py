"""Two bakes of one model compared: what `locate` finds in their maps."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

import cagecheck
from cagecheck.cli import app
from cagecheck.errors import InputError
from cagecheck.formats.write_mesh import write_mesh, write_surface
from tests.scenes.planted_sheets import Bump, bumpy, square

TWO = (Bump(0.25, 0.3, 0.1), Bump(0.7, 0.65, 0.1))


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Maps baked through a cage that is too low for both bumps, and through one high enough."""
    root = tmp_path_factory.mktemp("bakes")
    low, high = root / "low.obj", root / "high.ply"
    write_mesh(square(2).mesh, low)
    write_surface(bumpy(TWO), high)
    for name, offset in (("tight", "0.1"), ("wide", "0.3")):
        baked = root / f"baked-{name}"
        words = ["--depth", "0.15", "--reach", "0.6", "--samples", "2000", "--offset", offset]
        done = CliRunner().invoke(
            app, ["predict", str(low), str(high), *words, "--maps", "normal", "--size", "128",
                  "--out", str(baked)],
        )  # fmt: skip
        assert done.exit_code in (0, 1), done.output
        (map_file,) = baked.glob("*normal*.png")
        located = CliRunner().invoke(
            app, ["locate", str(map_file), str(low), str(high), "--offset", offset,
                  "--depth", "0.15", "--out", str(root / name)],
        )  # fmt: skip
        assert located.exit_code in (0, 1), located.output
    return root


def test_mended_bakes_are_told(folders: Path) -> None:
    """Both bumps are missed in the first map and shown in the second."""
    found = cagecheck.compare(folders / "tight", folders / "wide")
    missed = [c for c in found.changes if c.name.startswith("miss")]
    assert [c.became.value for c in missed] == ["mended", "mended"]
    back = cagecheck.compare(folders / "wide", folders / "tight")
    assert [c.became.value for c in back.changes if c.name.startswith("miss")] == ["new", "new"]
    assert not back.passed
    # Every texel was looked at: nothing but the share is allowed for.
    assert all(c.within == 0.05 * max(c.harm_old, c.harm_new) for c in found.changes)


def test_a_bake_against_itself_is_unchanged(folders: Path) -> None:
    found = cagecheck.compare(folders / "tight", folders / "tight" / "location.json")
    assert {c.became.value for c in found.changes} == {"unchanged"}


def test_the_page_shows_both_bakes(folders: Path, tmp_path: Path) -> None:
    words = [str(folders / "tight"), str(folders / "wide"), "--out", str(tmp_path / "changes")]
    done = CliRunner().invoke(app, ["compare", *words])
    assert done.exit_code == 0, done.output
    assert (tmp_path / "changes" / "compare.html").is_file()
    document = json.loads((tmp_path / "changes" / "comparison.json").read_text())
    assert document["of"] == "location"


def test_a_bake_is_no_prediction(folders: Path) -> None:
    with pytest.raises(InputError, match="one is a prediction"):
        cagecheck.compare(folders / "baked-tight", folders / "tight")
