"""Freed memory stays with the process that asks for it, up to a size, and goes where one asks."""

from __future__ import annotations

import os
import platform
import resource
import subprocess
import sys
import textwrap

import pytest

from cagecheck.memory import KEPT_UP_TO

# Prints how many MiB the process holds more than at first: with an array, and once it is gone.
BODY = """
import sys
import numpy as np
from cagecheck.memory import keep_freed_memory

def resident():
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * 4096 >> 20

if sys.argv[1] == "keep":
    keep_freed_memory()
first = resident()
array = np.ones(int(sys.argv[2]), np.uint8)
held = resident() - first
del array
print(held, resident() - first)
"""
LARGE = 100 << 20  # above what glibc keeps of its own accord (32 MiB at most)


def numbers_of(*command: str) -> tuple[int, int]:
    """Run a program and return the two numbers that it prints."""
    # Settings of the C library that the environment holds (schedulers leave some) would win.
    env = {name: value for name, value in os.environ.items() if not name.startswith("MALLOC_")}
    done = subprocess.run(
        [sys.executable, "-c", *command], env=env, check=True, capture_output=True, text=True
    )
    first, second = done.stdout.split()
    return int(first), int(second)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="is about glibc's malloc")
def test_large_arrays_stay_and_huge_ones_go() -> None:
    for how, size, stays in (
        ("keep", LARGE, True),
        ("leave", LARGE, False),
        ("keep", KEPT_UP_TO + (1 << 20), False),
    ):
        held, left = numbers_of(BODY, how, str(size))
        assert held >= size >> 20
        assert left >= held - 8 if stays else left < 8, (how, size)


# Blocks of 8 MB, each followed by a small one that stays, so that they cannot just be cut off.
KEPT = """
    import ctypes, sys
    import numpy as np
    from cagecheck.memory import give_back

    def resident():
        with open("/proc/self/statm") as file:
            return int(file.read().split()[1])

    # Glibc keeps blocks as large as one that was freed before.
    del_me = np.ones(4_000_000 - 100); del del_me
    large, small = [], []
    for _ in range(20):
        large.append(np.ones(1_000_000))
        small.append(np.ones(1000))
    del large
    before = resident()
    give_back()
    print(before, resident())
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc can be asked")
def test_freed_blocks_go_back() -> None:
    before, after = (n * resource.getpagesize() for n in numbers_of(textwrap.dedent(KEPT)))
    assert before - after > 100e6
