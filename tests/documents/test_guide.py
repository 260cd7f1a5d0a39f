"""The contributors' guide names files and functions that exist."""

from __future__ import annotations

import re

import pytest

from tests.paths import ROOT

GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
# What the recipes tell a contributor to change, and where it is.
NAMES = {
    "cagecheck/defects/kinds.py": ("Defect", "KINDS", "PRECEDENCE", "Thresholds"),
    "cagecheck/defects/causes.py": ("_RULES", "_RULES_OF_ALL"),
    "cagecheck/formats/read.py": ("_FORMATS", "_MAGIC", "_not_a_mesh"),
    "cagecheck/formats/checks.py": ("check_positions", "check_indices", "finish_mesh"),
    "cagecheck/formats/write_mesh.py": ("_OF_MESH", "_OF_SURFACE"),
    "cagecheck/tuning/write.py": ("cage_name",),
    "cagecheck/commands/__init__.py": ("SUMMARIES",),
    "cagecheck/files.py": ("OutputFolder", "replace_file"),
    "tests/scenes/mesh_files.py": ("samples",),
}


def test_named_files_exist() -> None:
    recipes = GUIDE[GUIDE.index("## Working on it") :]
    named = set(re.findall(r"`(?:python )?([\w./-]+\.(?:py|md|json))`", recipes))
    named = {name for name in named if "NAME" not in name}
    schemas = ROOT / "cagecheck/report/schema"
    places = (ROOT, ROOT / "cagecheck", ROOT / "cagecheck/demo", schemas)
    missing = {name for name in named if not any((place / name).is_file() for place in places)}
    assert len(named) > 20 and not missing


@pytest.mark.parametrize("file", sorted(NAMES))
def test_named_functions_exist(file: str) -> None:
    source = (ROOT / file).read_text(encoding="utf-8")
    for name in NAMES[file]:
        assert re.search(rf"`{name}(?:\(\))?`", GUIDE), name
        assert re.search(rf"^(?:def |class )?{name}\b", source, re.M), name
