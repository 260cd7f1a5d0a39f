"""Bakes with other maps beside the normal map, and what those should help to tell."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt

from tests.bad_bakes.bake import TILES, Bake
from tests.bad_bakes.faults import Kitchen, Picture, Trial, paint_over

Array = np.ndarray
# One flat colour a part, as maps of ids have them, and the background.
COLOURS = np.array([[0.8, 0.1, 0.1], [0.1, 0.3, 0.9]])
# Darkness that neighbours make reaches this far, world units.
OCCLUSION_REACH = 0.5


def spread(values: Array, known: Array, padding: int) -> Array:
    """Fill what is near to known texels with the nearest, the rest with zero."""
    distance, (y, x) = distance_transform_edt(~known, return_indices=True)
    out = np.where((known if values.ndim == 2 else known[..., None]), values, 0.0)
    near = (distance <= padding) & ~known
    out[near] = values[y[near], x[near]]
    return out


def _whole(shares: Array, bits: int) -> Array:
    kind = np.uint8 if bits == 8 else np.uint16
    return np.rint(np.clip(shares, 0, 1) * np.iinfo(kind).max).astype(kind)


def map_of(kitchen: Kitchen, kind: str, bake: Bake, apart: bool) -> Array:
    """Return one map of a bake as a picture's texels."""
    model, padding = kitchen.model, kitchen.settings.padding
    if kind == "part":
        return _whole(spread(COLOURS[np.maximum(bake.part, 0)], bake.part >= 0, padding), 8)
    if kind == "object":
        return _whole(spread((bake.world + 1) / 2, bake.hit, padding), 8)
    if kind == "height":
        shares = bake.height / (8 * model.depth) + 0.5
        return _whole(spread(np.nan_to_num(shares), bake.hit, padding), 16)
    if kind == "clipped height":
        least, most = np.nanquantile(bake.height, (0.1, 0.9))
        shares = (bake.height - least) / (most - least)
        return _whole(spread(np.nan_to_num(shares), bake.hit, padding), 16)
    if kind == "position":
        corner = np.concatenate([p.high_positions for p in model.pieces])
        low, high = corner.min(axis=0), corner.max(axis=0)
        return _whole(
            spread(np.nan_to_num((bake.place - low) / (high - low)), bake.hit, padding), 16
        )
    assert kind == "occlusion", kind
    rng = np.random.default_rng(bake.tile)
    sky = kitchen.oven.occlusion(bake, OCCLUSION_REACH, rng, apart)
    return _whole(spread(sky, bake.hit, padding), 8)


@dataclass(frozen=True)
class BesideTrial:
    """A bake, the kinds of maps beside it, and codes of which one must be told first.

    changes : settings of the bake; draw : what was done to its vectors afterwards; codes () :
    nothing at all; not_on : models on which it changes nothing: round parts darken each other,
    but shut no place off.
    """

    name: str
    kinds: tuple[str, ...]
    codes: tuple[str, ...]
    changes: tuple[tuple[str, object], ...] = ()
    draw: Callable[[Kitchen, dict[int, Array]], None] | None = None
    apart_occlusion: bool = True
    not_on: tuple[str, ...] = ()

    def make(self, kitchen: Kitchen) -> tuple[Trial, list[tuple[str, int, Array]]]:
        """Return the trial and its maps beside: kind, tile, texels."""
        bakes = kitchen.baked(**dict(self.changes)) if self.changes else kitchen.clean
        vectors = {tile: bake.vector.copy() for tile, bake in bakes.items()}
        hits = {tile: bake.hit for tile, bake in bakes.items()}
        if self.draw is not None:
            self.draw(kitchen, vectors)
        off = {tile: kitchen.differs(tile, vectors[tile], hits[tile]) for tile in TILES}
        others = [
            (kind.split()[-1], tile, map_of(kitchen, kind, bakes[tile], self.apart_occlusion))
            for kind in self.kinds
            for tile in TILES
        ]
        pictures: list[Picture] = kitchen.pictures(vectors, hits)
        return Trial(pictures, off), others


EVERY = ("part", "object", "height", "position", "occlusion")
TOGETHER = (("apart", False), ("offset", 0.15))
BESIDE = (
    BesideTrial("clean, all maps beside", EVERY, ()),
    BesideTrial("baked together, parts beside", ("part",), ("recorded-part",), TOGETHER),
    BesideTrial("baked together, position beside", ("position",), ("recorded-part",), TOGETHER),
    BesideTrial("baked together, height beside", ("height",), ("recorded-part",), TOGETHER),
    BesideTrial(
        "painted over, object space beside", ("object",), ("right-surface",), draw=paint_over
    ),
    BesideTrial(
        "painted over, height beside", ("height",), ("right-surface",), draw=paint_over
    ),
    BesideTrial("height clipped", ("clipped height",), ("height-clipped",)),
    BesideTrial(
        "occlusion of all parts together", ("occlusion",), ("black-occlusion",),
        apart_occlusion=False, not_on=("organic", "scan"),
    ),
)  # fmt: skip
