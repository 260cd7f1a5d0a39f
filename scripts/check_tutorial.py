"""Run the tutorial's commands and hold its output blocks against what they print now.

    python scripts/check_tutorial.py            # says what differs; exit code 1 if anything does
    python scripts/check_tutorial.py --write    # and brings lines up to date that kept their words

A block of output follows the block of commands that printed it. Lines may be left out where
``...`` stands. A line agrees when it was printed as it stands; it has old numbers when only
numbers and the widths of tables differ; else it is missing, which only a person can mend.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TUTORIAL = ROOT / "docs/tutorial.md"
# Tables as wide as the page shows them without scrolling.
COLUMNS = "96"
LEFT_OUT = "..."
_NUMBER = re.compile(r"-?\d[\d,.]*(?:e[+-]?\d+)?")


@dataclass(frozen=True)
class Block:
    """A fenced block: its language, its lines, and the number of its first line in the page."""

    language: str
    lines: tuple[str, ...]
    begin: int


@dataclass(frozen=True)
class Difference:
    """A line of the page that was not printed; `printed` is what was instead, if that is known."""

    line: int
    said: str
    printed: str | None


def blocks(page: str) -> list[Block]:
    """Return the fenced blocks of a page in order."""
    found, language, held, begin = [], None, [], 0
    for number, line in enumerate(page.split("\n"), start=1):
        if language is None and (fence := re.fullmatch(r"```(\w+)", line)):
            language, held, begin = fence[1], [], number + 1
        elif language is not None and line == "```":
            found.append(Block(language, tuple(held), begin))
            language = None
        elif language is not None:
            held.append(line)
    return found


def words_of(line: str) -> str:
    """Return a line without its numbers and without the widths of its table."""
    return re.sub(r" +", " ", re.sub(r"[━─]+", "─", _NUMBER.sub("#", line))).strip()


def differences(block: Block, printed: Sequence[str]) -> list[Difference]:
    """Hold the lines of an output block against what was printed, in order."""
    words = [words_of(line) for line in printed]
    found: list[Difference] = []
    at, gap = 0, True
    for offset, line in enumerate(block.lines):
        if line.strip() == LEFT_OUT:
            gap = True
            continue
        wanted = words_of(line)
        alike = [k for k in range(at, len(printed)) if words[k] == wanted]
        exact = [k for k in alike if printed[k].rstrip() == line.rstrip()]
        # After a gap the line may be any later one; else it is the nearest with these words.
        chosen = exact[:1] if gap and exact else alike[:1]
        gap = False
        if not chosen:
            found.append(Difference(block.begin + offset, line, None))
            gap = True
            continue
        at = chosen[0] + 1
        if printed[chosen[0]].rstrip() != line.rstrip():
            found.append(Difference(block.begin + offset, line, printed[chosen[0]].rstrip()))
    return found


def mended(page: str, found: Sequence[Difference]) -> str:
    """Return the page with every line whose numbers are old as it was printed."""
    lines = page.split("\n")
    for difference in found:
        if difference.printed is not None:
            lines[difference.line - 1] = difference.printed
    return "\n".join(lines)


def run(commands: Block, folder: Path) -> list[str]:
    """Run a block of commands and return the lines they print; windows are not opened."""
    script = "\n".join(
        line
        for line in commands.lines
        if not (line.startswith("cagecheck view") and "--shot" not in line)
    )
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-c", script], cwd=folder, capture_output=True, text=True, check=False,
        env=os.environ | {"COLUMNS": COLUMNS, "PATH": path},
    )  # fmt: skip
    if done.returncode not in (0, 1):
        raise SystemExit(f"{script}\nended with {done.returncode}:\n{done.stderr}")
    return done.stdout.splitlines()


def check(page: str, folder: Path) -> list[Difference]:
    """Run the page's commands in a folder; return where its output blocks differ."""
    found: list[Difference] = []
    printed: list[str] = []
    for block in blocks(page):
        if block.language == "sh":
            print(f"line {block.begin}: {block.lines[0]}", file=sys.stderr)
            printed = run(block, folder)
        elif block.language == "text":
            found += differences(block, printed)
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="bring old numbers up to date")
    args = parser.parse_args()
    page = TUTORIAL.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        found = check(page, Path(folder))
    for difference in found:
        print(f"docs/tutorial.md:{difference.line}: {difference.said.strip()}")
        print(f"    now: {difference.printed or '(not printed)'}")
    if args.write:
        TUTORIAL.write_text(mended(page, found), encoding="utf-8")
    left = [d for d in found if d.printed is None or not args.write]
    print(f"{len(found)} lines differ, {len(left)} are left.")
    return 1 if left else 0


if __name__ == "__main__":
    raise SystemExit(main())
