"""What others control neither steers the terminal nor runs in a spreadsheet."""

from __future__ import annotations

import csv
import io
import re
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.commands.terminal import Terminal
from cagecheck.errors import InputError, Notice
from cagecheck.formats.stored import parse_rows
from cagecheck.words.cells import Table, harmless, original
from cagecheck.words.printable import printable
from tests.paths import ROOT
from tests.scenes.mesh_files import glb_bytes, gltf_tree

EVIL = "a\x1b[2J\x07\r\x9b31m\u202eb\x00"
TEXTS = st.text(st.characters() | st.sampled_from("=+-@\t\r\n'\x1b\x9b\u202e\ud800"), max_size=12)


def obeyed(text: str) -> list[str]:
    """Characters that a terminal obeys, by their Unicode category (UAX 44)."""
    return [c for c in text if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") and c != "\n"]


@given(TEXTS)
def test_nothing_that_a_terminal_obeys_is_left(text: str) -> None:
    said = printable(text)
    assert obeyed(said) == [] and "\n" not in said
    assert not re.search("[\u202a-\u202e\u2066-\u2069]", said)
    said.encode("utf-8")


@given(st.text(st.characters(categories=("L", "M", "N", "P", "S", "Zs"))))
def test_other_text_stays_as_it_is(text: str) -> None:
    assert printable(text) == text


def test_every_way_to_the_terminal_has_the_door(
    capsys: pytest.CaptureFixture[str],
) -> None:
    terminal = Terminal()
    terminal.say(f"part {EVIL}")
    terminal.notices([Notice("code", f"part {EVIL}", EVIL)])
    terminal.table(EVIL, [EVIL, "n"], [[EVIL, 1]])
    assert obeyed(capsys.readouterr().out) == []


def test_errors_and_names_reach_the_terminal_clean(tmp_path, monkeypatch) -> None:
    """File names, names in a glTF file and what its reader says of them."""
    runner = CliRunner()
    tree, data = gltf_tree()
    for name in ("nodes", "meshes", "materials"):
        for row in tree.get(name, []):
            row["name"] = "\x1b[2J\x9b" + row.get("name", "")
    glb = glb_bytes(tree, data)
    cases = [tmp_path / "e\x1b[2Jvil.obj", tmp_path / "bad\x1b]0;x\x07.glb", tmp_path / "x.glb"]
    cases[0].write_text("v 0 0\n")
    cases[1].write_bytes(b'glTF\x02\0\0\0{"\x1b[2J')
    cases[2].write_bytes(glb)
    for path in cases:
        for line in (["inspect", str(path)], ["tiles", "show", str(path)]):
            result = runner.invoke(app, line)
            assert obeyed(result.output) == [], line
            assert result.exception is None or isinstance(result.exception, SystemExit)


def test_manifests_with_escapes_are_told_clean(tmp_path) -> None:
    path = tmp_path / "m.toml"
    path.write_text('[[asset]]\nname = "a\\u001b[2J"\nlow = "l"\nhigh = "h"\nsam\\u001b = 1\n')
    result = CliRunner().invoke(app, ["batch", str(path), "--out", str(tmp_path / "o")])
    assert result.exit_code == 2 and obeyed(result.output) == []


# Spreadsheets -----------------------------------------------------------------------------------


@given(TEXTS)
def test_no_text_begins_like_a_formula_and_comes_back_as_it_was(text: str) -> None:
    cell = harmless(text)
    assert original(cell) == text
    if cell == text:
        number = re.fullmatch(r"[+-]?[\d.]+([eE][+-]?\d+)?|[+-](inf|nan)", text)
        assert number or not re.match("[=+\\-@\t\r＝＋－＠]", text)


@pytest.mark.parametrize("text", ["=1+1", "@SUM(A1)", "+cmd|' /C calc'!A0", "-2+3", "\t=1", "\r=1",
                                  "＝1", "'=1", "--1", "-", "+"])  # fmt: skip
def test_formulas_get_an_apostrophe(text: str) -> None:
    assert harmless(text) == "'" + text and original("'" + text) == text


@pytest.mark.parametrize(
    "value", [-1, -1.5, "-1.5", "-1e-9", "+3", "-inf", 1, "1", "a=b", "'s", None, True, "-.5"]
)
def test_numbers_and_other_texts_stay(value: object) -> None:
    assert harmless(value) == value
    assert not isinstance(value, str) or original(value) == value


ONE_CELL = TEXTS.filter(lambda text: "\ud800" not in text and "\0" not in text)


@given(st.lists(ONE_CELL, min_size=1, max_size=4))
def test_tables_are_read_back_unharmed(values: list[str]) -> None:
    stream = io.StringIO()
    Table(stream).row([*values, "end"])
    assert parse_rows(stream.getvalue()) == [[*values, "end"]]
    for cell in next(csv.reader(io.StringIO(stream.getvalue(), newline=""))):
        assert cell == harmless(original(cell))


def test_no_other_file_writes_or_reads_tables() -> None:
    users = [
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "cagecheck").rglob("*.py")
        if re.search(r"^(import|from) csv", path.read_text(), re.MULTILINE)
    ]
    assert sorted(users) == ["cagecheck/formats/stored.py", "cagecheck/words/cells.py"]


def test_an_error_with_line_ends_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    from cagecheck.commands.terminal import fail

    with pytest.raises(BaseException):  # noqa: B017 - typer's own way to end
        fail(InputError("bad\nname: forged line", file="x"))
    assert capsys.readouterr().err.count("\n") == 1
