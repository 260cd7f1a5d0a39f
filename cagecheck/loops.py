"""Compiled loops: numba's `njit` and `cfunc`, kept in files that may be missing, damaged or locked.

Loops are compiled when they are first called and kept in the first folder that can be written
(`cagecheck.compiled`). Whatever is wrong with such a file or folder, work goes on: what cannot be
read is compiled again and written anew, what cannot be written is compiled in memory, and a line in
the log says so once.

A file holds one loop for one signature: a checksum over the state of the code and the contents,
then the contents. Its name follows from the loop, the signature, the processor and the versions;
so no list of files is needed, which two processes that compile at the same time could both change.
What one process compiles others wait for: many that begin together (a batch on a new machine) would
else each compile everything.
"""

from __future__ import annotations

import functools
import hashlib
import inspect
import logging
import os
import pickle
import secrets
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import llvmlite
import numba
from numba.core import sigutils
from numba.core.caching import _Cache
from numba.core.ccallback import CFunc
from numba.core.compiler import CompileResult
from numba.core.runtime import rtsys
from numba.core.serialize import dumps

from cagecheck import compiled, locks

log = logging.getLogger(__name__)

# Length of the checksum at the beginning of a file.
_CHECKSUM = hashlib.sha256().digest_size
_PACKAGE = Path(compiled.__file__).parent
# Seconds between two looks at what another process compiles, and after which it is no longer waited
# for: no loop takes as long, even on a machine that has much else to do.
_LOOK, _PATIENCE = 0.03, 180.0
# Folders that could not be written in this process, and why.
_refused: dict[Path, str] = {}
# What was said about it: once is enough.
_said: list[str] = []
# What this process compiles now, by the name of its file: others see that it is locked.
_making: dict[str, locks.Lock] = {}


def njit(
    *, cache: bool, makes_arrays: bool = True, **options: Any
) -> Callable[[Callable[..., Any]], Any]:
    """Return the decorator for a compiled loop; the other options are those of numba's `njit`.

    makes_arrays : False for loops that neither make nor return an array, nor call what does. Who
        calls them holds their arrays, so references need no counting, which else is done for every
        array that is handed on to a function with branches, atomically, element by element: most of
        the time of many a loop.
    """
    if not makes_arrays:
        options["_nrt"] = False

    def decorate(function: Callable[..., Any]) -> Any:
        loop = numba.njit(**options)(function)
        if cache and loop is not function:  # it is where numba is told to compile nothing
            loop._cache = LoopFiles(function)
        return loop

    return decorate


def cfunc(signature: Any) -> Callable[[Callable[..., Any]], Any]:
    """Return the decorator for a compiled function that C code calls; it is compiled at once."""
    normal = sigutils.normalize_signature(signature)

    def decorate(function: Callable[..., Any]) -> Any:
        callback: Any = CFunc(function, normal, locals={}, options={})
        callback._cache = LoopFiles(function)
        callback.compile()
        return callback

    return decorate


class LoopFiles(_Cache):
    """The files of one loop, as numba asks for them."""

    def __init__(self, function: Callable[..., Any]) -> None:
        assert function.__closure__ is None, "what a closure holds is in no file's name"
        self._function = function
        self._source = Path(inspect.getfile(function))
        self._name = f"{function.__module__}.{function.__qualname__}".replace("<locals>.", "")
        self._enabled = True

    @property
    def cache_path(self) -> str | None:
        """The folder that numba shows people."""
        folder = compiled.cache_folder()
        return None if folder is None else str(folder)

    def enable(self) -> None:
        """Read and write files."""
        self._enabled = True

    def disable(self) -> None:
        """Read and write no files."""
        self._enabled = False

    def flush(self) -> None:
        """Forget the files of this loop."""
        for folder in _folders():
            for path in folder.glob(f"{self._name}-*.nbc"):
                with suppress(OSError):
                    path.unlink()

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Return the compiled loop for a signature; None where it has to be compiled."""
        # What is loaded needs numba's memory functions. What else compiling needs takes longer to
        # import than loops to load, and the compiler sees to it (`refresh` is its first step).
        rtsys.initialize(target_context)
        name = self._file_name(sig, target_context.codegen())
        loop = self._load(name, target_context)
        if loop is not None:
            return loop
        for told in tuple(compiled.watchers):
            told(self._name)
        patience = time.monotonic() + _PATIENCE
        while self._enabled and not _claim(name) and time.monotonic() < patience:
            time.sleep(_LOOK)
            loop = self._load(name, target_context)
            if loop is not None:
                return loop
        # Between the first look and the claim another process may have ended its work.
        return self._load(name, target_context)

    def _load(self, name: str, target_context: Any) -> Any:
        """Return the loop of a file, from the first folder that has a sound one."""
        for folder in _folders() if self._enabled else ():
            with suppress(OSError):
                contents = self._unsealed((folder / name).read_bytes(), folder)
                if contents is not None:
                    # A file that is whole may still not suit libraries that changed.
                    with suppress(Exception):
                        return CompileResult._rebuild(target_context, *pickle.loads(contents))
        return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep what was compiled for a signature, where that can be."""
        name = self._file_name(sig, data.codegen)
        try:
            # Lifted loops and addresses of this process mean nothing to another one.
            if self._enabled and not data.lifted and not data.library.has_dynamic_globals:
                self._keep(name, dumps(data._reduce()))
        finally:
            claim = _making.pop(name, None)
            if claim is not None:
                claim.release(remove=True)

    def _file_name(self, sig: Any, codegen: Any) -> str:
        fitting = (
            repr(sig), codegen.magic_tuple(), sys.version_info[:2], numba.__version__,
            llvmlite.__version__,
        )  # fmt: skip
        return f"{self._name}-{hashlib.sha256(repr(fitting).encode()).hexdigest()[:16]}.nbc"

    def _keep(self, name: str, contents: bytes) -> None:
        """Write a file into the first folder that takes it; say once where none does."""
        for folder in _folders():
            if folder in _refused or folder == compiled.SHIPPED:
                continue
            sealed = _checksum(_state(self._source, folder), contents) + contents
            try:
                _write_whole(folder / name, sealed)
            except OSError as error:
                _refused[folder] = error.strerror or str(error)
            else:
                return
        if not _said:
            _said.append(refusal() or "")
            log.warning("%s", _said[0])

    def _unsealed(self, data: bytes, folder: Path) -> bytes | None:
        contents = data[_CHECKSUM:]
        whole = data[:_CHECKSUM] == _checksum(_state(self._source, folder), contents)
        return contents if whole else None


def _claim(name: str) -> bool:
    """Whether it is for this process to compile a loop: nobody else does, or nobody can tell."""
    if name in _making:
        return True
    for folder in _folders():
        if folder in _refused or folder == compiled.SHIPPED:
            continue
        with suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            claim = locks.take(folder / f"{name}.making")
            if claim is not None:
                _making[name] = claim
            return claim is not None
    return True


def _checksum(state: bytes, contents: bytes) -> bytes:
    return hashlib.sha256(state + contents).digest()


@functools.cache
def _state(source: Path, folder: Path) -> bytes:
    """Return what tells this state of the code from others, for loops in a folder.

    All compiled sources count. Only in the folder of `NUMBA_CACHE_DIR` each file goes by itself, as
    with numba: who works on the code waits for the loops that changed, and sees to it that those
    that call them change, too.
    """
    by_file = os.environ.get(compiled.VARIABLE) == str(folder)
    if by_file or not source.is_relative_to(_PACKAGE):
        return hashlib.sha256(source.read_bytes()).digest()
    return compiled.own_digest().encode()


@functools.cache
def _folders() -> tuple[Path, ...]:
    compiled.mark_used()
    return compiled.folders()


def _write_whole(path: Path, data: bytes) -> None:
    """Write a file that others see whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f"{path.name}.{secrets.token_hex(6)}")
    try:
        beside.write_bytes(data)
        beside.replace(path)
    except BaseException:
        with suppress(OSError):
            beside.unlink()
        raise


def refusal() -> str | None:
    """Say why compiled loops cannot be kept; None as long as they can."""
    takers = [folder for folder in _folders() if folder != compiled.SHIPPED]
    if any(folder not in _refused for folder in takers):
        return None
    tried = "; ".join(f"{folder}: {why}" for folder, why in _refused.items())
    return (
        f"compiled inner loops cannot be kept ({tried or 'this user has no home folder'}), so "
        "every start compiles them again, about half a minute. Free space there, or set "
        f"{compiled.OWN_VARIABLE} to a folder that can be written."
    )
