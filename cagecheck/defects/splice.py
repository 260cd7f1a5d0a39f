"""Crossings and targets of rays from two casts put together as one, and those of some rays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.types import Floats
from cagecheck.defects.targets import Targets
from cagecheck.loops import njit
from cagecheck.rays.layers import NO_LAYER, Layers

Indices = NDArray[np.int64]
Flags = NDArray[np.bool_]

# Of rays: where their crossings begin, depth, reach, the targets' layer and doubtful. Of crossings:
# t, face, front and belongs.
_Arrays = tuple[
    Indices, Floats, Floats, Indices, Flags, Floats, NDArray[np.int32], Flags, Flags
]  # fmt: skip


def splice(
    old: tuple[Layers, Targets], new: tuple[Layers, Targets], source: Indices
) -> tuple[Layers, Targets]:
    """Return crossings and targets of rays of two casts.

    source : (N,) which ray of `old`, or of `new` counted on from those of `old`.
    """
    a, b = _arrays(*old), _arrays(*new)
    first = np.zeros(len(source) + 1, np.int64)
    np.cumsum(np.concatenate([np.diff(a[0]), np.diff(b[0])])[source], out=first[1:])
    out = _room(first)
    in_blocks(len(source), lambda begin, end: _copy(a, b, source, out, begin, end))
    layers = Layers(first, out[5], out[6], out[7], out[1], out[2])
    return layers, Targets(layers, out[3], out[8], out[4])


def of_rays(found: tuple[Layers, Targets], rays: Indices) -> tuple[Layers, Targets]:
    """Return crossings and targets of some of the rays."""
    return splice(found, found, rays)


def _arrays(layers: Layers, targets: Targets) -> _Arrays:
    depth, reach = np.ascontiguousarray(layers.depth), np.ascontiguousarray(layers.reach)
    return (
        layers.first, depth, reach, targets.layer, targets.doubtful,
        layers.t, layers.face, layers.front, targets.belongs,
    )  # fmt: skip


def _room(first: Indices) -> _Arrays:
    """Return arrays to be filled for rays whose crossings begin at `first`."""
    n, count = len(first) - 1, int(first[-1])
    return (
        first, np.empty(n), np.empty(n), np.empty(n, np.int64), np.empty(n, bool),
        np.empty(count), np.empty(count, np.int32), np.empty(count, bool), np.empty(count, bool),
    )  # fmt: skip


@njit(cache=True, nogil=True, makes_arrays=False)
def _copy(a: _Arrays, b: _Arrays, source: Indices, out: _Arrays, begin: int, end: int) -> None:
    """Fill in rays `begin` to `end`, and their crossings."""
    count = len(a[0]) - 1
    for i in range(begin, end):
        if source[i] < count:
            _copy_ray(a, source[i], out, i)
        else:
            _copy_ray(b, source[i] - count, out, i)


@njit(cache=True, nogil=True, makes_arrays=False)
def _copy_ray(one: _Arrays, ray: int, out: _Arrays, i: int) -> None:
    here, there = out[0][i], one[0][ray]
    shift = here - there
    out[1][i], out[2][i] = one[1][ray], one[2][ray]
    out[3][i] = one[3][ray] if one[3][ray] == NO_LAYER else one[3][ray] + shift
    out[4][i] = one[4][ray]
    for k in range(one[0][ray + 1] - there):
        out[5][here + k], out[6][here + k] = one[5][there + k], one[6][there + k]
        out[7][here + k], out[8][here + k] = one[7][there + k], one[8][there + k]
