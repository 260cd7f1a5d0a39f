"""Small errors for the tests to notice: where they are put, and which machine code they outdate."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest

from scripts.mutant_runs import Outdated, Report, Run, Tree, run_all
from scripts.mutate import Imports, Mutant, is_python, mapped_tests, mutants_of, page, sample

pytestmark = pytest.mark.long

SOURCE = '''"""Words: 1 < 2."""
NAMED = 3


def f(a: int, b: int = 4) -> bool:
    """More words, 5 > 6."""
    if a < b and not a:  # 7 < 8
        raise ValueError(f"{a + 9} is wrong")
    x: list[int] = [a * 2]
    assert a - 1
    return max(x) == -b
'''


def errors(tmp_path: Path) -> set[tuple[str, str]]:
    file = tmp_path / "a.py"
    file.write_text(SOURCE)
    found = mutants_of(file, tmp_path)
    assert all(is_python(m, tmp_path) for m in found)
    for m in found:
        assert m.line in SOURCE and SOURCE.encode()[m.begin : m.end].decode().strip() == m.old
        assert m.line[m.column :].startswith(m.old)
    return {(m.old, m.new) for m in found}


def test_errors_are_put_into_computations_only(tmp_path: Path) -> None:
    assert errors(tmp_path) == {
        ("<", "<="), ("and", "or"), ("not", ""), ("a < b and not a", "not (a < b and not a)"),
        ("*", "/"), ("2", "3"), ("max", "min"), ("==", "!="), ("-", ""),
    }  # fmt: skip


def test_a_sample_is_drawn_by_seed() -> None:
    first = sample(("rays", "tuning/corridors.py"), 3, 7)
    assert first == sample(("rays", "tuning/corridors.py"), 3, 7)
    assert first != sample(("rays", "tuning/corridors.py"), 3, 8)
    assert len(first) == 6 and {m.file for m in first[3:]} == {"cagecheck/tuning/corridors.py"}


def test_the_test_of_the_same_name_comes_first() -> None:
    imports = Imports(Path(__file__).resolve().parents[2])
    tests = mapped_tests("cagecheck/tuning/corridors.py", imports)
    assert tests[0] == "tests/tuning/test_corridors.py" and len(tests) > 3
    assert mapped_tests("cagecheck/tuning/corridors.py", imports, named=True) == tests[:1]
    assert "cagecheck.rays.scene" in imports.importers("cagecheck.rays.rounding")
    assert "cagecheck.rays.rounding" not in imports.importers("cagecheck.rays.scene")


def test_the_page_counts_and_names_survivors() -> None:
    def mutant(outcome: str, new: str) -> Mutant:
        return Mutant("cagecheck/rays/a.py", 3, "x = a | b", 4, 5, "|", new, 6, outcome, "")

    results = [mutant("killed", "&"), mutant("survived", "&"), mutant("survived", "^")]
    text = page(results, 1, {results[2].key: "b is always 0"})
    assert "| `rays/` | 3 | 1 | 0 | 1 | 1 |" in text
    assert text.count("`x = a \\| b`") == 2 and "b is always 0" in text


# One file's loop calls another's, and a value at the top of a third is what a function made.
LOOPS = {
    "cagecheck/__init__.py": "",
    "cagecheck/arrays/__init__.py": "",
    "cagecheck/arrays/inner.py": """
from numba import njit

@njit(cache=True, nogil=True)
def twice(x: float) -> float:
    return x * 2.0
""",
    "cagecheck/kinds.py": """
def made() -> int:
    return 1 + 2
""",
    "cagecheck/rays/__init__.py": "",
    "cagecheck/rays/outer.py": """
from numba import njit
from cagecheck.arrays.inner import twice
from cagecheck.kinds import made

_MADE = made()

@njit(cache=True, nogil=True)
def sum_of(n: int) -> float:
    total = 0.0
    for k in range(n):
        total += twice(k) + _MADE
    return total
""",
    "cagecheck/rays/aside.py": """
from numba import njit
from cagecheck.arrays import inner

@njit(cache=True, nogil=True)
def alone(n: int) -> int:
    return n
""",
    "tests/rays/test_outer.py": """
from cagecheck.rays.outer import sum_of

def test_sum():
    assert sum_of(3) == 6.0 + 9.0

def test_that_fails_anyway():
    import no_such_package
""",
}


@pytest.fixture(scope="module")
def loops(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small package with compiled functions, and a test."""
    root = tmp_path_factory.mktemp("loops")
    for name, text in LOOPS.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text)
    return root


def test_outdated_is_what_calls_a_function_or_holds_a_value_that_it_made(loops: Path) -> None:
    outdated = Outdated(loops)
    outer, inner = ("rays", "outer"), ("arrays", "inner")
    assert outdated.by("cagecheck/arrays/inner.py") == {inner, outer}
    assert outdated.by("cagecheck/kinds.py") == {outer}
    assert outdated.by("cagecheck/rays/outer.py") == {outer}
    assert outdated.by("cagecheck/rays/__init__.py") == frozenset()


def test_machine_code_that_an_error_outdates_is_made_anew(loops: Path, tmp_path: Path) -> None:
    """The cache is warm with the sound code, and the errors are in other files than the loop."""
    test = "tests/rays/test_outer.py"

    def run(number: int, file: str = "", old: str = "", new: str = "") -> Run:
        if not file:
            return Run(number, (test,), 120.0)
        begin = LOOPS[file].index(old)
        return Run(
            number, (test,), 120.0, (file, begin, begin + len(old), new),
            Outdated(loops).by(file), frozenset([f"{test}::test_that_fails_anyway"]),
        )  # fmt: skip

    def results(runs: list[Run], own_copy: bool) -> dict[int, Report]:
        found: dict[int, Report] = {}

        def told(number: int, report: Report, wall: float) -> None:
            found[number] = report

        folder = tmp_path / ("mutants" if own_copy else "sound")
        stop = time.monotonic() + 300
        assert run_all(runs, 1, folder, tmp_path / "base", own_copy, ["numba"], stop, told)
        return found

    base = Tree(tmp_path / "base")
    base.copy_from(loops)
    [sound] = results([run(0)], own_copy=False).values()
    assert list(sound.failed) == [f"{test}::test_that_fails_anyway"]
    assert "no_such_package" in sound.failed[f"{test}::test_that_fails_anyway"]
    assert set(sound.took) == {f"{test}::test_sum", f"{test}::test_that_fails_anyway"}
    kept = {f.name for f in base.cache.rglob("*.nbi")}
    assert len(kept) == 2

    found = results(
        [
            run(0, "cagecheck/arrays/inner.py", "x * 2.0", "x / 2.0"),
            run(1, "cagecheck/kinds.py", "1 + 2", "1 - 2"),
            # The danger is real: with the old machine code nothing would be noticed.
            replace(
                run(2, "cagecheck/arrays/inner.py", "x * 2.0", "x / 2.0"), outdated=frozenset()
            ),
        ],
        own_copy=True,
    )
    assert {k: bool(r.failed) for k, r in found.items()} == {0: True, 1: True, 2: False}
    assert {f.name for f in base.cache.rglob("*.nbi")} == kept
    assert (base.tree / "cagecheck/kinds.py").read_text() == LOOPS["cagecheck/kinds.py"]
