"""The figure: a clockwork lamplighter, put together.

Every part keeps at least `measures.CLEARANCE` from every other, and ordinary detail stays within
`measures.DETAIL` of the low poly, so that a bake with `measures.OFFSET` and `measures.DEPTH` is
clean except where something was planted (see `defects`).
"""

from __future__ import annotations

from cagecheck.demo.arms import arms
from cagecheck.demo.body import body
from cagecheck.demo.head import head
from cagecheck.demo.legs import legs
from cagecheck.demo.pieces import Piece
from cagecheck.demo.props import props


def figure(seed: int) -> list[Piece]:
    """Return all pieces of the lamplighter; `seed` moves the noise, never the planted places."""
    return [
        *body(seed),
        *head(seed + 1000),
        *arms(seed + 2000),
        *legs(seed + 3000),
        *props(seed + 4000),
    ]
