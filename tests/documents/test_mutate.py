"""Small errors for the tests to notice: where they are put, and which machine code they outdate."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from scripts.mutant_runs import Outdated, Report, Run, Tree, run_all
from scripts.mutate import (
    ROOT,
    Imports,
    Sound,
    digest_of,
    is_python,
    mapped_tests,
    mutants_of,
    places_of,
    run_of,
    sample,
)
from scripts.mutation_results import Draw, Known, Mutant, page

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


def test_lines_that_read_alike_are_told_apart(tmp_path: Path) -> None:
    (tmp_path / "a.py").write_text("def f(a):\n    a = a + 1\n    a = a + 1\n    return a\n")
    found = mutants_of(tmp_path / "a.py", tmp_path)
    assert [(m.number, m.old, m.nth) for m in found] == [
        (2, "+", 1), (2, "1", 1), (3, "+", 2), (3, "1", 2),
    ]  # fmt: skip
    assert len({m.key for m in found}) == 4
    assert found[2].key == found[0].key + " (line 2 of this text)"


def test_a_sample_is_drawn_by_seed() -> None:
    outdated = Outdated(ROOT)
    first = sample(Draw("rays", "both", 7, 3), outdated)
    assert first == sample(Draw("rays", "both", 7, 3), outdated) and len(first) == 3
    assert first != sample(Draw("rays", "both", 8, 3), outdated)
    [one] = sample(Draw("tuning/depth.py", "both", 7, 1), outdated)
    assert one.file == "cagecheck/tuning/depth.py" and one.loops == "without"


def test_files_with_compiled_loops_and_without_are_drawn_apart() -> None:
    outdated = Outdated(ROOT)
    both, having, others = (places_of("rays", x, outdated) for x in ("both", "with", "without"))
    assert len(both) == len(having) + len(others) and having and others
    assert {m.loops for m in having} == {"with"} and {m.loops for m in others} == {"without"}
    assert {m.file for m in having}.isdisjoint(m.file for m in others)
    assert "cagecheck/rays/settle.py" in {m.file for m in having}
    assert "cagecheck/rays/scene.py" in {m.file for m in others}


def test_the_test_of_the_same_name_comes_first() -> None:
    imports = Imports(Path(__file__).resolve().parents[2])
    tests = mapped_tests("cagecheck/tuning/corridors.py", imports)
    named = {"tests/tuning/test_corridors.py": 0}
    assert list(tests.values()) == sorted(tests.values()) and len(tests) > 3
    assert mapped_tests("cagecheck/tuning/corridors.py", imports, named=True) == named
    # All tests of the formats reach the reader of USD; those that share a word with it come first.
    by_rank = mapped_tests("cagecheck/formats/usd_child.py", imports)
    assert by_rank["tests/formats/test_read_usd.py"] == 1
    assert by_rank["tests/formats/test_read_obj.py"] == 2


def test_of_tests_that_know_a_file_alike_the_quickest_come_first() -> None:
    whole = {"slow": 6.0, "named": 5.0, "quick": 1.0, "far": 0.1}
    took = {name: {f"{name}::t": seconds} for name, seconds in whole.items()}
    took["long"] = {"long::a": 3.0, "long::b": 1.0, "long::c": 30.0, "long::d": 3.5}
    ranks = {"named": 0, "slow": 1, "quick": 1, "broken": 1, "long": 1, "far": 2}
    run = run_of(7, mutant(), ranks, Sound(took, {"a::b": "fails"}, []), Outdated(ROOT), 17.0)
    # Of the one that is too long what fits: 12 seconds are taken, 1 and 3 more.
    assert run.tests == ("named", "quick", "slow", "long", "far")
    assert run.skipped == {"a::b", "long::c", "long::d"}
    assert run.number == 7 and run.seconds > 16.1


def test_modules_that_reach_a_file_through_others_are_found() -> None:
    imports = Imports(ROOT)
    assert "cagecheck.rays.scene" in imports.importers("cagecheck.rays.rounding")
    assert "cagecheck.rays.rounding" not in imports.importers("cagecheck.rays.scene")
    assert "cagecheck.rays.rounding" in imports.imported("cagecheck.rays.scene")
    assert "cagecheck.rays.scene" not in imports.imported("cagecheck.rays.rounding")


def test_a_measure_holds_until_its_test_or_the_package_changes(tmp_path: Path) -> None:
    texts = {
        "cagecheck/a.py": "A = 1", "tests/b.py": "B = 2", "tests/c.py": "C = 3",
        "tests/test_d.py": "from tests.b import B",
    }  # fmt: skip
    seen = set()
    for changed in (None, *texts):
        for name, text in texts.items():
            (tmp_path / name).parent.mkdir(exist_ok=True)
            (tmp_path / name).write_text(text + "\n" * (name == changed))
        seen.add((digest_of("tests/test_d.py", tmp_path, Imports(tmp_path)), changed))
    by_digest = Counter(digest for digest, _ in seen)
    assert sorted(by_digest.values()) == [1, 1, 1, 2]
    assert {c for d, c in seen if by_digest[d] == 2} == {None, "tests/c.py"}


def test_the_page_counts_and_names_survivors() -> None:
    results = [mutant("killed", "-"), mutant("survived", "&"), mutant("survived", "^"), mutant()]
    known = Known([Draw("rays", "with", 5, 4)], {m.key: m for m in results}, {"a.py::b": "x|y"})
    text = page(known, {("rays", "with"): 9, ("rays", "without"): 7}, {results[2].key: "b is 0"})
    # Places, drawn, killed, unfinished, the same, survived, not tried.
    assert "| `rays/` | yes | 9 | 4 | 1 | 0 | 1 | 1 | 1 |" in text
    # Nor is it kept quiet where none was drawn.
    assert "| `rays/` | no | 7 | 0 | 0 | 0 | 0 | 0 | 0 |" in text
    assert "| all | | 16 | 4 | 1 | 0 | 1 | 1 | 1 |" in text
    assert text.count("`x = a \\| b`") == 2 and "b is 0" in text
    assert "| `rays` | yes | 5 | 4 |" in text and "| `a.py::b` | x\\|y |" in text


def mutant(outcome: str = "", new: str = "*", line: str = "x = a | b") -> Mutant:
    return Mutant("cagecheck/rays/a.py", 3, line, 4, 5, "|", new, 6, 1, "with", outcome)


def test_outcomes_of_several_calls_add_up(tmp_path: Path) -> None:
    place = tmp_path / "kept.json"
    first, second = Draw("rays", "with", 1, 2), Draw("rays", "without", 1, 1)
    known = Known.read(place)
    assert known.added([first], [[mutant(new="&"), mutant(new="^")]]) == [
        mutant(new="&"), mutant(new="^"),
    ]  # fmt: skip
    known.mutants[mutant(new="&").key] = mutant("killed", "&")
    known.leave_out({"tests/a.py": "slow", "tests/b.py::test_c": "fails"}, {"tests/b.py"})
    known.write(place)
    # What was drawn and not tried waits; what is known is not tried again; a draw stands once.
    known = Known.read(place)
    drawn = [[mutant(new="&"), mutant(new="^")], [mutant(new="-")]]
    assert known.added([first, second], drawn) == [mutant(new="-"), mutant(new="^")]
    assert known.draws == [first, second]
    known.leave_out({}, {"tests/b.py"})
    assert known.left_out == {"tests/a.py": "slow"}
    # A line that is gone takes its mutants along, one that has moved does not.
    moved = replace(mutant(new="&"), number=8)
    again = known.found_again({("rays", "with"): [moved]})
    assert list(again.mutants.values()) == [replace(moved, outcome="killed")]
    assert again.draws == known.draws and again.left_out == known.left_out


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
    assert len(kept) == 2 and sound.compiled
    [warm] = results([run(0)], own_copy=False).values()
    assert not warm.compiled

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
