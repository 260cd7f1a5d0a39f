"""Text with some of its tokens replaced and every other byte as it was."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray


def replace_spans(
    data: NDArray[np.uint8], spans: NDArray[np.int64], texts: Sequence[str]
) -> Iterator[bytes]:
    """Yield `data` with bytes ``spans[k, 0]:spans[k, 1]`` replaced by ``texts[k]``.

    Spans do not overlap; they may come in any order.
    """
    raw = data.tobytes()
    order = np.argsort(spans[:, 0], kind="stable").tolist()
    rows = spans.tolist()
    place = 0
    pieces: list[bytes] = []
    for k in order:
        begin, end = rows[k]
        assert begin >= place, "spans overlap"
        pieces.append(raw[place:begin])
        pieces.append(texts[k].encode())
        place = end
    pieces.append(raw[place:])
    yield b"".join(pieces)
