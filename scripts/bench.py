"""Speed and memory of the main job, beside the bare ray engine in the same run.

    python scripts/bench.py            everything (several minutes, up to about 4 GB)
    python scripts/bench.py --quick    a tenth of the size

Prints million rays per second of the cast stage against embreex called bare in one loop and in
two threads on the same rays; `predict` from files on disk, and how time and memory grow. Each
`predict` runs in a process of its own, so that its peak memory is its own. "floor" is what no
prediction can do without: reading, building the scene, casting, and finding for every crossing
once which place of the low poly is nearest. It is measured after the prediction and in its process,
so mostly in memory that the system has handed out already, which the total paid for: "system" is
what that was, and on a virtual machine it may be a third of all. Times are by the clock and, where
"cpu" is said, of all cores together, which says more on a machine that does other work.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from embreex import rtcore_scene
from embreex.mesh_construction import TriangleMesh

from cagecheck.defects.nearest import NearestPaired
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.formats.write_mesh import write_mesh, write_surface
from cagecheck.memory import keep_freed_memory
from cagecheck.meshes.facets import hit_normals
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh, Surface, mesh_from_polygons
from cagecheck.predicting.predict import place_points, predict
from cagecheck.predicting.settings import Settings
from cagecheck.rays import Scene, cage_from_offset, rays_through, sample_points, spacing_for_count

CHUNK = 262_144


def rippled_ball(rows: int, columns: int, ripple: float) -> tuple[np.ndarray, np.ndarray]:
    """A sphere of quads with ripples and its (u, v); poles are small rings of quads."""
    theta = np.linspace(0.02, np.pi - 0.02, rows + 1)[:, None]
    phi = np.linspace(0, 2 * np.pi, columns, endpoint=False)[None, :]
    r = 1 + ripple * np.sin(23 * theta) * np.sin(19 * phi)
    x, y = r * np.sin(theta) * np.cos(phi), r * np.sin(theta) * np.sin(phi)
    z = r * np.cos(theta) * np.ones_like(phi)
    positions = np.stack([x, y, z], axis=-1).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij")
    a, b = i * columns + j, i * columns + (j + 1) % columns
    quads = np.stack([a, a + columns, b + columns, b], axis=-1).reshape(-1, 4)
    return positions, quads


def high_ball(triangles: int) -> Surface:
    side = int(np.sqrt(triangles / 4))
    positions, quads = rippled_ball(side, 2 * side, 0.01)
    faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]).astype(np.int32)
    # Neighbouring faces beside each other, as files of modelled meshes have them.
    faces = faces.reshape(2, -1, 3).swapaxes(0, 1).reshape(-1, 3)
    return Surface(
        positions.astype(np.float32), np.ascontiguousarray(faces), np.zeros(len(faces), np.int32)
    )


def low_ball(quads_around: int = 96) -> Mesh:
    rows = quads_around // 2
    positions, quads = rippled_ball(rows, quads_around, 0.0)
    i, j = quads[:, 0] // quads_around, quads[:, 0] % quads_around
    corner_i = np.stack([i, i + 1, i + 1, i], axis=1).ravel()
    corner_j = np.stack([j, j, j + 1, j + 1], axis=1).ravel()
    uv = np.stack([corner_j / quads_around * 0.98 + 0.01, corner_i / rows * 0.98 + 0.01], axis=1)
    return mesh_from_polygons(positions, quads, uv=uv, part="ball")


def bench_casting(low: LowPoly, high: Surface, count: int, rounds: int = 3) -> None:
    points = sample_points(low, spacing_for_count(low, count), edges=False)
    rays = rays_through(low, cage_from_offset(low, 0.03), points)
    n = len(points)
    begin = time.perf_counter()
    scene = Scene(high)
    build = time.perf_counter() - begin
    vertices = np.ascontiguousarray(high.positions)
    begin = time.perf_counter()
    bare = rtcore_scene.EmbreeScene(robust=True)
    TriangleMesh(bare, vertices, high.triangles)
    origin = (rays.origin + rays.start[:, None] * rays.direction).astype(np.float32)
    inward = (-rays.direction).astype(np.float32)
    far = np.full(n, 0.06, np.float32)
    bare.run(origin[:1], inward[:1], dists=far[:1])
    bare_build = time.perf_counter() - begin
    spans = [slice(a, min(a + CHUNK, n)) for a in range(0, n, CHUNK)]

    def shoot(span: slice) -> None:
        bare.run(origin[span], inward[span], dists=far[span], output=True)

    scene.cast(rays.origin[:1000], rays.direction[:1000], 0.03, 0.03)  # compile
    best = {"cast stage, all layers": np.inf, "embreex, one loop": np.inf,
            "embreex, two threads": np.inf}  # fmt: skip
    for _ in range(rounds):
        begin = time.perf_counter()
        scene.cast(rays.origin, rays.direction, 0.03, 0.03)
        best["cast stage, all layers"] = min(
            best["cast stage, all layers"], time.perf_counter() - begin
        )
        begin = time.perf_counter()
        bare.run(origin, inward, dists=far, output=True)
        best["embreex, one loop"] = min(best["embreex, one loop"], time.perf_counter() - begin)
        begin = time.perf_counter()
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(shoot, spans))
        best["embreex, two threads"] = min(
            best["embreex, two threads"], time.perf_counter() - begin
        )
    print(f"\n{n / 1e6:.2f} M coherent rays on {high.triangle_count / 1e6:.2f} M triangles")
    for name, seconds in best.items():
        print(f"  {name:26s} {n / seconds / 1e6:6.2f} M rays/s")
    ratio = best["embreex, two threads"] / best["cast stage, all layers"]
    print(f"  cast stage / two threads   {ratio:6.2f}")
    print(f"  scene building             {build:6.2f} s, embreex {bare_build:.2f} s")


class Clock:
    """Time since it was made: by the clock, of all cores, and of that the system's."""

    def __init__(self) -> None:
        self.begin = self._now()

    def spent(self) -> np.ndarray:
        return self._now() - self.begin

    @staticmethod
    def _now() -> np.ndarray:
        used = resource.getrusage(resource.RUSAGE_SELF)
        return np.array([time.perf_counter(), used.ru_utime + used.ru_stime, used.ru_stime])


def floor_of(low: LowPoly, high: Surface, settings: Settings) -> dict[str, np.ndarray]:
    """Time building, casting and one projection of every crossing, on the samples of `predict`."""
    points = place_points(low, settings)
    rays = rays_through(low, cage_from_offset(low, settings.offset or 0.0), points)
    clock = Clock()
    scene = Scene(high)
    out = {"build": clock.spent()}
    clock = Clock()
    layers = scene.cast(rays.origin, rays.direction, settings.depth or 0.0, settings.reach or 0.0)
    out["cast"] = clock.spent()
    ray = layers.ray
    place = rays.origin[ray] + layers.t[:, None] * rays.direction[ray]
    facing = hit_normals(high, layers.face) + rays.direction[ray]
    part, likely = high.triangle_part[layers.face], points.triangle[ray]
    paired = np.ones((len(low.part_names), len(high.part_names)), bool)
    clock = Clock()
    NearestPaired(low, paired).find(place, part, facing, likely)
    out["project"] = clock.spent()
    return out


def run_one(low_path: str, high_path: str, samples: int) -> None:
    """The body of a process of its own: read, predict, print a JSON line."""
    keep_freed_memory()  # as commands do
    settings = Settings(samples=samples, offset=0.03, depth=0.03, reach=0.09)
    begin = time.perf_counter()
    few = Settings(samples=20_000, offset=0.03, depth=0.03, reach=0.09)
    predict(prepare_low(read_mesh(low_path)), read_surface(high_path), settings=few)
    # From here on the loops are loaded, and the files lie in the system's memory.
    loading = time.perf_counter() - begin
    clock = Clock()
    low = prepare_low(read_mesh(low_path))
    high = read_surface(high_path)
    read = clock.spent()
    result = predict(low, high, settings=settings)
    total = clock.spent()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    rays, regions = len(result.points), len(result.regions)
    del result
    floor = {"read": read} | floor_of(low, high, settings)
    print(json.dumps({
        "floor": {name: spent.tolist() for name, spent in floor.items()}, "total": total.tolist(),
        "loading": loading, "peak_gib": peak, "regions": regions, "rays": rays,
    }))  # fmt: skip


def bench_predict(folder: Path, sizes: list[tuple[int, int]]) -> None:
    print("\npredict from files (binary PLY high, OBJ low), a process each; cpu seconds")
    print("  triangles    rays     read    build     cast  project    total  / floor"
          "   system   total by the clock   peak GiB")  # fmt: skip
    low_path = folder / "low.obj"
    write_mesh(low_ball(), low_path, force=True)
    before: tuple[int, float, np.ndarray] | None = None
    for triangles, samples in sizes:
        high_path = folder / f"high-{triangles}.ply"
        if not high_path.exists():
            write_surface(high_ball(triangles), high_path)
        line = subprocess.run(
            [sys.executable, __file__, "--one", str(low_path), str(high_path), str(samples)],
            check=True, capture_output=True, text=True,
        ).stdout  # fmt: skip
        row = json.loads(line.splitlines()[-1])
        floor = [row["floor"][name][1] for name in ("read", "build", "cast", "project")]
        wall, cpu, system = row["total"]
        print(f"  {triangles / 1e6:7.2f} M {row['rays'] / 1e6:5.2f} M"
              + "".join(f"{seconds:9.2f}" for seconds in (*floor, cpu))
              + f"{cpu / sum(floor):9.2f}{system:9.2f}{wall:21.2f}{row['peak_gib']:11.2f}",
              flush=True)  # fmt: skip
        if before is not None and before[0] == triangles and row["rays"] > before[1]:
            each = (row["total"] - before[2]) / (row["rays"] - before[1]) * 1e6
            print(f"    each further million rays: {each[1]:.2f} s of processor (system: "
                  f"{each[2]:.2f}), {each[0]:.2f} s by the clock")  # fmt: skip
        before = (triangles, row["rays"], np.array(row["total"]))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--predict", action="store_true", help="only the times of predict")
    parser.add_argument("--one", nargs=3, metavar=("LOW", "HIGH", "SAMPLES"))
    arguments = parser.parse_args()
    if arguments.one:
        run_one(arguments.one[0], arguments.one[1], int(arguments.one[2]))
        return
    shrink = 10 if arguments.quick else 1
    if not arguments.predict:
        low = prepare_low(low_ball())
        bench_casting(low, high_ball(5_000_000 // shrink), 2_000_000 // shrink)
    million = 1_000_000 // shrink
    sizes = [(5, 0.5), (5, 1), (5, 2), (5, 4), (1, 2), (10, 2)]
    with tempfile.TemporaryDirectory() as folder:
        bench_predict(Path(folder), [(int(t * million), int(s * million)) for t, s in sizes])


if __name__ == "__main__":
    main()
