"""Files that a native library reads, in a process of its own; `child_side` is the other end.

A damaged file must not be able to end the caller, hang it or fill the memory. The process gets no
plugins from the environment and is ended when it takes too long.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from threading import Thread, Timer
from types import ModuleType
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import InputError
from cagecheck.formats import child_side
from cagecheck.formats.file_bytes import MOST_GROWTH

_LEAST_MEMORY = 512 << 20
# A file of 1 MiB is read in well under a second; a process that needs this long hangs.
_LEAST_SECONDS = 120.0
_SECONDS_A_BYTE = 2.0 / (1 << 20)
_LONGEST_LINE = 1 << 30
# Variables by which a library of scenes is told to load plugins.
_NO_PLUGINS = "PXR_"
# One thread is as fast as several for what is read here, and takes a known amount of memory.
_ONE_THREAD = {"PXR_WORK_THREAD_LIMIT": "1"}
CURE = "Export it again, or as OBJ or GLB."


@dataclass(frozen=True)
class Library:
    """A library that may be missing: what it reads, its package, and the extra that brings it."""

    reads: str
    package: str
    extra: str


def ask(
    path: str,
    size: int,
    library: Library,
    script: ModuleType,
    arguments: dict[str, Any],
    data: Sequence[NDArray[Any]] = (),
) -> tuple[dict[str, Any], list[NDArray[Any]]]:
    """Let `script` take a file apart in a process of its own; return its answer and arrays.

    path, size : of the file, bytes. arguments : JSON values for it; `memory` (bytes) is added.
    data : arrays whose bytes it finds on its standard input, one after another. Raises `InputError`
    where the library is missing, breaks off, hangs, or says what is wrong with the file.
    """
    assert script.__file__ is not None
    limit = max(_LEAST_MEMORY, MOST_GROWTH * size)
    given = json.dumps(arguments | {"memory": limit})
    environment = {k: v for k, v in os.environ.items() if not k.startswith(_NO_PLUGINS)}
    with subprocess.Popen(
        [sys.executable, "-P", child_side.__file__, script.__file__],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment | _ONE_THREAD,
    ) as child:
        assert child.stdin is not None and child.stdout is not None
        late = Timer(_LEAST_SECONDS + size * _SECONDS_A_BYTE, child.kill)
        late.daemon = True
        late.start()
        feeder = Thread(target=_feed, args=(child.stdin, given, data), daemon=True)
        feeder.start()
        try:
            return _received(path, library, child.stdout)
        finally:
            late.cancel()
            child.kill()
            feeder.join()


def _feed(stream: BinaryIO, arguments: str, data: Sequence[NDArray[Any]]) -> None:
    with contextlib.suppress(OSError, ValueError):  # it may end without reading all
        stream.write(arguments.encode() + b"\n")
        for array in data:
            stream.write(np.ascontiguousarray(array).reshape(-1).view(np.uint8).data)
        stream.close()


def _received(
    path: str, library: Library, stream: Any
) -> tuple[dict[str, Any], list[NDArray[Any]]]:
    broken = InputError(
        f"the {library.reads} library broke off while reading this file.", file=path, cure=CURE
    )
    try:
        answer = json.loads(stream.readline(_LONGEST_LINE))
    except ValueError:
        raise broken from None
    if "missing" in answer:
        raise InputError(
            f"reading {library.reads} needs the library {library.package}, which is not installed.",
            file=path,
            cure=f"Install it with: pip install 'cagecheck[{library.extra}]', or export as OBJ "
            "or GLB.",
        )
    if "refused" in answer:
        what, cure = answer["refused"]
        raise InputError(what, file=path, cure=cure)
    if "error" in answer:
        article = "an" if library.reads[0] in "AEFILMNORSX" else "a"
        raise InputError(
            f"this does not read as {article} {library.reads} file ({answer['error']}).",
            file=path,
            cure=CURE,
        )
    arrays = []
    for code, shape in answer["arrays"]:
        array = np.empty(math.prod(shape), code)
        view, done = array.view(np.uint8).data, 0
        while done < array.nbytes:
            got = stream.readinto(view[done:])
            if not got:
                raise broken
            done += got
        arrays.append(array.reshape(shape))
    return answer, arrays
