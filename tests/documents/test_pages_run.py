"""The pages for artists and technical artists: what they show is what comes out."""

from __future__ import annotations

import contextlib
import io
import re
import shlex
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.formats.write_mesh import write_mesh, write_surface
from cagecheck.meshes.mesh import mesh_from_polygons
from tests.documents.test_check_tutorial import script
from tests.paths import ROOT
from tests.scenes.shapes import plane_high, plane_low

pytestmark = pytest.mark.long

# As wide as the tutorial's output is made.
WIDTH = {"COLUMNS": "96"}


def page(name: str) -> list:
    return script.blocks((ROOT / "docs" / name).read_text(encoding="utf-8"))


def run(lines: tuple[str, ...]) -> list[str]:
    """Run the commands of a block in this process; return what they print."""
    out: list[str] = []
    for line in lines:
        words, _, into = line.partition(" > ")
        done = CliRunner().invoke(app, shlex.split(words)[1:], env=WIDTH)
        assert done.exit_code in (0, 1) and done.stderr == "", f"{line}\n{done.output}"
        if into:
            Path(into).write_text(done.stdout)
        out += done.stdout.splitlines()
    return out


def test_from_a_bad_bake_shows_what_is_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(ROOT / "fixtures", tmp_path / "fixtures")
    monkeypatch.chdir(tmp_path)
    printed: list[str] = []
    compared = 0
    for block in page("from-a-bad-bake.md"):
        if block.language == "sh":
            printed = run(block.lines)
        else:
            assert script.differences(block, printed) == []
            compared += 1
    assert compared == 7 and (tmp_path / "inspected" / "inspect.html").is_file()


def test_from_a_bad_bake_asks_questions_in_short_sentences() -> None:
    text = (ROOT / "docs" / "from-a-bad-bake.md").read_text(encoding="utf-8")
    headings = re.findall(r"^## (.*)$", text, re.M)
    assert len(headings) >= 8 and all(h.endswith("?") for h in headings)
    for name in ("from-a-bad-bake.md", "for-technical-artists.md"):
        plain = re.sub(
            r"```.*?```|^#.*$", "", (ROOT / "docs" / name).read_text("utf-8"), flags=re.S | re.M
        )
        for sentence in re.split(r"(?<=[.?:!])\s", " ".join(plain.split())):
            assert len(sentence.split()) <= 32, sentence


@pytest.fixture
def heroes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A plate of four quads and one a little above it, under the names of the page."""
    monkeypatch.chdir(tmp_path)
    mesh = plane_low(2, with_uv=True).mesh
    write_mesh(mesh_from_polygons(mesh.positions, mesh.corner_vertex.reshape(-1, 4),
               uv=mesh.corner_uv, part="plate"), "hero_low.obj")  # fmt: skip
    write_surface(plane_high([0.01]), "hero_high.ply")
    return tmp_path


def test_for_technical_artists_runs(heroes: Path) -> None:
    """Each block by itself, from top to bottom: manifests are written, code and commands run."""
    said: list[str] = []
    for block in page("for-technical-artists.md"):
        text = "\n".join(block.lines)
        if block.language == "toml":
            Path("assets.toml").write_text(text)
        elif block.language == "sh":
            said += run(block.lines)
        else:
            assert block.language == "python"
            out = io.StringIO()
            with contextlib.redirect_stdout(out):
                exec(compile(text, f"line {block.begin}", "exec"), {"__name__": "page"})
            said += out.getvalue().splitlines()
    assert any("no_such_file.obj" in line for line in said)
    assert any("True ['hero']" in line for line in said)
    for name in ("check", "inspected", "checked", "checked-now"):
        assert (heroes / name).is_dir()
    assert (heroes / "checked" / "junit.xml").is_file() and (heroes / "check.json").is_file()
