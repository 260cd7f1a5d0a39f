"""Several things wrong at once: two conventions of the picture and two places of the bake.

Places are told rightly only once the conventions are, so a report must name the conventions first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.bad_bakes.bake import TILES, HighSet, Oven
from tests.bad_bakes.faults import (
    Kitchen,
    Picture,
    Trial,
    bent,
    flipped_patch,
    hole,
    inverted,
    linear_to_srgb,
    paint_over,
    replace_values,
    strength,
    tilt_island,
)

Array = np.ndarray
Names = tuple[str, ...]
HOLE: Names = ("missed-in-reach", "missed-within-depth", "missed-nothing")
PAINTED: Names = ("painted-over",)
FLIPPED: Names = ("turned-inward",)
TILTED: Names = ("frame-turned", "seam-apart")
TOGETHER: Names = ("shows-part",)


@dataclass(frozen=True)
class Combined:
    """Two conventions and two places.

    conventions, places : accepted codes of each. high : changes of the high poly that the bake
    saw; drawn : changes of the vectors afterwards; values : changes of the pictures' numbers, in
    order; together : all parts in one go, from too far out; swapped : the tiles' names.
    """

    name: str
    conventions: tuple[Names, ...]
    places: tuple[Names, ...]
    high: tuple[Callable[[Kitchen, HighSet], HighSet], ...] = ()
    drawn: tuple[Callable[[Kitchen, dict[int, Array]], None], ...] = ()
    values: tuple[Callable[[Array], Array], ...] = ()
    together: bool = False
    swapped: bool = False

    def make(self, kitchen: Kitchen) -> Trial:
        """Bake all of it; the truth of the places is without the conventions."""
        high = kitchen.oven.high
        for change in self.high:
            high = change(kitchen, high)
        far = {"apart": False, "offset": 2.5 * kitchen.model.gap} if self.together else {}
        bakes = kitchen.baked(Oven(kitchen.model, high) if self.high else None, **far)
        vectors = {tile: bake.vector for tile, bake in bakes.items()}
        hits = {tile: bake.hit for tile, bake in bakes.items()}
        for draw in self.drawn:
            draw(kitchen, vectors)
        off = {tile: kitchen.differs(tile, vectors[tile], hits[tile]) for tile in TILES}
        pictures = kitchen.pictures(vectors, hits)
        for alter in self.values:
            pictures = [replace_values(p, alter(p.values)) for p in pictures]
        if self.swapped:
            other = dict(zip(TILES, reversed(TILES), strict=True))
            pictures = [Picture(other[p.tile], p.values, p.alpha) for p in pictures]
        return Trial(pictures, off)


def _swap(values: Array) -> Array:
    return values[..., [1, 0, 2]]


def _upside_down(values: Array) -> Array:
    return values[::-1]


def _aside(values: Array) -> Array:
    return np.roll(values, 3, axis=1)


COMBINED = (
    Combined(
        "green flipped, channels swapped; hole, painted over",
        # Green flipped and then swapped with red is one picture with swapped and red flipped.
        (("green-flipped", "red-flipped"), ("channels-swapped",)), (HOLE, PAINTED),
        high=(hole,), drawn=(paint_over,), values=(inverted(1), _swap),
    ),
    Combined(
        "strength halved, green flipped; flipped patch, painted over",
        (("strength",), ("green-flipped",)), (FLIPPED, PAINTED),
        high=(flipped_patch,), drawn=(paint_over,), values=(strength(0.5), inverted(1)),
    ),
    Combined(
        "taken for a colour, red flipped; baked together, painted over",
        (("srgb",), ("red-flipped",)), (TOGETHER, PAINTED),
        drawn=(paint_over,), values=(inverted(0), bent(linear_to_srgb)), together=True,
    ),
    Combined(
        "tiles swapped, V flipped; hole, island turned",
        (("wrong-tile",), ("v-flipped",)), (HOLE, TILTED),
        high=(hole,), drawn=(tilt_island,), values=(_upside_down,), swapped=True,
    ),
    Combined(
        "shifted, blue flipped; flipped patch, island turned",
        (("shifted",), ("blue-flipped",)), (FLIPPED, TILTED),
        high=(flipped_patch,), drawn=(tilt_island,), values=(inverted(2), _aside),
    ),
    Combined(
        "strength doubled, channels swapped; hole, flipped patch",
        (("strength",), ("channels-swapped",)), (HOLE, FLIPPED),
        high=(hole, flipped_patch), values=(strength(2.0), _swap),
    ),
)  # fmt: skip
