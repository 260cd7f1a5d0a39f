"""Change the code by single small errors and see whether the tests notice.

    python scripts/mutate.py                  # a sample of each folder; writes docs/mutation.md
    python scripts/mutate.py --folders rays tuning/corridors.py --count 20 --seed 3
    python scripts/mutate.py --again          # only those that survived the last time

Every mutant is one error in one place: a comparison, a sign, a bound, a condition turned round, a
number off by one. It is written into a copy of the tree, and the tests of its file run there until
one fails. What survives is listed with the line, so that a test can be written for it, or a reason
noted in scripts/mutation_notes.toml why no test could tell (the program does the same).

Which mutants are looked at is drawn by seed, so the same call looks at the same ones. Named numbers
at the top of a file are left alone: they are choices, and their reasons stand beside them.

Compiled loops: numba would go on running the old machine code of a function that calls a changed
one. A mutant of a file with compiled functions therefore gets a cache folder of its own, from which
that file and all that import it are left out; the others stay compiled. Running the loops
uncompiled instead (NUMBA_DISABLE_JIT) is no way here: Embree calls back into compiled code.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from itertools import islice
from pathlib import Path

import numba
import numpy as np
import pytest

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "mutation.md"
RESULTS = ROOT / "scripts" / "mutation.json"
NOTES = ROOT / "scripts" / "mutation_notes.toml"
FOLDERS = ("defects", "rays", "tuning", "formats")
# Where the ray model is held to closed forms and to a second opinion that shares no code.
MODEL = ("tests/predicting/test_closed_forms.py", "tests/predicting/test_against_oracle.py")
BESIDES = {"defects": MODEL, "rays": MODEL}
# Mutants a folder, and seconds of the processor that the tests of one may take.
COUNT, SECONDS = 12, 120

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


@dataclass(frozen=True)
class Mutant:
    """One error: what stands between two offsets of a file, and what takes its place.

    line : the line it begins on, as text, without indentation.
    column : where in that text. outcome : killed, survived, or unfinished where the time ran out;
    by : the test that noticed.
    """

    file: str
    number: int
    line: str
    begin: int
    end: int
    old: str
    new: str
    column: int = 0
    outcome: str = ""
    by: str = ""

    @property
    def key(self) -> str:
        """What names the mutant when lines have moved."""
        return f"{self.file}: {self.line}: {self.column}: {self.old} -> {self.new}"


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
    for begin, end, new in sorted(set(places.found)):
        number = data.count(b"\n", 0, begin) + 1
        start = data.rfind(b"\n", 0, begin) + 1
        whole = data.splitlines()[number - 1].decode()
        line = whole.strip()
        column = len(data[start:begin].decode()) - (len(whole) - len(whole.lstrip()))
        old = data[begin:end].decode()
        out.append(
            Mutant(
                file.relative_to(root).as_posix(),
                number,
                line,
                begin,
                end,
                old.strip(),
                new,
                column,
            )
        )
    return out


def is_python(mutant: Mutant, root: Path = ROOT) -> bool:
    """Return whether the file with the error is still Python."""
    data = (root / mutant.file).read_bytes()
    try:
        ast.parse(data[: mutant.begin] + mutant.new.encode() + data[mutant.end :])
    except SyntaxError:
        return False
    return True


def sample(folders: tuple[str, ...], count: int, seed: int) -> list[Mutant]:
    """Draw mutants of each folder, every place as likely as any other."""
    out: list[Mutant] = []
    for folder in folders:
        place = ROOT / "cagecheck" / folder
        files = [place] if place.is_file() else sorted(place.rglob("*.py"))
        every = [m for file in files for m in mutants_of(file)]
        random.Random(f"{seed} {folder}").shuffle(every)
        out += list(islice(filter(is_python, every), count))
    return out


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


def mapped_tests(file: str, imports: Imports, named: bool = False) -> list[str]:
    """Return the test files of a file: of its folder, those that know it best first.

    Tests mirror the folders. First comes the test of the same name, then those that import the
    file, then those that reach it through others, and last those that hold the folder besides.
    named : only the test of the same name.
    """
    name = Imports.name(ROOT / file, ROOT)
    folder = Path(file).parts[1]
    reaching = imports.importers(name)
    found = sorted((ROOT / "tests" / folder).glob("test_*.py"))
    ranked = []
    for test in found:
        module = Imports.name(test, ROOT)
        if test.stem == f"test_{Path(file).stem}":
            rank = 0
        elif name in imports.of[module]:
            rank = 1
        elif module in reaching:
            rank = 2
        else:
            continue
        ranked.append((rank, test.stat().st_size, test.relative_to(ROOT).as_posix()))
    if named:
        return [test for rank, _, test in ranked if rank == 0]
    return [test for _, _, test in sorted(ranked)] + list(BESIDES.get(folder, ()))


class Workshop:
    """A copy of the tree in which mutants are tested."""

    def __init__(self, folder: Path, seconds: int, named: bool) -> None:
        self.tree, self.cache, self.own = folder / "tree", folder / "cache", folder / "own-cache"
        self.seconds, self.named = seconds, named
        self.imports = Imports(ROOT)
        self.sound: dict[str, bool] = {}
        left_out = shutil.ignore_patterns(".git", ".venv", "build", "__pycache__", "*.egg-info")
        shutil.copytree(ROOT, self.tree, ignore=left_out)
        self.cache.mkdir()
        # The code under test is the copy's, in this process and in its forks.
        os.chdir(self.tree)
        sys.path.insert(0, str(self.tree))
        sys.dont_write_bytecode = True

    def pytest(self, tests: list[str], cache: Path, stale: set[str]) -> tuple[str, str]:
        """Run tests until one fails, in a fork of this process; return the outcome and the test.

        What this process has loaded need not be loaded again, save the `stale` modules.
        """
        said = self.tree.parent / "said"
        child = os.fork()
        if child == 0:
            resource.setrlimit(resource.RLIMIT_CPU, (self.seconds, self.seconds + 5))
            with said.open("wb") as out:
                os.dup2(out.fileno(), 1)
                os.dup2(out.fileno(), 2)
            tests_folder = str(self.tree / "tests")
            for name, module in list(sys.modules.items()):
                at_home = str(getattr(module, "__file__", None) or "")
                if name in stale or at_home.startswith(tests_folder):
                    del sys.modules[name]
            os._exit(int(self.run_pytest(tests, cache)))
        status = os.waitpid(child, 0)[1]
        if os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL):
            return "unfinished", ""
        if os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0:
            return "survived", ""
        text = said.read_text(errors="replace")
        failed = re.search(r"^(?:FAILED|ERROR) (?:tests/)?(\S+)", text, re.MULTILINE)
        return "killed", failed.group(1) if failed else "the process ended"

    def run_pytest(self, tests: list[str], cache: Path) -> int:
        """Run tests in this process."""
        numba.config.CACHE_DIR = str(cache)
        return pytest.main(["-x", "-q", "--tb=no", "-p", "no:cacheprovider", *tests])

    def sound_tests(self, tests: list[str]) -> list[str]:
        """Return the tests that pass as the code is; this also loads and compiles what they use."""
        for test in tests:
            if test not in self.sound:
                self.sound[test] = self.run_pytest([test], self.cache) == 0
                if not self.sound[test]:
                    print(f"left out, as it fails without any mutant: {test}", flush=True)
        return [test for test in tests if self.sound[test]]

    def try_out(self, mutant: Mutant) -> Mutant:
        """Return the mutant with its outcome."""
        tests = self.sound_tests(mapped_tests(mutant.file, self.imports, self.named))
        if not tests:
            return replace(mutant, outcome="survived", by="")
        file = self.tree / mutant.file
        data, stamp = file.read_bytes(), file.stat()
        stale = self.imports.importers(Imports.name(ROOT / mutant.file, ROOT))
        cache = self.cache_without(stale) if b"njit" in data else self.cache
        file.write_bytes(data[: mutant.begin] + mutant.new.encode() + data[mutant.end :])
        try:
            outcome, by = self.pytest(tests, cache, stale)
        finally:
            file.write_bytes(data)
            # numba looks at the time of the file: as it was, so is its machine code.
            os.utime(file, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
        return replace(mutant, outcome=outcome, by=by)

    def cache_without(self, stale: set[str]) -> Path:
        """Return a cache without the machine code of some modules."""
        shutil.rmtree(self.own, ignore_errors=True)
        files = {tuple(name.split(".")[-2:]) for name in stale}

        def old(folder: str, names: list[str]) -> list[str]:
            # numba names a folder after the source's folder, and an entry after its file.
            home = Path(folder).name.rsplit("_", 1)[0]
            return [name for name in names if (home, name.split(".")[0]) in files]

        shutil.copytree(self.cache, self.own, ignore=old)
        return self.own


def page(results: list[Mutant], seed: int, notes: dict[str, str]) -> str:
    """Return docs/mutation.md."""
    lines = [
        "# Do the tests notice errors?",
        "",
        "Written by `scripts/mutate.py`: every mutant is one small error (a comparison, a sign,",
        "a bound, a turned condition, a number off by one) in one place of the code, and the tests",
        f"of its file run against it until one fails. Drawn with seed {seed}; every place of a",
        "folder is as likely as any other. Unfinished are those whose tests ran out of time, such",
        "as endless loops. Named numbers at the top of a file are left alone: they are choices",
        "with reasons.",
        "",
        "| folder | mutants | killed | unfinished | the program does the same | survived |",
        "|---|---:|---:|---:|---:|---:|",
    ]
    for folder in sorted({m.file.split("/")[1] for m in results}):
        mine = [m for m in results if m.file.split("/")[1] == folder]
        same = [m for m in mine if m.outcome == "survived" and m.key in notes]
        count = [sum(m.outcome == x for m in mine) for x in ("killed", "unfinished", "survived")]
        lines.append(
            f"| `{folder}/` | {len(mine)} | {count[0]} | {count[1]} | {len(same)} | "
            f"{count[2] - len(same)} |"
        )
    left = [m for m in results if m.outcome == "survived" and m.key not in notes]
    if left:
        lines += ["", "## Survivors", "", "| file | line | error |", "|---|---|---|"]
        lines += [f"| `{m.file}` | {_code(m.line)} | {_error(m)} |" for m in left]
    same = [m for m in results if m.outcome == "survived" and m.key in notes]
    if same:
        lines += ["", "## The program does the same", "", "| file | error | why |", "|---|---|---|"]
        lines += [f"| `{m.file}` | {_code(m.line)}: {_error(m)} | {notes[m.key]} |" for m in same]
    return "\n".join(lines) + "\n"


def _code(text: str) -> str:
    return "`" + text.replace("|", "\\|") + "`"


def _error(mutant: Mutant) -> str:
    if not mutant.new:
        return f"without {_code(mutant.old)}"
    return f"{_code(mutant.old)} became {_code(mutant.new)}"


def read_notes() -> dict[str, str]:
    """Return the reasons, by mutant, why the program does the same."""
    if not NOTES.exists():
        return {}
    return {n["mutant"]: n["why"] for n in tomllib.loads(NOTES.read_text())["same"]}


def _found_again(old: list[Mutant]) -> list[Mutant]:
    """Return mutants at the places where they stand now; those whose line is gone are left out."""
    now: dict[str, Mutant] = {}
    for file in sorted({m.file for m in old}):
        if (ROOT / file).exists():
            now |= {m.key: m for m in mutants_of(ROOT / file)}
    return [
        replace(now[m.key], outcome=m.outcome, by=m.by) for m in old if m.key in now
    ]  # fmt: skip


def main() -> int:
    """Try mutants and write what came out."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folders", nargs="+", default=FOLDERS)
    parser.add_argument("--count", type=int, default=COUNT, help="mutants a folder")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=int, default=SECONDS, help="a mutant, at most")
    parser.add_argument("--minutes", type=float, default=1e9, help="stop to begin new ones then")
    parser.add_argument("--again", action="store_true", help="only the last survivors")
    parser.add_argument("--named", action="store_true", help="only tests of the file's own name")
    parser.add_argument("--page", action="store_true", help="only write the page again")
    given = parser.parse_args()
    if given.again or given.page:
        kept = json.loads(RESULTS.read_text())
        results = _found_again([Mutant(**m) for m in kept["mutants"]])
        seed = kept["seed"]
    else:
        seed = given.seed
        results = sample(tuple(given.folders), given.count, seed)
        # One of each folder in turn, so that what ends early has looked everywhere.
        results = [results[k] for k in np.argsort(_turns(results), kind="stable")]
    todo = [] if given.page else [m for m in results if m.outcome in ("", "survived")]
    stop = time.monotonic() + 60 * given.minutes
    if todo:
        with tempfile.TemporaryDirectory(prefix="cagecheck-mutants-") as folder:
            shop = Workshop(Path(folder), given.seconds, given.named)
            for k, mutant in enumerate(todo):
                if time.monotonic() > stop:
                    break
                began = time.monotonic()
                tried = shop.try_out(mutant)
                results[results.index(mutant)] = tried
                print(
                    f"{k + 1}/{len(todo)} {tried.outcome:10} {time.monotonic() - began:5.0f} s  "
                    f"{tried.file}:{tried.number}  {_error(tried)}  {tried.by}",
                    flush=True,
                )
                _write(results, seed)
    _write(results, seed)
    return 0


def _turns(mutants: list[Mutant]) -> list[int]:
    """Return which one of its folder each mutant is."""
    seen: dict[str, int] = {}
    out = []
    for mutant in mutants:
        folder = mutant.file.split("/")[1]
        seen[folder] = seen.get(folder, -1) + 1
        out.append(seen[folder])
    return out


def _write(results: list[Mutant], seed: int) -> None:
    done = sorted((m for m in results if m.outcome), key=lambda m: (m.file, m.begin, m.new))
    kept = {"seed": seed, "mutants": [asdict(m) for m in done]}
    RESULTS.write_text(json.dumps(kept, indent=1) + "\n")
    PAGE.write_text(page(done, seed, read_notes()))


if __name__ == "__main__":
    sys.exit(main())
