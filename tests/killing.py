"""Work that is killed at every single file operation.

Operations are counted by Python's own audit events (PEP 578), which are raised before the system is
asked: killing before the k-th, for every k, leaves every state that a kill can leave between two
of them. `each_kill` forks, so it belongs into a process without threads: `python -m tests.killing`
runs the cases of `cagecheck.files` and prints what each kill left, as one JSON line.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

_CHANGES = {
    "os.rename", "os.link", "os.remove", "os.mkdir", "os.rmdir", "os.chmod", "os.chown",
    "os.truncate", "os.symlink",
}  # fmt: skip
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT
FAILED = 3


def die_at(stop: int, root: Path) -> None:
    """End this process by SIGKILL before its `stop`-th change of a file below `root`."""
    done, here = 0, str(root)

    def count(event: str, args: tuple[object, ...]) -> None:
        nonlocal done
        if event not in _CHANGES and not (event == "open" and _writes(args)):
            return
        path = os.fsdecode(args[0]) if isinstance(args[0], str | bytes | os.PathLike) else ""
        if path.startswith("/") and not path.startswith(here):
            return
        done += 1
        if done == stop:
            os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(count)


def _writes(args: tuple[object, ...]) -> bool:
    return isinstance(args[2], int) and bool(args[2] & _WRITING)


def each_kill(
    root: Path,
    prepare: Callable[[Path], None],
    work: Callable[[Path], None],
    *,
    first: int = 1,
    stride: int = 1,
) -> Iterator[tuple[int, Path, int]]:
    """Yield the number of a kill, the folder that it left and the exit status.

    Every kill has a folder of its own, filled by `prepare`. The last one is not killed any more.
    """
    stop = first
    while True:
        folder = root / f"{stop:05d}"
        folder.mkdir(parents=True)
        prepare(folder)
        child = os.fork()
        if child == 0:
            code = FAILED
            try:
                die_at(stop, folder)
                work(folder)
                code = 0
            finally:
                os._exit(code)
        _, status = os.waitpid(child, 0)
        yield stop, folder, status
        if not os.WIFSIGNALED(status):
            return
        stop += stride


def contents(folder: Path) -> dict[str, str]:
    """Return every visible file of a folder and what it says; files below hidden names are not."""
    files = {str(p.relative_to(folder)): p for p in sorted(folder.rglob("*")) if p.is_file()}
    return {
        name: path.read_text()
        for name, path in files.items()
        if not name.startswith(".") and "/." not in name
    }


def hidden(folder: Path) -> list[str]:
    """Return what lies hidden anywhere in a folder."""
    return [str(path.relative_to(folder)) for path in folder.rglob(".*")]


# The cases of `cagecheck.files`

OLD = {"a.txt": "old a", "maps/b.txt": "old b", "gone.txt": "old only"}
NEW = {"a.txt": "new a", "maps/b.txt": "new b", "maps/deep/c.txt": "new c"}
THEIRS = {"notes.txt": "mine", "maps/mine.txt": "mine too"}


def fill(folder: Path, files: dict[str, str]) -> None:
    """Write files into a folder."""
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)


def main() -> None:
    """Run one case: the state of the folder before, and how it is written."""
    from cagecheck import staging
    from cagecheck.files import OutputFolder, replace_file

    root, before, how = Path(sys.argv[1]), sys.argv[2], sys.argv[3]

    def prepare(folder: Path) -> None:
        if before == "empty":
            (folder / "out").mkdir()
        if before == "used":
            fill(folder / "out", OLD | THEIRS)

    def work(folder: Path) -> None:
        if how == "renames":  # as on systems that cannot exchange two names
            staging.sys.platform = "other"  # type: ignore[attr-defined, misc]
        if how == "file":
            with replace_file(folder / "out" / "a.txt", force=True) as path:
                path.write_text(NEW["a.txt"])
            return
        with OutputFolder(folder / "out", force=True, is_shared=how == "shared") as out:
            for name, text in NEW.items():
                out.add(name).write_text(text)

    for stop, folder, status in each_kill(root, prepare, work):
        left = contents(folder)
        staging.recover(folder / "out")
        row = {
            "stop": stop,
            "killed": os.WIFSIGNALED(status),
            "code": None if os.WIFSIGNALED(status) else os.WEXITSTATUS(status),
            "left": left,
            "recovered": contents(folder),
            "hidden": hidden(folder),
        }
        print(json.dumps(row))


if __name__ == "__main__":
    main()
