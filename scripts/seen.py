"""Does what we call visible show? Harm against a perceptual comparison of renders.

    python scripts/seen.py [--jobs N] [--quick] [--json FILE]    # measure; --json keeps the figures
    python scripts/seen.py --read FILE                           # writes docs/evidence_seen.md

Every model is baked in prediction (`predicted_maps`), the low poly lit with that map is compared
with the high poly lit by its own normals, from VIEWS sides under LIGHTS lights, by the measure
FLIP (Andersson, Nilsson, Akenine-Möller, Oskarsson, Åström, Fairchild: "FLIP: A Difference
Evaluator for Alternating Images", HPG 2020; package flip-evaluator, BSD-3). Every pixel's
difference goes to the sample that it shows, and with it to the regions of that sample. A faceted
low poly differs from its high poly whatever its map holds (silhouette, parallax, the map's grain),
so the same is done with the map that holds what belongs there (`ideal_maps`): what the bake adds is
the difference of both. And both lit low polys are compared with each other: what the map alone
makes of the picture, the same shape in both.

How far any measure in degrees can go is measured beside it: the angle between the normals that two
pictures show, pixel by pixel, which is known only to who has both pictures already.
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
from cagecheck.defects.harm import SEEN_DEGREES, WRONG_DEGREES, harm_degrees  # noqa: E402
from cagecheck.defects.kinds import Defect  # noqa: E402
from cagecheck.defects.visible import HOLE_DEGREES  # noqa: E402
from cagecheck.predicting.maps.shown import ideal_maps, predicted_maps  # noqa: E402
from cagecheck.predicting.result import Prediction  # noqa: E402
from cagecheck.rendering.camera import up_axis, whole_camera  # noqa: E402
from cagecheck.rendering.pictures import (  # noqa: E402
    HighModel,
    LowModel,
    lit,
    pixel_centres,
    render_high,
)  # fmt: skip
from cagecheck.rendering.shading import Light, Look, light_of, srgb  # noqa: E402
from cagecheck.rendering.view import Sight, View  # noqa: E402

PAGE = ROOT / "docs" / "evidence_seen.md"
VIEWS, QUICK_VIEWS = 24, 6
# Degrees to the right of the eye and above it: frontal, from both sides, from behind and above.
LIGHTS = ((-52.0, 36.0), (48.0, 12.0), (5.0, 75.0), (130.0, 40.0))
PIXELS, QUICK_PIXELS = 480, 400
MAP_SIZE, QUICK_MAP_SIZE = 1024, 512
SAMPLES, QUICK_SAMPLES = 200_000, 60_000
# Regions seen in fewer pixels than this over all views say nothing.
LEAST_PIXELS = 40
# Besides the distances that the scene suggests: too tight, and too far out.
BAKES = (("as suggested", 1.0, 1.0), ("too tight", 0.3, 0.4), ("too far out", 2.5, 1.0))
# Bins of visible error over which the difference is averaged to find where it begins to show.
ERROR_BINS = (0, 0.5, 1, 2, 3, 4, 5, 6, 8, 10, 15, 20, 30, 45, 60, 90, 180.1)
OPEN = ("bunny00", "man", "lion-head", "fandisk_large")
LOW_TRIANGLES = 1500
NOTHING_THERE = Defect.MISS_NOTHING.title


@dataclass
class Place:
    """One region and what the renders say of it.

    shown : degrees that count, summed over the pixels that show it, as harm sums them over texels.
    by_map : difference between the low poly lit with the predicted and with the ideal map.
    degrees, degrees_by_map : summed like `difference` and `by_map`, how far the normals in the two
    pictures differ, `WRONG_DEGREES` at most.
    """

    model: str
    bake: str
    defect: str
    texels: float
    harm: float
    error: float
    shown: float
    pixels: int
    difference: float
    added: float
    by_map: float
    degrees: float
    degrees_by_map: float


@dataclass
class Measured:
    """One bake of one model: its places, and the difference by bin of visible error."""

    model: str
    bake: str
    clean: float
    places: list[Place]
    pixels_by_error: list[int]
    difference_by_error: list[float]
    added_by_error: list[float]
    by_map_by_error: list[float]


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
    size = QUICK_MAP_SIZE if quick else MAP_SIZE
    both = predicted_maps(prediction, size), ideal_maps(prediction, size)
    low_model, high_model = LowModel(low), HighModel(prediction.scene)
    tree, reach = nearest_samples(prediction)
    # For every sample: pixels, differences and degrees, in the order of `Place`.
    sums = np.zeros((6, len(prediction.points)))
    pixels = QUICK_PIXELS if quick else PIXELS
    for view in views(prediction, QUICK_VIEWS if quick else VIEWS, pixels):
        lights = [light_of(view, turned, raised) for turned, raised in LIGHTS]
        sight, goal = low_model.see(view), render_high(high_model, view, lights)
        normals = [low_model.map_normals(sight, maps) for maps in both]
        ours, ideal = (lit_images(sight, some, lights) for some in normals)
        goals = [srgb(image).astype(np.float32) for image in goal.images]
        triangle, weights = pixel_centres(low_model, view)
        # Where only one of them shows anything the silhouettes differ, which no map mends.
        shown = (triangle >= 0) & (goal.triangle >= 0)
        triangle, weights = triangle[shown], weights[shown]
        place = np.einsum("ij,ijk->ik", weights, low.positions[low.triangles[triangle]])
        sample = tree.query(np.hstack([place, reach * low.face_normals[triangle]]))[1]
        total = difference(goals, ours)
        pictures = (
            np.ones_like(total), total, total - difference(goals, ideal), difference(ideal, ours),
            degrees_apart(sight, normals[0], high_normals(high_model, sight)),
            degrees_apart(sight, *normals),
        )  # fmt: skip
        for sum_, picture in zip(sums, pictures, strict=True):
            np.add.at(sum_, sample, picture[shown])
    return shared_out(name, bake, prediction, sums)


def lit_images(sight: Sight, normals: np.ndarray, lights: list[Light]) -> list[np.ndarray]:
    """Return (H, W, 3) sRGB pictures of a low poly with a map's normals, one per light."""
    return [srgb(lit(sight, normals, light, Look())).astype(np.float32) for light in lights]


def high_normals(model: HighModel, low: Sight) -> np.ndarray:
    """Return (N, 3) the high poly's normals where a low poly is seen, zero where it is not there.

    Turned like those of the low poly, so that what is seen from behind counts as the eye has it.
    """
    sight = model.see(low.view, low.across)
    turned = np.where(sight.behind[:, None], -1.0, 1.0) * model.normals(sight)
    out = np.zeros((low.view.height * low.view.width * low.across**2, 3))
    out[sight.ray] = turned
    return np.where(low.behind[:, None], -1.0, 1.0) * out[low.ray]


def degrees_apart(sight: Sight, one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return (H, W) degrees between normals (N, 3) of a sight, mean of a pixel, limited as harm is.

    0 where one of them has no normal.
    """
    cosine = np.clip((one * other).sum(axis=1), -1.0, 1.0)
    there = one.any(axis=1) & other.any(axis=1)
    degrees = np.where(there, np.minimum(np.degrees(np.arccos(cosine)), WRONG_DEGREES), 0.0)
    height, width, across = sight.view.height, sight.view.width, sight.across
    fine = np.zeros((2, height * width * across**2))
    fine[0, sight.ray], fine[1, sight.ray] = degrees, there
    total, count = fine.reshape(2, height, across, width, across).sum(axis=(2, 4))
    return total / np.maximum(count, 1)


def difference(wanted: list[np.ndarray], shown: list[np.ndarray]) -> np.ndarray:
    """Return (H, W) how pictures differ from those wanted, mean over the lights."""
    return np.mean(
        [
            flip_evaluator.evaluate(a, b, "LDR", applyMagma=False, computeMeanError=False)[0]
            for a, b in zip(wanted, shown, strict=True)
        ],
        axis=0,
    ).reshape(wanted[0].shape[:2])


def shared_out(
    name: str,
    bake: str,
    prediction: Prediction,
    sums: np.ndarray,
) -> Measured:
    """Give sums (6, N) at samples to regions and to bins of error: see `measure`."""
    clean = prediction.findings.flags == 0
    seen, differs = sums[0], sums[1:4]
    ground = float(differs[0][clean].sum() / max(seen[clean].sum(), 1))
    counted = seen * harm_degrees(prediction.visible_error)
    places = [
        Place(
            name, bake, region.name, region.texels, region.harm, region.visible_error,
            float(counted[region.samples].sum()), int(seen[region.samples].sum()),
            *(float(some[region.samples].sum()) for some in sums[1:]),
        )
        for region in prediction.regions
        if region.defect != Defect.UNSEEN
    ]  # fmt: skip
    which = np.digitize(prediction.visible_error, ERROR_BINS) - 1
    count = len(ERROR_BINS) - 1
    return Measured(
        name, bake, ground, places,
        [int(x) for x in np.bincount(which, weights=seen, minlength=count)[:count]],
        *(np.bincount(which, weights=some, minlength=count)[:count].tolist() for some in differs),
    )  # fmt: skip


def rank(a: list[float], b: list[float]) -> float:
    """Return Spearman's rank correlation, NaN for fewer than three."""
    return float(spearmanr(a, b).statistic) if len(a) > 2 else float("nan")


def rows(measured: list[Measured], least: int) -> Iterator[str]:
    """Yield a line of correlations per model and bake, and one for each model's bakes together."""
    yield (
        "| model | bake | places | texels, sum | harm, sum | shown, sum | *degrees, sum* | "
        "error, mean | *degrees, mean* | harm, map | shown, map | *degrees, map* | "
        "error, mean of map | *degrees, mean of map* | clean ground |"
    )
    yield "|---|---|" + "---:|" * 13
    for one in [*measured, *together(measured)]:
        shown = [p for p in one.places if p.pixels >= least]
        # What belongs nowhere is in no map: the ideal one is as flat there as ours.
        mapped = [p for p in shown if p.defect != NOTHING_THERE]
        sums, by_map = [p.difference for p in shown], [p.by_map for p in mapped]
        means = [p.difference / p.pixels for p in shown]
        map_means = [p.by_map / p.pixels for p in mapped]
        cells = [
            rank([p.texels for p in shown], sums),
            rank([p.harm for p in shown], sums),
            rank([p.shown for p in shown], sums),
            rank([p.degrees for p in shown], sums),
            rank([p.error for p in shown], means),
            rank([p.degrees / p.pixels for p in shown], means),
            rank([p.harm for p in mapped], by_map),
            rank([p.shown for p in mapped], by_map),
            rank([p.degrees_by_map for p in mapped], by_map),
            rank([p.error for p in mapped], map_means),
            rank([p.degrees_by_map / p.pixels for p in mapped], map_means),
        ]
        told = " | ".join("-" if np.isnan(x) else f"{x:.3f}" for x in cells)
        yield f"| {one.model} | {one.bake} | {len(shown)} | {told} | {one.clean:.3f} |"


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
            [float(x) for x in np.sum([one.added_by_error for one in some], axis=0)],
            [float(x) for x in np.sum([one.by_map_by_error for one in some], axis=0)],
        )  # fmt: skip


# A place of a few pixels is mostly its neighbours' blur; these are told apart from it.
LARGE_PIXELS = 400


HEAD = f"""\
# What shows: our harm beside a perceptual comparison

Written by `scripts/seen.py`. Low polys lit with their predicted maps are compared with their high
polys by FLIP (Andersson et al. 2020, package flip-evaluator, 67 pixels a degree) from {VIEWS}
sides under {len(LIGHTS)} lights, {PIXELS} pixels square, maps {MAP_SIZE} square. Cells are
Spearman's rank correlations over places: of texels or harm with the summed difference, and of the
mean visible error with the mean difference. *Map*: with the difference between the low poly lit
with the predicted map and lit with the map of a bake without artefacts (`ideal_maps`), so that
silhouettes and depth, which no normal map mends, are the same in both; without the places where
nothing belongs, as no map holds what belongs there. *Clean ground*: mean difference of samples
without any defect. Places overlap where samples have several defects; then each has the whole
difference.

*Shown* is harm summed over the pixels that show a place instead of its texels. How many pixels show
a texel depends on how large it lies on the model, how near one looks, what hides it in this pose;
how many texels a part has is how much its artist made of it. Harm counts texels, so that a list
does not change with the pose; how much of the rest of the rank is that choice, and how much the
degrees, is what the columns tell apart.

*Degrees* are the angles between the normals in the two pictures, {WRONG_DEGREES:g} at most, summed
or averaged over the pixels of a place. Only who has both pictures knows them. How well
even they rank by FLIP is what the columns before them can be held to. Holes in flat
ground count for more than a normal map alone shows: {HOLE_DEGREES:g} degrees at least, because the
bake's other maps have them too.
"""


def page(measured: list[Measured]) -> str:
    """Return the page."""
    lines = [
        *HEAD.splitlines(),
        "",
        f"## Places of {LARGE_PIXELS} pixels and more, all pictures together",
        "",
        *rows(measured, LARGE_PIXELS),
        "",
        f"## Places of {LEAST_PIXELS} pixels and more",
        "",
        *rows(measured, LEAST_PIXELS),
        "",
        "## Difference by visible error",
        "",
        f"What counts begins at {SEEN_DEGREES:g} degrees and ends at {WRONG_DEGREES:g}. *Added* is",
        "what remains of a difference when the one of the ideal map is taken off.",
        "",
        "| visible error, degrees | pixels | mean difference | added by the bake | by the map |",
        "|---|---:|---:|---:|---:|",
    ]
    whole = [*together(measured)][-1]
    for k in range(len(ERROR_BINS) - 1):
        count = max(whole.pixels_by_error[k], 1)
        upper = min(ERROR_BINS[k + 1], 180)
        lines.append(
            f"| {ERROR_BINS[k]:g} to {upper:g} | {whole.pixels_by_error[k]:,} | "
            f"{whole.difference_by_error[k] / count:.3f} | {whole.added_by_error[k] / count:.3f} | "
            f"{whole.by_map_by_error[k] / count:.3f} |"
        )
    lines += ["", "## By defect", "", "| defect | places | mean error | mean difference | added |"]
    lines.append("|---|---:|---:|---:|---:|")
    for defect in sorted({place.defect for place in whole.places}):
        some = [p for p in whole.places if p.defect == defect and p.pixels >= LEAST_PIXELS]
        if some:
            pixels = sum(p.pixels for p in some)
            error = sum(p.error * p.pixels for p in some) / pixels
            lines.append(
                f"| {defect} | {len(some)} | {error:.1f} | "
                f"{sum(p.difference for p in some) / pixels:.3f} | "
                f"{sum(p.added for p in some) / pixels:.3f} |"
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
