"""Numbers are formatted in `cagecheck.words`, and nowhere else in folders that speak to people."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[2] / "cagecheck"
FOLDERS = ("chores", "commands", "defects", "locating", "predicting", "tuning", "viewing")
# Digits behind a point, commas between thousands, a letter for the kind of number. Widths and zeros
# in front (columns, numbers of frames) are layout, not wording.
NUMBER_FORMAT = re.compile(r",|\.\d+|[efgEG%]$")


def hand_written(text: str) -> list[tuple[int, str]]:
    """Return the lines and the formats of numbers that a file's f-strings write by themselves."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
            spec = ast.unparse(node.format_spec)[2:-1]
            if NUMBER_FORMAT.search(spec):
                found.append((node.lineno, spec))
    return found


@pytest.mark.parametrize("folder", FOLDERS)
def test_no_number_is_formatted_by_hand(folder: str) -> None:
    files = sorted((SOURCE / folder).rglob("*.py"))
    assert files
    assert {str(f): hand_written(f.read_text("utf-8")) for f in files} == {
        str(f): [] for f in files
    }


def test_the_search_finds_what_it_looks_for() -> None:
    text = 'x = f"{a:,} {b:.4g} {c:>9.2f} {d:g} {e:.0%} {f:04d} {g:>4} {h}"'
    assert [spec for _, spec in hand_written(text)] == [",", ".4g", ">9.2f", "g", ".0%"]
