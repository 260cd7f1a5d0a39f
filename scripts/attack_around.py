"""Surroundings that lack something: commands run there, and what becomes of them is counted."""

from __future__ import annotations

import argparse
import atexit
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from attack_counts import Count, LostError

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from cagecheck.formats.write_mesh import write_mesh  # noqa: E402
from cagecheck.maps.pictures import Picture, write_picture  # noqa: E402
from cagecheck.staging import PREFIX  # noqa: E402
from tests.scenes.tiles import patch_mesh  # noqa: E402
from tests.watching.scene import write_scene  # noqa: E402

CAGECHECK = [sys.executable, "-m", "cagecheck"]
NOBODY = 65534


# Listens to Python's own audit events (PEP 578) of every process: who asks for the network is told
# of, and refused.
NO_NETWORK = """
import sys
def refuse(event, args):
    if event in ("socket.connect", "socket.getaddrinfo", "socket.sendto", "urllib.Request"):
        sys.stderr.write("asked for the network: " + event + "\\n")
        raise OSError("there is no network")
sys.addaudithook(refuse)
"""
# Several commands in one process; the exit code is that of the worst.
SEVERAL = """
import sys
from cagecheck.cli import main
worst = 0
for line in sys.argv[1:]:
    sys.argv = ["cagecheck", *line.split("|")]
    try:
        main()
    except SystemExit as end:
        worst = max(worst, end.code or 0)
sys.exit(worst)
"""
FEW = "--samples|600|--size|64|--force"
FUTURE, PAST = 4e9, 1.0  # the year 2096, and 1970


@dataclass(frozen=True)
class Case:
    """A surrounding: the command lines run in it at once, and what must hold afterwards.

    codes : exit codes that may come. check : raises `LostError` where files are not as they should
    be.
    """

    lines: list[list[str]]
    how: dict[str, Any] = field(default_factory=dict)
    codes: tuple[int, ...] = (0,)
    check: Callable[[], None] = lambda: None


def attack_surroundings(args: argparse.Namespace, made: Path) -> Iterator[Count]:
    """Run commands where something that they rely on is missing."""
    if args.only and "around" not in args.only:
        return
    write_mesh(patch_mesh(), made / "hero.obj", force=True)
    cases = _cases(made) | _no_network(made, args.short)
    if args.short:  # tests/commands/test_ending.py has these
        cases = {name: case for name, case in cases.items() if "output" not in name}
    if not args.short and sys.platform == "linux" and os.geteuid() == 0:
        cases |= _another_user(made)
    for name, case in cases.items():
        yield _tried(f"around: {name}", case)


def _tried(name: str, case: Case) -> Count:
    count, start = Count(name), time.monotonic()
    running = [
        subprocess.Popen(
            line, **{"cwd": ROOT, "text": True, "stdout": subprocess.PIPE,
                     "stderr": subprocess.PIPE} | case.how,
        )
        for line in case.lines
    ]  # fmt: skip
    for process in running:
        count.tried += 1
        try:
            out, errors = process.communicate(timeout=300)
        except subprocess.TimeoutExpired:
            process.kill()
            count.hangs += 1
            continue
        count.refused += process.returncode == 2
        told = (out or "") + (errors or "")
        if (
            "Traceback" in told
            or "asked for the network" in told
            or process.returncode not in case.codes
        ):
            count.tracebacks += 1
            print(f"{name}: exit code {process.returncode}: {told[-1500:]}")
    try:
        case.check()
    except LostError as error:
        count.lost += 1
        print(f"{name}: {error}")
    count.seconds = time.monotonic() - start
    return count


def _cases(made: Path) -> dict[str, Case]:
    low = str(made / "hero.obj")
    show = [*CAGECHECK, "tiles", "show", low]
    out = [*CAGECHECK, "tiles", "materials", low, "--force", "--out"]
    kept = {k: v for k, v in os.environ.items() if k in ("PATH", "NUMBA_CACHE_DIR", "LANG")}
    (made / "big.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\n" + "f 1 2 3\n" * 2_000_000)
    both, jumped = made / "both", made / "jumped"
    for folder in (both, jumped):
        folder.mkdir()
    shutil.copy(low, jumped / "in.obj")
    (jumped / (PREFIX + "0123456789ab")).mkdir()
    for path, when in ((jumped / "in.obj", FUTURE), (jumped / (PREFIX + "0123456789ab"), FUTURE)):
        os.utime(path, (when, when))
    os.utime(low, (PAST, PAST))
    again = [*CAGECHECK, "tiles", "materials", str(jumped / "in.obj"), "--force", "--out"]
    return {
        "no HOME": Case([show], {"env": kept}),
        "closed output": Case([["sh", "-c", 'exec "$@" >&-', "sh", *show]]),
        "full output": Case([["sh", "-c", 'exec "$@" >/dev/full', "sh", *show]], codes=(2,)),
        "output closed by its reader": Case([["sh", "-c", '"$@" | true', "sh", *show]]),
        "a folder that takes nothing": Case([[*out, "/proc/t.obj"]], codes=(2,)),
        "a full disk": Case([_limited("-f 0", *out, str(made / "f.obj"))], codes=(2,)),
        "little memory": Case(
            [_limited("-d 400000", *show[:-1], str(made / "big.obj"))], codes=(2,)
        ),
        "two at once into one folder": Case(
            [[*out, str(both / "t.obj")]] * 2, codes=(0, 2), check=lambda: _whole(both)
        ),
        "a clock that jumped": Case(
            [[*again, str(jumped / "t.obj")]], check=lambda: _whole(jumped)
        ),
    }  # fmt: skip


def _whole(folder: Path) -> None:
    """Check that a folder holds a written mesh with its materials, and nothing hidden."""
    names = {path.name for path in folder.iterdir()}
    if hidden := sorted(name for name in names if name.startswith(".")):
        raise LostError(f"left behind: {hidden}")
    if not {"t.obj", "t.mtl"} <= names:
        raise LostError(f"not whole: {sorted(names)}")


def _no_network(made: Path, is_short: bool) -> dict[str, Case]:
    """Return a case of the main commands without a network, or of `predict` alone."""
    place, aside = made / "offline", made / "sitecustomize"
    for folder in (place, aside):
        folder.mkdir()
    write_scene(place)
    (aside / "sitecustomize.py").write_text(NO_NETWORK)
    flat = np.full((64, 64, 3), (128, 128, 255), np.uint8)
    write_picture(place / "flat.1001.png", Picture(flat), "png")
    lines = [
        f"predict|low.obj|high.ply|--offset|0.02|--depth|0.05|{FEW}|--out|predicted",
        f"tune|low.obj|high.ply|--depth|0.05|{FEW}|--out|tuned",
        "locate|flat.1001.png|low.obj|high.ply|--offset|0.08|--depth|0.05|--force|--out|located",
        "inspect|low.obj|high.ply",
    ]
    written = ["predicted/report.html", "tuned/tuning.json", "located/location.json"]
    if is_short:
        del lines[1:], written[1:]
    apart = ["unshare", "-n"] if _may_unshare() else []
    path = os.pathsep.join([str(aside), str(ROOT), os.environ.get("PYTHONPATH", "")])

    def check() -> None:
        for name in written:
            if not (place / name).is_file():
                raise LostError(f"{name} was not written")

    line = [*apart, sys.executable, "-c", SEVERAL, *lines]
    how = {"cwd": place, "env": os.environ | {"PYTHONPATH": path}}
    return {"no network": Case([line], how, codes=(0, 1), check=check)}


def _may_unshare() -> bool:
    if shutil.which("unshare") is None:
        return False
    return (
        subprocess.run(["unshare", "-n", "true"], capture_output=True, check=False).returncode == 0
    )


def _another_user(made: Path) -> dict[str, Case]:
    """Return cases of somebody who may write nowhere but into a folder of their own."""
    if shutil.which("setpriv") is None:
        return {}
    place = Path(tempfile.mkdtemp(prefix="attack-", dir="/tmp"))
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    place.chmod(0o755)
    shutil.copy(made / "hero.obj", place / "hero.obj")
    mine, theirs = place / "mine", place / "theirs"
    for folder in (mine, theirs):
        folder.mkdir()
    os.chown(mine, NOBODY, NOBODY)
    # What a dead process of somebody else left, and nobody else may touch.
    (mine / (PREFIX + "0123456789ab")).mkdir(mode=0o700)
    other = ["setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups"]
    words = [*other, *CAGECHECK, "tiles", "materials", str(place / "hero.obj"), "--force", "--out"]
    how = {"env": {"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT)}, "cwd": place}
    if subprocess.run([*other, sys.executable, "-c", "import cagecheck"], capture_output=True,
                      check=False, **how).returncode:  # fmt: skip
        print("another user cannot read this Python, and is not tried")
        return {}
    return {
        "another user, read-only install, no HOME": Case([[*words, str(mine / "t.obj")]], how),
        "another user, somebody else's folder": Case(
            [[*words, str(theirs / "t.obj")]], how, codes=(2,)
        ),
    }


def _limited(limit: str, *line: str) -> list[str]:
    return ["sh", "-c", f'ulimit {limit}; exec "$@"', "sh", *line]
