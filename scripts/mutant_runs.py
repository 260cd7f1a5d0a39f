"""Tests run against mutants, several at a time, each in a copy of the tree of its own.

A worker is a process with a share of the cores. It forks for every run, and the fork loads the
package anew from its tree: what numba, SciPy and pytest need to load is loaded by then.

Compiled loops are kept in a cache that the tests fill before anything is changed. A worker's own is
hard links to that one, and a mutant's is the worker's without the machine code that the change
outdates (`Outdated`), so that this is compiled again and nothing else.
"""

from __future__ import annotations

import ast
import importlib
import itertools
import json
import multiprocessing
import os
import queue
import resource
import shutil
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

# No fork may take the memory of all others: what is there is shared out, but this much is needed
# for the libraries alone, which reserve more than they use.
LEAST_BYTES = 6 << 30
# Processor time beyond what tests took without a mutant: some errors only make the code slower.
SLOWER, MORE_SECONDS, COMPILING_SECONDS = 3.0, 30.0, 180.0
# A run that waits for ever uses no processor time.
WALL = 4.0
NOT_COPIED = (".git", ".venv", "build", "*.egg-info", ".mypy_cache", ".ruff_cache", "node_modules")
_PACKAGE = "cagecheck"


@dataclass(frozen=True)
class Run:
    """Tests to run, on the code as it is or on a mutant.

    number : which of the mutants, or of the test files. error : (file, begin, end, new text) in
    bytes. outdated : (folder, file stem) of modules whose machine code the error outdates.
    skipped : tests left out, by their names. seconds : of the processor, at most.
    """

    number: int
    tests: tuple[str, ...]
    seconds: float
    error: tuple[str, int, int, str] | None = None
    outdated: frozenset[tuple[str, str]] = frozenset()
    skipped: frozenset[str] = frozenset()


@dataclass
class Report:
    """What a run gave.

    ended : False where the time ran out. failed : why, by test. took : seconds of the processor, by
    test. loaded : modules that are not the tree's. crashed : the process came to no end of its own.
    compiled : machine code was added to the cache meanwhile, by this run or another.
    """

    ended: bool = True
    crashed: bool = False
    failed: dict[str, str] = field(default_factory=dict)
    took: dict[str, float] = field(default_factory=dict)
    loaded: list[str] = field(default_factory=list)
    compiled: bool = False


class Recorder:
    """A plugin of pytest that notes what fails, why, and how long each test takes."""

    def __init__(self, skipped: frozenset[str]) -> None:
        self.skipped = skipped
        self.report = Report()
        self.began = 0.0

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        """Leave out some tests."""
        items[:] = [item for item in items if item.nodeid not in self.skipped]

    def pytest_runtest_logstart(self) -> None:
        """Look at the clock."""
        self.began = time.process_time()

    def pytest_runtest_logreport(self, report: Any) -> None:
        """Note a failure, and the time so far."""
        self.report.took[report.nodeid] = time.process_time() - self.began
        self.pytest_collectreport(report)

    def pytest_collectreport(self, report: Any) -> None:
        """Note a file that cannot be loaded."""
        if report.failed:
            lines = str(report.longrepr).strip().splitlines() or [""]
            errors = [line[1:].strip() for line in lines if line.startswith("E ")]
            self.report.failed[report.nodeid] = (errors or lines[-1:])[-1]


class Tree:
    """A copy of the tree, its cache of machine code, and the one that a mutant gets."""

    def __init__(self, folder: Path, base: Tree | None = None) -> None:
        """Take a folder for it; with a base, tree and cache are the base's own."""
        self.folder = folder
        self.tree = base.tree if base else folder / "tree"
        self.cache = base.cache if base else folder / "cache"
        self.own = folder / "own"
        self.child = 0
        self.changes = 0

    def copy_from(self, root: Path) -> None:
        """Make it from a checkout, or bring it up to date; the cache stays."""
        shutil.rmtree(self.tree, ignore_errors=True)
        shutil.copytree(root, self.tree, ignore=shutil.ignore_patterns(*NOT_COPIED))
        packages = root / "tests" / "node" / "node_modules"
        if packages.is_dir():
            (self.tree / "tests" / "node" / "node_modules").symlink_to(packages)
        self.cache.mkdir(exist_ok=True)

    def take_loops(self, cache: str | None) -> None:
        """Take compiled loops of the package from a cache: each goes by what its source holds."""
        for file in Path(cache).glob("*.nbc") if cache else ():
            if not (self.cache / file.name).exists():
                shutil.copy2(file, self.cache)

    def start_from(self, base: Tree) -> None:
        """Make it from another one; machine code is linked under the names of the new places."""
        from numba.core.caching import _CacheLocator

        shutil.copytree(base.tree, self.tree, symlinks=True)
        self.cache.mkdir(parents=True)
        for file in base.cache.glob("*.nbc"):
            os.link(file, self.cache / file.name)  # loops of the package go by their module
        for place in {file.parent for file in base.tree.rglob("*.py")}:
            mine = self.tree / place.relative_to(base.tree)
            old, new = (
                _CacheLocator.get_suitable_cache_subpath(str(at / "a.py")) for at in (place, mine)
            )
            if (base.cache / old).is_dir():
                shutil.copytree(base.cache / old, self.cache / new, copy_function=os.link)

    def run(self, run: Run) -> Report:
        """Run tests, on a mutant until one fails."""
        if run.error is None:
            return self.fork(run, self.cache)
        name, begin, end, new = run.error
        file = self.tree / name
        data, stamp = file.read_bytes(), file.stat()
        cache = self.cache
        if run.outdated or b"njit" in data:
            cache = self.cache_without(run.outdated)
        file.write_bytes(data[:begin] + new.encode() + data[end:])
        # Python and numba look at the time of a file, Python to the second: no two are alike.
        self.changes += 1
        later = stamp.st_mtime_ns + 2_000_000_000 * self.changes
        os.utime(file, ns=(later, later))
        try:
            return self.fork(run, cache)
        finally:
            file.write_bytes(data)
            os.utime(file, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))

    def cache_without(self, outdated: frozenset[tuple[str, str]]) -> Path:
        """Return a cache without the machine code of some modules."""
        shutil.rmtree(self.own, ignore_errors=True)

        def old(folder: str, names: list[str]) -> list[str]:
            # numba names a folder after the source's folder, and an entry after its file; the
            # package names the files of its own loops after module and function.
            home = Path(folder).name.rsplit("_", 1)[0]
            return [
                name for name in names
                if outdated & set(itertools.pairwise([home, *name.split(".")]))
            ]  # fmt: skip

        shutil.copytree(self.cache, self.own, ignore=old, copy_function=os.link)
        return self.own

    def fork(self, run: Run, cache: Path) -> Report:
        """Run tests in a fork of this process."""
        answer = self.folder / "answer.json"
        answer.unlink(missing_ok=True)
        self.child = os.fork()
        if self.child == 0:
            self.in_fork(run, cache, answer)
        stop, parent = time.monotonic() + WALL * run.seconds, os.getppid()
        done, status = 0, 0
        try:
            while not done:
                done, status = os.waitpid(self.child, os.WNOHANG)
                if not done:
                    if time.monotonic() > stop:
                        self.end_child()
                    elif os.getppid() != parent:
                        raise SystemExit("whoever asked is gone")
                    time.sleep(0.02)
        except BaseException:
            self.end_child()
            raise
        self.child = 0
        if os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL):
            return Report(ended=False)
        if not answer.exists():
            return Report(crashed=True)
        return Report(**json.loads(answer.read_text()))

    def end_child(self) -> None:
        """End the fork, and what it started."""
        if self.child:
            with suppress(ProcessLookupError):
                os.killpg(self.child, signal.SIGKILL)

    def in_fork(self, run: Run, cache: Path, answer: Path) -> None:
        """Run tests and write what came out; does not return."""
        code = 1
        try:
            os.setpgid(0, 0)
            signal.signal(signal.SIGTERM, signal.SIG_DFL)
            most = int(run.seconds) + 1
            resource.setrlimit(resource.RLIMIT_CPU, (most, most + 5))
            with (self.folder / "said").open("wb") as out:
                os.dup2(out.fileno(), 1)
                os.dup2(out.fileno(), 2)
            os.chdir(self.tree)
            sys.path.insert(0, str(self.tree))
            for name in [m for m in sys.modules if m.split(".")[0] == "scripts"]:
                del sys.modules[name]
            os.environ["PYTHONPATH"] = str(self.tree)
            os.environ["NUMBA_CACHE_DIR"] = str(cache)
            import numba
            import pytest

            numba.config.CACHE_DIR = str(cache)
            before, had = set(sys.modules), _files(cache)
            recorder = Recorder(run.skipped)
            stop = ["-x"] if run.error else []
            told = ["-q", "--tb=short", "-p", "no:cacheprovider", f"--rootdir={self.tree}"]
            pytest.main([*stop, *told, *run.tests], plugins=[recorder])
            recorder.report.loaded = sorted(
                name for name in set(sys.modules) - before if not self.is_mine(sys.modules[name])
            )
            recorder.report.compiled = _files(cache) != had
            answer.write_text(json.dumps(vars(recorder.report)))
            code = 0
        finally:
            os._exit(code)

    def is_mine(self, module: Any) -> bool:
        """Whether a module is the tree's, or nothing that can be loaded by name."""
        at = getattr(module, "__file__", None)
        return at is None or str(at).startswith(str(self.tree))


def _files(folder: Path) -> set[Path]:
    return set(folder.rglob("*.nb?"))


def work(
    place: str, base: str, own_copy: bool, cores: list[int], load: list[str], memory: int,
    todo: Any, done: Any,
) -> None:  # fmt: skip
    """What a worker does: take a run, run it, hand over what came out, until there are no more."""
    tree = Tree(Path(place), None if own_copy else Tree(Path(base)))

    def ended(*_: Any) -> None:
        tree.end_child()
        os._exit(1)

    signal.signal(signal.SIGTERM, ended)
    if cores and hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, cores)
    sys.path = [at for at in sys.path if not (Path(at) / _PACKAGE).is_dir()]
    for name in load:
        with suppress(Exception):
            importlib.import_module(name)
    if own_copy:
        tree.start_from(Tree(Path(base)))
    resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
    while (run := todo.get()) is not None:
        began = time.monotonic()
        report = tree.run(run)
        done.put((run.number, report, time.monotonic() - began))


def run_all(
    runs: list[Run],
    jobs: int,
    folder: Path,
    base: Path,
    own_copy: bool,
    load: list[str],
    stop: float,
    told: Callable[[int, Report, float], None],
) -> bool:
    """Run all on so many workers and tell each as it ends; return whether time was left.

    folder : for the workers. base : the tree that they share, or that each makes a copy of. load :
    modules that every worker loads first. stop : on the monotonic clock.
    """
    context = multiprocessing.get_context("spawn")
    todo, done = context.Queue(), context.Queue()
    for run in runs:
        todo.put(run)
    for _ in range(jobs):
        todo.put(None)
    shares = _shares(jobs)
    os.environ |= dict.fromkeys(
        ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"), str(len(shares[0]) or 1)
    )
    memory = max(LEAST_BYTES, os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // jobs)
    workers = []
    for k in range(jobs):
        place = folder / f"{k}"
        place.mkdir(parents=True, exist_ok=True)
        given = (str(place), str(base), own_copy, shares[k], load, memory, todo, done)
        workers.append(context.Process(target=work, args=given))
        workers[-1].start()
    left = len(runs)
    while left and time.monotonic() < stop:
        try:
            told(*done.get(timeout=0.5))
            left -= 1
        except queue.Empty:
            if not any(w.is_alive() for w in workers):
                break
    for w in workers:
        w.terminate()
        w.join()
    todo.cancel_join_thread()
    return left == 0


def _shares(jobs: int) -> list[list[int]]:
    """Return the cores of each worker."""
    if not hasattr(os, "sched_getaffinity"):
        return [[] for _ in range(jobs)]
    cores = sorted(os.sched_getaffinity(0))
    return [cores[k % len(cores) :: jobs] for k in range(jobs)]


class Outdated:
    """Which modules' machine code an error in a file outdates.

    numba looks at the time of a function's own file only. It goes on running the old code of a
    function that calls a changed one, and of one that reads a value that a changed function made
    when the module was loaded.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self.made_of: dict[str, set[str]] = {}
        files = sorted((root / _PACKAGE).rglob("*.py"))
        trees = {file: ast.parse(file.read_bytes()) for file in files}
        compiled = {self.name(f): set(compiled_functions(t)) for f, t in trees.items()}
        for file, tree in trees.items():
            if b"njit" in file.read_bytes():
                values = set(names_in_values(tree))
                self.made_of[self.name(file)] = {
                    module
                    for module, name, known_as in imported(tree)
                    if known_as in values or name in compiled.get(module, ())
                }

    def name(self, file: Path) -> str:
        """Return a module's name."""
        parts = file.relative_to(self.root).with_suffix("").parts
        return ".".join(parts).removesuffix(".__init__")

    def by(self, file: str) -> frozenset[tuple[str, str]]:
        """Return (folder, file stem) of the modules whose machine code is outdated."""
        mine = self.name(self.root / file)
        out, new = {mine}, {mine}
        while new:
            new = {m for m, used in self.made_of.items() if used & new} - out
            out |= new
        kept = out & set(self.made_of)
        return frozenset(tuple(name.split(".")[-2:]) for name in kept)  # type: ignore[misc]


def compiled_functions(tree: ast.Module) -> Iterator[str]:
    """Yield the names of functions that numba compiles."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            said = " ".join(ast.unparse(d) for d in node.decorator_list)
            if any(word in said for word in ("njit", "cfunc", "intrinsic", "vectorize")):
                yield node.name


def names_in_values(tree: ast.Module) -> Iterator[str]:
    """Yield the names that the values at the top of a module are made of."""
    for node in tree.body:
        if isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None:
            for part in ast.walk(node.value):
                if isinstance(part, ast.Name):
                    yield part.id


def imported(tree: ast.Module) -> Iterator[tuple[str, str, str]]:
    """Yield (module, name there, name here) of what a module takes from others."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                yield node.module, alias.name, alias.asname or alias.name
