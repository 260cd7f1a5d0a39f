"""Freed memory stays with the process that asks for it, up to a size."""

from __future__ import annotations

import platform
import subprocess
import sys

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


def left_of(how: str, size: int) -> tuple[int, int]:
    command = [sys.executable, "-c", BODY, how, str(size)]
    held, left = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    return int(held), int(left)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="is about glibc's malloc")
def test_large_arrays_stay_and_huge_ones_go() -> None:
    for how, size, stays in (
        ("keep", LARGE, True),
        ("leave", LARGE, False),
        ("keep", KEPT_UP_TO + (1 << 20), False),
    ):
        held, left = left_of(how, size)
        assert held >= size >> 20
        assert left >= held - 8 if stays else left < 8, (how, size)
