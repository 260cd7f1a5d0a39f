"""Change the code by single small errors and see whether the tests notice.

    python scripts/mutate.py                  # a sample of each folder; writes docs/mutation.md
    python scripts/mutate.py --folders rays tuning/corridors.py --count 20 --seed 3
    python scripts/mutate.py --loops without --count 30   # only where nothing is compiled: quick
    python scripts/mutate.py --again          # survivors without a note, and what was never tried
    python scripts/mutate.py --count 400 --jobs 16 --seconds-all 570    # what 16 cores can in time

Every mutant is one error in one place: a comparison, a sign, a bound, a condition turned round, a
number off by one. It is written into a copy of the tree, and the tests of its file run there until
one fails. What survives is listed with the line, so that a test can be written for it, or a reason
noted in scripts/mutation_notes.toml why no test could tell (the program does the same).

Which mutants are looked at is drawn by seed, so the same call looks at the same ones. What comes
out adds up: draws and outcomes of earlier calls stay in scripts/mutation.json (`--anew` forgets
them), those drawn and not tried among them. Named numbers at the top of a file are left alone: they
are choices, and their reasons stand beside them.

Compiled loops: numba would go on running the old machine code of a function that calls a changed
one. Machine code that a mutant outdates is therefore made anew (scripts/mutant_runs.py). Running
the loops uncompiled instead (NUMBA_DISABLE_JIT) is no way here: Embree calls back into compiled
code.

Tests that fail without any mutant, because a package or program they need is not installed, are
left out and named, as are those that take too long. No git is needed. With `--work` the copy,
its machine code and how long tests take stay in a folder for the next call.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import json
import os
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from scripts.mutant_runs import (  # noqa: E402
    COMPILING_SECONDS,
    MORE_SECONDS,
    SLOWER,
    Outdated,
    Report,
    Run,
    Tree,
    run_all,
)
from scripts.mutation_results import (  # noqa: E402
    PAGE,
    RESULTS,
    Draw,
    Known,
    Mutant,
    error_words,
    page,
    read_notes,
)

FOLDERS = ("defects", "rays", "tuning", "formats")
# Where the ray model is held to closed forms and to a second opinion that shares no code.
MODEL = ("tests/predicting/test_closed_forms.py", "tests/predicting/test_against_oracle.py")
BESIDES = {"defects": MODEL, "rays": MODEL}
# Mutants a folder, and seconds of the processor that the tests of one may take.
COUNT, SECONDS = 12, 120
# A test that takes more than this share of them is not run against mutants.
SLOW_SHARE = 0.25

COMPARISONS = {
    ast.Lt: ("<", "<="), ast.LtE: ("<=", "<"), ast.Gt: (">", ">="), ast.GtE: (">=", ">"),
    ast.Eq: ("==", "!="), ast.NotEq: ("!=", "=="),
}  # fmt: skip
ARITHMETIC = {
    ast.Add: ("+", "-"), ast.Sub: ("-", "+"), ast.Mult: ("*", "/"), ast.Div: ("/", "*"),
    ast.FloorDiv: ("//", "*"), ast.Mod: ("%", "*"), ast.BitAnd: ("&", "|"), ast.BitOr: ("|", "&"),
}  # fmt: skip
NAMES = {
    "minimum": "maximum", "maximum": "minimum", "min": "max", "max": "min", "any": "all",
    "all": "any", "argmin": "argmax", "argmax": "argmin", "zeros": "ones", "ones": "zeros",
    "floor": "ceil", "ceil": "floor", "left": "right",
}  # fmt: skip


class Places(ast.NodeVisitor):
    """The places of a file where an error can be put in, as (begin, end, new text) in bytes."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        lines = data.splitlines(keepends=True)
        self.starts = [0]
        for line in lines:
            self.starts.append(self.starts[-1] + len(line))
        self.found: list[tuple[int, int, str]] = []
        self.inside = 0

    def at(self, line: int | None, column: int | None) -> int:
        assert line is not None and column is not None
        return self.starts[line - 1] + column

    def begin(self, node: ast.expr) -> int:
        return self.at(node.lineno, node.col_offset)

    def end(self, node: ast.expr) -> int:
        return self.at(node.end_lineno, node.end_col_offset)

    def swap(self, begin: int, end: int, old: str, new: str) -> None:
        """Exchange the operator that stands between two operands."""
        between = self.data[begin:end]
        k = between.find(old.encode())
        if k >= 0 and b"#" not in between:
            self.found.append((begin + k, begin + k + len(old), new))

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self.inside += 1
        for part in node.body:
            self.visit(part)
        self.inside -= 1

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_Raise(self, node: ast.Raise) -> None:
        """The words of an error are no computation."""

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """Nor is any other sentence."""

    def visit_Assert(self, node: ast.Assert) -> None:
        """Assertions look for our own bugs: without them nothing computes otherwise."""

    def generic_visit(self, node: ast.AST) -> None:
        if self.inside:
            self.look_at(node)
        super().generic_visit(node)

    def look_at(self, node: ast.AST) -> None:
        match node:
            case ast.Compare(left=left, ops=[op], comparators=[right]) if type(op) in COMPARISONS:
                self.swap(self.end(left), self.begin(right), *COMPARISONS[type(op)])
            case ast.BinOp(left=left, op=op, right=right) if type(op) in ARITHMETIC:
                self.swap(self.end(left), self.begin(right), *ARITHMETIC[type(op)])
            case ast.BoolOp(op=op, values=[first, second, *_]):
                old, new = ("and", "or") if isinstance(op, ast.And) else ("or", "and")
                self.swap(self.end(first), self.begin(second), old, new)
            case ast.UnaryOp(op=ast.Not() | ast.Invert() | ast.USub(), operand=operand):
                self.found.append((self.begin(node), self.begin(operand), ""))
            case ast.If(test=test) | ast.IfExp(test=test) | ast.While(test=test):
                text = self.data[self.begin(test) : self.end(test)].decode()
                self.found.append((self.begin(test), self.end(test), f"not ({text})"))
            case ast.Constant(value=value) if type(value) in (int, float) and abs(value) < 1e9:
                self.found.append((self.begin(node), self.end(node), repr(value + 1)))
            case ast.Constant(value=bool(value)):
                self.found.append((self.begin(node), self.end(node), repr(not value)))
            case ast.Call(func=ast.Name(id=name) as func) if name in NAMES:
                self.found.append((self.begin(func), self.end(func), NAMES[name]))
            case ast.Attribute(attr=name) if name in NAMES:
                end = self.end(node)
                self.found.append((end - len(name), end, NAMES[name]))


def mutants_of(file: Path, root: Path = ROOT) -> list[Mutant]:
    """Return all mutants of a file in the order of their places."""
    data = file.read_bytes()
    places = Places(data)
    places.visit(ast.parse(data))
    out = []
    seen: dict[str, int] = {}
    for begin, end, new in sorted(set(places.found)):
        number = data.count(b"\n", 0, begin) + 1
        start = data.rfind(b"\n", 0, begin) + 1
        whole = data.splitlines()[number - 1].decode()
        line = whole.strip()
        column = len(data[start:begin].decode()) - (len(whole) - len(whole.lstrip()))
        old = data[begin:end].decode()
        name = file.relative_to(root).as_posix()
        mutant = Mutant(name, number, line, begin, end, old.strip(), new, column)
        seen[mutant.key] = seen.get(mutant.key, 0) + 1
        out.append(replace(mutant, nth=seen[mutant.key]))
    return out


def is_python(mutant: Mutant, root: Path = ROOT) -> bool:
    """Return whether the file with the error is still Python."""
    data = (root / mutant.file).read_bytes()
    try:
        ast.parse(data[: mutant.begin] + mutant.new.encode() + data[mutant.end :])
    except SyntaxError:
        return False
    return True


def places_of(place: str, loops: str, outdated: Outdated) -> list[Mutant]:
    """Return all mutants of a folder or file.

    loops : "with" for files whose change has loops compiled, "without" for the others, or "both".
    """
    at = ROOT / "cagecheck" / place
    out = []
    for file in [at] if at.is_file() else sorted(at.rglob("*.py")):
        has = "with" if outdated.by(file.relative_to(ROOT).as_posix()) else "without"
        if loops in (has, "both"):
            out += [replace(m, loops=has) for m in mutants_of(file)]
    return out


def sample(draw: Draw, outdated: Outdated) -> list[Mutant]:
    """Draw mutants of a folder or file, every place as likely as any other."""
    every = places_of(draw.place, draw.loops, outdated)
    random.Random(f"{draw.seed} {draw.place}").shuffle(every)
    return list(islice(filter(is_python, every), draw.count))


class Imports:
    """Which files of the package and of the tests import which modules of the package."""

    def __init__(self, root: Path) -> None:
        files = [*root.glob("cagecheck/**/*.py"), *root.glob("tests/**/*.py")]
        names = {self.name(f, root) for f in files}
        self.of = {self.name(f, root): set(self.read(f)) & names for f in files}

    @staticmethod
    def name(file: Path, root: Path) -> str:
        return ".".join(file.relative_to(root).with_suffix("").parts).removesuffix(".__init__")

    @staticmethod
    def read(file: Path) -> Iterator[str]:
        for node in ast.walk(ast.parse(file.read_bytes())):
            if isinstance(node, ast.ImportFrom) and node.module:
                yield node.module
                yield from (f"{node.module}.{a.name}" for a in node.names)

    def importers(self, name: str) -> set[str]:
        """Return the modules that import a module, themselves or through others, and itself."""
        out, new = {name}, {name}
        while new:
            new = {m for m, used in self.of.items() if used & new} - out
            out |= new
        return out

    def imported(self, name: str) -> set[str]:
        """Return the modules that a module imports, itself or through others, and itself."""
        out, new = {name}, {name}
        while new:
            new = set().union(*(self.of.get(m, ()) for m in new)) - out
            out |= new
        return out


def digest_of(test: str, root: Path, imports: Imports) -> str:
    """Return a digest of a test file, of what it imports of the tests, and of the whole package."""
    package = sorted((root / "cagecheck").rglob("*.py"))
    names = imports.imported(Imports.name(root / test, root))
    mine = [f for f in sorted((root / "tests").rglob("*.py")) if Imports.name(f, root) in names]
    digest = hashlib.sha256()
    for file in package + mine:
        digest.update(file.relative_to(root).as_posix().encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()


def mapped_tests(file: str, imports: Imports, named: bool = False) -> dict[str, int]:
    """Return the test files of a file, of its folder, with ranks: those that know it best first.

    Tests mirror the folders. First comes the test of the same name, then those that share a word
    of its name (`usd_child.py`, `test_read_usd.py`) or import the file, then those that reach it
    through others, and last those that hold the folder besides. named : only the test of the same
    name.
    """
    name = Imports.name(ROOT / file, ROOT)
    folder = Path(file).parts[1]
    reaching = imports.importers(name)
    words = set(Path(file).stem.split("_"))
    found = sorted((ROOT / "tests" / folder).glob("test_*.py"))
    ranked = {}
    for test in found:
        module = Imports.name(test, ROOT)
        shared = words & set(test.stem.split("_"))
        place = test.relative_to(ROOT).as_posix()
        if test.stem == f"test_{Path(file).stem}":
            ranked[place] = 0
        elif module in reaching and not named:
            ranked[place] = 1 if shared or name in imports.of[module] else 2
    if not named:
        ranked |= dict.fromkeys(BESIDES.get(folder, ()), 3)
    return dict(sorted(ranked.items(), key=lambda item: item[1]))


@dataclass
class Sound:
    """What the tests of the code as it is told.

    took : seconds of the processor, by test file and by test. left_out : why, by the names of tests
    and of whole test files that are not run against mutants: they fail anyway, or take too long.
    loaded : modules of other packages that they load.
    """

    took: dict[str, dict[str, float]]
    left_out: dict[str, str]
    loaded: list[str]


def sound_tests(tests: list[str], given: argparse.Namespace, work: Path, stop: float) -> Sound:
    """Run the tests as the code is; twice where something is compiled, as that is no measure.

    Measures stay in the folder of `--work`, for as long as neither test nor package changes.
    """
    base = work / "base" / "tree"
    imports = Imports(base)
    digests = [digest_of(test, base, imports) for test in tests]
    measures = work / "measures.json"
    known = json.loads(measures.read_text()) if measures.exists() else {}
    reports = {k: Report(**known[d]) for k, d in enumerate(digests) if d in known}
    left = [k for k in range(len(tests)) if k not in reports]

    # The longest begin first, as far as is known.
    length = {k: float((ROOT / test).stat().st_size) for k, test in enumerate(tests)}

    def told(number: int, report: Report, wall: float) -> None:
        reports[number], length[number] = report, wall

    most = given.seconds + COMPILING_SECONDS
    for _ in range(2):
        runs = [Run(k, (tests[k],), most) for k in left]
        runs.sort(key=lambda run: -length[run.number])
        if runs:
            run_all(runs, given.jobs, work / "sound", work / "base", False, [], stop, told)
        left = [k for k in left if k not in reports or reports[k].compiled or not reports[k].ended]
    known |= {digests[k]: vars(report) for k, report in reports.items() if report.ended}
    measures.write_text(json.dumps(known))
    took, left_out, loaded = {}, {}, set()
    for k, test in enumerate(tests):
        report = reports.get(k, Report(ended=False))
        loaded |= set(report.loaded)
        if not report.ended or report.crashed or test in report.failed:
            left_out[test] = report.failed.get(test) or (
                "it crashes" if report.crashed else f"it takes more than {most:g} s"
            )
            continue
        long = given.seconds * SLOW_SHARE
        slow = {name for name, s in report.took.items() if s > long}
        mine = dict.fromkeys(sorted(slow), f"it takes more than {long:g} s") | report.failed
        left_out |= mine
        kept = {name: s for name, s in report.took.items() if name not in mine}
        if kept:
            took[test] = kept
    for name, why in left_out.items():
        print(f"left out: {name} ({why})")
    print(f"{len(took)} of {len(tests)} test files are run against mutants", flush=True)
    return Sound(took, left_out, sorted(loaded))


def run_of(
    number: int,
    mutant: Mutant,
    tests: dict[str, int],
    sound: Sound,
    outdated: Outdated,
    seconds: float,
) -> Run:
    """Return the run of a mutant: its tests, as many as `seconds` are enough for.

    Of files that know the mutant's equally well the quickest come first; of one for which there is
    too little time the quickest tests are run.
    """
    chosen, skipped, total = [], set(sound.left_out), 0.0
    lengths = {test: sum(sound.took[test].values()) for test in tests if test in sound.took}
    for test in sorted(lengths, key=lambda test: (tests[test], lengths[test])):
        before = total
        for name, took in sorted(sound.took[test].items(), key=lambda item: item[1]):
            if total + took <= seconds:
                total += took
            else:
                skipped.add(name)
        if total > before:
            chosen.append(test)
    stale = outdated.by(mutant.file)
    most = SLOWER * total + MORE_SECONDS + (COMPILING_SECONDS if stale else 0)
    error = (mutant.file, mutant.begin, mutant.end, mutant.new)
    return Run(number, tuple(chosen), most, error, stale, frozenset(skipped))


def outcome_of(mutant: Mutant, report: Report) -> Mutant:
    """Return the mutant with what came of it."""
    if not report.ended:
        return replace(mutant, outcome="unfinished", by="")
    if report.crashed:
        return replace(mutant, outcome="killed", by="the process ended")
    if report.failed:
        return replace(mutant, outcome="killed", by=next(iter(report.failed)))
    return replace(mutant, outcome="survived", by="")


def try_all(
    todo: list[Mutant],
    given: argparse.Namespace,
    work: Path,
    outdated: Outdated,
    told: Callable[[Mutant], None],
) -> Sound:
    """Try mutants until the time is up, and tell each as it is known."""
    stop = time.monotonic() + given.seconds_all
    imports = Imports(ROOT)
    tests_of = {m.file: mapped_tests(m.file, imports, given.named) for m in todo}
    base = Tree(work / "base")
    base.copy_from(ROOT)
    base.take_loops(os.environ.get("NUMBA_CACHE_DIR"))
    tests = list(dict.fromkeys(test for tests in tests_of.values() for test in tests))
    sound = sound_tests(tests, given, work, stop)
    runs = [
        run_of(k, m, tests_of[m.file], sound, outdated, given.seconds) for k, m in enumerate(todo)
    ]
    runs = [run for run in runs if run.tests]
    if len(runs) < len(todo):
        print(f"{len(todo) - len(runs)} mutants have no test to be run against them")
    seen = 0

    def tell(number: int, report: Report, wall: float) -> None:
        nonlocal seen
        seen += 1
        tried = outcome_of(todo[number], report)
        print(
            f"{seen}/{len(runs)} {tried.outcome:10} {wall:5.0f} s  "
            f"{tried.file}:{tried.number}  {error_words(tried)}  {tried.by}",
            flush=True,
        )
        told(tried)

    shutil.rmtree(work / "mutants", ignore_errors=True)
    if not run_all(
        runs, given.jobs, work / "mutants", work / "base", True, sound.loaded, stop, tell
    ):
        print(f"the time is up; {seen} of {len(runs)} mutants were tried")
    return sound


def main() -> int:
    """Try mutants and write what came out."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folders", nargs="+", default=FOLDERS)
    parser.add_argument("--count", type=int, default=COUNT, help="mutants a folder")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=int, default=SECONDS, help="a mutant, at most")
    parser.add_argument("--jobs", type=int, default=1, help="mutants at a time, in a tree each")
    parser.add_argument(
        "--seconds-all", type=float, default=1e9, help="stop then, and write what is known"
    )
    parser.add_argument("--results", type=Path, default=RESULTS, help="where outcomes are kept")
    parser.add_argument("--loops", choices=("with", "without", "both"), default="both",
                        help="files whose change has loops compiled, or those others")  # fmt: skip
    parser.add_argument("--again", action="store_true", help="what survived unexplained or waits")
    parser.add_argument("--anew", action="store_true", help="forget what came out before")
    parser.add_argument("--named", action="store_true", help="only tests of the file's own name")
    parser.add_argument("--page", action="store_true", help="only write the page again")
    parser.add_argument("--work", type=Path, help="a folder for the copy, kept for the next call")
    given = parser.parse_args()
    outdated = Outdated(ROOT)
    places = {
        (folder, loops): places_of(folder, loops, outdated)
        for folder in FOLDERS
        for loops in ("without", "with")
    }
    known = Known() if given.anew else Known.read(given.results).found_again(places)
    notes = read_notes()
    if given.page:
        todo = []
    elif given.again:
        todo = [m for m in known.mutants.values() if not m.outcome or known.open(m, notes)]
    else:
        draws = [Draw(f, given.loops, given.seed, given.count) for f in given.folders]
        todo = known.added(draws, [sample(draw, outdated) for draw in draws])

    def write() -> None:
        known.write(given.results)
        if given.results == RESULTS:
            PAGE.write_text(page(known, {k: len(v) for k, v in places.items()}, notes))

    def told(tried: Mutant) -> None:
        known.mutants[tried.key] = tried
        write()

    write()
    if todo:
        with tempfile.TemporaryDirectory(prefix="cagecheck-mutants-") as folder:
            sound = try_all(todo, given, given.work or Path(folder), outdated, told)
        known.leave_out(sound.left_out, set(sound.took))
        write()
    return 0


if __name__ == "__main__":
    sys.exit(main())
