"""Whatever is wrong with the files of compiled loops, loops run and nothing ends in a traceback."""

import errno
import importlib.util
import itertools
import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import numba
import numpy as np
import pytest

from cagecheck import compiled, locks, loops

SOURCE = """
import numpy as np
from cagecheck.loops import njit

@njit(cache=True, nogil=True)
def twice(x):
    return 2 * x

@njit(cache=True, nogil=True)
def total(values):
    out = 0.0
    for k in range(len(values)):
        out += twice(values[k])
    return out
"""
NUMBER = itertools.count()


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A module of two loops, and an empty folder for them; returns (run, folder).

    `run` loads the module anew, as a new process would, runs its loops and returns what was
    compiled for that.
    """
    source, folder = tmp_path / "sums.py", tmp_path / "kept"
    source.write_text(SOURCE)
    monkeypatch.delenv(compiled.OWN_VARIABLE, raising=False)
    monkeypatch.setenv(compiled.VARIABLE, str(folder))

    def run():
        fresh(monkeypatch)
        spec = importlib.util.spec_from_file_location("sums", source)
        module = importlib.util.module_from_spec(spec)
        monkeypatch.setitem(sys.modules, "sums", module)
        spec.loader.exec_module(module)
        told = []
        with compiled.watching(told.append):
            assert module.total(module.np.array([1.0, 2.5])) == 7.0
        return [name.rpartition(".")[2] for name in told]

    return run, folder


def fresh(monkeypatch):
    """Forget what the process knows of folders."""
    loops._folders.cache_clear()
    loops._state.cache_clear()
    monkeypatch.setattr(loops, "_refused", {})
    monkeypatch.setattr(loops, "_said", [])


@pytest.fixture(autouse=True)
def leave_nothing():
    yield
    loops._folders.cache_clear()
    loops._state.cache_clear()


def test_what_was_compiled_is_loaded_the_next_time(place):
    run, folder = place
    assert run() == ["total", "twice"]
    assert len(list(folder.iterdir())) == 2
    assert run() == []


@pytest.mark.parametrize("damage", ["empty", "cut off", "one bit", "other bytes"])
def test_damaged_files_are_made_anew(place, damage):
    run, folder = place
    run()
    good = {path: path.read_bytes() for path in folder.iterdir()}
    for path, data in good.items():
        middle = len(data) // 2
        flipped = data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :]
        made = {
            "empty": b"",
            "cut off": data[:middle],
            "one bit": flipped,
            "other bytes": b"x" * 99,
        }
        path.write_bytes(made[damage])
    assert run() == ["total", "twice"]
    assert set(folder.iterdir()) == set(good), "each is written in its own place"
    assert run() == []


def test_loops_of_another_state_of_the_code_are_not_run(place, tmp_path):
    run, _ = place
    run()
    changed = SOURCE.replace("2 * x", "x + x")
    (tmp_path / "sums.py").write_text(changed)
    assert run() == ["total", "twice"]


def test_one_folder_in_the_way_of_files_costs_a_line_and_no_more(place, caplog):
    run, folder = place
    folder.write_text("a file where the folder should be")
    assert run() == ["total", "twice"]
    assert caplog.text.count("cannot be kept") == 1
    assert str(folder) in caplog.text and compiled.OWN_VARIABLE in caplog.text
    assert loops.refusal() is not None


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write")
def test_a_locked_folder_costs_a_line_and_no_more(place, caplog):
    run, folder = place
    folder.mkdir(mode=0o555)
    assert run() == ["total", "twice"]
    assert caplog.text.count("cannot be kept") == 1


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EACCES, errno.EROFS, errno.EDQUOT])
def test_a_full_or_locked_disk_costs_a_line_and_leaves_no_scraps(
    place, monkeypatch, caplog, number
):
    run, folder = place

    def full(path, data):
        with path.open("wb") as stream:
            stream.write(data[:10])
        raise OSError(number, os.strerror(number), str(path))

    monkeypatch.setattr(Path, "write_bytes", full)
    assert run() == ["total", "twice"]
    assert caplog.text.count("cannot be kept") == 1 and os.strerror(number) in caplog.text
    assert list(folder.iterdir()) == []


def test_a_user_without_a_home_is_told(place, monkeypatch, caplog, tmp_path):
    run, _ = place
    monkeypatch.delenv(compiled.VARIABLE)
    monkeypatch.setattr(compiled, "user_cache_path", lambda *_, **__: Path("~/.cache/cagecheck"))
    monkeypatch.chdir(tmp_path)
    before = set(tmp_path.iterdir())
    assert run() == ["total", "twice"]
    assert caplog.text.count("no home folder") == 1
    assert set(tmp_path.iterdir()) - before <= {tmp_path / "__pycache__"}


def test_what_an_image_brings_along_is_used_and_only_read(place, monkeypatch, tmp_path, caplog):
    run, folder = place
    brought = tmp_path / "brought"
    monkeypatch.setenv(compiled.OWN_VARIABLE, str(brought))
    assert run() == ["total", "twice"]
    assert not folder.exists() and len(list(brought.iterdir())) == 2
    # Read from the package's own folder, with nothing else that could be written.
    monkeypatch.delenv(compiled.OWN_VARIABLE)
    monkeypatch.setattr(compiled, "SHIPPED", brought)
    folder.write_text("in the way")
    times = {path: path.stat().st_mtime_ns for path in brought.iterdir()}
    assert run() == []
    assert {path: path.stat().st_mtime_ns for path in brought.iterdir()} == times
    assert caplog.text == ""
    # What it lacks is compiled, and it is left as it is.
    next(path for path in times if ".total-" in path.name).unlink()
    assert len(run()) == 1
    assert len(list(brought.iterdir())) == 1 and "cannot be kept" in caplog.text


def test_where_the_named_folder_is_locked_the_users_own_takes_the_rest(
    place, monkeypatch, tmp_path, caplog
):
    run, folder = place
    named = tmp_path / "named"
    named.write_text("in the way")
    monkeypatch.setenv(compiled.OWN_VARIABLE, str(named))
    assert run() == ["total", "twice"]
    assert len(list(folder.iterdir())) == 2
    assert caplog.text == ""


COUNTING = """
import json, sys
from numba.core import event
sys.path.insert(0, sys.argv[1])
with event.install_recorder("numba:compile") as compiled:
    import sums
    print("ready", flush=True)
    sys.stdin.readline()
    assert sums.total(sums.np.array([1.0, 2.5])) == 7.0
names = [e.data["dispatcher"].py_func.__name__ for _, e in compiled.buffer if e.is_start]
print(json.dumps([name for name in names if name in ("twice", "total")]))
"""


@pytest.mark.long
def test_of_processes_that_begin_together_one_compiles_what_the_others_wait_for(place, tmp_path):
    _, folder = place
    command = [sys.executable, "-c", COUNTING, str(tmp_path)]
    pipe = subprocess.PIPE
    both = [subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True) for _ in range(3)]
    assert [one.stdout.readline() for one in both] == ["ready\n"] * 3
    for one in both:
        one.stdin.write("go\n")
        one.stdin.flush()
    said = [json.loads(one.communicate()[0]) for one in both]
    assert sorted(name for names in said for name in names) == ["total", "twice"]
    assert all(path.suffix == ".nbc" for path in folder.iterdir())


def test_one_that_never_ends_is_not_waited_for(place, monkeypatch):
    run, folder = place
    assert run() == ["total", "twice"]
    names = [path.name for path in folder.iterdir()]
    for name in names:
        (folder / name).unlink()
    held = [locks.take(folder / f"{name}.making") for name in names]
    monkeypatch.setattr(loops, "_PATIENCE", 0.2)
    try:
        assert run() == ["total", "twice"]
    finally:
        for lock in held:
            lock.release(remove=True)
    assert sorted(path.name for path in folder.iterdir()) == sorted(names)


def test_what_a_dead_process_leaves_behind_holds_up_nobody(place):
    run, folder = place
    assert run() == ["total", "twice"]
    for path in list(folder.iterdir()):
        path.rename(path.with_name(f"{path.name}.making"))
    began = time.monotonic()
    assert run() == ["total", "twice"]
    assert time.monotonic() - began < loops._PATIENCE / 2
    assert all(path.suffix == ".nbc" for path in folder.iterdir())


def test_a_process_without_a_place_to_write_works_and_says_so_once(tmp_path):
    (tmp_path / "home").write_text("no folder")
    (tmp_path / "sums.py").write_text(SOURCE)
    work = "import sums, numpy; print(sums.total(numpy.ones(3)), sums.total(numpy.ones(3, int)))"
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("NUMBA", "CAGECHECK"))}
    environment |= {
        "HOME": str(tmp_path / "home"), "XDG_CACHE_HOME": str(tmp_path / "home" / "x"),
        "PYTHONPATH": os.pathsep.join([str(tmp_path), *filter(None, sys.path), str(Path.cwd())]),
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-B", "-c", work], env=environment, capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    assert done.stdout.split() == ["6.0", "6.0"]
    assert done.stderr.count("\n") == 1 and "cannot be kept" in done.stderr
    assert sorted(p.name for p in tmp_path.iterdir()) == ["home", "sums.py"]


def test_every_compiled_loop_of_the_package_is_kept_this_way():
    package = Path(compiled.__file__).parent
    by_numba = re.compile(r"^(from numba import .*\bnjit\b|@numba\.njit)", re.MULTILINE)
    files = [path for path in package.rglob("*.py") if by_numba.search(path.read_text("utf-8"))]
    assert files == [], "take njit from cagecheck.loops"


def test_loops_that_make_no_arrays_count_no_references() -> None:
    def last_above(values, limit):
        for k in range(len(values) - 1, -1, -1):
            if values[k] > limit:
                return k
        return -1

    def ask(made):
        inner = loops.njit(cache=False)(last_above) if made else counted(last_above)

        def ask_all(values, out):
            for k in range(len(out)):
                out[k] = inner(values, out[k])

        loop = loops.njit(cache=False)(ask_all) if made else counted(ask_all)
        values, out = np.arange(5.0), np.array([2.5, 9.0])
        loop(values, out)
        assert out.tolist() == [4.0, -1.0]
        return loop.inspect_llvm(loop.signatures[0])

    counted = loops.njit(cache=False, makes_arrays=False)
    assert "NRT_incref" in ask(True)
    assert "NRT_incref" not in ask(False)

    @counted
    def makes(count):
        return np.empty(count)

    with pytest.raises(numba.core.errors.TypingError):
        makes(3)
