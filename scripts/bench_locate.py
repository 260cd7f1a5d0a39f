"""How long `locate` takes on a map of full size, and whether it still finds what was planted.

usage: python scripts/bench_locate.py [--size 4096] [--subdivisions 8] [--assume 1 10] [--profile]
                                      [--meshes LOW HIGH [--tile 1001]]

The high poly and the low poly are those of `bench_maps.py`, or those of --meshes with parts paired
by name and distances taken from the scene. The map is their bake with a patch of misses, a patch of
noise and green flipped. It is compared with an assumed offset of so many times the real one. Times
are printed stage by stage, with the processor time, since other work on the machine stretches only
the first.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import resource
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from bench_maps import DEPTH, OFFSET, THREADS, low_ball, rippled_ball

from cagecheck.defects.match import Matcher
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.locating.locate import LocateSettings, locate
from cagecheck.locating.read_maps import BakedMap
from cagecheck.maps.encode import quantised
from cagecheck.maps.pad import padded
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.pairs import pair_parts
from cagecheck.predicting.distances import probe_distances
from cagecheck.predicting.maps.bake import Baker, BakeRule
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.scene import Scene

PATCH = 1 / 40  # radius of the planted patches, in map widths
NOISE_DEGREES = 12.0


class Stages:
    """A progress function that keeps the time of every stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, list[float]] = {}
        self._last = (time.perf_counter(), time.process_time())

    def __call__(self, stage: str, done: int, total: int) -> None:
        now = (time.perf_counter(), time.process_time())
        row = self.seconds.setdefault(stage, [0.0, 0.0])
        for k in range(2):
            row[k] += now[k] - self._last[k]
        self._last = now


@dataclass(frozen=True, eq=False)
class Meshes:
    """A low poly over a scene, which parts are paired, and the distances of the bake."""

    low: LowPoly
    scene: Scene
    paired: np.ndarray
    offset: float
    depth: float
    tile: int


def read_meshes(paths: list[Path] | None, subdivisions: int, tile: int) -> Meshes:
    """Return the meshes that are named, or the ball of `bench_maps.py`."""
    if paths is None:
        scene = Scene(rippled_ball(subdivisions), threads=THREADS)
        return Meshes(low_ball(), scene, np.ones((1, 1), bool), OFFSET, DEPTH, 1001)
    low, high = prepare_low(read_mesh(paths[0])), read_surface(paths[1])
    scene = Scene(high, threads=THREADS)
    paired = pair_parts(low.part_names, high.part_names).matrix()
    found = probe_distances(Matcher(low, scene, paired), seed=0)
    return Meshes(low, scene, paired, found.offset, found.depth, tile)


def planted_map(meshes: Meshes, size: int) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Bake the map, plant the faults; return 8-bit values and the patches."""
    low, rule = meshes.low, BakeRule(size=size, depth=meshes.depth)
    cage = cage_from_offset(low, meshes.offset)
    bake = Baker(low, cage, meshes.scene, rule).tile(meshes.tile, what=("tangent",))
    n = bake.tangent
    assert n is not None
    y, x = np.mgrid[:size, :size]
    patches = {
        name: np.hypot(x - u * size, y - v * size) < PATCH * size
        for name, u, v in (("missed", 0.3, 0.4), ("noise", 0.7, 0.6))
    }
    rng = np.random.default_rng(1)
    shaken = n[patches["noise"]]
    shaken = shaken + np.tan(np.radians(NOISE_DEGREES)) * rng.normal(size=shaken.shape)
    n[patches["noise"]] = shaken / np.linalg.norm(shaken, axis=1, keepdims=True)
    n[patches["missed"] | ~bake.hit] = (0, 0, 1)
    n = padded(n, bake.covered, 16)
    return quantised(n * np.array([1, -1, 1], np.float32), 8), patches


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--size", type=int, default=4096)
    parser.add_argument("--subdivisions", type=int, default=8)
    parser.add_argument("--assume", type=float, nargs="+", default=[1.0, 10.0])
    parser.add_argument("--profile", action="store_true")
    parser.add_argument("--meshes", type=Path, nargs=2, default=None, metavar=("LOW", "HIGH"))
    parser.add_argument("--tile", type=int, default=1001, help="with --meshes: which to bake")
    options = parser.parse_args()
    meshes = read_meshes(options.meshes, options.subdivisions, options.tile)
    low, scene, tile = meshes.low, meshes.scene, meshes.tile
    print(f"high {scene.surface.triangle_count:,} triangles, low {len(low.triangles):,}")
    small, _ = planted_map(meshes, 256)
    warm = BakedMap(Path("warm.png"), tile, small, None)
    locate([warm], low.mesh, scene, paired=meshes.paired)  # compile
    values, patches = planted_map(meshes, options.size)
    baked = BakedMap(Path(f"bench_normal.{tile}.png"), tile, values, None)
    for times in options.assume:
        settings = LocateSettings(offset=times * meshes.offset, depth=meshes.depth)
        stages, profile = Stages(), cProfile.Profile()
        begin, busy = time.perf_counter(), time.process_time()
        if options.profile:
            profile.enable()
        result = locate(
            [baked], low.mesh, scene, paired=meshes.paired, settings=settings, progress=stages
        )
        profile.disable()
        took, busy = time.perf_counter() - begin, time.process_time() - busy
        print(f"assumed offset {times:g} times the real one: {took:.1f} s, {busy:.1f} s of a core")
        for stage, (wall, core) in stages.seconds.items():
            print(f"  {stage:<32} {wall:6.1f} s, {core:6.1f} s of a core")
        print("  conventions:", [c.code for c in result.maps[0].conventions])
        for region in result.regions[:6]:
            print(f"  {region.name}: {region.texels:,.0f} texels")
        fault = result.maps[0].fault
        assert fault is not None
        for name, patch in patches.items():
            kinds, count = np.unique(fault[patch], return_counts=True)
            print(
                f"  planted {name} ({patch.sum():,} texels):",
                dict(zip(kinds.tolist(), count.tolist(), strict=True)),
            )
        if result.offset:
            print(f"  offset between {result.offset.least:.4g} and {result.offset.most:.4g}")
        if options.profile:
            pstats.Stats(profile).sort_stats("tottime").print_stats(25)
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20:.2f} GiB")


if __name__ == "__main__":
    main()
