"""What the alpha channel of a map says: what was not baked, the X of packed normals, or a mask that
the colours were multiplied by.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.locating.conventions import ConventionFault

# Within a step of 8 bits a channel holds one value.
ONE_STEP = 1.0 / 255
# An alpha that varies by less than this (standard deviation) carries no component of a normal.
LEAST_SPREAD = 0.01
# Only where alpha is neither full nor empty can multiplied colours be told; below the lower end
# 8 bits leave too few steps of them.
SOFT_FROM, SOFT_TO = 0.3, 0.9
LEAST_SOFT = 50
# Of the soft texels so many must be unit vectors when divided by alpha, and so few as they stand.
# Unit to within what rounding leaves at `SOFT_FROM`.
UNIT_SLACK, MOST_DIVIDED, FEW_PLAIN = 0.12, 0.7, 0.5


@dataclass(frozen=True, eq=False)
class Unpacked:
    """Values without what alpha did to them.

    shares : (H, W, 3) float32 from 0 to 1; empty : (H, W) bool, not baked, or None; fault : what
    alpha did, or None.
    """

    shares: NDArray[np.float32]
    empty: NDArray[np.bool_] | None
    fault: ConventionFault | None = None


def unpacked(
    shares: NDArray[np.float32],
    alpha: NDArray[np.float32] | None,
    empty: NDArray[np.bool_] | None,
) -> Unpacked:
    """Return a map's values as they were before alpha came in.

    shares : (H, W, 3) float32; alpha : (H, W) float32 from 0 to 1, or None; empty : (H, W) bool
    where the file says that nothing was baked, or None.
    """
    if alpha is None:
        return Unpacked(shares, empty)
    if np.ptp(shares[..., 0]) <= ONE_STEP and alpha.std() > LEAST_SPREAD:
        return _x_from_alpha(shares, alpha)
    soft = (alpha > SOFT_FROM) & (alpha < SOFT_TO)
    if soft.sum() < LEAST_SOFT:
        return Unpacked(shares, empty)
    divided = shares[soft] / alpha[soft][:, None]
    if _unit(divided) < MOST_DIVIDED or _unit(shares[soft]) > FEW_PLAIN:
        return Unpacked(shares, empty)
    out = np.divide(shares, alpha[..., None], out=shares.copy(), where=alpha[..., None] > 0)
    fault = ConventionFault(
        "premultiplied-alpha",
        "the colours were multiplied by a soft alpha, which bends the normals along the borders of "
        "the islands",
        "save the map without alpha, or with colours that alpha leaves alone (straight alpha)",
    )
    return Unpacked(np.clip(out, 0, 1).astype(np.float32), empty, fault)


def _unit(shares: NDArray[np.float32]) -> float:
    """Return the share of (N, 3) values that are unit vectors."""
    length = np.linalg.norm(shares * 2 - 1, axis=1)
    return float(np.mean(np.abs(length - 1) < UNIT_SLACK))


def _x_from_alpha(shares: NDArray[np.float32], alpha: NDArray[np.float32]) -> Unpacked:
    out = shares.copy()
    out[..., 0] = alpha
    x, y = out[..., 0] * 2 - 1, out[..., 1] * 2 - 1
    out[..., 2] = (np.sqrt(np.clip(1 - x * x - y * y, 0, 1)) + 1) / 2
    fault = ConventionFault(
        "x-in-alpha",
        "red is empty and the normals' X stands in alpha, as some compressed formats pack them",
        "unpack the map: X from alpha, Y from green, blue computed; or bake plain red, green, blue",
    )
    return Unpacked(out, None, fault)
