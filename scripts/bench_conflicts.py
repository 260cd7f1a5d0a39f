"""What explaining conflicts costs beside the tuning itself, on a low poly of any size.

    python scripts/bench_conflicts.py --vertices 200000 --places 30

A square sheet over gentle relief. At so many places a patch of another part lies just under the
sheet, over some of its quads: no offset cures that, and every place asks for all remedies, a moved
loop among them.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import time
from collections.abc import Callable

import numpy as np

from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Mesh, Surface, join_meshes, mesh_from_polygons
from cagecheck.predicting.settings import Settings
from cagecheck.tuning.conflicts import explain_conflicts
from cagecheck.tuning.tune import tune

RELIEF, BELOW = 0.002, 0.001
# Patches cover about this many quads of the sheet each way.
QUADS = 4.0


def sheet(
    name: str,
    count: int,
    corner: tuple[float, float],
    size: float,
    height: Callable[[np.ndarray, np.ndarray], np.ndarray],
) -> Mesh:
    """A square of `count` x `count` quads, facing up."""
    line = np.linspace(0, size, count + 1)
    x, y = np.meshgrid(corner[0] + line, corner[1] + line, indexing="ij")
    points = np.stack([x.ravel(), y.ravel(), height(x, y).ravel()], axis=1)
    i, j = np.meshgrid(np.arange(count), np.arange(count), indexing="ij")
    first = (i * (count + 1) + j).ravel()
    quads = np.stack([first, first + count + 1, first + count + 2, first + 1], axis=1)
    mesh = mesh_from_polygons(points, quads)
    return Mesh(**{**mesh.__dict__, "part_names": (name,)})


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--vertices", type=int, default=200_000)
    parser.add_argument("--places", type=int, default=30)
    parser.add_argument("--samples", type=int, default=200_000)
    parser.add_argument("--profile", action="store_true", help="also where the time goes")
    chosen = parser.parse_args()
    n = round(chosen.vertices**0.5) - 1
    rng = np.random.default_rng(0)
    size = QUADS / n
    corners = [tuple(c) for c in rng.uniform(0.05, 0.9, (chosen.places, 2))]

    def relief(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return RELIEF * (np.sin(40 * x) * np.cos(33 * y) - 2)

    lows = [sheet("sheet", n, (0.0, 0.0), 1.0, lambda x, y: 0 * x)]
    highs = [sheet("sheet", 1000, (0.0, 0.0), 1.0, relief)]
    for k, corner in enumerate(corners):
        lows.append(sheet(f"patch{k}", 1, corner, size, lambda x, y: 0 * x - BELOW))
        highs.append(sheet(f"patch{k}", 1, corner, size, lambda x, y: 0 * x - BELOW))
    low, high = prepare_low(join_meshes(lows)), _surface(highs)
    begin = time.perf_counter()
    result = tune(
        low, high, paired=np.eye(len(lows), dtype=bool),
        settings=Settings(samples=chosen.samples, unseen_points=0, depth=0.02, reach=0.03),
    )  # fmt: skip
    tuned = time.perf_counter()
    profile = cProfile.Profile(builtins=False)
    if chosen.profile:
        profile.enable()
    conflicts = explain_conflicts(result)
    profile.disable()
    done = time.perf_counter()
    moves = [r for c in conflicts for r in c.remedies if r.kind == "move loop"]
    print(
        f"{low.mesh.vertex_count:,} vertices, {len(result.after.points):,} samples of the check, "
        f"{result.assurance.conflicting:,} of them conflicting"
    )
    print(
        f"tuning {tuned - begin:.1f} s; explaining {len(conflicts)} places {done - tuned:.1f} s, "
        f"{len(moves)} moves of a loop help, {sum(m.cures for m in moves)} cure"
    )
    if chosen.profile:
        pstats.Stats(profile).sort_stats("cumulative").print_stats(25)


def _surface(meshes: list[Mesh]) -> Surface:
    joined = prepare_low(join_meshes(meshes))
    names = joined.part_names
    return Surface(joined.positions, joined.triangles, joined.triangle_part, names)


if __name__ == "__main__":
    main()
