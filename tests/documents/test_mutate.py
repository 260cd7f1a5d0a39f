"""Small errors for the tests to notice: where they are put, and which machine code they outdate."""

from __future__ import annotations

from pathlib import Path

from scripts.mutate import Imports, Mutant, is_python, mapped_tests, mutants_of, page, sample

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
