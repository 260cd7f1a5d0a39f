"""Rectangles packed into a UDIM tile without overlap."""

from __future__ import annotations

from dataclasses import dataclass

PADDING = 0.006  # of a tile: 12 texels of a 2048 map between any two charts
_STEPS = 40

Key = tuple[int, int]


@dataclass(frozen=True)
class Chart:
    """A rectangle to place: its key and its sides in world lengths."""

    key: Key
    wide: float
    tall: float


def pack_tile(charts: list[Chart]) -> dict[Key, tuple[float, float, float, float]]:
    """Return (x, y, width, height) of every chart in the unit square, all at one scale.

    Shelves of falling height; the scale is the largest that fits, by bisection. Coffman, Garey,
    Johnson and Tarjan, "Performance Bounds for Level-Oriented Two-Dimensional Packing
    Algorithms", SIAM Journal on Computing 9(4), 1980 (first fit, decreasing height). Charts are
    never turned, so that map directions stay those of the surface.
    """
    low, high = 0.0, 1.0 / max(max(c.wide, c.tall) for c in charts)
    best: dict[Key, tuple[float, float, float, float]] = {}
    for _ in range(_STEPS):
        scale = (low + high) / 2
        placed = _shelves(charts, scale)
        if placed is None:
            high = scale
        else:
            low, best = scale, placed
    return best


def _shelves(
    charts: list[Chart], scale: float
) -> dict[Key, tuple[float, float, float, float]] | None:
    shelves: list[list[float]] = []  # lower edge, height, used width
    top = PADDING
    out: dict[Key, tuple[float, float, float, float]] = {}
    for chart in sorted(charts, key=lambda c: (-c.tall, -c.wide, c.key)):
        wide, tall = chart.wide * scale, chart.tall * scale
        for shelf in shelves:
            if shelf[2] + wide + PADDING <= 1:
                break
        else:
            if top + tall + PADDING > 1 or wide + 2 * PADDING > 1:
                return None
            shelf = [top, tall, PADDING]
            shelves.append(shelf)
            top += tall + PADDING
        out[chart.key] = (shelf[2], shelf[0], wide, tall)
        shelf[2] += wide + PADDING
    return out
