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

# Of rays: where their crossings begin, depth, reach, and the targets' layer, next_layer, t, front,
# t_next and doubtful. Of crossings: t, face, front and belongs.
_Arrays = tuple[
    Indices, Floats, Floats, Indices, Indices, Floats, Flags, Floats, Flags,
    Floats, NDArray[np.int32], Flags, Flags,
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
    layers = Layers(first, out[9], out[10], out[11], out[1], out[2])
    return layers, Targets(out[3], out[5], out[6], out[7], out[4], out[12], out[8])


def of_rays(found: tuple[Layers, Targets], rays: Indices) -> tuple[Layers, Targets]:
    """Return crossings and targets of some of the rays."""
    return splice(found, found, rays)


def _arrays(layers: Layers, targets: Targets) -> _Arrays:
    depth, reach = np.ascontiguousarray(layers.depth), np.ascontiguousarray(layers.reach)
    return (
        layers.first, depth, reach, targets.layer, targets.next_layer, targets.t,
        targets.front, targets.t_next, targets.doubtful,
        layers.t, layers.face, layers.front, targets.belongs,
    )  # fmt: skip


def _room(first: Indices) -> _Arrays:
    """Return arrays to be filled for rays whose crossings begin at `first`."""
    n, count = len(first) - 1, int(first[-1])
    return (
        first, np.empty(n), np.empty(n), np.empty(n, np.int64), np.empty(n, np.int64), np.empty(n),
        np.empty(n, bool), np.empty(n), np.empty(n, bool),
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
    out[4][i] = one[4][ray] if one[4][ray] == NO_LAYER else one[4][ray] + shift
    out[5][i], out[6][i] = one[5][ray], one[6][ray]
    out[7][i], out[8][i] = one[7][ray], one[8][ray]
    for k in range(one[0][ray + 1] - there):
        out[9][here + k], out[10][here + k] = one[9][there + k], one[10][there + k]
        out[11][here + k], out[12][here + k] = one[11][there + k], one[12][there + k]
