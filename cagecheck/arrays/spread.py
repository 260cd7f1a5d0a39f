"""A few out of many, evenly."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", bound=np.generic)


def spread(values: NDArray[Number], most: int) -> NDArray[Number]:
    """Return at most `most` of the values (n,), evenly spread over their order."""
    if len(values) <= most:
        return values
    rows: NDArray[Any] = np.arange(most) * len(values) // most
    return values[rows]
