"""How long `tune` takes, in which memory, and how good its cage is, scene by scene.

    python scripts/bench_tune.py                          every scene, as large as the README says
    python scripts/bench_tune.py demo scan --scale 0.2    smaller, while working on it
    python scripts/bench_tune.py demo --profile           where the processor's time goes

demo: the sample scene, default samples. scan, fine: an open scan (fetch_open_meshes.py, `scans`),
divided smoothly, against its decimation to 11,000 and 48,000 triangles. dense: the same against
200,000 vertices. needles: the scan divided along its flat facets, of whose decimation to 11,000
triangles 800 have next to no height. cape: a thin waved cape, made up, whose two sides are nearer
than its waves are high. straighten: the demo with its straightening map. Each run is a process of
its own, so that memory is its own; seconds of the processor are those of all threads. Missed,
overshot and skewed are % of the surface on the points of the last check, which the offsets were not
made from.
"""

from __future__ import annotations

import argparse
import cProfile
import json
import pstats
import resource
import subprocess
import sys
import time

import numpy as np
from fetch_open_meshes import fetched

import cagecheck
from cagecheck.defects.kinds import Defect
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.predicting.settings import Settings
from cagecheck.rays.scene import Scene
from cagecheck.tuning.needles import crossings_at_needles
from cagecheck.tuning.straighten.straighten import straighten
from cagecheck.tuning.tune import Tuning, tune

SCENES = ("demo", "scan", "fine", "dense", "needles", "cape", "straighten")
SAMPLES = 200_000
LOW_TRIANGLES = {"scan": 11_000, "fine": 48_000, "dense": 400_000, "needles": 11_000}
SCAN, SUBDIVISIONS = "armadillo.off", 2
# Sides 0.01 apart hang in folds 0.04 high, and their own waves are twice as high as that is thick.
CAPE_SIDE, CAPE_FINE, CAPE_THICKNESS, CAPE_FOLD, CAPE_WAVE = 32, 8, 0.01, 0.04, 0.02
MISSED = (Defect.MISS_TIGHT, Defect.MISS_DEEP)
OVERSHOT = (Defect.OVERSHOOT_OWN, Defect.OVERSHOOT_OTHER)

Pair = tuple[LowPoly, Surface, np.ndarray]


def demo_pair(scale: float) -> Pair:
    scene = cagecheck.make_scene(detail=scale)
    low = prepare_low(scene.low)
    return low, scene.high, cagecheck.pair_parts(low.part_names, scene.high.part_names).matrix()


def scan_pair(triangles: int, scale: float, *, flat: bool) -> Pair:
    """An open scan against its decimation; both sizes scale. flat : its facets stay flat."""
    import fast_simplification
    import trimesh

    mesh = trimesh.load(fetched("scans") / SCAN, force="mesh")
    times = SUBDIVISIONS if scale == 1 else 1
    if flat:
        for _ in range(times):
            mesh = mesh.subdivide()
    else:
        mesh = mesh.subdivide_loop(times)
    points, faces = fast_simplification.simplify(
        mesh.vertices.astype(np.float32), mesh.faces.astype(np.int32),
        target_count=round(triangles * scale),
    )  # fmt: skip
    low = prepare_low(mesh_from_polygons(points.astype(np.float64), faces))
    part = np.zeros(len(mesh.faces), np.int32)
    high = Surface(np.asarray(mesh.vertices), mesh.faces.astype(np.int32), part, ("scan",))
    return low, high, np.ones((1, 1), bool)


def cape_pair(scale: float) -> Pair:
    """Two sheets, a thickness apart and joined along their rim, under waves higher than that."""
    side = max(round(CAPE_SIDE * scale**0.5), 4)
    low, high = _cape(side, 0.0), _cape(side * CAPE_FINE, CAPE_WAVE)
    points, faces = high
    part = np.zeros(len(faces), np.int32)
    surface = Surface(points, faces.astype(np.int32), part, ("cape",))
    return prepare_low(mesh_from_polygons(*low)), surface, np.ones((1, 1), bool)


def _cape(side: int, wave: float) -> tuple[np.ndarray, np.ndarray]:
    u, v = np.meshgrid(*[np.linspace(-0.5, 0.5, side + 1)] * 2, indexing="ij")
    angle = 1.6 * u
    across = 0.5 + 0.15 * v
    normal = np.stack([np.sin(angle), 0 * u, np.cos(angle)], axis=-1)
    middle = np.stack([across * np.sin(angle), v, across * np.cos(angle)], axis=-1)
    middle = middle + CAPE_FOLD * np.sin(25 * u + 3 * v)[..., None] * normal
    window = np.clip(8 * (0.5 - np.maximum(np.abs(u), np.abs(v))), 0, 1)
    sides = []
    for sign in (1, -1):
        ripple = wave * window * np.sin(40 * u + sign * 11 * v) * np.sin(31 * v - sign * 7 * u)
        sides.append(middle + sign * (CAPE_THICKNESS / 2 + ripple)[..., None] * normal)
    count = (side + 1) ** 2
    at = np.arange(count).reshape(side + 1, side + 1)
    a, b, c, d = (x.ravel() for x in (at[:-1, :-1], at[1:, :-1], at[1:, 1:], at[:-1, 1:]))
    top = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    rim = np.concatenate([at[:-1, 0], at[-1, :-1], at[:0:-1, -1], at[0, :0:-1]])
    following = np.roll(rim, -1)
    wall = np.concatenate(
        [
            np.stack([following, rim, rim + count], 1),
            np.stack([following, rim + count, following + count], 1),
        ]
    )
    faces = np.concatenate([top, top[:, ::-1] + count, wall])
    return np.concatenate([side.reshape(-1, 3) for side in sides]), faces


def pair(scene: str, scale: float) -> Pair:
    if scene in ("demo", "straighten"):
        return demo_pair(scale)
    if scene == "cape":
        return cape_pair(scale)
    return scan_pair(LOW_TRIANGLES[scene], scale, flat=scene == "needles")


def quality(result: Tuning) -> dict[str, float]:
    after = result.after
    area = after.points.area

    def share(kinds: tuple[Defect, ...]) -> float:
        wrong = np.zeros(len(area), bool)
        for kind in kinds:
            wrong |= after.findings.has(kind)
        return round(100 * float(area[wrong].sum() / area.sum()), 5)

    return {
        "missed_percent": share(MISSED),
        "overshot_percent": share(OVERSHOT),
        "skewed_percent": share((Defect.SKEW,)),
        "folds": int(result.shell.folded.sum()),
        "cage_crossings": int(result.crossings.same_part.sum()),
        "crossings_at_needles": crossings_at_needles(result.low, result.crossings),
        "low_crossings": result.low_crossings,
        "open": result.assurance.open + result.assurance.open_edge,
        "largest_offset": float(f"{result.offset_out.max():.4g}"),
        "depth": float(f"{result.depth:.4g}"),
        "looks": result.assurance.looks,
        "casts": len(result.rounds),
    }


def run_one(scene: str, scale: float, samples: int, profiled: bool) -> None:
    low, high, paired = pair(scene, scale)
    settings = Settings(samples=samples, unseen_points=0)
    profile = cProfile.Profile(time.process_time)
    begin, spent = time.perf_counter(), time.process_time()
    if profiled:
        profile.enable()
    result = tune(low, Scene(high), paired=paired, settings=settings)
    if scene == "straighten":
        straighten(result)
    profile.disable()
    row = {
        "scene": scene,
        "low_triangles": len(low.triangles),
        "high_triangles": high.triangle_count,
        "samples": samples,
        "seconds": round(time.perf_counter() - begin, 1),
        "processor_seconds": round(time.process_time() - spent, 1),
        "gigabytes": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2, 2),
        **quality(result),
    }
    print(json.dumps(row), flush=True)
    if profiled:
        pstats.Stats(profile).sort_stats("cumtime").print_stats(60)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("scenes", nargs="*", metavar="SCENE", help=", ".join(SCENES))
    parser.add_argument("--scale", type=float, default=1.0, help="of low and high poly")
    parser.add_argument("--samples", type=int, default=SAMPLES)
    parser.add_argument("--profile", action="store_true")
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    unknown = sorted(set(chosen.scenes) - set(SCENES))
    if unknown:
        parser.error(f"no scene is called {unknown[0]}; there are {', '.join(SCENES)}")
    if chosen.one:
        run_one(chosen.scenes[0], chosen.scale, chosen.samples, chosen.profile)
        return
    for scene in chosen.scenes or SCENES:
        line = [sys.executable, __file__, scene, "--one", "--scale", str(chosen.scale),
                "--samples", str(chosen.samples)] + ["--profile"] * chosen.profile  # fmt: skip
        subprocess.run(line, check=False)


if __name__ == "__main__":
    main()
