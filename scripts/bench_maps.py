"""How fast a tile bakes, beside the bare rate of the ray engine on the same rays.

usage: python scripts/bench_maps.py [--size 4096] [--subdivisions 9]

The high poly is a sphere of 20 * 4^s triangles (s = 9: 5.2 million) with ripples, the low poly a
latitude-longitude sphere that fills its tile. The bare rate is embreex's own batch call from two
threads, on the very rays of the bake, in chunks of 262,144.
"""

from __future__ import annotations

import argparse
import resource
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import trimesh
from embreex import rtcore_scene
from embreex.mesh_construction import TriangleMesh

from cagecheck.maps.bake import Baker, BakeRule
from cagecheck.maps.texels import texel_blocks
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
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


def bare_rate(high: Surface, low: LowPoly, size: int) -> tuple[float, float]:
    """Return rays a second of embreex's batch call on two threads, and ns of one core a ray.

    The best of three.
    """
    scene = rtcore_scene.EmbreeScene(robust=True)
    TriangleMesh(scene, high.positions, high.triangles)
    cage = cage_from_offset(low, OFFSET)
    chunks, count = [], 0
    for block in texel_blocks(low, size, 1001):
        rays = rays_through(low, cage, block.points)
        origin = rays.origin + rays.start[:, None] * rays.direction
        chunks.append((origin.astype(np.float32), (-rays.direction).astype(np.float32)))
        count += len(origin)
        if count >= 16 * CHUNK:
            break
    origin = np.concatenate([c[0] for c in chunks])
    direction = np.concatenate([c[1] for c in chunks])
    spans = [slice(a, a + CHUNK) for a in range(0, len(origin), CHUNK)]
    reach = np.full(CHUNK, OFFSET + DEPTH, np.float32)

    def shoot(span: slice) -> object:
        part = origin[span]
        return scene.run(part, direction[span], reach[: len(part)], query="INTERSECT", output=True)

    best = least = np.inf
    for _ in range(3):
        start, busy = time.perf_counter(), time.process_time()
        with ThreadPoolExecutor(THREADS) as pool:
            list(pool.map(shoot, spans))
        best = min(best, time.perf_counter() - start)
        least = min(least, time.process_time() - busy)
    return len(origin) / best, 1e9 * least / len(origin)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--size", type=int, default=4096)
    parser.add_argument("--subdivisions", type=int, default=9)
    options = parser.parse_args()
    high, low = rippled_ball(options.subdivisions), low_ball()
    print(f"high {high.triangle_count:,} triangles, low {len(low.triangles):,}")
    start = time.perf_counter()
    scene = Scene(high, threads=THREADS)
    print(f"scene built in {time.perf_counter() - start:.2f} s ({scene.engine})")
    cage = cage_from_offset(low, OFFSET)
    Baker(low, cage, scene, BakeRule(size=64, depth=DEPTH)).tile(1001)  # compile
    start = time.perf_counter()
    baker = Baker(low, cage, scene, BakeRule(size=options.size, depth=DEPTH))
    print(f"normals of the high and frames of the low in {time.perf_counter() - start:.2f} s")
    for what in (("tangent",), ("tangent", "world", "height", "part", "material")):
        start, busy = time.perf_counter(), time.process_time()
        tile = baker.tile(1001, what=what)
        took, busy = time.perf_counter() - start, time.process_time() - busy
        rays = int(tile.covered.sum())
        print(
            f"{'+'.join(what)}: {took:.2f} s, {rays / took / 1e6:.2f} M rays/s, "
            f"{1e9 * busy / rays:.0f} ns of one core a ray, hit {tile.hit.mean():.4f}"
        )
        del tile
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20:.2f} GiB")
    bare, each = bare_rate(high, low, options.size)
    print(
        f"bare engine, two threads, {CHUNK:,} a chunk: {bare / 1e6:.2f} M rays/s, "
        f"{each:.0f} ns of one core a ray"
    )


if __name__ == "__main__":
    main()
