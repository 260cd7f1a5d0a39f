"""Outputs appear whole or not at all, whatever goes wrong on the way."""

from __future__ import annotations

import hashlib
import os
import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from cagecheck.errors import InputError
from cagecheck.files import OutputFolder, replace_file, sha256_of


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()
    }


def break_rename(monkeypatch: pytest.MonkeyPatch, fail_at: int) -> None:
    """Let `Path.replace` fail at its `fail_at`-th call (counted from 0), as a full disk would."""
    real, calls = Path.replace, iter(range(10**6))

    def replace(self: Path, target: Path) -> Path:
        if next(calls) == fail_at:
            raise OSError(28, "No space left on device")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", replace)


def test_sha256_is_the_standard_one(tmp_path):
    """FIPS 180-2, appendix B.1: the digest of "abc"."""
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert sha256_of(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    big = os.urandom(3 << 20)
    path.write_bytes(big)
    assert sha256_of(path) == hashlib.sha256(big).hexdigest()


# One file


def test_a_file_appears_when_the_block_ends(tmp_path):
    final = tmp_path / "new" / "out.obj"
    with replace_file(final) as path:
        path.write_text("v 0 0 0")
        assert not final.exists() and path.parent == final.parent and path.suffix == ".obj"
    assert contents(tmp_path) == {"new/out.obj": b"v 0 0 0"}


def test_a_file_gets_the_usual_rights(tmp_path):
    old = os.umask(0o027)
    try:
        with replace_file(tmp_path / "a") as path:
            path.write_text("x")
    finally:
        os.umask(old)
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o640


@pytest.mark.parametrize("trouble", [ValueError, KeyboardInterrupt, SystemExit, MemoryError])
def test_no_file_and_no_litter_after_trouble(tmp_path, trouble):
    (tmp_path / "a").write_text("old")
    with pytest.raises(trouble), replace_file(tmp_path / "a", force=True) as path:
        path.write_text("half")
        raise trouble
    assert contents(tmp_path) == {"a": b"old"}


def test_trouble_leaves_no_new_folder(tmp_path):
    with pytest.raises(ValueError), replace_file(tmp_path / "x" / "y" / "a"):
        raise ValueError
    assert list(tmp_path.iterdir()) == []


def test_a_file_is_not_replaced_without_force(tmp_path):
    (tmp_path / "a").write_text("old")
    with pytest.raises(InputError, match="`force`"), replace_file(tmp_path / "a"):
        pytest.fail("the block must not run")
    assert contents(tmp_path) == {"a": b"old"}
    with replace_file(tmp_path / "a", force=True) as path:
        path.write_text("new")
    assert contents(tmp_path) == {"a": b"new"}


def test_a_file_that_appears_meanwhile_is_not_replaced_without_force(tmp_path):
    with pytest.raises(InputError, match="`force`"), replace_file(tmp_path / "a") as path:
        path.write_text("ours")
        (tmp_path / "a").write_text("theirs")
    assert contents(tmp_path) == {"a": b"theirs"}


def test_a_file_in_place_of_a_folder_is_told(tmp_path):
    (tmp_path / "a").write_text("x")
    with pytest.raises(InputError, match="cannot write here"), replace_file(tmp_path / "a" / "b"):
        pytest.fail("the block must not run")
    (tmp_path / "d").mkdir()
    with pytest.raises(InputError, match="a folder"), replace_file(tmp_path / "d", force=True):
        pytest.fail("the block must not run")


def test_a_full_disk_at_the_rename_is_told(tmp_path, monkeypatch):
    (tmp_path / "a").write_text("old")
    break_rename(monkeypatch, 0)
    with (
        pytest.raises(InputError, match="No space left"),
        replace_file(tmp_path / "a", force=True) as path,
    ):
        path.write_text("new")
    assert contents(tmp_path) == {"a": b"old"}


# A folder of files


def write_all(folder: OutputFolder, files: dict[str, bytes]) -> None:
    for name, data in files.items():
        folder.add(name).write_bytes(data)


NEW = {"a.txt": b"1", "maps/b.png": b"22", "maps/deep/c": b"333"}


def test_files_appear_together(tmp_path):
    with OutputFolder(tmp_path / "out" / "here") as folder:
        write_all(folder, NEW)
        assert not any((tmp_path / "out" / "here" / name).exists() for name in NEW)
    assert contents(tmp_path / "out" / "here") == NEW
    assert [p.relative_to(tmp_path / "out" / "here").as_posix() for p in folder.paths()] == list(
        NEW
    )


@pytest.mark.parametrize("trouble", [ValueError, KeyboardInterrupt, SystemExit])
def test_nothing_appears_after_trouble(tmp_path, trouble):
    with pytest.raises(trouble), OutputFolder(tmp_path / "out" / "here") as folder:
        write_all(folder, NEW)
        raise trouble
    assert list(tmp_path.iterdir()) == []


def test_trouble_in_a_folder_in_use_leaves_it_as_it_was(tmp_path):
    (tmp_path / "a.txt").write_bytes(b"old")
    with pytest.raises(ValueError), OutputFolder(tmp_path, force=True) as folder:
        write_all(folder, NEW)
        raise ValueError
    assert contents(tmp_path) == {"a.txt": b"old"}


@pytest.mark.parametrize("fail_at", range(8))
def test_a_failing_rename_undoes_those_before_it(tmp_path, monkeypatch, fail_at):
    """Whichever rename fails, the folder ends all new or all old."""
    old = {"a.txt": b"old", "maps/deep/c": b"older", "other": b"kept"}
    for name, data in old.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(data)
    break_rename(monkeypatch, fail_at)
    try:
        with OutputFolder(tmp_path, force=True) as folder:
            write_all(folder, NEW)
        ended = {**old, **NEW}
    except InputError as error:
        assert "No space left" in str(error)
        ended = old
    assert contents(tmp_path) == ended
    assert not list(tmp_path.glob(".cagecheck-*"))


def test_a_file_that_was_named_but_never_written_leaves_all_as_it_was(tmp_path):
    (tmp_path / "a.txt").write_bytes(b"old")
    with pytest.raises(AssertionError), OutputFolder(tmp_path, force=True) as folder:
        folder.add("a.txt").write_bytes(b"new")
        folder.add("b.txt")
    assert contents(tmp_path) == {"a.txt": b"old"}


def test_a_name_twice_is_one_file(tmp_path):
    with OutputFolder(tmp_path) as folder:
        folder.add("a").write_bytes(b"1")
        folder.add("a").write_bytes(b"2")
    assert contents(tmp_path) == {"a": b"2"} and folder.paths() == [tmp_path / "a"]


def test_existing_results_are_kept_without_force(tmp_path):
    (tmp_path / "a.txt").write_bytes(b"old")
    with pytest.raises(InputError, match="`force`"), OutputFolder(tmp_path) as folder:
        write_all(folder, NEW)
    assert contents(tmp_path) == {"a.txt": b"old"}


@pytest.mark.parametrize("name", ["../escape", "/etc/escape", "maps/../../escape"])
def test_names_cannot_leave_the_folder(tmp_path, name):
    with pytest.raises(InputError, match="outside"), OutputFolder(tmp_path / "out") as folder:
        folder.add(name)
    assert list(tmp_path.iterdir()) == []


def test_a_file_is_no_folder(tmp_path):
    (tmp_path / "f").write_text("x")
    with pytest.raises(InputError, match="not a folder"), OutputFolder(tmp_path / "f"):
        pytest.fail("the block must not run")
    with pytest.raises(InputError, match="cannot write here"), OutputFolder(tmp_path / "f" / "g"):
        pytest.fail("the block must not run")
    assert contents(tmp_path) == {"f": b"x"}


def test_a_folder_in_place_of_a_result_is_told(tmp_path):
    (tmp_path / "a.txt").mkdir()
    with pytest.raises(InputError, match="a folder"), OutputFolder(tmp_path, force=True) as folder:
        write_all(folder, NEW)
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


@pytest.mark.skipif(os.name == "nt", reason="rights are POSIX's")
def test_written_files_have_the_rights_of_any_new_file_whichever_thread_writes(tmp_path):
    """The umask is the process's: reading it by setting it would race between threads."""
    before = os.umask(0o027)
    try:

        def write(k):
            with replace_file(tmp_path / f"{k}.txt") as path:
                path.write_text("x")

        with ThreadPoolExecutor(8) as pool:
            list(pool.map(write, range(200)))
        assert os.umask(0o027) == 0o027
    finally:
        os.umask(before)
    assert {p.stat().st_mode & 0o777 for p in tmp_path.iterdir()} == {0o640}


def test_a_disk_that_is_full_at_the_first_folder_leaves_nothing(tmp_path, monkeypatch):
    usual = Path.mkdir

    def mkdir(self, *given, **named):
        if self.name == "new":
            raise OSError(28, "No space left on device")
        usual(self, *given, **named)

    monkeypatch.setattr(Path, "mkdir", mkdir)
    with pytest.raises(InputError, match="No space left"), OutputFolder(tmp_path / "out"):
        raise AssertionError("the block begins without a folder")
    assert list(tmp_path.iterdir()) == []
