"""How long mending takes: a garment of 100,000 vertices over a body of 200,000 triangles.

A sleeve over a limb with bumps that reach through it in places, each frame in a process of its own:
processor seconds and the most memory that was held.

    python scripts/bench_mend.py [--vertices 100000] [--triangles 200000] [--bumps 40]
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np

from cagecheck.mending.mend import mend_clashes
from cagecheck.mending.settings import MendSettings
from cagecheck.meshes.mesh import Mesh, mesh_from_polygons

SEED = 5
RADIUS, OVER, BUMP = 0.5, 0.01, 0.03


def tube(count: int, name: str, height: object, closed: bool) -> Mesh:
    """A tube of about `count` vertices over z from -2 to 2, radius by angle and z."""
    around = round(np.sqrt(count * np.pi * RADIUS / 2))
    along = round(count / around)
    z, a = np.meshgrid(
        np.linspace(-2, 2, along), 2 * np.pi * np.arange(around) / around, indexing="ij"
    )
    r = height(a, z)  # type: ignore[operator]
    points = np.stack([r * np.cos(a), r * np.sin(a), z], -1).reshape(-1, 3)
    i = (np.arange(along - 1)[:, None] * around + np.arange(around)).ravel()
    j = (np.arange(along - 1)[:, None] * around + (np.arange(around) + 1) % around).ravel()
    faces = np.concatenate(
        [np.stack([i, j, j + around], 1), np.stack([i, j + around, i + around], 1)]
    )
    if closed:
        low, high = len(points), len(points) + 1
        ring = np.arange(around)
        following = (ring + 1) % around
        last = (along - 1) * around
        points = np.concatenate([points, [[0, 0, -2.1], [0, 0, 2.1]]])
        faces = np.concatenate([
            faces,
            np.stack([following, ring, np.full(around, low)], 1),
            np.stack([last + ring, last + following, np.full(around, high)], 1),
        ])  # fmt: skip
    return mesh_from_polygons(points, faces, part=name)


def main() -> None:
    """Mend one frame and print what it took."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vertices", type=int, default=100_000)
    parser.add_argument("--triangles", type=int, default=200_000)
    parser.add_argument("--bumps", type=int, default=40)
    given = parser.parse_args()
    generator = np.random.default_rng(SEED)
    angle = generator.uniform(0, 2 * np.pi, given.bumps)
    place = generator.uniform(-1.8, 1.8, given.bumps)

    def body(a: np.ndarray, z: np.ndarray) -> np.ndarray:
        out = np.full(a.shape, RADIUS)
        for b, p in zip(angle, place, strict=True):
            turn = RADIUS * ((a - b + np.pi) % (2 * np.pi) - np.pi)
            out += BUMP * np.exp(-(turn**2 + (z - p) ** 2) / 0.05**2)
        return out

    def sleeve(a: np.ndarray, z: np.ndarray) -> np.ndarray:
        return RADIUS + OVER + 0.003 * np.sin(9 * a) * np.sin(7 * z)

    scene = [
        tube(given.vertices, "sleeve", sleeve, False),
        tube(given.triangles // 2, "body", body, True),
    ]
    begin, processor = time.perf_counter(), time.process_time()
    (frame,) = mend_clashes([scene], MendSettings(outer=("sleeve",))).frames
    wall, used = time.perf_counter() - begin, time.process_time() - processor
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    told = frame.to_dict()
    print(
        f"{scene[0].vertex_count:,} vertices over {scene[1].face_count:,} triangles, "
        f"{told['clashes_before']} clashes: {wall:.1f} s, {used:.1f} processor seconds, "
        f"{memory:.2f} GB; {told['vertices_moved']:,} vertices moved, depth "
        f"{told['depth_before']:.4f} before, {told['depth_after']:.4f} after, "
        f"{len(told['not_mended'])} not mended"
    )


if __name__ == "__main__":
    main()
