"""Blocks shared out among threads: each once, and errors come out."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from cagecheck.arrays import blocks
from cagecheck.arrays.blocks import in_blocks


@pytest.mark.parametrize("cores", [1, 2, 5])
@pytest.mark.parametrize("count", [0, 1, 10, 11, 64])
def test_every_place_is_worked_on_once(monkeypatch, cores, count):
    monkeypatch.setattr(blocks, "usable_cores", lambda: cores)
    done, lengths = np.zeros(count, int), []

    def work(begin: int, end: int) -> None:
        done[begin:end] += 1
        lengths.append(end - begin)

    in_blocks(count, work, 10)
    assert (done == 1).all()
    assert max(lengths) <= 10


@pytest.mark.parametrize("failing", ["this thread", "another"])
def test_an_error_in_any_thread_is_raised(monkeypatch, failing):
    monkeypatch.setattr(blocks, "usable_cores", lambda: 2)
    both = threading.Barrier(2, timeout=20)

    def work(begin: int, end: int) -> None:
        both.wait()
        if (threading.current_thread() is threading.main_thread()) == (failing == "this thread"):
            raise ValueError("a block fails")

    with pytest.raises(ValueError, match="a block fails"):
        in_blocks(2, work, 1)
