"""The documents against the program: links, commands and options, file fields, the reference."""

from __future__ import annotations

import ast
import csv
import importlib.util
import json
import re
import shlex
import tomllib
from pathlib import Path

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

import cagecheck
from cagecheck.batching.gate import DEFECT_SLUGS
from cagecheck.batching.manifest import FILES, OPTIONS
from cagecheck.batching.page import COLUMNS as BATCH_COLUMNS
from cagecheck.chores.clash.over_frames import write_clash_csv
from cagecheck.cli import app
from cagecheck.defects.kinds import CLEAN, KINDS, PRECEDENCE, Defect
from cagecheck.demo.scene import make_scene, planted_document
from cagecheck.formats.write_mesh import write_mesh, write_surface
from tests.paths import ROOT
from tests.scenes.shapes import grid, halves, plane_low, surface

PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")])
ROOT_COMMAND = typer.main.get_command(app)
FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.M | re.S)
INLINE = re.compile(r"`([^`\n]+)`")
# Options in the documents that are other programs'.
FOREIGN_OPTIONS = {"--check", "--write", "--loops", "--tls-ca-file", "--tls-cert", "--tls-key"}


def name_of(page: Path) -> str:
    return str(page.relative_to(ROOT))


def blocks(text: str, *languages: str) -> list[str]:
    return [body for language, body in FENCE.findall(text) if language in languages]


def prose(text: str) -> str:
    return FENCE.sub("", text)


# --- links ---------------------------------------------------------------------------------


def anchors(page: Path) -> set[str]:
    """Names that links may go to, made from the headings as GitHub makes them."""
    out = set()
    for heading in re.findall(r"^#+ (.*)$", prose(page.read_text(encoding="utf-8")), re.M):
        words = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", heading).lower()
        out.add(re.sub(r"[^\w\- ]", "", words).replace(" ", "-"))
    return out


def links() -> list[tuple[str, str]]:
    found = []
    for page in PAGES:
        text = INLINE.sub(lambda m: m[0] if "](" in m[0] else "", prose(page.read_text("utf-8")))
        found += [(name_of(page), target) for target in re.findall(r"\]\(([^)\s]+)\)", text)]
    return found


@pytest.mark.parametrize(("page", "target"), links())
def test_links_resolve(page: str, target: str) -> None:
    if re.match(r"https?://", target):
        return
    path, _, anchor = target.partition("#")
    place = (ROOT / page).parent / path if path else ROOT / page
    assert place.exists(), f"{page} links to {target}, which is not there"
    if anchor:
        assert anchor in anchors(place), f"{page} links to {target}: no such heading"


# --- commands ------------------------------------------------------------------------------


def walk(command, path=()):
    """Yield (names, command) of every command that does something."""
    if not hasattr(command, "list_commands"):
        yield path, command
        return
    context = typer.Context(command)
    for name in command.list_commands(context):
        yield from walk(command.get_command(context, name), (*path, name))


COMMANDS = dict(walk(ROOT_COMMAND))


def shell_lines(text: str) -> list[str]:
    """The commands of a shell block: `&&` parts them, `>` ends them, `$` may stand before."""
    out = []
    for line in text.replace("\\\n", " ").splitlines():
        line = re.sub(r"\s>.*", "", line)
        out += [part.strip().removeprefix("$ ").strip() for part in line.split("&&")]
    return out


def is_ours(line: str) -> bool:
    return bool(re.match(r"(\.venv/bin/)?cagecheck\s", line))


def documented_commands() -> list[tuple[str, str]]:
    found = []
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        for block in blocks(text, "", "sh", "console"):
            found += [(name_of(page), line) for line in shell_lines(block) if is_ours(line)]
    for names, command in COMMANDS.items():
        # The examples of --help, up to the end of their sentence.
        for examples in re.findall(r"Examples?:\s+(.*?)(?:\n\n|$)", command.help or "", re.S):
            lines = [re.sub(r"\s+", " ", e).strip() for e in examples.split(";")]
            found += [(f"{' '.join(names)} --help", line) for line in lines]
    return found


@pytest.mark.parametrize(("where", "line"), documented_commands())
def test_commands_parse(where: str, line: str) -> None:
    """Every command line that is shown has a command, and options and values that it takes."""
    words = shlex.split(line, comments=True)[1:]
    command, path = ROOT_COMMAND, []
    while hasattr(command, "list_commands"):
        if words in (["--version"], ["--compile"]):
            return
        inner = command.get_command(typer.Context(command), words[0])
        assert inner is not None, f"{where}: there is no command {words[0]}"
        command = inner
        path.append(words.pop(0))
    if words == ["--help"]:
        return
    command.make_context(" ".join(path), words)


def test_the_examples_are_found() -> None:
    """The two tests above would pass on nothing: make sure that there is something."""
    wheres = [where for where, _ in documented_commands()]
    assert {"README.md", "docs/chores.md", "docs/tutorial.md"} <= set(wheres)
    for names in COMMANDS:
        assert f"{' '.join(names)} --help" in wheres, f"{names}: --help shows no example"


def all_options() -> set[str]:
    out = {"--help", "--version", "--compile", "--install-completion", "--show-completion"}
    for command in COMMANDS.values():
        out |= {name for param in command.params for name in param.opts}
    return out


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_options_that_are_spoken_of_exist(page: Path) -> None:
    known = all_options() | FOREIGN_OPTIONS
    for code in INLINE.findall(prose(page.read_text(encoding="utf-8"))):
        if re.match(r"(--|cagecheck |[a-z]+ --)", code):
            spoken = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", code))
            assert spoken <= known, f"{name_of(page)}: {code}"


def test_readme_lists_every_command() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    table = text.split("## Commands")[1].split("\n## ")[0]
    for names in COMMANDS:
        assert f"`{' '.join(names)}" in table, f"README lacks {' '.join(names)}"


def test_readme_keeps_its_two_commands() -> None:
    """The setup and the tests: `.ci/run` takes the second from under its comment."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    first, *_ = blocks(text, "sh")
    assert "pip install ." in first and "cagecheck demo" in first
    marked = text.split("<!-- test command -->\n")[1]
    assert marked.startswith("```sh\n") and "pytest" in marked.split("```")[1]


def test_python_shown_is_python_and_names_exist() -> None:
    for page in PAGES:
        if page.name == "api.md":
            continue
        for block in blocks(page.read_text(encoding="utf-8"), "python"):
            for node in ast.walk(ast.parse(block)):
                if isinstance(node, ast.Attribute) and ast.unparse(node.value) == "cagecheck":
                    assert node.attr in cagecheck.__all__, f"{page.name}: {node.attr}"


# --- tables --------------------------------------------------------------------------------


def section(page: str, heading: str) -> str:
    text = (ROOT / page).read_text(encoding="utf-8")
    found = re.search(rf"^#+ {re.escape(heading)}$(.*?)(?=^#+ |\Z)", text, re.M | re.S)
    assert found, f"{page} has no section {heading}"
    return found[1]


def table_rows(text: str, number: int = 0) -> list[list[str]]:
    """Rows of the table of that number, without its header."""
    tables = re.findall(r"(?:^\|.*\n)+", text, re.M)
    rows = [line.strip().strip("|").split(" | ") for line in tables[number].strip().split("\n")]
    return [[cell.strip() for cell in row] for row in rows[2:]]


def documented_fields(heading: str, number: int = 0) -> list[str]:
    """Names in the first column of a table of docs/files.md."""
    rows = table_rows(section("docs/files.md", heading), number)
    return [name for row in rows for name in re.findall(r"`([^`]+)`", row[0].split("(")[0])]


def test_defect_tables() -> None:
    titles = [kind.title for kind in KINDS.values()]
    assert [row[0] for row in table_rows(section("README.md", "Defects"))] == titles
    assert [row[0] for row in table_rows(section("docs/ray-model.md", "The defects"))] == titles
    numbers = table_rows(section("docs/files.md", "Numbers of the defects"))
    assert [(int(row[0]), row[1]) for row in numbers] == [(d.value, d.title) for d in Defect]
    first = re.search(r"first that it has of ([\d, ]+)", section("docs/files.md",
                      "Numbers of the defects"))  # fmt: skip
    assert first is not None
    said = [int(n) for n in first[1].strip(", ").split(",")]
    assert said == [d.value for d in PRECEDENCE if d != Defect.UNSEEN]
    assert CLEAN == 255


# --- files ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Result folders of predict, tune and locate: a square below a wavy sheet."""
    place = tmp_path_factory.mktemp("docs")
    write_mesh(plane_low(2, with_uv=True).mesh, place / "low.obj")
    positions, quads = grid(24, 1.2, lambda x, y: 0.03 * np.cos(6 * x) * np.cos(5 * y))
    write_surface(surface(positions, halves(quads)), place / "high.ply")
    pair = [str(place / "low.obj"), str(place / "high.ply"), "--offset", "0.02", "--no-pairing"]
    kinds = "normal,object,height,part,material,defect"
    for words in (
        ["predict", *pair, "--samples", "500", "--size", "64", "--maps", kinds,
         "--out", str(place / "predicted")],
        ["tune", *pair, "--samples", "500", "--size", "64", "--maps", "offset,depth",
         "--straighten", "--out", str(place / "tuned")],
    ):  # fmt: skip
        done = CliRunner().invoke(app, words, catch_exceptions=False)
        assert done.exit_code in (0, 1), done.output
    maps = json.loads((place / "predicted/maps.json").read_text())["maps"]
    normal = next(row["file"] for row in maps if row["kind"] == "normal")
    done = CliRunner().invoke(
        app, ["locate", str(place / "predicted" / normal), *pair, "--out", str(place / "why")],
        catch_exceptions=False,
    )  # fmt: skip
    assert done.exit_code in (0, 1), done.output
    return place


def json_of(path: Path) -> dict:
    return json.loads(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("heading", "file"),
    [
        ("`regions.json`", "predicted/regions.json"),
        ("Predicted maps", "predicted/maps.json"),
        ("Push distances", "tuned/push.json"),
        ("Greyscale maps", "tuned/maps/maps.json"),
        ("`tuning.json`", "tuned/tuning.json"),
        ("`location.json`", "why/location.json"),
    ],
)
def test_json_fields(results: Path, heading: str, file: str) -> None:
    assert sorted(documented_fields(heading)) == sorted(json_of(results / file))


@pytest.mark.parametrize(
    ("heading", "number", "file"),
    [
        ("`regions.csv`", 0, "predicted/regions.csv"),
        ("`regions.csv`", 0, "why/regions.csv"),
        ("Push distances", 1, "tuned/push.csv"),
        ("`single.csv`", 0, "tuned/single.csv"),
        ("`curve.csv`", 0, "tuned/curve.csv"),
        ("The straightening field", 0, "tuned/straighten.csv"),
    ],
)
def test_csv_columns(results: Path, heading: str, number: int, file: str) -> None:
    with (results / file).open(encoding="utf-8", newline="") as stream:
        assert documented_fields(heading, number) == next(csv.reader(stream))


@pytest.mark.parametrize(
    ("heading", "file"),
    [("`heatmap.ply`", "predicted/heatmap.ply"), ("`heatmap.ply` of `locate`", "why/heatmap.ply")],
)
def test_ply_properties(results: Path, heading: str, file: str) -> None:
    data = (results / file).read_bytes()
    head = data[: data.index(b"end_header")].decode("ascii")
    vertex = head.split("element vertex")[1].split("element face")[0]
    written = re.findall(r"property (\w+) (\w+)", vertex)
    documented = [
        (row[1], name)
        for row in table_rows(section("docs/files.md", heading))
        for name in re.findall(r"`([^`]+)`", row[0])
    ]
    assert documented == written


def test_samples(results: Path) -> None:
    arrays = np.load(results / "predicted/samples.npz")
    documented = {
        name: row[1]
        for row in table_rows(section("docs/files.md", "`samples.npz`"))
        for name in re.findall(r"`([^`]+)`", row[0])
    }
    assert list(documented) == arrays.files
    for name, said in documented.items():
        shape, dtype = re.fullmatch(r"\((.*)\) (\w+)", said).groups()  # type: ignore[union-attr]
        assert arrays[name].dtype == dtype, name
        assert len(arrays[name].shape) == len([n for n in shape.split(",") if n.strip()]), name
    first, t = arrays["layer_first"], arrays["layer_t"]
    assert len(first) == len(arrays["main"]) + 1 and first[-1] == len(t)


def test_greyscale_rule(results: Path) -> None:
    """The stated rule gives back the tuned distances."""
    from PIL import Image

    rows = json_of(results / "tuned/maps/maps.json")["maps"]
    offsets = json_of(results / "tuned/push.json")["offset_out"]
    row = next(row for row in rows if row["field"] == "offset_out")
    image = np.asarray(Image.open(results / "tuned" / row["file"]))
    assert image.dtype == np.uint16
    distance = image / 65535 * row["scale"]
    assert distance.max() == pytest.approx(max(offsets), rel=0.02)
    assert distance.min() == pytest.approx(min(offsets), rel=0.02)


@pytest.mark.parametrize(
    ("heading", "folder"),
    [("What `predict` writes", "predicted"), ("What `tune` writes", "tuned"),
     ("What `locate` writes", "why")],
)  # fmt: skip
def test_files_are_all_listed(results: Path, heading: str, folder: str) -> None:
    cells = " ".join(row[0] for row in table_rows(section("docs/files.md", heading)))
    listed = set(re.findall(r"`([^`]+)`", cells))
    for path in (results / folder).iterdir():
        name = re.sub(r"\.\d{4}\.", ".TILE.", path.name) + ("/" if path.is_dir() else "")
        is_map = folder == "predicted" and path.suffix == ".png"
        assert is_map or name in listed, f"{name} is not listed"


def test_batch_and_manifest_names() -> None:
    assert documented_fields("The results of `batch`") == list(BATCH_COLUMNS)
    rows = {row[0]: row[1] for row in table_rows(section("docs/files.md",
            "The manifest of `batch`"))}  # fmt: skip
    options = rows["`[options]`"].split(": ", 1)[1]
    assert set(re.findall(r"`([a-z_]+)`", options)) == set(OPTIONS)
    assert set(DEFECT_SLUGS) <= set(re.findall(r"`([a-z-]+)`", rows["`[gate]`"]))
    assert set(FILES) <= set(re.findall(r"`([a-z]+)`", rows["`[[asset]]`"]))


def test_clash_columns(tmp_path: Path) -> None:
    with (tmp_path / "clash.csv").open("w", newline="") as stream:
        write_clash_csv(stream, [])
    assert documented_fields("What `clash` writes") == (
        (tmp_path / "clash.csv").read_text().strip().split(",")
    )


def test_planted_fields() -> None:
    document = planted_document(make_scene(detail=0.01))
    assert documented_fields("What `demo` writes") == list(document)
    spoken = section("docs/files.md", "What `demo` writes").split("Each planted defect has")[1]
    planted = document["planted"][0]  # type: ignore[index]
    names = set(re.findall(r"`([a-z_]+)`", spoken))
    assert names == {*planted, *planted["settings"]}


# --- reference and third parties -----------------------------------------------------------


def test_api_reference_is_up_to_date() -> None:
    where = ROOT / "scripts/make_api_docs.py"
    spec = importlib.util.spec_from_file_location("make_api_docs", where)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    written = (ROOT / "docs/api.md").read_text(encoding="utf-8")
    assert written == module.page(), "run python scripts/make_api_docs.py"
    for name in cagecheck.__all__:
        assert name == "__version__" or f"### `{name}`" in written


def test_third_parties_are_all_named() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    optional = project["optional-dependencies"]
    wanted = [*project["dependencies"], *(w for k, v in optional.items() if k != "test" for w in v)]
    text = (ROOT / "THIRD_PARTY.md").read_text(encoding="utf-8")
    for requirement in wanted:
        name = re.match(r"[\w.-]+", requirement)
        assert name is not None and f"| {name[0]} |" in text, requirement
    vendor = ROOT / "cagecheck/report/vendor"
    for folder in (path for path in vendor.iterdir() if path.is_dir()):
        assert f"vendor/{folder.name}" in text, folder


def test_changelog_names_this_version() -> None:
    text = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    newest = re.search(r"^## \[([^\]]+)\]", text, re.M)
    assert newest is not None and newest[1] in (cagecheck.__version__, "Unreleased")
