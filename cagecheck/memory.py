"""Memory that was freed: kept by the process for what comes next, or given back.

A stage makes arrays as long as there are samples, drops them, and the next stage makes others of
the same sizes. The C library would give every large one back to the system at once and ask for new
pages for the next, which the system clears one by one: with some million samples that is a third
of all processor time, and far more in a virtual machine that has to get them from its host.
"""

from __future__ import annotations

import contextlib
import ctypes
import sys

# Numbers of settings in glibc's malloc.h.
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
# Arrays up to this many bytes come from what is kept. Larger ones would leave gaps that nothing
# else fits into: with everything kept, 40 million triangles take a tenth more memory.
KEPT_UP_TO = 1 << 28
# So many free bytes at most stay at the end of what is kept.
FREE_AT_MOST = 1 << 30


def keep_freed_memory() -> None:
    """Have this process keep what it frees, for itself.

    For processes that do one thing and end: commands. Those that wait for hours should give back
    what they do not need. Changes nothing where the C library is another one than glibc.
    """
    with contextlib.suppress(AttributeError, OSError, TypeError):
        library = ctypes.CDLL(None)
        # Other libraries have a function of that name, whose numbers mean other things.
        if hasattr(library, "gnu_get_libc_version"):
            library.mallopt(_MMAP_THRESHOLD, KEPT_UP_TO)
            library.mallopt(_TRIM_THRESHOLD, FREE_AT_MOST)


def give_back() -> None:
    """Have this process return what it keeps of freed memory, where the C library is glibc.

    Before what takes most memory of all: between blocks that are held, what was freed may add up
    to a third of what a process takes.
    """
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
    if trim is not None:
        trim(0)
