"""Freed memory goes back to the system where its C library can be asked."""

from __future__ import annotations

import platform
import resource
import subprocess
import sys
import textwrap

import pytest

# Blocks of 8 MB, each followed by a small one that stays, so that they cannot just be cut off.
KEPT = """
    import ctypes, sys
    import numpy as np
    from cagecheck.arrays.memory import give_back

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
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(KEPT)], capture_output=True, text=True, check=True
    )
    before, after = (int(x) * resource.getpagesize() for x in done.stdout.split())
    assert before - after > 100e6
