"""Samples shared out among the cores, in blocks that a compiled loop takes whole."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

# Samples a core takes at a time: a millisecond or so of work, much more than handing it over costs.
BLOCK = 1 << 16


def usable_cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def in_blocks(count: int, work: Callable[[int, int], object], size: int = BLOCK) -> None:
    """Call `work` with the ends of every block of 0 to `count`, on all cores.

    size : how long a block is, for work that takes longer than a few passes over the samples.

    The loops must let go of the interpreter (``nogil``) and write nothing outside of their block.
    """
    begins = range(0, count, size)
    if len(begins) <= 1:
        work(0, count)
        return
    with ThreadPoolExecutor(usable_cores()) as pool:
        list(pool.map(lambda begin: work(begin, min(begin + size, count)), begins))
