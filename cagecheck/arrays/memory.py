"""Memory of arrays that are gone goes back to the system."""

from __future__ import annotations

import ctypes
import sys


def give_back() -> None:
    """Have the C library return what it keeps of freed memory, where it can be asked to.

    That of most Linux systems (glibc) keeps freed blocks of up to 32 MiB for later ones, which may
    add up to a third of what a process takes. Elsewhere this does nothing.
    """
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)
