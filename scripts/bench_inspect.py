"""Time preflight on a low of 200,000 vertices and a high of 5 million triangles.

    python scripts/bench_inspect.py [HIGH_TRIANGLES]

Prints seconds per stage, the whole, and the greatest memory of the process.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np

from cagecheck.inspecting import inspect_low, inspect_pair
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Mesh, Surface, join_meshes, mesh_from_polygons
from cagecheck.meshes.normals import NormalRule
from cagecheck.progress import Progress

LOW_SIDE = 317  # quads along a sheet: two sheets have 202,248 vertices


def sheet(side: int, height: float, tile: int, name: str) -> Mesh:
    """A wavy sheet of side x side quads, one island in a tile."""
    steps = np.linspace(0, 1, side + 1)
    y, x = np.meshgrid(steps, steps, indexing="ij")
    wave = 0.1 * np.sin(7 * x) * np.cos(5 * y) + height
    points = np.column_stack([x.ravel(), y.ravel(), wave.ravel()])
    first = np.arange(side * (side + 1)).reshape(side, side + 1)[:, :side].ravel()
    quads = np.column_stack([first, first + 1, first + side + 2, first + side + 1])
    uv = points[quads.ravel(), :2] * 0.9 + 0.05 + [tile, 0]
    return mesh_from_polygons(points, quads, uv=uv, part=name)


def stopwatch() -> Progress:
    """A progress callback that prints how long each stage took."""
    started: dict[str, float] = {}

    def report(stage: str, done: float, total: float) -> None:
        now = time.perf_counter()
        started.setdefault(stage, now)
        if done >= total:
            print(f"    {stage:<26} {now - started.pop(stage):6.2f} s")

    return report


def main() -> None:
    """Run both."""
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 5_000_000
    rule = NormalRule("hardness")
    warm = prepare_low(sheet(8, 0, 0, "warm"), rule=rule)
    small = Surface(warm.positions, warm.triangles, warm.triangle_part)
    inspect_pair(warm, small)
    mesh = join_meshes([sheet(LOW_SIDE, 0, 0, "a"), sheet(LOW_SIDE, 0.3, 1, "b")])
    begin = time.perf_counter()
    low = prepare_low(mesh, rule=rule)
    print(f"low: {mesh.vertex_count:,} vertices, {len(low.triangles):,} triangles")
    print(f"  prepared in {time.perf_counter() - begin:.2f} s")
    begin = time.perf_counter()
    inspect_low(low, progress=stopwatch())
    print(f"  inspected in {time.perf_counter() - begin:.2f} s")
    side = round((wanted / 4) ** 0.5)
    parts = [prepare_low(sheet(side, h, 0, n)) for h, n in ((0.0, "a"), (0.3, "b"))]
    count = len(parts[0].positions)
    high = Surface(
        np.concatenate([p.positions for p in parts]).astype(np.float32),
        np.concatenate([p.triangles + k * count for k, p in enumerate(parts)]).astype(np.int32),
        np.repeat(np.arange(2, dtype=np.int32), [len(p.triangles) for p in parts]),
        ("a", "b"),
    )
    del parts
    begin = time.perf_counter()
    inspect_pair(low, high, np.eye(2, dtype=bool), progress=stopwatch())
    seconds = time.perf_counter() - begin
    print(f"  with a high of {high.triangle_count:,} triangles in {seconds:.2f} s")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"  greatest memory {peak:.2f} GB (making the meshes included)")


if __name__ == "__main__":
    main()
