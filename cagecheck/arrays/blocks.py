"""Samples shared out among the cores, in blocks that a compiled loop takes whole."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

# Samples a core takes at a time: a millisecond or so of work, much more than handing it over costs.
BLOCK = 1 << 16


def usable_cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def even_block(count: int, most: int, cores: int) -> int:
    """Return how long blocks of `count` are, `most` at most, where every core has as many of them.

    So none works on the last block while the others wait.
    """
    blocks = cores * -(-count // (cores * most))
    return -(-count // max(blocks, 1)) if count > most else most


def in_blocks(count: int, work: Callable[[int, int], object], size: int | None = None) -> None:
    """Call `work` with the ends of every block of 0 to `count`, on all cores.

    size : how long a block is, for work that takes longer than a few passes over the samples or
        that counts its blocks; even ones of `BLOCK` at most by default.

    The loops must let go of the interpreter (``nogil``) and write nothing outside of their block.
    """
    cores = usable_cores()
    step = even_block(count, BLOCK, cores) if size is None else size
    begins = deque(range(0, count, step))
    if len(begins) <= 1:
        work(0, count)
        return

    def take_blocks() -> None:
        while True:
            try:
                begin = begins.popleft()
            except IndexError:
                return
            work(begin, min(begin + step, count))

    # This thread works, too: one less to start, and none waits while there is a block left.
    helpers = min(cores, len(begins)) - 1
    with ThreadPoolExecutor(max(helpers, 1)) as pool:
        others = [pool.submit(take_blocks) for _ in range(helpers)]
        try:
            take_blocks()
        finally:
            begins.clear()
    for other in others:
        other.result()
