"""How fast a tile bakes, beside the bare rate of the ray engine on the same rays.

usage: python scripts/bench_maps.py [--size 4096] [--subdivisions 9] [--rounds 5] [--bits 8]

The high poly is a sphere of 20 * 4^s triangles (s = 9: 5.2 million) with ripples, the low poly a
latitude-longitude sphere that fills its tile. The bare rate is embreex's own batch call from two
threads, on the very rays of the bake, in chunks of 262,144. Both are timed turn and turn about, the
best of several rounds each. Where other programs share the cores, the share by core time says more
than the share by the clock.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import trimesh
from embreex import rtcore_scene
from embreex.mesh_construction import TriangleMesh

from cagecheck.maps.encode import NormalNumbers
from cagecheck.maps.texels import texel_blocks
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.predicting.maps.bake import WHAT, Baker, BakeRule
from cagecheck.rays.cage import cage_from_offset, rays_through
from cagecheck.rays.scene import Scene

OFFSET, DEPTH, CHUNK, THREADS = 0.05, 0.05, 262_144, 2


def rippled_ball(subdivisions: int) -> Surface:
    ball = trimesh.creation.icosphere(subdivisions=subdivisions)
    p = np.asarray(ball.vertices)
    height = 0.01 * np.sin(40 * p[:, 0]) * np.sin(37 * p[:, 1]) * np.sin(31 * p[:, 2])
    faces = np.asarray(ball.faces, np.int32)
    return Surface(
        (p * (1 + height)[:, None]).astype(np.float32), faces, np.zeros(len(faces), np.int32)
    )


def low_ball(around: int = 128) -> LowPoly:
    n, m = around, around // 2
    u, v = np.meshgrid(np.linspace(0, 1, n + 1), np.linspace(0, 1, m + 1))
    lon, lat = 2 * np.pi * u, np.pi * (v - 0.5)
    p = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)
    p[:, -1] = p[:, 0]
    p[0], p[-1] = (0, 0, -1), (0, 0, 1)
    c = (np.arange(m)[:, None] * (n + 1) + np.arange(n)).ravel()
    quads = np.stack([c, c + 1, c + n + 2, c + n + 1], axis=1)
    uv = np.stack([u, v], axis=-1).reshape(-1, 2)
    return prepare_low(mesh_from_polygons(p.reshape(-1, 3), quads, uv=uv[quads].reshape(-1, 2)))


class BareEngine:
    """embreex's own batch call on two threads, on the first rays of the bake."""

    def __init__(self, high: Surface, low: LowPoly, size: int) -> None:
        self._scene = rtcore_scene.EmbreeScene(robust=True)
        self._mesh = TriangleMesh(self._scene, high.positions, high.triangles)
        cage = cage_from_offset(low, OFFSET)
        chunks, count = [], 0
        for block in texel_blocks(low, size, 1001, block=256):
            rays = rays_through(low, cage, block.points)
            origin = rays.origin + rays.start[:, None] * rays.direction
            chunks.append((origin.astype(np.float32), (-rays.direction).astype(np.float32)))
            count += len(origin)
            if count >= 32 * CHUNK:
                break
        self.origin = np.concatenate([c[0] for c in chunks])
        self.direction = np.concatenate([c[1] for c in chunks])
        self.reach = np.full(CHUNK, OFFSET + DEPTH, np.float32)

    def run(self) -> int:
        """Shoot all rays and return how many."""
        spans = [slice(a, a + CHUNK) for a in range(0, len(self.origin), CHUNK)]
        with ThreadPoolExecutor(THREADS) as pool:
            list(pool.map(self._shoot, spans))
        return len(self.origin)

    def _shoot(self, span: slice) -> object:
        part = self.origin[span]
        return self._scene.run(
            part, self.direction[span], self.reach[: len(part)], query="INTERSECT", output=True
        )


@dataclass
class Best:
    """The best of several runs of one thing."""

    seconds: float = np.inf
    core_seconds: float = np.inf
    rays: int = 0

    def time(self, run: Callable[[], int]) -> None:
        start, busy = time.perf_counter(), time.process_time()
        self.rays = run()
        self.seconds = min(self.seconds, time.perf_counter() - start)
        self.core_seconds = min(self.core_seconds, time.process_time() - busy)

    @property
    def rate(self) -> float:
        return self.rays / self.seconds

    @property
    def each(self) -> float:
        """Nanoseconds of one core a ray."""
        return 1e9 * self.core_seconds / self.rays

    def describe(self) -> str:
        return f"{self.rate / 1e6:.2f} M rays/s, {self.each:.0f} ns of one core a ray"


def bake(baker: Baker, what: tuple[str, ...], numbers: NormalNumbers | None) -> int:
    """Bake the tile as `cagecheck predict --maps` does and return how many rays it took."""
    return int(baker.tile(1001, what=what, numbers=numbers).covered.sum())


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--size", type=int, default=4096)
    parser.add_argument("--subdivisions", type=int, default=9)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--bits", type=int, choices=(8, 16, 32), default=8, help="of the normals")
    options = parser.parse_args()
    numbers = None if options.bits == 32 else NormalNumbers(options.bits)
    high, low = rippled_ball(options.subdivisions), low_ball()
    print(f"high {high.triangle_count:,} triangles, low {len(low.triangles):,}")
    start = time.perf_counter()
    scene = Scene(high, threads=THREADS)
    print(f"scene built in {time.perf_counter() - start:.2f} s ({scene.engine})")
    cage = cage_from_offset(low, OFFSET)
    Baker(low, cage, scene, BakeRule(size=64, depth=DEPTH)).tile(1001, numbers=numbers)  # compile
    start = time.perf_counter()
    baker = Baker(low, cage, scene, BakeRule(size=options.size, depth=DEPTH))
    print(f"normals of the high and frames of the low in {time.perf_counter() - start:.2f} s")
    bare = BareEngine(high, low, options.size)
    kinds: tuple[tuple[str, ...], ...] = (("tangent",), WHAT)
    ours, theirs = [Best() for _ in kinds], Best()
    for _ in range(options.rounds):  # turn and turn about, so that a busy moment meets both
        theirs.time(bare.run)
        for best, what in zip(ours, kinds, strict=True):
            best.time(lambda what=what: bake(baker, what, numbers))
    print(f"bare engine, two threads, {CHUNK:,} a chunk: {theirs.describe()}")
    for best, what in zip(ours, kinds, strict=True):
        share, by_core = best.rate / theirs.rate, theirs.each / best.each
        print(f"{'+'.join(what)}: {best.describe()}")
        print(f"    {share:.2f} of the bare rate, {by_core:.2f} by core time")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20:.2f} GiB")


if __name__ == "__main__":
    main()
