"""THIRD_PARTY.md says what is installed, and whatever it does not say is found."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from tests.paths import ROOT

BSD = "Redistribution and use in source and binary forms ... Neither the name of the"


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("licences", ROOT / "scripts/check_licences.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["licences"] = module
    spec.loader.exec_module(module)
    return module


def test_what_is_installed_is_listed_with_its_licences(script: ModuleType) -> None:
    packages = script.installed()
    assert {"numpy", "scipy", "numba", "llvmlite", "rich"} <= {p.name for p in packages}
    rows = script.listed((ROOT / "THIRD_PARTY.md").read_text(encoding="utf-8"))
    assert script.faults(packages, rows) == []


@pytest.mark.parametrize(
    ("about", "text", "found"),
    [
        ("License-Expression: MIT AND Zlib", "", {"MIT", "Zlib"}),
        ("License-Expression: MIT AND Nobody-Knows", "", set()),
        ("License: Apache 2.0", "", {"Apache-2.0"}),
        ("License: BSD", BSD, {"BSD-3-Clause"}),
        ("Classifier: License :: OSI Approved :: MIT License", "", {"MIT"}),
        ("License: ask us", "All rights reserved.", set()),
        ("Summary: of no licence", "", set()),
    ],
)
def test_licences_are_told_or_missed(
    script: ModuleType, tmp_path: Path, about: str, text: str, found: set[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    project = install(tmp_path, monkeypatch, about, text)
    (package,) = script.installed(project)
    assert package.licences == found
    said = ", ".join(sorted(found)) or "MIT"
    assert bool(script.faults([package], {"odd-thing": said})) == (not found)
    assert "is not listed" in script.faults([package], {})[0]
    if found:
        assert "is under" in script.faults([package], {"odd-thing": "GPL-3.0"})[0]
    else:
        assert script.faults([package], {"odd-thing": "none named in its metadata"}) == []


def install(folder: Path, monkeypatch: pytest.MonkeyPatch, about: str, text: str) -> Path:
    """Put a package of one's own where Python looks; return a project that wants it."""
    info = folder / "Odd_Thing-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        f"Metadata-Version: 2.4\nName: Odd_Thing\nVersion: 1.0\n{about}\n"
    )
    (info / "LICENSE").write_text(text)
    (info / "RECORD").write_text(f"{info.name}/LICENSE,,\n{info.name}/METADATA,,\n")
    monkeypatch.syspath_prepend(str(folder))
    project = folder / "pyproject.toml"
    project.write_text(
        '[project]\nname = "x"\ndependencies = ["odd.thing>=1", "other; python_version < \'3\'"]\n'
    )
    return project
