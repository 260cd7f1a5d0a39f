"""The lower bounds of the package are those that were tried (scripts/lowest_versions.txt)."""

from __future__ import annotations

import re
import tomllib

from tests.paths import ROOT


def test_lower_bounds_are_those_that_were_tried() -> None:
    lines = (ROOT / "scripts/lowest_versions.txt").read_text(encoding="utf-8").splitlines()
    tried = dict(line.split("==") for line in lines if not line.startswith("#"))
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    stated = {}
    for requirement in project["dependencies"]:
        found = re.match(r"([\w-]+)>=([\d.]+)", requirement)
        assert found is not None, f"no lower bound: {requirement}"
        stated[found[1].lower()] = found[2]
    assert stated.keys() == tried.keys()
    for name, bound in stated.items():
        assert f"{tried[name]}.".startswith(f"{bound}."), f"{name}>={bound}, tried {tried[name]}"
