"""Is a map softer than a bake of its size? Then it was scaled up, or filtered."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.maps.compare import Fault, TileView
from cagecheck.maps.conventions import ConventionFault

# Supersampling a texel takes about half of the finest variation away; doubling a map's size takes
# four fifths. Between the two:
SOFT_SHARE = 0.35
# With less variation than 8-bit rounding makes, (0.45 degrees)^2, nothing can be said.
LEAST_VARIATION = 4 * np.radians(0.45) ** 2
LEAST_TEXELS = 500
# Blocks of equal texels tell a map that was enlarged by repeating.
REPEATED_SHARE = 0.9


def softness_fault(
    view: TileView, fault: NDArray[np.uint8], values: NDArray[np.float32]
) -> ConventionFault | None:
    """Return the fault of a map that was scaled up, or None.

    values : (H, W, 3) the map's values, turned upright.
    """
    inside = (view.triangle >= 0) & (np.abs(view.expected).max(axis=2) > 0)
    times = _repeated(values, inside, view)
    if times > 1:
        small = view.size // times
        return ConventionFault(
            "rescaled",
            f"every texel is repeated {times} times: the map was enlarged from about "
            f"{small} x {small}",
            "bake at the full size",
        )
    shown, expected, count = _variation(view, inside)
    if count < LEAST_TEXELS or expected < LEAST_VARIATION or shown > SOFT_SHARE * expected:
        return None
    return ConventionFault(
        "rescaled",
        f"the map is softer than a bake of {view.size} x {view.size} texels "
        f"({100 * shown / expected:.0f} % of the finest variation): it was enlarged or blurred",
        "bake at the full size, and do not filter the map",
    )


def _variation(view: TileView, inside: NDArray[np.bool_]) -> tuple[float, float, int]:
    """Return the mean squared second difference of map and expected picture, and its texels."""
    use = inside[1:-1, 1:-1] & inside[:-2, 1:-1] & inside[2:, 1:-1]
    use &= inside[1:-1, :-2] & inside[1:-1, 2:]
    # Where the bake itself is wrong in large, its fine variation is another surface's.
    use &= view.fault[1:-1, 1:-1] != Fault.MISSED

    def fine(n: NDArray[np.float32]) -> NDArray[np.float32]:
        around = n[:-2, 1:-1] + n[2:, 1:-1] + n[1:-1, :-2] + n[1:-1, 2:]
        d = n[1:-1, 1:-1] - around / 4
        out: NDArray[np.float32] = np.einsum("...i,...i->...", d, d)
        return out

    wanted = fine(view.expected)
    # Only detail counts: flat ground says nothing about scaling. The 10 % with most of it.
    if use.sum() < LEAST_TEXELS:
        return 0.0, 0.0, 0
    cut = max(float(np.quantile(wanted[use], 0.9)), 1e-12)
    use &= wanted >= cut
    shown = fine(view.shown)
    return float(shown[use].mean()), float(wanted[use].mean()), int(use.sum())


def _repeated(values: NDArray[np.float32], inside: NDArray[np.bool_], view: TileView) -> int:
    """Return how many times texels are repeated in both directions (1: not at all)."""
    for times in (8, 4, 2):
        size = view.size // times * times
        if size < 8 * times:
            continue
        blocks = values[:size, :size].reshape(size // times, times, size // times, times, 3)
        equal = (blocks == blocks[:, :1, :, :1]).all(axis=(1, 3, 4))
        covered = inside[:size, :size].reshape(size // times, times, size // times, times)
        full = covered.all(axis=(1, 3))
        expected = view.expected[:size, :size].reshape(blocks.shape)
        changes = np.abs(expected - expected[:, :1, :, :1]).max(axis=(1, 3, 4)) > 0.02
        use = full & changes
        if use.sum() > LEAST_TEXELS / 10 and equal[use].mean() > REPEATED_SHARE:
            return times
    return 1
