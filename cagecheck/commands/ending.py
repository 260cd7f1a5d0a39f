"""How the command line ends: Ctrl-C, a closed or full standard output, terminals of few characters.

None of these is an error of the program, so none ends in a traceback. Loaded before everything
else, so only the standard library is used here.
"""

from __future__ import annotations

import codecs
import errno
import os
import signal
import socket
import sys
import threading
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import NoReturn, TextIO

# As shells have it: 128 and the number of the signal (POSIX, "2.8.2 Exit Status for Commands").
INTERRUPTED = 130
CANNOT_WRITE = 2
# What runs in C notices Ctrl-C when it is done; who waits longer than this is let go all the same.
PATIENCE_S = 0.7
STOPPED = "cagecheck: stopped; nothing half-written is left."
# What terminals without these characters get instead; other letters lose their accents.
PLAIN = {
    "“": '"', "”": '"', "‘": "'", "’": "'", "–": "-", "—": "-", "…": "...", "×": "x", "²": "2",
    "³": "3", "°": " deg", "→": "->", "≤": "<=", "≥": ">=", "±": "+-", "µ": "u", "½": "1/2",
    "━": "=", "─": "-", "│": "|", "┃": "|", "\N{NO-BREAK SPACE}": " ", "\N{THIN SPACE}": " ",
    "\N{NARROW NO-BREAK SPACE}": " ", "\N{MINUS SIGN}": "-",
}  # fmt: skip
_HANDLER = "cagecheck.plain"


def run_to_the_end(run: Callable[[], object]) -> NoReturn:
    """Run the command line and end the process in plain words, whatever comes in between."""
    usual = _leave_on_interrupt()
    speak_plainly()
    code: int | str | None = 0
    with _watching_for_interrupt() as interrupted:
        try:
            with _interrupts_raised(usual):
                run()
        except SystemExit as end:
            # Where the reader went away the command line's library ends with the code of defects.
            code = 0 if isinstance(end.__context__, BrokenPipeError) else end.code
        except BaseException as error:
            # A compiled loop that is interrupted ends with an error of another kind.
            if isinstance(error, BrokenPipeError):
                code = 0
            elif isinstance(error, OSError) and _is_full(error):
                code = _say_full(error)
            elif isinstance(error, KeyboardInterrupt) or interrupted.is_set():
                code = INTERRUPTED
            else:
                raise
    if code == INTERRUPTED:
        _leave()
    sys.exit(_flushed(code))


def speak_plainly() -> None:
    """Let standard output and error put plain characters for those that they cannot write."""
    codecs.register_error(_HANDLER, _plain)
    for stream in (sys.stdout, sys.stderr):
        encoding = getattr(stream, "encoding", None) or "utf-8"
        if not encoding.lower().startswith("utf") and hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=_HANDLER)


def _plain(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(plain(c) for c in error.object[error.start : error.end]), error.end


def plain(character: str) -> str:
    """Return what stands for a character in ASCII."""
    if character in PLAIN:
        return PLAIN[character]
    bare = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode()
    return bare or "?"


def _leave_on_interrupt() -> bool:
    """Let Ctrl-C end the process at once; return whether it does, as nobody else handles it."""
    with suppress(ValueError):  # another thread than the main one
        if signal.getsignal(signal.SIGINT) in (signal.default_int_handler, signal.SIG_DFL):
            signal.signal(signal.SIGINT, lambda _number, _frame: _leave())
            return True
    return False


@contextmanager
def _interrupts_raised(usual: bool) -> Iterator[None]:
    """Let Ctrl-C raise KeyboardInterrupt in here, and end the process at once before and after."""
    if usual:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    finally:
        if usual and signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            _leave_on_interrupt()


@contextmanager
def _watching_for_interrupt() -> Iterator[threading.Event]:
    """Yield what tells that Ctrl-C was pressed; end the process when that goes unheard."""
    interrupted, over = threading.Event(), threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield interrupted
        return
    told, tells = socket.socketpair()
    tells.setblocking(False)
    before = signal.set_wakeup_fd(tells.fileno(), warn_on_full_buffer=False)

    def watch() -> None:
        while (number := told.recv(1)) != b"":
            # Whoever has a handler of its own, or ignores it, sees to its end by itself.
            usual = signal.getsignal(signal.SIGINT) is signal.default_int_handler
            if number[0] == signal.SIGINT and usual:
                interrupted.set()
                if not over.wait(PATIENCE_S):
                    _leave()
                return

    threading.Thread(target=watch, daemon=True).start()
    try:
        yield interrupted
    finally:
        over.set()
        signal.set_wakeup_fd(before)
        tells.close()


def _leave() -> NoReturn:
    """End the process after Ctrl-C, without waiting for threads."""
    if "cagecheck.files" in sys.modules:
        sys.modules["cagecheck.files"].remove_unfinished()
    with suppress(OSError, ValueError, AttributeError):
        sys.stdout.flush()
    with suppress(OSError, ValueError):
        print(STOPPED, file=sys.stderr, flush=True)
    os._exit(INTERRUPTED)


def _flushed(code: int | str | None) -> int | str | None:
    """Write what is still waiting; return the exit code, another one where that cannot be done."""
    if sys.stdout is None:  # it was closed before the start
        return code
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _silence(sys.stdout)
    except OSError as error:
        code = _say_full(error)
    except ValueError:
        pass  # closed by someone on purpose
    return code


def _is_full(error: OSError) -> bool:
    return error.filename is None and error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO)


def _say_full(error: OSError) -> int:
    _silence(sys.stdout)
    with suppress(OSError, ValueError):
        print(
            f"cagecheck cannot write its standard output ({error.strerror}). Free some space, or "
            "send it elsewhere.",
            file=sys.stderr,
        )
    return CANNOT_WRITE


def _silence(stream: TextIO) -> None:
    """Send the rest to nowhere, so that the end of the process is not an error once more."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
