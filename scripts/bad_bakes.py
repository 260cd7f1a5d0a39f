"""Bake badly on purpose, by a baker of its own, and print what `locate` names as the first cause.

usage: python scripts/bad_bakes.py [--models organic scan hard] [--sizes 512] [--only NAME ...]
                                   [--seed 0] [--clean] [--json FILE] [--read FILE ...]
                                   [--write PAGE]

The baker shares no code with the package (`tests/bad_bakes`). A cause counts as right when it is
the first thing that `locate` tells to mend; a place overlaps by intersection over union of texels.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from cagecheck.locating.locate import LocateSettings, Location, locate
from cagecheck.locating.read_maps import BakedMap
from cagecheck.meshes.mesh import Mesh, Surface, join_meshes, mesh_from_polygons
from cagecheck.rays.scene import Scene
from scripts.fetch_open_meshes import cache_folder
from tests.bad_bakes.faults import CAUSES, CLEAN, Cause, Kitchen, Picture, Trial
from tests.bad_bakes.models import Model, hard_surface, organic, scan

PARTS = ("main", "second")
# Places are compared where more texels than this are visibly wrong.
LEAST_WRONG = 200
GOOD_OVERLAP = 0.8
# Why a cause is hard to tell or to place, for the evidence page.
WHY = {
    "painted over": "The colour covers most of an island, whose normals there are then a turn of "
    "what belongs, as those of an island baked with other frames are.",
    "0.7 and back": "What it leaves is hardly softer than a tent over 3 x 3 texels, which must not "
    "be found; where detail is as fine as texels the two differ too little to be told apart.",
    "halved and back": "Where detail is as fine as texels, filters differ by their kind as much as "
    "by their width.",
    "rays along faces": "Rays part at edges, so only strips beside them differ: as much a break at "
    "seams as a slide, and most of it is below the tolerance of a bent surface.",
    "hole": "Padding fills the hole's rim with neighbours that look right, and the surface in hand "
    "bends there, so the rim is within the tolerance.",
    "sculpt changed": "Detail on detail: where the surface in hand bends within a texel or two, "
    "differences of 5 to 15 degrees are within the tolerance that filters need.",
    "high poly moved": "A step of half a texel to a few texels is a slide; where the surface in "
    "hand bends strongly it stays within the tolerance that filters need.",
    "depth too small": "Padding fills thin losses with neighbours that are within the tolerance of "
    "a bent surface.",
    "offset too small": "Padding fills thin losses with neighbours that are within the tolerance "
    "of a bent surface.",
    "part left out": "A flat map is right wherever the high poly is flat to a few degrees.",
    "slid": "Where the detail repeats or is flat, a slide shows nothing.",
    "island moved": "Where the detail repeats or is flat, a shift shows nothing.",
}


def model_named(name: str, seed: int) -> Model:
    scans = cache_folder() / "scans"
    if name == "hard":
        return hard_surface(seed)
    if name == "organic":
        return organic(scans / "bear.off", seed)
    return scan(scans / "bunny00.off", seed)


def as_inputs(model: Model) -> tuple[Mesh, Scene]:
    """Return the model as the package takes it."""
    lows, base, positions, faces, part = [], 0, [], [], []
    for number, piece in enumerate(model.pieces):
        mesh = mesh_from_polygons(
            piece.positions, piece.faces, uv=piece.corner_uv, part=PARTS[number]
        )
        lows.append(replace(mesh, corner_normal=piece.corner_normal))
        positions.append(piece.high_positions)
        faces.append(piece.high_faces + base)
        part.append(np.full(len(piece.high_faces), number, np.int32))
        base += len(piece.high_positions)
    high = Surface(
        np.concatenate(positions), np.concatenate(faces).astype(np.int32), np.concatenate(part),
        PARTS,
    )  # fmt: skip
    return join_meshes(lows), Scene(high)


def as_maps(pictures: list[Picture]) -> list[BakedMap]:
    out = []
    for picture in pictures:
        path = Path(f"m_normal.{picture.tile}.png")
        alpha = None if picture.alpha is None else (picture.alpha / 255).astype(np.float32)
        empty = None if alpha is None or alpha.min() > 0 else alpha == 0
        out.append(BakedMap(path, picture.tile, picture.values, empty, alpha=alpha))
    return out


def named(result: Location) -> list[str]:
    """Return the codes of everything that is told, what to mend first first."""
    return [cause.code for cause in result.causes]


def overlap(result: Location, trial: Trial) -> float:
    """Intersection over union of told and visibly wrong texels; NaN where few are wrong.

    Texels that differ by less than is visible count neither for nor against.
    """
    both = either = 0
    for tile, wanted in trial.place.items():
        told = np.zeros(wanted.shape, bool)
        rows = np.unique(np.concatenate([np.zeros(0, int), *(r.samples for r in result.regions)]))
        rows = rows[result.texels.tile[rows] == tile]
        told[result.texels.y[rows], result.texels.x[rows]] = True
        told &= ~trial.faint[tile]
        both += int((told & wanted).sum())
        either += int((told | wanted).sum())
    total = sum(int(w.sum()) for w in trial.place.values())
    return both / either if total > LEAST_WRONG else float("nan")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--models", nargs="+", default=["organic", "scan", "hard"])
    parser.add_argument("--sizes", type=int, nargs="+", default=[512])
    parser.add_argument("--only", nargs="+", default=None)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--clean", action="store_true", help="only the clean variants")
    parser.add_argument("--json", type=Path, default=None, help="keep what was found")
    parser.add_argument("--read", type=Path, nargs="+", default=None,
                        help="bake nothing, take what --json kept")  # fmt: skip
    parser.add_argument("--write", type=Path, default=None, help="write the evidence page")
    options = parser.parse_args()
    if options.read:
        every = [row for path in options.read for row in json.loads(path.read_text())]
        # Of trials that were made again the last one counts.
        key = ("model", "size", "clean", "cause")
        rows = list({tuple(row.get(k) for k in key): row for row in every}.values())
    else:
        rows = []
        for name in options.models:
            for row in trials(name, options):
                rows.append(row)
                print(row_words(row), flush=True)
                if options.json:
                    options.json.write_text(json.dumps(rows, indent=1))
    told = [r for r in rows if "cause" in r]
    if told:
        print(f"first cause right: {sum(r['right'] for r in told)} of {len(told)}")
    if options.write:
        options.write.write_text(page(rows), encoding="utf-8")


def trials(name: str, options: argparse.Namespace) -> Iterator[dict[str, Any]]:
    """Bake and locate everything that is asked for on one model."""
    model = model_named(name, options.seed)
    low, scene = as_inputs(model)
    settings = LocateSettings(offset=model.offset, depth=model.depth, apart=True)
    for size in options.sizes:
        kitchen = Kitchen(model, size, np.random.default_rng([options.seed, size]))

        def look(pictures: list[Picture]) -> tuple[Location, float]:
            begin = time.perf_counter()
            pairs = np.eye(2, dtype=bool)
            result = locate(as_maps(pictures), low, scene, paired=pairs, settings=settings)
            return result, time.perf_counter() - begin

        for variant, make in CLEAN.items():
            if options.only and variant not in options.only:
                continue
            result, seconds = look(make(kitchen))
            yield {"model": model.name, "size": size, "clean": variant, "found": named(result),
                   "specks": result.specks, "seconds": seconds}  # fmt: skip
        for cause in [] if options.clean else CAUSES:
            if (options.only and cause.name not in options.only) or model.name in cause.not_on:
                continue
            kitchen.rng = np.random.default_rng([options.seed, size, len(cause.name)])
            trial = cause.make(kitchen)
            result, seconds = look(trial.pictures)
            codes = named(result)
            share = overlap(result, trial)
            wrong = sum(int(p.sum()) for p in trial.place.values())
            yield {"model": model.name, "size": size, "cause": cause.name, "found": codes[:6],
                   "right": bool(codes) and codes[0] in cause.codes,
                   "overlap": None if np.isnan(share) else share, "wrong": wrong,
                   "seconds": seconds}  # fmt: skip


def row_words(row: dict[str, Any]) -> str:
    """Return a line for the terminal."""
    head = f"{row['model']} {row['size']}"
    codes = ", ".join(row["found"][:4]) or "nothing"
    if "clean" in row:
        return f"{head} clean {row['clean']}: {codes}; {row['specks']} specks"
    share = "" if row["overlap"] is None else f"; IoU {row['overlap']:.2f} of {row['wrong']}"
    return f"{head} {'ok ' if row['right'] else 'BAD'} {row['cause']}: {codes}{share}"


def page(rows: list[dict[str, Any]]) -> str:
    """Return the evidence page: what was told for every cause, clean bakes, places, worst cells."""
    told = [r for r in rows if "cause" in r]
    clean = [r for r in rows if "clean" in r]
    models = list(dict.fromkeys(f"{r['model']} {r['size']}" for r in rows))
    right = sum(r["right"] for r in told)
    places = [r for r in told if r["overlap"] is not None and not of_cause(r["cause"]).everywhere]
    good = sum(r["overlap"] >= GOOD_OVERLAP for r in places)
    lines = [
        "# How `locate` names causes",
        "",
        "Written by `scripts/bad_bakes.py --write`. A baker that shares no code with cagecheck",
        "(own texels, rays and normals; tangents by the MikkTSpace reference) bakes each cause",
        "onto an organic mesh, a scan and a hard-surface kit with mirrored UVs and hard edges;",
        "`locate` is given the maps, the meshes and the distances of the clean bake.",
        "",
        f"- First cause right: {right} of {len(told)} ({right / max(len(told), 1):.0%}).",
        f"- Clean variants with a finding: {sum(bool(r['found']) for r in clean)} of {len(clean)}.",
        f"- Places that overlap the truth by {GOOD_OVERLAP} or more (intersection over union,",
        f"  where over {LEAST_WRONG} texels are off by more than 5 degrees): {good} of "
        f"{len(places)}.",
        "",
        "## First cause told",
        "",
        "Bold: not an accepted name of the cause. In brackets: the overlap of the places.",
        "",
        "| cause | " + " | ".join(models) + " |",
        "|---|" + "---|" * len(models),
    ]
    for name in dict.fromkeys(r["cause"] for r in told):
        cells = []
        for model in models:
            row = next((r for r in told if r["cause"] == name
                        and f"{r['model']} {r['size']}" == model), None)  # fmt: skip
            cells.append("–" if row is None else cell(row))
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    lines += ["", "## Clean bakes", "", "Findings, and specks (texels too few to list).", "",
              "| variant | " + " | ".join(models) + " |", "|---|" + "---|" * len(models),
    ]  # fmt: skip
    for name in dict.fromkeys(r["clean"] for r in clean):
        mine = {f"{r['model']} {r['size']}": r for r in clean if r["clean"] == name}
        cells = [
            f"{len(mine[m]['found'])}, {mine[m]['specks']} specks" if m in mine else "–"
            for m in models
        ]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    lines += ["", "## Worst cells", ""]
    for row in told:
        low_overlap = row in places and row["overlap"] < GOOD_OVERLAP
        if not row["right"] or low_overlap:
            lines.append(
                f"- **{row['cause']}** on {row['model']} {row['size']}: {worst_words(row)}"
            )
    return "\n".join(lines) + "\n"


def of_cause(name: str) -> Cause:
    return next(cause for cause in CAUSES if cause.name == name)


def cell(row: dict[str, Any]) -> str:
    """Return what was told first, and how well the place was found."""
    first = f"`{row['found'][0]}`" if row["found"] else "nothing"
    share = row["overlap"]
    if share is None or of_cause(row["cause"]).everywhere:
        return first if row["right"] else f"**{first}**"
    return f"{first if row['right'] else f'**{first}**'} ({share:.2f})"


def worst_words(row: dict[str, Any]) -> str:
    """Say in words what went wrong with a trial."""
    words = []
    if not row["right"]:
        told = f"`{row['found'][0]}` was told first" if row["found"] else "nothing was told"
        accepted = [code for code in row["found"][1:] if code in of_cause(row["cause"]).codes]
        later = f"; `{accepted[0]}` came later" if accepted else ""
        words.append(f"{told}{later}.")
    if row["overlap"] is not None and row["overlap"] < GOOD_OVERLAP:
        words.append(f"Places overlap by {row['overlap']:.2f} of {row['wrong']:,} wrong texels.")
    return " ".join(words + [WHY.get(row["cause"], "")]).strip()


if __name__ == "__main__":
    main()
