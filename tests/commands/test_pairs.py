"""Of many pairs the terminal tells those worth a look, and counts the rest."""

from __future__ import annotations

import pytest

from cagecheck.commands.pairs import GLANCE, say_pairs
from cagecheck.commands.terminal import Terminal
from cagecheck.meshes.pairs import pair_parts


def told(low: list[str], high: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    say_pairs(Terminal(), pair_parts(low, high))
    return capsys.readouterr().out


def test_few_pairs_are_all_told(capsys):
    names = [f"part{k}" for k in range(GLANCE)]
    text = told([f"{n}_low" for n in names], [f"{n}_high" for n in names], capsys)
    assert all(f"{name}_low" in text for name in names) and "own high part" not in text


def test_of_many_the_odd_ones_are_told_unpaired_first(capsys):
    names = [f"part{k:02d}" for k in range(28)]
    low = [f"{n}_low" for n in names] + ["lost_low"]
    # Two high parts on one low part, and one that belongs to none.
    high = [f"{n}_high" for n in names] + ["part03_high_bolts", "stray"]
    text = told(low, high, capsys)
    assert [text.count(word) for word in ("lost_low", "stray", "part03_low", "part04_low")] == [
        1, 1, 1, 0,
    ]  # fmt: skip
    assert text.index("lost_low") < text.index("stray") < text.index("part03_low")
    assert "27 parts have each their own high part by name" in text


def test_many_plain_pairs_are_one_line(capsys):
    names = [f"part{k:02d}" for k in range(30)]
    text = told([f"{n}_low" for n in names], [f"{n}_high" for n in names], capsys)
    assert text == (
        "30 parts have each their own high part by name (--verbose lists every pair).\n"
    )
