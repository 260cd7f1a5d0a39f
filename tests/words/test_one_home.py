"""Numbers are formatted in `cagecheck.words`, and nowhere else but for data."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[2] / "cagecheck"
HOME = SOURCE / "words"
# Numbers that are data, or that stand where words cannot be imported: why, and how many.
DATA = {
    "batching/manifest.py": ("a number that another reader takes again, to the last bit", 1),
    "formats/cage_text.py": ("the text of a mesh file", 1),
    "options.py": ("it lies below the words: numbers as they are typed", 6),
}
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


FOLDERS = sorted(f.name for f in SOURCE.iterdir() if f != HOME and list(f.rglob("*.py")))


def files_of(folder: str) -> list[Path]:
    """The sources of a folder; "": those in none."""
    return sorted((SOURCE / folder).rglob("*.py") if folder else SOURCE.glob("*.py"))


@pytest.mark.parametrize("folder", ["", *FOLDERS])
def test_no_number_is_formatted_by_hand(folder: str) -> None:
    files = [f for f in files_of(folder) if f.relative_to(SOURCE).as_posix() not in DATA]
    assert files
    assert {str(f): hand_written(f.read_text("utf-8")) for f in files} == {
        str(f): [] for f in files
    }


@pytest.mark.parametrize("name", DATA)
def test_data_is_as_much_as_is_said(name: str) -> None:
    assert len(hand_written((SOURCE / name).read_text("utf-8"))) == DATA[name][1]


def test_the_search_finds_what_it_looks_for() -> None:
    text = 'x = f"{a:,} {b:.4g} {c:>9.2f} {d:g} {e:.0%} {f:04d} {g:>4} {h}"'
    assert [spec for _, spec in hand_written(text)] == [",", ".4g", ">9.2f", "g", ".0%"]
