"""Small scenes whose right offsets are known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np

from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh, Surface, mesh_from_polygons
from cagecheck.predicting.settings import Settings
from cagecheck.tuning.tune import TuneSettings, Tuning, tune

BUMPS = Settings(samples=3000, unseen_points=0, depth=0.08, reach=0.25)


def tube(radius: float, height: float, sides: int, rings: int, turn: float = 0.0) -> Mesh:
    """An open cylinder wall of quads around z, facing outward."""
    angle = turn + 2 * np.pi * np.arange(sides) / sides
    z = np.linspace(0, height, rings + 1)
    points = np.array([[radius * np.cos(a), radius * np.sin(a), h] for h in z for a in angle])
    quads = [
        [r * sides + k, r * sides + (k + 1) % sides,
         (r + 1) * sides + (k + 1) % sides, (r + 1) * sides + k]
        for r in range(rings) for k in range(sides)
    ]  # fmt: skip
    return mesh_from_polygons(points, quads)


def sheet(
    count: int, height: Callable[[np.ndarray, np.ndarray], np.ndarray], size: float = 1.0
) -> Mesh:
    """A square sheet of `count` x `count` quads over [0, size]^2, facing up."""
    x, y = np.meshgrid(
        np.linspace(0, size, count + 1), np.linspace(0, size, count + 1), indexing="ij"
    )
    points = np.stack([x.ravel(), y.ravel(), height(x, y).ravel()], axis=1)
    n = count + 1
    quads = [
        [i * n + j, (i + 1) * n + j, (i + 1) * n + j + 1, i * n + j + 1]
        for i in range(count) for j in range(count)
    ]  # fmt: skip
    return mesh_from_polygons(points, quads)


def surface_of(*meshes: Mesh) -> Surface:
    """All meshes as one surface, one part each."""
    positions, triangles, part, first = [], [], [], 0
    for k, mesh in enumerate(meshes):
        low = prepare_low(mesh)
        positions.append(low.positions)
        triangles.append(low.triangles + first)
        part.append(np.full(len(low.triangles), k, np.int32))
        first += len(low.positions)
    return Surface(
        np.concatenate(positions),
        np.concatenate(triangles).astype(np.int32),
        np.concatenate(part),
        tuple(f"part{k}" for k in range(len(meshes))),
    )


def bumpy_pair(seed: int = 0, count: int = 5, fine: int = 40) -> tuple[LowPoly, Surface]:
    """A gently bent low sheet and a high one with random bumps up to about 0.05 above it."""
    rng = np.random.default_rng(seed)
    wave = rng.uniform(2, 9, (6, 2))
    phase = rng.uniform(0, 6, 6)

    def bend(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 0.15 * np.sin(2 * x) + 0.1 * y**2

    def bumps(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        total = sum(
            np.sin(a * x * 2 + b * y * 2 + c) for (a, b), c in zip(wave, phase, strict=True)
        )
        return bend(x, y) + 0.008 * np.asarray(total)

    return prepare_low(sheet(count, bend)), surface_of(sheet(fine, bumps))


@cache
def tuned_bumps(limit: float | None = None) -> Tuning:
    """`bumpy_pair` 7 tuned, once for all tests that only look at it; a tuning never changes."""
    return tune(*bumpy_pair(7), settings=BUMPS, tuning=TuneSettings(limit=limit))


def studded_box(cells: int = 6, fine: int = 8, height: float = 0.06) -> tuple[LowPoly, Surface]:
    """A unit box of `cells` x `cells` quads a side with UVs, and studs on its sides as detail.

    Rays near the box's edges lean, so that the studs there slide sideways.
    """
    low = _box(cells, lambda a, b: 0 * a)

    def studs(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        inside = (np.abs(a) < 0.47) & (np.abs(b) < 0.47)
        return np.where(inside, height * np.clip(3 * np.sin(25 * a) * np.sin(25 * b), 0, 1), 0)

    return prepare_low(low), surface_of(_box(cells * fine, studs))


def raised_box(cells: int, height: float, bevel: float) -> tuple[LowPoly, Surface]:
    """A unit box of `cells` x `cells` quads a side with UVs, under a shell `height` above it.

    With a `bevel` the shell's edges are cut off `bevel` inside the low poly's, from where they
    climb to `height` within a tenth of a side; without one it is a larger box.
    """
    low = prepare_low(_box(cells, lambda a, b: 0 * a))
    if bevel == 0:
        large = _box(4, lambda a, b: 0 * a)
        return low, surface_of(replace(large, positions=large.positions * (1 + 2 * height)))

    def shell(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        rim = 0.5 - np.maximum(np.abs(a), np.abs(b))
        return np.clip(rim * 20, 0, 1) * (height + bevel) - bevel

    fine = _box(40, lambda a, b: 0 * a)
    p = fine.positions
    moved = p.copy()
    for axis in range(3):
        # A rim belongs to two sides and goes in with both.
        on_side = np.abs(p[:, axis]) == 0.5
        others = p[on_side][:, [(axis + 1) % 3, (axis + 2) % 3]]
        moved[on_side, axis] += np.sign(p[on_side, axis]) * shell(others[:, 0], others[:, 1])
    return low, surface_of(replace(fine, positions=moved))


def _box(cells: int, raised: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> Mesh:
    """Six sides, welded by position; `raised` lifts a side's points by its own coordinates."""
    # Exactly symmetric, so that sides meet to the last bit.
    grid = (2 * np.arange(cells + 1) - cells) / (2 * cells)
    a, b = np.meshgrid(grid, grid, indexing="ij")
    up = 0.5 + raised(a, b)
    points, quads, uv = [], [], []
    n, first = cells + 1, 0
    for axis in range(3):
        for sign in (1, -1):
            p = np.empty((n * n, 3))
            p[:, axis] = sign * up.ravel()
            p[:, (axis + 1) % 3] = sign * a.ravel()
            p[:, (axis + 2) % 3] = b.ravel()
            points.append(p)
            chart = np.stack([a.ravel() + 0.5, b.ravel() + 0.5], axis=1) * 0.3
            chart += [(axis * 2 + (sign < 0)) % 3 * 0.33 + 0.01, (axis * 2 + (sign < 0)) // 3 * 0.4]
            for i in range(cells):
                for j in range(cells):
                    q = [i * n + j, (i + 1) * n + j, (i + 1) * n + j + 1, i * n + j + 1]
                    quads.append([first + k for k in q])
                    uv.append(chart[q])
            first += n * n
    return mesh_from_polygons(np.concatenate(points), quads, uv=np.concatenate(uv))
