"""What four ways of choosing offsets leave wrong, scene by scene.

    python scripts/compare_offsets.py                    the demo scene and made-up ones
    python scripts/compare_offsets.py LOW HIGH           your own pair

uniform: the best single number for the whole asset; per part: the best single number per part;
nearest: per vertex, the distance from the vertex to the farthest of the high-poly points nearest
to the low poly around it (common practice, no source), with a tenth to spare; tuned: ours. All
are cast on the same points, which none of them was made from. Numbers are % of the surface:
missed because the cage is too tight, overshot, and both together. How deep rays look is no matter
of offsets and the same for all; what lies deeper still has a column of its own.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

import igl
import numpy as np
import trimesh
from numpy.typing import NDArray

import cagecheck
from cagecheck.defects.kinds import Defect
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.predicting.predict import predict_points
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import Settings
from cagecheck.rays.cage import Cage, cage_from_push
from cagecheck.rays.points import sample_points
from cagecheck.rays.scene import Scene
from cagecheck.tuning.single import single_numbers, uniform_prediction
from cagecheck.tuning.tune import Tuning, tune

SPARE = 1.1
FRESH_SEED = 5000
MISSED = (Defect.MISS_TIGHT,)
DEEPER = (Defect.MISS_DEEP,)
OVERSHOT = (Defect.OVERSHOOT_OWN, Defect.OVERSHOOT_OTHER)


def share(prediction: Prediction, kinds: tuple[Defect, ...]) -> float:
    wrong = np.zeros(len(prediction.points), bool)
    for kind in kinds:
        wrong |= prediction.findings.has(kind)
    area = prediction.points.area
    return 100 * float(area[wrong].sum() / area.sum())


def nearest_offsets(low: LowPoly, surface: Surface, paired: NDArray[np.bool_]) -> np.ndarray:
    """Per vertex: the farthest own high-poly vertex among those nearest to its triangles."""
    out = np.zeros(low.position_count)
    for part in range(len(low.part_names)):
        mine = np.flatnonzero((low.triangle_part == part) & (low.area > 0))
        used = paired[part][surface.triangle_part]
        vertices = np.unique(surface.triangles[used])
        if len(mine) == 0 or len(vertices) == 0:
            continue
        place = np.ascontiguousarray(surface.positions[vertices], np.float64)
        squared, index, foot = igl.point_mesh_squared_distance(
            place, low.positions, np.ascontiguousarray(low.triangles[mine], np.int64)
        )
        triangle = mine[index]
        outside = np.einsum("ij,ij->i", place - foot, low.face_normals[triangle]) > 0
        height = np.where(outside, np.sqrt(squared), 0.0)
        for k in range(3):
            np.maximum.at(out, low.welded[triangle, k], height)
    return SPARE * out[low.position_id]


def compare(
    name: str, low: LowPoly, high: Surface, paired: NDArray[np.bool_], samples: int
) -> None:
    scene = Scene(high)
    settings = Settings(samples=samples, unseen_points=0)
    tuned = tune(low, scene, paired=paired, settings=settings)
    numbers = single_numbers(uniform_prediction(tuned.before), tuned.margin, tuned.limit)
    asset = next(n for n in numbers if n.scope == "asset")
    by_part = {n.name: n.offset_out for n in numbers if n.scope == "part"}
    vertex_part = np.zeros(low.mesh.vertex_count, np.int64)
    vertex_part[low.triangles.ravel()] = np.repeat(low.triangle_part, 3)
    per_part = np.array([by_part.get(low.part_names[p], asset.offset_out) for p in vertex_part])
    ways = {
        "uniform": np.full(low.mesh.vertex_count, asset.offset_out),
        "per part": per_part,
        "nearest": nearest_offsets(low, high, paired),
        "tuned": tuned.offset_out,
    }
    spacing = float(np.sqrt(low.area.sum() / (4 * samples)))
    points = sample_points(low, spacing, seed=FRESH_SEED)
    print(f"\n{name}: {low.position_count:,} positions, {high.triangle_count:,} triangles, "
          f"{len(points):,} rays")  # fmt: skip
    print(
        f"  {'':10s} {'missed %':>10s} {'overshot %':>11s} {'both %':>9s} {'too deep %':>11s} "
        f"{'largest offset':>15s}"
    )
    for way, offsets in ways.items():
        cage = cage_from_push(low, offsets)
        result = cast(tuned, cage, points)
        missed, over = share(result, MISSED), share(result, OVERSHOT)
        deeper = share(result, DEEPER)
        print(f"  {way:10s} {missed:10.4f} {over:11.4f} {missed + over:9.4f} {deeper:11.4f} "
              f"{offsets.max():15.4g}", flush=True)  # fmt: skip


def cast(tuned: Tuning, cage: Cage, points: cagecheck.SurfacePoints) -> Prediction:
    settings = replace(tuned.settings, depth=tuned.depth)
    return predict_points(tuned.matcher, cage, points, settings)


def relief_ball() -> tuple[LowPoly, Surface, NDArray[np.bool_]]:
    """A coarse ball under a finely rippled one: no number fits poles and ripples at once."""
    low, high = trimesh.creation.icosphere(3), trimesh.creation.icosphere(6)
    p = np.asarray(high.vertices)
    ripple = 0.02 * np.sin(14 * p[:, 0]) * np.sin(11 * p[:, 1]) + 0.06 * np.clip(p[:, 2], 0, 1) ** 4
    surface = Surface(p * (1 + ripple[:, None]), np.asarray(high.faces, np.int32),
                      np.zeros(len(high.faces), np.int32), ("ball",))  # fmt: skip
    return prepare_low(mesh_from_polygons(low.vertices, low.faces)), surface, np.ones((1, 1), bool)


def two_fingers() -> tuple[LowPoly, Surface, NDArray[np.bool_]]:
    """Two rippled fingers of one part, close to each other along their length."""

    def finger(x: float, rings: int, sides: int, ripple: float) -> tuple[np.ndarray, np.ndarray]:
        mesh = trimesh.creation.capsule(height=1.0, radius=0.1, count=[sides, rings])
        p = np.asarray(mesh.vertices).copy()
        p[:, :2] *= 1 + ripple * np.sin(40 * p[:, 2:3])
        return p + [x, 0, 0], np.asarray(mesh.faces)

    def pair(rings: int, sides: int, ripple: float) -> tuple[np.ndarray, np.ndarray]:
        a, fa = finger(-0.115, rings, sides, ripple)
        b, fb = finger(0.115, rings, sides, ripple)
        return np.concatenate([a, b]), np.concatenate([fa, fb + len(a)])

    p, f = pair(8, 10, 0.0)
    q, g = pair(96, 160, 0.12)
    surface = Surface(q, g.astype(np.int32), np.zeros(len(g), np.int32), ("hand",))
    return prepare_low(mesh_from_polygons(p, f)), surface, np.ones((1, 1), bool)


def open_pair(name: str) -> tuple[LowPoly, Surface, NDArray[np.bool_]]:
    """A mesh that pyvista's own package carries, as the high, and its decimation as the low."""
    import fast_simplification
    from pyvista import examples

    mesh = trimesh.load(Path(examples.__file__).parent / f"{name}.ply", force="mesh")
    mesh.merge_vertices(merge_norm=True, merge_tex=True)
    points, faces = fast_simplification.simplify(
        mesh.vertices.astype(np.float32), mesh.faces.astype(np.int32), 0.6
    )
    low = prepare_low(mesh_from_polygons(points.astype(np.float64), faces))
    part = np.zeros(len(mesh.faces), np.int32)
    surface = Surface(np.asarray(mesh.vertices), mesh.faces.astype(np.int32), part, (name,))
    return low, surface, np.ones((1, 1), bool)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("files", nargs="*", help="LOW HIGH, for a pair of your own")
    parser.add_argument("--samples", type=int, default=50_000)
    parser.add_argument("--detail", type=float, default=0.3, help="of the demo scene")
    chosen = parser.parse_args()
    if chosen.files:
        low = prepare_low(cagecheck.read_mesh(chosen.files[0]))
        high = cagecheck.read_surface(chosen.files[1])
        pairing = cagecheck.pair_parts(low.part_names, high.part_names)
        compare(Path(chosen.files[0]).name, low, high, pairing.matrix(), chosen.samples)
        return
    compare("relief ball", *relief_ball(), chosen.samples)
    compare("two fingers", *two_fingers(), chosen.samples)
    for name in ("ant", "airplane"):
        compare(f"{name} (from the package pyvista)", *open_pair(name), chosen.samples)
    demo = cagecheck.make_scene(detail=chosen.detail)
    low = prepare_low(demo.low)
    pairing = cagecheck.pair_parts(low.part_names, demo.high.part_names)
    compare("demo", low, demo.high, pairing.matrix(), chosen.samples)


if __name__ == "__main__":
    main()
