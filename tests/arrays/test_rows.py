"""Rows by label, against a pass per label."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.arrays.rows import rows_by_label


@settings(max_examples=100, deadline=None, derandomize=True)
@given(labels=st.lists(st.integers(-2, 6), max_size=40), count=st.integers(0, 6))
def test_rows_like_a_pass_per_label(labels, count):
    label = np.array(labels, np.int32)
    found = rows_by_label(label, count)
    assert [rows.tolist() for rows in found] == [
        np.flatnonzero(label == k).tolist() for k in range(count)
    ]
