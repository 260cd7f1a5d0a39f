"""However a command line ends, it ends in plain words: tried with real processes."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from cagecheck.commands.ending import INTERRUPTED, STOPPED, plain

TRIANGLE = "o “größe”\nv 0 0 0\nv 1 0 0\nv 0 1 0\nvt 0 0\nvt 1 0\nvt 0 1\nf 1/1 2/2 3/3\n"
POSIX = pytest.mark.skipif(os.name != "posix", reason="signals and /dev are POSIX")
# Longer than anything here takes, even on a machine that does other work.
LONG = 120
WAITS = {
    "in Python": "while True: time.sleep(0.01)",
    # One call that hears of no signal for minutes.
    "in C": "hashlib.pbkdf2_hmac('sha256', b'', b'', 1_000_000_000)",
    "in a thread": "list(pool.map(lambda _: hashlib.pbkdf2_hmac('sha256', b'', b'', 10**9), [1]))",
    "as a compiled loop ends": "wait_and_fail()",
}
RUN = """
import hashlib, sys, time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from cagecheck.commands.ending import run_to_the_end
from cagecheck.files import OutputFolder, replace_file

def wait_and_fail():
    try:
        while True: time.sleep(0.01)
    except KeyboardInterrupt as error:
        raise SystemError("returned a result with an exception set") from error

def run():
    with OutputFolder("out") as out, replace_file("one.txt") as one, ThreadPoolExecutor() as pool:
        out.add("half.txt").write_text("half")
        print("ready", flush=True)
        WAIT

run_to_the_end(run)
"""


# Where Ctrl-C comes while the watch for it begins or ends.
AROUND = {
    "before the watch": "codecs.register_error",
    "as its thread starts": "threading.Thread.start",
    "as its thread is awaited": "threading.Event.wait",
    "as it ends": "threading.Event.set",
}
INTERRUPT_AROUND = """
import codecs, os, signal, threading
from cagecheck.commands.ending import run_to_the_end
usual = WHERE
def interrupted(*given, **named):
    os.kill(os.getpid(), signal.SIGINT)
    return usual(*given, **named)
WHERE = interrupted
run_to_the_end(lambda: None)
"""


def environment(**more):
    here = os.pathsep.join(filter(None, [str(Path.cwd()), *sys.path]))
    return os.environ | {"PYTHONPATH": here} | more


@POSIX
@pytest.mark.parametrize("where", WAITS)
def test_an_interrupt_ends_in_one_line_and_leaves_nothing(tmp_path, where):
    with subprocess.Popen(
        [sys.executable, "-c", RUN.replace("WAIT", WAITS[where])],
        cwd=tmp_path, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout.readline() == "ready\n"
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=LONG)
    assert said == STOPPED + "\n"
    assert process.returncode == INTERRUPTED
    assert [p for p in tmp_path.rglob("*") if p != tmp_path / "out"] == []


@POSIX
@pytest.mark.parametrize("where", AROUND)
def test_an_interrupt_around_the_work_ends_in_one_line(tmp_path, where):
    done = subprocess.run(
        [sys.executable, "-c", INTERRUPT_AROUND.replace("WHERE", AROUND[where])],
        cwd=tmp_path, env=environment(), capture_output=True, text=True, timeout=LONG, check=False,
    )  # fmt: skip
    assert done.stderr == STOPPED + "\n"
    assert done.returncode == INTERRUPTED


@POSIX
def test_an_interrupt_while_it_starts_to_load_ends_without_a_word(tmp_path):
    begin = (
        "import os, signal, sys\n"
        "class Interrupt:\n"
        "    def find_spec(self, name, *_):\n"
        "        if name == 'cagecheck.commands.ending':\n"
        "            os.kill(os.getpid(), signal.SIGINT)\n"
        "sys.meta_path.insert(0, Interrupt())\n"
        "from cagecheck.__main__ import main\n"
        "main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", begin],
        cwd=tmp_path, env=environment(), capture_output=True, text=True, timeout=LONG, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (-signal.SIGINT, "", "")


@POSIX
def test_a_command_is_interrupted_while_it_loads_or_works(tmp_path):
    (tmp_path / "low.obj").write_text(TRIANGLE)
    command = [sys.executable, "-m", "cagecheck", "predict", "low.obj", "low.obj", "--out", "out"]
    with subprocess.Popen(
        command, cwd=tmp_path, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True,
    ) as process:  # fmt: skip
        # Ctrl-C is heard as soon as there is a second thread, which watches for it.
        threads = Path(f"/proc/{process.pid}/task")
        begin = time.monotonic()
        while threads.exists() and len(list(threads.iterdir())) < 2:
            assert time.monotonic() < begin + LONG
            time.sleep(0.01)
        if not threads.exists():
            time.sleep(1.0)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=LONG)
    assert said == STOPPED + "\n"
    assert process.returncode == INTERRUPTED
    assert {p.name for p in tmp_path.iterdir()} <= {"low.obj"}


def run(tmp_path, *words, stdout=subprocess.PIPE, **more):
    (tmp_path / "low.obj").write_text(TRIANGLE, encoding="utf-8")
    return subprocess.run(
        [sys.executable, "-m", "cagecheck", *words], cwd=tmp_path, env=environment(**more),
        stdout=stdout, stderr=subprocess.PIPE, timeout=5 * LONG, check=False,
    )  # fmt: skip


@POSIX
@pytest.mark.parametrize("words", [("--help",), ("tiles", "show", "low.obj", "--json")])
def test_a_reader_that_goes_away_is_no_error(tmp_path, words):
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "wb") as closed:
        done = run(tmp_path, *words, stdout=closed)
    assert done.stderr == b"" and done.returncode == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full")
@pytest.mark.parametrize("words", [("--help",), ("tiles", "show", "low.obj", "--json")])
def test_a_full_output_is_said_in_one_line(tmp_path, words):
    with Path("/dev/full").open("wb") as full:
        done = run(tmp_path, *words, stdout=full)
    assert done.stderr.count(b"\n") == 1 and b"cannot write its standard output" in done.stderr
    assert done.returncode == 2


@pytest.mark.long
@pytest.mark.parametrize(
    "speaks", [{"PYTHONIOENCODING": "ascii"}, {"LC_ALL": "C", "PYTHONUTF8": "0",
               "PYTHONCOERCECLOCALE": "0"}, {"PYTHONIOENCODING": "latin-1"}],
)  # fmt: skip
def test_terminals_of_few_characters_get_plain_ones(tmp_path, speaks):
    done = run(tmp_path, "tiles", "show", "low.obj", **speaks)
    assert done.returncode == 0, done.stderr
    assert done.stderr == b""
    said = done.stdout.decode(speaks.get("PYTHONIOENCODING", "ascii"))
    assert "1001" in said
    missing = run(tmp_path, "tiles", "show", "größe.obj", **speaks)
    assert missing.returncode == 2 and b"Traceback" not in missing.stderr
    assert b"cannot go on" in missing.stderr


def test_what_stands_for_a_character_is_ascii():
    assert [plain(c) for c in "“ö…²漢"] == ['"', "o", "...", "2", "?"]
