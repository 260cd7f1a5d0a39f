"""The public names: one list, complete, with examples that run and words for wrong arguments."""

from __future__ import annotations

import ast
import dataclasses
import doctest
import enum
import inspect
import re
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import cagecheck
from cagecheck.errors import InputError
from cagecheck.formats.write_mesh import write_mesh, write_surface
from tests.paths import ROOT
from tests.scenes.shapes import plane_high, plane_low

PACKAGE = ROOT / "cagecheck"
# What commands may use besides public names, and why.
OWN = {
    "cagecheck.commands": "commands among themselves",
    "cagecheck.options": "how options are declared",
    "cagecheck.version": "the version, which must not load the library",
    "cagecheck.compiled": "telling people that loops are compiled, and where they lie",
    "cagecheck.loops.refusal": "telling people that loops cannot be kept",
    "cagecheck.words": "how results are told to people",
    "cagecheck.tuning.words": "how results are told to people",
    "cagecheck.locating.page": "how results are told to people",
    "cagecheck.batching.page": "how results are told to people",
    "cagecheck.chores.clash.page.clash_verdict": "how results are told to people",
    "cagecheck.meshes.mesh.scale_of": "how results are told to people",
    "cagecheck.mending.page.proposal_verdict": "how results are told to people",
    "cagecheck.inspecting.tile_page.tile_verdict": "how results are told to people",
    "cagecheck.defects.entries": "how results are told to people",
    "cagecheck.defects.headline": "how results are told to people",
    "cagecheck.defects.region_words": "how results are told to people",
    "cagecheck.predicting.next_steps": "how results are told to people",
    "cagecheck.inspecting.finding.SEVERITIES": "how results are told to people",
    "cagecheck.inspecting.tile_table.describe_tile": "how results are told to people",
    "cagecheck.files": "refusing before the work what writers refuse after it; a folder of files",
    "cagecheck.arrays.types": "a type in an annotation",
    "cagecheck.chores.materials.per_tile.DEFAULT_NAMES": "a default that the function has itself",
    "cagecheck.maps.map_names.DEFAULT_PATTERN": "a default that the function has itself",
}
# The twenty that people use most, and some more.
WITH_EXAMPLES = (
    "Bake", "Rounds", "Settings", "Watch", "cage_from_mesh", "cage_from_offset",
    "cage_from_push", "inspect_low",
    "locate", "mesh_from_polygons", "pair_parts", "predict", "prepare_low", "rays_through",
    "read_inputs", "read_mesh", "read_schema", "read_surface", "sample_points",
    "spacing_for_count", "tile_table", "tune", "write_cage", "write_mesh", "write_prediction",
    "write_inspection", "write_surface",
)  # fmt: skip
# The order of sections is that of the numpydoc guide.
SECTIONS = ("Parameters", "Attributes", "Returns", "Raises", "Notes", "References", "Examples")


def imports_of(path: Path) -> list[tuple[str, str]]:
    return [
        (str(node.module), alias.name)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("cagecheck")
        for alias in node.names
    ]


def is_own(module: str, name: str) -> str | None:
    whole = f"{module}.{name}"
    return next((own for own in OWN if whole == own or f"{whole}.".startswith(f"{own}.")), None)


def test_every_public_name_is_there_and_comes_from_where_the_list_says() -> None:
    listed = imports_of(PACKAGE / "__init__.pyi")
    names = [name for _, name in listed]
    assert len(names) == len(set(names)) and sorted(names) == cagecheck.__all__ == dir(cagecheck)
    for module, name in listed:
        thing = getattr(cagecheck, name)
        home = getattr(thing, "__module__", module)
        assert home.startswith("cagecheck") is False or home.startswith(module), name
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        cagecheck.nothing  # noqa: B018


def test_the_list_and_the_mark_of_types_are_shipped() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    assert {"py.typed", "*.pyi"} <= set(project["tool"]["setuptools"]["package-data"]["cagecheck"])
    assert (PACKAGE / "py.typed").is_file()


def test_what_commands_do_scripts_can_do() -> None:
    """Commands take from the library what is public, but for what is theirs alone."""
    used, reasons = set(), set()
    for path in sorted((PACKAGE / "commands").glob("*.py")):
        for module, name in imports_of(path):
            own = is_own(module, name)
            reasons.add(own)
            if own is None:
                used.add(name)
    assert used <= set(cagecheck.__all__)
    assert reasons >= set(OWN) - {"cagecheck.version"}, "an exception that nothing needs"


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The files that the examples read: a plate of four quads and one a little above it.

    Besides, a plate below a tilted plane, and its map (fixtures/plane-tilted).
    """
    monkeypatch.chdir(tmp_path)
    mesh = plane_low(2, with_uv=True).mesh
    write_mesh(cagecheck.mesh_from_polygons(mesh.positions, mesh.corner_vertex.reshape(-1, 4),
               uv=mesh.corner_uv, part="plate"), "hero_low.obj")  # fmt: skip
    write_surface(plane_high([0.01]), "hero_high.ply")
    tilted = ROOT / "fixtures" / "plane-tilted"
    for theirs, ours in (("low.obj", "plate_low.obj"), ("high.ply", "plate_high.ply"),
                         ("normal.1001.png", "plate_1001.png")):  # fmt: skip
        shutil.copy(tilted / theirs, ours)
    return tmp_path


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_examples_run(name: str, files: Path) -> None:
    thing = getattr(cagecheck, name)
    text = inspect.getdoc(thing) or ""
    test = doctest.DocTestParser().get_doctest(text, {}, name, None, None)
    assert test.examples and test.examples[0].source == "import cagecheck\n"
    said: list[str] = []
    with np.printoptions(legacy="1.25"):
        failed, _ = doctest.DocTestRunner(verbose=False).run(test, out=said.append)
    assert not failed, "".join(said)


def parameters_of(thing: Any) -> list[str]:
    return [n for n in inspect.signature(thing).parameters if n not in ("self", "cls")]


def documented() -> Iterator[tuple[str, Any, str, list[str]]]:
    """Public callables, the section that names what they take, and the names wanted in it."""
    for name in cagecheck.__all__:
        thing = getattr(cagecheck, name)
        if not isinstance(thing, type):
            if inspect.isfunction(thing):
                yield name, thing, "Parameters", parameters_of(thing)
            continue
        if dataclasses.is_dataclass(thing):
            yield name, thing, "Attributes", [f.name for f in dataclasses.fields(thing)]
        elif not issubclass(thing, enum.Enum):
            yield name, thing, "Parameters", parameters_of(thing)
        for own, member in vars(thing).items():
            method = isinstance(member, classmethod | staticmethod) or inspect.isfunction(member)
            if method and not own.startswith("_"):
                called = getattr(thing, own)
                yield f"{name}.{own}", called, "Parameters", parameters_of(called)


def sections_of(thing: Any) -> dict[str, list[str]]:
    """The lines of every section of a docstring, by its title; the text before has none."""
    found: dict[str, list[str]] = {"": []}
    title = ""
    for line in (inspect.getdoc(thing) or "").split("\n"):
        if re.fullmatch(r"-{3,}", line):
            title = found[title].pop()
            assert title not in found, f"{title} twice"
            assert len(line) == len(title), f"the line below {title}"
            found[title] = []
        else:
            found[title].append(line)
    return found


def names_in(lines: list[str]) -> list[str]:
    """The names of a section, each line at its left ``name, name : type``."""
    heads = [line for line in lines if line and not line.startswith(" ")]
    assert all(" : " in head and not head.endswith(".") for head in heads), heads
    return [name for head in heads for name in head.partition(" : ")[0].split(", ")]


def lack_of(thing: Any, title: str, wanted: list[str]) -> str:
    """What a docstring lacks, as far as a form can be asked of it; nothing: empty."""
    found = sections_of(thing)
    if [t for t in found if t] != [t for t in SECTIONS if t in found]:
        return f"sections in another order, or unknown: {list(found)}"
    summary = found[""][0]
    if not summary.endswith(".") or found[""][1:2] not in ([], [""]):
        return f"no summary of one line: {summary!r}"
    has = names_in(found.get(title, [])) if wanted else []
    return "" if has == wanted else f"{title}: {has}, wanted: {wanted}"


def test_docstrings_name_what_is_given_and_held() -> None:
    """One form, that of the numpydoc guide: a line, then sections with a name to each entry."""
    checked = list(documented())
    lacks = {name: lack_of(thing, title, wanted) for name, thing, title, wanted in checked}
    assert {name: lack for name, lack in lacks.items() if lack} == {}
    assert len(checked) > len(cagecheck.__all__)


def test_wrong_kinds_are_refused_in_a_sentence() -> None:
    low = plane_low(1)
    high = plane_high([0.1])
    for call, said in (
        (lambda: cagecheck.predict(cagecheck.Mesh, high), "`low` must be a LowPoly, not the class"),
        (lambda: cagecheck.predict(low.mesh, high), "Make one of a mesh with prepare_low(mesh)."),
        (lambda: cagecheck.predict(low, low), "`high` must be a Surface or a Scene, not a LowPoly"),
        (lambda: cagecheck.predict(low, high, settings={}), "`settings` must be a Settings"),
        (lambda: cagecheck.predict(low, high, cage=0.02), "Make one with cage_from_offset"),
        (lambda: cagecheck.tune(low, None), "`high` must be a Surface or a Scene, not None"),
        (lambda: cagecheck.locate([], low, high), "`low` must be a Mesh, not a LowPoly"),
        (lambda: cagecheck.prepare_low("hero.obj"), "Read one with read_mesh(path)"),
        (lambda: cagecheck.Scene(low.mesh), "`surface` must be a Surface, not a Mesh"),
        (lambda: cagecheck.write_prediction(low, "x"), "It is what predict() returns."),
    ):
        with pytest.raises(InputError) as error:
            call()  # type: ignore[no-untyped-call]
        assert isinstance(error.value, TypeError) and said in str(error.value)


def test_errors_of_the_library_do_not_speak_of_flags() -> None:
    """No message of an `InputError` holds a flag; the command line makes them of settings."""
    for path in PACKAGE.rglob("*.py"):
        if path.parent.name == "commands":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "InputError":
                words = [n.value for n in ast.walk(node)
                         if isinstance(n, ast.Constant) and isinstance(n.value, str)]  # fmt: skip
                for text in words:
                    # What tells which command to run is a line for a shell.
                    flags = " --" in f" {text}" and "cagecheck " not in text
                    assert not flags, f"{path}: {text}"


def test_results_have_short_reprs() -> None:
    low, high = plane_low(2), plane_high([0.1])
    cage = cagecheck.cage_from_offset(low, 0.2)
    points = cagecheck.sample_points(low, 0.25)
    rays = cagecheck.rays_through(low, cage, points)
    scene = cagecheck.Scene(high)
    pairing = cagecheck.pair_parts(low.part_names, high.part_names)
    few = cagecheck.Settings(offset=0.2, depth=0.1, samples=200, unseen_points=0)
    result = cagecheck.predict(low, scene, settings=few)
    for thing in (low.mesh, low, high, scene, cage, points, rays, pairing, result, result.layers,
                  cagecheck.inspect_low(low)):  # fmt: skip
        text = repr(thing)
        assert text.startswith(f"<{type(thing).__name__}") and text.endswith(">")
        assert len(text) < 120 and "\n" not in text and "array" not in text
    for name in ("Tuning", "Location", "Straightening", "Clashes", "BatchResult", "TileTable",
                 "DemoScene", "PushRecord", "BakedMap", "LocatedMap", "Inputs"):  # fmt: skip
        own = getattr(cagecheck, name).__repr__
        assert "_recursive_repr" not in own.__qualname__ and not hasattr(own, "__wrapped__"), name
