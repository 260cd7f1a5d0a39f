"""What came out of the mutants so far: kept in a file, added up, and written as a page."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "mutation.md"
RESULTS = ROOT / "scripts" / "mutation.json"
NOTES = ROOT / "scripts" / "mutation_notes.toml"
LOOPS = {"without": "no", "with": "yes", "both": "either"}


@dataclass(frozen=True)
class Mutant:
    """One error: what stands between two offsets of a file, and what takes its place.

    line : the line it begins on, as text, without indentation.
    column : where in that text; nth : which of the file's lines that read so. loops : "with" where
    the change has loops compiled, or "without". outcome : killed, survived, unfinished where the
    time ran out, or nothing if it was drawn and not tried; by : the test that noticed.
    """

    file: str
    number: int
    line: str
    begin: int
    end: int
    old: str
    new: str
    column: int = 0
    nth: int = 1
    loops: str = ""
    outcome: str = ""
    by: str = ""

    @property
    def key(self) -> str:
        """What names the mutant when lines have moved."""
        which = f" (line {self.nth} of this text)" if self.nth > 1 else ""
        return f"{self.file}: {self.line}: {self.column}: {self.old} -> {self.new}{which}"

    @property
    def folder(self) -> str:
        """The folder of the package that it is in."""
        return self.file.split("/")[1]


@dataclass(frozen=True)
class Draw:
    """So many mutants drawn of a folder or file with a seed.

    loops : of files whose change has loops compiled ("with"), of the others ("without"), or of all.
    """

    place: str
    loops: str
    seed: int
    count: int


@dataclass
class Known:
    """All that was drawn, with what came out.

    mutants : by their keys. left_out : why, by the names of tests that were not run against them.
    """

    draws: list[Draw] = field(default_factory=list)
    mutants: dict[str, Mutant] = field(default_factory=dict)
    left_out: dict[str, str] = field(default_factory=dict)

    @classmethod
    def read(cls, place: Path) -> Known:
        """Read what is kept in a file; nothing where there is none."""
        if not place.exists():
            return cls()
        kept = json.loads(place.read_text())
        mutants = [Mutant(**m) for m in kept["mutants"]]
        return cls(
            [Draw(**d) for d in kept["draws"]], {m.key: m for m in mutants}, kept["left_out"]
        )

    def found_again(self, places: dict[tuple[str, str], list[Mutant]]) -> Known:
        """Return mutants at the places where they stand now; those whose line is gone go."""
        now = {m.key: m for ms in places.values() for m in ms}
        mutants = {
            key: replace(now[key], outcome=m.outcome, by=m.by)
            for key, m in self.mutants.items()
            if key in now
        }
        return Known(self.draws, mutants, self.left_out)

    def added(self, draws: list[Draw], drawn: list[list[Mutant]]) -> list[Mutant]:
        """Add draws; return what of them is still to be tried, one of each draw in turn.

        So what ends early has looked everywhere.
        """
        self.draws += [draw for draw in draws if draw not in self.draws]
        turns = [(turn, k, m) for k, mutants in enumerate(drawn) for turn, m in enumerate(mutants)]
        out = []
        for _, _, mutant in sorted(turns, key=lambda t: t[:2]):
            if mutant.key not in self.mutants:
                self.mutants[mutant.key] = mutant
            if not self.mutants[mutant.key].outcome:
                out.append(mutant)
        return out

    def leave_out(self, names: dict[str, str], run: set[str]) -> None:
        """Note which tests were left out of a call that ran so many test files."""
        kept = {name: why for name, why in self.left_out.items() if name.split("::")[0] not in run}
        self.left_out = kept | names

    @staticmethod
    def open(mutant: Mutant, notes: dict[str, str]) -> bool:
        """Return whether it survived and nobody has said why."""
        return mutant.outcome == "survived" and mutant.key not in notes

    def write(self, place: Path) -> None:
        """Write all to a file."""
        mutants = sorted(self.mutants.values(), key=lambda m: (m.file, m.begin, m.new))
        kept = {
            "draws": [asdict(d) for d in self.draws],
            "left_out": dict(sorted(self.left_out.items())),
            "mutants": [asdict(m) for m in mutants],
        }
        place.write_text(json.dumps(kept, indent=1) + "\n")


def page(known: Known, places: dict[tuple[str, str], int], notes: dict[str, str]) -> str:
    """Return docs/mutation.md.

    places : how many there are, by folder and whether loops are compiled. notes : why the program
    does the same, by mutant.
    """
    results = sorted(known.mutants.values(), key=lambda m: (m.file, m.begin, m.new))
    lines = [
        "# Do the tests notice errors?",
        "",
        "Written by `scripts/mutate.py`: every mutant is one small error (a comparison, a sign,",
        "a bound, a turned condition, a number off by one) in one place of the code, and the tests",
        "of its file run against it until one fails. They are drawn by seed. Unfinished are",
        "those whose tests ran out of time, such as endless loops. Named numbers at the top of a",
        "file are left alone: they are choices with reasons. After a change of the code, mutants",
        "of lines that are gone are no longer counted. Of a file's tests those run that fit into",
        "the time that a mutant gets, the nearest to it and the quickest first.",
        "",
        "Files whose change has compiled loops made anew are slower to try, so fewer of their",
        "mutants are drawn, and they have a row of their own. Places are all that could be drawn.",
        "",
        "| folder | compiled | places | drawn | killed | unfinished | the program does the same | "
        "survived | not tried |",
        "|---|---|---:|---:|---:|---:|---:|---:|---:|",
    ]
    for (folder, loops), count in places.items():
        mine = [m for m in results if (m.folder, m.loops) == (folder, loops)]
        row = [count, len(mine), *_counts(mine, notes)]
        lines.append(f"| `{folder}/` | {LOOPS[loops]} | {' | '.join(map(str, row))} |")
    lines.append(f"| all | | {sum(places.values())} | {len(results)} | ")
    lines[-1] += " | ".join(map(str, _counts(results, notes))) + " |"
    left = [m for m in results if known.open(m, notes)]
    if left:
        lines += ["", "## Survivors", "", "| file | line | error |", "|---|---|---|"]
        lines += [f"| `{m.file}` | {_code(m.line)} | {error_words(m)} |" for m in left]
    same = [m for m in results if m.outcome == "survived" and m.key in notes]
    if same:
        lines += ["", "## The program does the same", "", "| file | error | why |", "|---|---|---|"]
        lines += [
            f"| `{m.file}` | {_code(m.line)}: {error_words(m)} | {notes[m.key]} |" for m in same
        ]
    lines += [
        "",
        "## What was drawn",
        "",
        "Every place of such a row is as likely as any other.",
        "",
    ]
    lines += ["| folder or file | compiled | seed | mutants |", "|---|---|---:|---:|"]
    lines += [f"| `{d.place}` | {LOOPS[d.loops]} | {d.seed} | {d.count} |" for d in known.draws]
    if known.left_out:
        lines += [
            "",
            "## Tests that were not run against mutants",
            "",
            "| test | why |",
            "|---|---|",
        ]
        lines += [f"| `{name}` | {_cell(why)} |" for name, why in sorted(known.left_out.items())]
    return "\n".join(lines) + "\n"


def _counts(mutants: Iterable[Mutant], notes: dict[str, str]) -> list[int]:
    """Return killed, unfinished, the same, survived and not tried."""
    named = ["same" if m.outcome == "survived" and m.key in notes else m.outcome for m in mutants]
    return [named.count(x) for x in ("killed", "unfinished", "same", "survived", "")]


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def _code(text: str) -> str:
    return "`" + _cell(text) + "`"


def error_words(mutant: Mutant) -> str:
    """Return what became of what, as Markdown."""
    if not mutant.new:
        return f"without {_code(mutant.old)}"
    return f"{_code(mutant.old)} became {_code(mutant.new)}"


def read_notes() -> dict[str, str]:
    """Return the reasons, by mutant, why the program does the same."""
    if not NOTES.exists():
        return {}
    return {n["mutant"]: n["why"] for n in tomllib.loads(NOTES.read_text())["same"]}
