"""Lines on a terminal break between words; what may be copied, and pipes, stay whole."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from cagecheck.commands.terminal import Terminal, wrapped

CURE = (
    "      cure:  straighten the rays here (tune --straighten tries it), add an edge loop near the "
    "hard change, or bring the low poly nearer to the high poly"
)


def said(text: str, width: int, terminal: bool) -> list[str]:
    speaker = Terminal()
    stream = io.StringIO()
    speaker.out = Console(
        file=stream, force_terminal=terminal, width=width, highlight=False, soft_wrap=True
    )
    speaker.say(text)
    return stream.getvalue().splitlines()


@pytest.mark.parametrize("width", [80, 120])
def test_a_long_line_hangs_under_its_words(width: int) -> None:
    lines = said(CURE, width, True)
    assert len(lines) > 1 and max(map(len, lines)) <= width
    assert all(line.startswith(" " * 13) and line[13] != " " for line in lines[1:])
    assert " ".join(" ".join(lines).split()) == " ".join(CURE.split())


def test_numbered_and_listed_lines_hang_too() -> None:
    text = "   1  " + "word " * 30
    assert wrapped(text.rstrip(), 60).splitlines()[1].startswith("      word")
    assert wrapped("  - " + "word " * 30, 60).splitlines()[1].startswith("    word")


def test_what_may_be_copied_stays_whole() -> None:
    command = "Check it: cagecheck predict " + "a_long_name/" * 10 + "low.obj high.glb --depth 0.03"
    assert said(command, 80, True) == [command]
    files = "Written: " + ", ".join(f"folder/file_{k}.png" for k in range(12))
    assert said(files, 80, True) == [files]


def test_a_pipe_gets_one_line() -> None:
    assert said(CURE, 80, False) == [CURE]
    assert said("", 80, True) == [""]
