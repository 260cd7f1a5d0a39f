"""Does what we call visible show? Harm against a perceptual comparison of renders.

    python scripts/seen.py [--jobs N] [--quick] [--json FILE]    # measure; --json keeps the figures
    python scripts/seen.py --read FILE                           # writes docs/evidence_seen.md

Every model is baked in prediction (`predicted_maps`), the low poly lit with that map is compared
with the high poly lit by its own normals, from VIEWS sides under LIGHTS lights, by the measure
FLIP (Andersson, Nilsson, Akenine-Möller, Oskarsson, Åström, Fairchild: "FLIP: A Difference
Evaluator for Alternating Images", HPG 2020; package flip-evaluator, BSD-3). Every pixel's
difference goes to the sample that it shows, and with it to the regions of that sample. What an
untouched bake of a faceted low poly differs by anyway (its silhouette, its map's grain) is the
mean difference over samples without any defect, and is taken off.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import fast_simplification
import flip_evaluator
import numpy as np
import trimesh
import xatlas
from scipy.spatial import cKDTree
from scipy.stats import spearmanr

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

import cagecheck  # noqa: E402
from cagecheck.defects.harm import SEEN_DEGREES  # noqa: E402
from cagecheck.defects.kinds import Defect  # noqa: E402
from cagecheck.predicting.maps.shown import predicted_maps  # noqa: E402
from cagecheck.predicting.result import Prediction  # noqa: E402
from cagecheck.rendering.camera import up_axis, whole_camera  # noqa: E402
from cagecheck.rendering.pictures import (  # noqa: E402
    HighModel,
    LowModel,
    render_high,
    render_low_with_map,
)  # fmt: skip
from cagecheck.rendering.shading import light_of, srgb  # noqa: E402
from cagecheck.rendering.view import View  # noqa: E402

PAGE = ROOT / "docs" / "evidence_seen.md"
VIEWS, QUICK_VIEWS = 24, 6
# Degrees to the right of the eye and above it: frontal, from both sides, from behind and above.
LIGHTS = ((-52.0, 36.0), (48.0, 12.0), (5.0, 75.0), (130.0, 40.0))
PIXELS, QUICK_PIXELS = 900, 400
MAP_SIZE, QUICK_MAP_SIZE = 1024, 512
SAMPLES, QUICK_SAMPLES = 400_000, 60_000
# Regions seen in fewer pixels than this over all views say nothing.
LEAST_PIXELS = 40
# Besides the distances that the scene suggests: too tight, and too far out.
BAKES = (("as suggested", 1.0, 1.0), ("too tight", 0.3, 0.4), ("too far out", 2.5, 1.0))
# Bins of visible error over which the difference is averaged to find where it begins to show.
ERROR_BINS = (0, 0.5, 1, 2, 3, 4, 5, 6, 8, 10, 15, 20, 30, 45, 60, 90, 180.1)
OPEN = ("bunny00", "man", "lion-head", "fandisk_large")
LOW_TRIANGLES = 1500


@dataclass
class Place:
    """One region and what the renders say of it."""

    model: str
    bake: str
    defect: str
    texels: float
    harm: float
    error: float
    pixels: int
    difference: float
    above_clean: float


@dataclass
class Measured:
    """One bake of one model: its places, and the difference by bin of visible error."""

    model: str
    bake: str
    clean: float
    places: list[Place]
    pixels_by_error: list[int]
    difference_by_error: list[float]


def models(quick: bool) -> Iterator[str]:
    """Name the models."""
    yield "demo"
    if not quick:
        yield from OPEN


def pair(name: str, quick: bool, meshes: Path) -> tuple[cagecheck.LowPoly, cagecheck.Surface]:
    """Return a low poly with UVs and its high poly: the sample scene, or a scan and a decimation.

    The decimation is by quadric error (Garland and Heckbert 1997), its UVs are by xatlas.
    """
    if name == "demo":
        scene = cagecheck.make_scene(detail=0.2 if quick else 0.6)
        return cagecheck.prepare_low(scene.low), scene.high
    scan = trimesh.load(meshes / f"{name}.off", process=True, force="mesh")
    points, faces = fast_simplification.simplify(
        np.asarray(scan.vertices), scan.faces, target_count=LOW_TRIANGLES
    )
    which, corners, uv = xatlas.parametrize(points, faces)
    mesh = cagecheck.mesh_from_polygons(points, which[corners], uv=uv[corners].reshape(-1, 2))
    surface = cagecheck.Surface(
        np.asarray(scan.vertices, np.float64),
        np.asarray(scan.faces, np.int32),
        np.zeros(len(scan.faces), np.int32),
    )
    return cagecheck.prepare_low(mesh), surface


def baked(
    low: cagecheck.LowPoly, high: cagecheck.Surface, factors: tuple[float, float], quick: bool
) -> Prediction:
    """Return a prediction whose distances are so many times what the scene suggests."""
    settings = cagecheck.Settings(
        samples=QUICK_SAMPLES if quick else SAMPLES,
        map_size=QUICK_MAP_SIZE if quick else MAP_SIZE,
    )
    suggested = cagecheck.predict(low, high, settings=replace(settings, samples=2000)).settings
    assert suggested.offset is not None and suggested.depth is not None
    settings = replace(
        settings, offset=factors[0] * suggested.offset, depth=factors[1] * suggested.depth
    )
    return cagecheck.predict(low, high, settings=settings)


def views(prediction: Prediction, count: int, pixels: int) -> list[View]:
    """Return views of the whole model from evenly spread sides (a golden-angle spiral)."""
    k = np.arange(count)
    height, turn = 1 - (2 * k + 1) / count, k * np.pi * (3 - np.sqrt(5))
    ring = np.sqrt(1 - height**2)
    sides = np.stack([ring * np.cos(turn), height, ring * np.sin(turn)], axis=1)
    axis = up_axis(prediction.low.positions)
    where = prediction.scene.surface.positions
    return [View(whole_camera(where, axis, front=side), pixels, pixels) for side in sides]


def nearest_samples(prediction: Prediction) -> tuple[cKDTree, float]:
    """Return a tree of sample places and face normals, so that a thin part's sides stay apart."""
    reach = 0.02 * prediction.scene.scale
    normals = prediction.low.face_normals[prediction.points.triangle]
    return cKDTree(np.hstack([prediction.positions, reach * normals])), reach


def measure(job: tuple[str, str, float, float, bool, Path]) -> Measured:
    """Bake one model in prediction, render it and its high poly, share the difference out."""
    name, bake, offset, depth, quick, meshes = job
    low, high = pair(name, quick, meshes)
    prediction = baked(low, high, (offset, depth), quick)
    maps = predicted_maps(prediction, QUICK_MAP_SIZE if quick else MAP_SIZE)
    low_model, high_model = LowModel(low), HighModel(prediction.scene)
    tree, reach = nearest_samples(prediction)
    n = len(prediction.points)
    seen, total = np.zeros(n), np.zeros(n)
    pixels = QUICK_PIXELS if quick else PIXELS
    for view in views(prediction, QUICK_VIEWS if quick else VIEWS, pixels):
        lights = [light_of(view, turned, raised) for turned, raised in LIGHTS]
        ours = render_low_with_map(low_model, maps, view, lights)
        theirs = render_high(high_model, view, lights)
        differs = np.zeros((pixels, pixels))
        for a, b in zip(ours.images, theirs.images, strict=True):
            differs += flip_evaluator.evaluate(
                srgb(b).astype(np.float32), srgb(a).astype(np.float32), "LDR",
                applyMagma=False, computeMeanError=False,
            )[0].reshape(pixels, pixels) / len(LIGHTS)  # fmt: skip
        # Where the high poly shows nothing the silhouettes differ, which no map mends.
        shown = (ours.triangle >= 0) & (theirs.triangle >= 0)
        triangle, weights = ours.triangle[shown], ours.barycentric[shown]
        place = np.einsum("ij,ijk->ik", weights, low.positions[low.triangles[triangle]])
        sample = tree.query(np.hstack([place, reach * low.face_normals[triangle]]))[1]
        np.add.at(seen, sample, 1.0)
        np.add.at(total, sample, differs[shown])
    return shared_out(name, bake, prediction, seen, total)


def shared_out(
    name: str, bake: str, prediction: Prediction, seen: np.ndarray, total: np.ndarray
) -> Measured:
    """Give pixels (N,) and their differences (N,) at samples to regions and to bins of error."""
    clean = prediction.findings.flags == 0
    ground = float(total[clean].sum() / max(seen[clean].sum(), 1))
    places = [
        Place(
            name, bake, region.name, region.texels, region.harm, region.visible_error,
            int(seen[region.samples].sum()), float(total[region.samples].sum()),
            float((total - ground * seen)[region.samples].sum()),
        )
        for region in prediction.regions
        if region.defect != Defect.UNSEEN
    ]  # fmt: skip
    which = np.digitize(prediction.visible_error, ERROR_BINS) - 1
    count = len(ERROR_BINS) - 1
    return Measured(
        name, bake, ground, places,
        [int(x) for x in np.bincount(which, weights=seen, minlength=count)[:count]],
        [float(x) for x in np.bincount(which, weights=total, minlength=count)[:count]],
    )  # fmt: skip


def rank(a: list[float], b: list[float]) -> float:
    """Return Spearman's rank correlation, NaN for fewer than three."""
    return float(spearmanr(a, b).statistic) if len(a) > 2 else float("nan")


def rows(measured: list[Measured]) -> Iterator[str]:
    """Yield a line of correlations per model and bake, and one for each model's bakes together."""
    yield (
        "| model | bake | places | texels | harm | harm, clean ground off | "
        "mean error | clean ground | threshold crossed at |"
    )
    yield "|---|---|---:|---:|---:|---:|---:|---:|---:|"
    for one in [*measured, *together(measured)]:
        shown = [p for p in one.places if p.pixels >= LEAST_PIXELS]
        texels, harm = [p.texels for p in shown], [p.harm for p in shown]
        sums, above = [p.difference for p in shown], [p.above_clean for p in shown]
        mean = [p.difference / p.pixels for p in shown]
        yield (
            f"| {one.model} | {one.bake} | {len(shown)} | {rank(texels, sums):.3f} | "
            f"{rank(harm, sums):.3f} | {rank(harm, above):.3f} | "
            f"{rank([p.error for p in shown], mean):.3f} | {one.clean:.3f} | {threshold(one)} |"
        )


def together(measured: list[Measured]) -> Iterator[Measured]:
    """Yield the bakes of each model as one, then all of them."""
    names = list(dict.fromkeys(one.model for one in measured))
    for name in [*names, "all"]:
        some = [one for one in measured if name in (one.model, "all")]
        weight = [sum(one.pixels_by_error) for one in some]
        yield Measured(
            name, "all", float(np.average([one.clean for one in some], weights=weight)),
            [place for one in some for place in one.places],
            [int(x) for x in np.sum([one.pixels_by_error for one in some], axis=0)],
            [float(x) for x in np.sum([one.difference_by_error for one in some], axis=0)],
        )  # fmt: skip


# An error shows where renders differ by so much more than on clean ground does: half as much again.
SHOWS_ABOVE = 1.5


def threshold(one: Measured) -> str:
    """Return from which bin of error on the mean difference stays above that of clean ground."""
    count, total = np.array(one.pixels_by_error), np.array(one.difference_by_error)
    mean = np.divide(total, count, out=np.zeros(len(count)), where=count >= LEAST_PIXELS)
    above = (mean > SHOWS_ABOVE * one.clean) | (count < LEAST_PIXELS)
    last_below = np.flatnonzero(~above)
    first = 0 if len(last_below) == 0 else int(last_below[-1]) + 1
    return f"{ERROR_BINS[first]:g} degrees" if first < len(count) else "never"


def page(measured: list[Measured]) -> str:
    """Return the page."""
    lines = [
        "# What shows: our harm beside a perceptual comparison",
        "",
        "Written by `scripts/seen.py`. Low polys lit with their predicted maps are compared with",
        "their high polys by FLIP (Andersson et al. 2020, package flip-evaluator, 67 pixels a",
        f"degree) from {VIEWS} sides under {len(LIGHTS)} lights, {PIXELS} pixels square, maps",
        f"{MAP_SIZE} square. A place counts if it shows in at least {LEAST_PIXELS} pixels. Columns",
        "*texels* and *harm*: Spearman's rank correlation over places with the summed difference;",
        "*clean ground off*: the same after what samples without any defect differ by on the mean",
        "is taken off; *mean error*: the mean visible error with the mean difference. The",
        f"last column says from which error on renders differ by {SHOWS_ABOVE:g} times what clean",
        f"ground does. The threshold in use is {SEEN_DEGREES:g} degrees.",
        "",
        "Places overlap where samples have several defects; then each has the whole difference.",
        "",
        *rows(measured),
        "",
        "## Difference by visible error",
        "",
        "| visible error, degrees | pixels | mean difference | of clean ground's |",
        "|---|---:|---:|---:|",
    ]
    whole = [*together(measured)][-1]
    for k in range(len(ERROR_BINS) - 1):
        count = whole.pixels_by_error[k]
        mean = whole.difference_by_error[k] / max(count, 1)
        upper = min(ERROR_BINS[k + 1], 180)
        ratio = mean / whole.clean
        lines.append(f"| {ERROR_BINS[k]:g} to {upper:g} | {count:,} | {mean:.3f} | {ratio:.2f} |")
    lines += ["", "## By defect", "", "| defect | places | mean error | mean difference |"]
    lines.append("|---|---:|---:|---:|")
    for defect in sorted({place.defect for place in whole.places}):
        some = [p for p in whole.places if p.defect == defect and p.pixels >= LEAST_PIXELS]
        if some:
            pixels = sum(p.pixels for p in some)
            error = sum(p.error * p.pixels for p in some) / pixels
            lines.append(
                f"| {defect} | {len(some)} | {error:.1f} | "
                f"{sum(p.difference for p in some) / pixels:.3f} |"
            )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measure, or write the page from what was measured."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="the sample scene, small")
    parser.add_argument("--meshes", type=Path, help="folder of the open meshes (.off)")
    parser.add_argument("--json", type=Path, help="keep the figures here")
    parser.add_argument("--read", type=Path, help="write the page from kept figures")
    asked = parser.parse_args()
    if asked.read:
        kept = json.loads(asked.read.read_text())
        PAGE.write_text(page([read_back(one) for one in kept]), encoding="utf-8")
        return
    meshes = asked.meshes or open_meshes(asked.quick)
    jobs = [
        (name, bake, offset, depth, asked.quick, meshes)
        for name in models(asked.quick)
        for bake, offset, depth in BAKES
    ]
    measured = []
    with multiprocessing.get_context("spawn").Pool(asked.jobs) as pool:
        for one in pool.imap(measure, jobs):
            measured.append(one)
            print(one.model, one.bake, len(one.places), "places", file=sys.stderr, flush=True)
            if asked.json:
                asked.json.write_text(json.dumps([asdict(x) for x in measured]))
    print(page(measured))


def read_back(kept: dict[str, Any]) -> Measured:
    """Return one bake's figures from JSON."""
    return Measured(**{**kept, "places": [Place(**place) for place in kept["places"]]})


def open_meshes(quick: bool) -> Path:
    """Return the folder of the open meshes, fetched when needed."""
    if quick:
        return Path()
    from fetch_open_meshes import fetched

    return Path(fetched("scans"))


if __name__ == "__main__":
    main()
