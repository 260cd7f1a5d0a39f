"""Samples shared out among the cores, in blocks that a compiled loop takes whole."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields
from typing import TypeVar

from cagecheck.rays.cage import Rays
from cagecheck.rays.points import SurfacePoints
from cagecheck.rays.scene import usable_cores

_Record = TypeVar("_Record", SurfacePoints, Rays)

# Samples a core takes at a time: a millisecond or so of work, much more than handing it over costs.
BLOCK = 1 << 16


def in_blocks(count: int, work: Callable[[int, int], object]) -> None:
    """Call `work` with the ends of every block of 0 to `count`, on all cores.

    The loops must let go of the interpreter (``nogil``) and write nothing outside of their block.
    """
    begins = range(0, count, BLOCK)
    if len(begins) <= 1:
        work(0, count)
        return
    with ThreadPoolExecutor(usable_cores()) as pool:
        list(pool.map(lambda begin: work(begin, min(begin + BLOCK, count)), begins))


def part_of(record: _Record, here: slice) -> _Record:
    """Return the points or rays of a block, whose arrays are parts of the whole ones."""
    return type(record)(**{f.name: getattr(record, f.name)[here] for f in fields(record)})
