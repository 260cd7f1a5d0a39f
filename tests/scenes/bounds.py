"""Random surfaces with a random share of them wrong: does a stated bound hold?

Every scene is a sheet of random cells (so that samples stand for different areas) on which
blotches, random triangles within its triangles, are wrong. Their share is known in closed form. A
check draws its samples as `tune` does, and states its bound from what they show.
"""

from __future__ import annotations

import numpy as np

from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.rays.points import sample_points
from cagecheck.tuning.assurance import surface_bound


def coverage(scenes: int, samples: int, seed: int) -> tuple[int, int]:
    """Return in how many random scenes the true share is below the bound, and how many there are.

    Every scene's wrong share is drawn so that about 0 to 12 of its samples find it.
    """
    rng = np.random.default_rng(seed)
    held = 0
    for k in range(scenes):
        low = _uneven_sheet(rng)
        share = rng.uniform(0.2, 12.0) / samples
        wrong, true = _blotches(rng, low, share)
        spacing = float(np.sqrt(low.area.sum() / samples))
        points = sample_points(low, spacing, seed=seed + k)
        b = points.barycentric
        bad = np.zeros(len(points), bool)
        for triangle, corner, size in wrong:
            bad |= (points.triangle == triangle) & (b[:, corner] > 1 - size)
        held += true < surface_bound(points, 1, points.area[bad])
    return held, scenes


def _uneven_sheet(rng: np.random.Generator) -> LowPoly:
    """A flat sheet with lines at random distances: triangles of very different areas."""
    count = int(rng.integers(3, 9))
    lines = [np.concatenate([[0], np.cumsum(rng.exponential(1.0, count) + 0.02)]) for _ in "xy"]
    x, y = np.meshgrid(lines[0], lines[1], indexing="ij")
    points = np.stack([x.ravel(), y.ravel(), 0 * x.ravel()], axis=1)
    i, j = (a.ravel() for a in np.meshgrid(np.arange(count), np.arange(count), indexing="ij"))
    a, n = i * (count + 1) + j, count + 1
    return prepare_low(mesh_from_polygons(points, np.stack([a, a + n, a + n + 1, a + 1], axis=1)))


def _blotches(
    rng: np.random.Generator, low: LowPoly, share: float
) -> tuple[list[tuple[int, int, float]], float]:
    """Return blotches (triangle, corner, size) of about a share of the surface, and their share.

    A blotch is a triangle's corner cut off at `size` of its sides: size^2 of its area.
    """
    whole, wrong, left = float(low.area.sum()), [], share * float(low.area.sum())
    for triangle in rng.permutation(len(low.triangles)):
        if left <= 0 or len(wrong) == 6:
            break
        area = min(left * float(rng.uniform(0.3, 1.0)), 0.9 * float(low.area[triangle]))
        wrong.append(
            (int(triangle), int(rng.integers(3)), float(np.sqrt(area / low.area[triangle])))
        )
        left -= area
    total = sum(size**2 * low.area[triangle] for triangle, _, size in wrong)
    return wrong, float(total) / whole
