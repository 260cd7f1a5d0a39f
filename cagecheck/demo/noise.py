"""Seeded noise for sculpting: gradient noise, its octaves and scattered cells.

Source: Perlin, "Improving Noise", ACM Transactions on Graphics 21(3), 2002 (lattice gradients and
the quintic fade); Worley, "A Cellular Texture Basis Function", SIGGRAPH 1996 (distances to
scattered points). The lattice hash is our own.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from cagecheck.arrays.types import Floats
from cagecheck.loops import njit

# The twelve edge directions of a cube, Perlin 2002; padded to sixteen by four repeats.
_GRADIENTS = np.array(
    [
        (1, 1, 0), (-1, 1, 0), (1, -1, 0), (-1, -1, 0),
        (1, 0, 1), (-1, 0, 1), (1, 0, -1), (-1, 0, -1),
        (0, 1, 1), (0, -1, 1), (0, 1, -1), (0, -1, -1),
        (1, 1, 0), (-1, 1, 0), (0, -1, 1), (0, -1, -1),
    ],
    dtype=np.float64,
)  # fmt: skip
_TABLE_SIZE = 256


def fbm(points: Floats, size: float, seed: int, octaves: int = 3, gain: float = 0.5) -> Floats:
    """Return (N,) fractal gradient noise at (N, 3) `points`, roughly within -1 to 1.

    `size` is the length of the coarsest bumps; every octave halves it and weighs `gain` less.
    """
    table = np.random.default_rng(seed).permutation(_TABLE_SIZE).astype(np.int64)
    total = np.zeros(len(points))
    weight, norm = 1.0, 0.0
    for octave in range(octaves):
        shift = 17.31 * (octave + 1)  # keeps the lattices of the octaves from lining up
        _gradient_noise(points * (2**octave / size) + shift, table, _GRADIENTS, weight, total)
        norm += weight
        weight *= gain
    return total / norm


def cell_distances(points: Floats, size: float, seed: int) -> tuple[Floats, Floats]:
    """Return (N,) distances to the nearest and the second nearest of points scattered in space.

    One point lies in every cube of side `size`, anywhere in it; distances are in units of `size`.
    """
    low = np.floor(points.min(axis=0) / size).astype(int) - 1
    high = np.ceil(points.max(axis=0) / size).astype(int) + 1
    axes = [np.arange(a, b) for a, b in zip(low, high, strict=True)]
    cells = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    scattered = cells + np.random.default_rng(seed).random(cells.shape)
    distance, _ = cKDTree(scattered).query(points / size, k=2)
    return distance[:, 0], distance[:, 1]


@njit(cache=True, nogil=True)
def _gradient_noise(points, table, gradients, weight, out):  # type: ignore[no-untyped-def]
    mask = len(table) - 1
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        cx, cy, cz = int(np.floor(x)), int(np.floor(y)), int(np.floor(z))
        fx, fy, fz = x - cx, y - cy, z - cz
        sx = fx * fx * fx * (fx * (fx * 6 - 15) + 10)
        sy = fy * fy * fy * (fy * (fy * 6 - 15) + 10)
        sz = fz * fz * fz * (fz * (fz * 6 - 15) + 10)
        value = 0.0
        for dx in range(2):
            wx = sx if dx else 1 - sx
            hx = table[(cx + dx) & mask]
            for dy in range(2):
                wy = sy if dy else 1 - sy
                hy = table[(hx + cy + dy) & mask]
                for dz in range(2):
                    wz = sz if dz else 1 - sz
                    g = gradients[table[(hy + cz + dz) & mask] & 15]
                    dot = g[0] * (fx - dx) + g[1] * (fy - dy) + g[2] * (fz - dz)
                    value += wx * wy * wz * dot
        out[i] += weight * value
