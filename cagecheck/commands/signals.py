"""What ends a command that goes on until it is ended."""

from __future__ import annotations

import signal
from types import FrameType

# Ctrl-C, a request to end, and (where there is such a signal) the terminal that goes away.
_ENDING = [
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
]


def listen_to_signals() -> None:
    """Let signals raise KeyboardInterrupt; those that the process was started to ignore stay so."""
    for number in _ENDING:
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _interrupt)


def _interrupt(number: int, frame: FrameType | None) -> None:
    """End as at Ctrl-C, and once only: what is put in order then is not to be interrupted."""
    for other in _ENDING:
        signal.signal(other, signal.SIG_IGN)
    raise KeyboardInterrupt
