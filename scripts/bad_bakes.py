"""Bake badly on purpose, by a baker of its own, and print what `locate` names as the first cause.

usage: python scripts/bad_bakes.py [--models organic scan hard organic-b scan-b hard-b]
                                   [--sizes 512] [--sets clean causes combined settings beside]
                                   [--only NAME ...] [--sample N] [--seed 0] [--jobs 1]
                                   [--seconds-all S] [--json FILE] [--read FILE ...] [--write PAGE]
       python scripts/bad_bakes.py [--models ...] --save-stock FILE   (then --stock FILE)

The baker shares no code with the package (`tests/bad_bakes`). A cause counts as right when it is
the first thing that `locate` tells to mend; a place overlaps by intersection over union of texels.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, replace
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from scipy.ndimage import binary_dilation

sys.path.insert(0, str(Path(__file__).parents[1]))

from cagecheck.defects.regions import Region
from cagecheck.locating.beside_maps import BesideMap, beside_map
from cagecheck.locating.locate import LocateSettings, Location, locate
from cagecheck.locating.read_maps import BakedMap
from cagecheck.meshes.mesh import Mesh, Surface, join_meshes, mesh_from_polygons
from cagecheck.rays.scene import Scene
from scripts.fetch_open_meshes import cache_folder
from tests.bad_bakes.bake import Settings, low_set
from tests.bad_bakes.beside import BESIDE
from tests.bad_bakes.combined import COMBINED
from tests.bad_bakes.faults import CAUSES, CLEAN, MIXED, Cause, Kitchen, Picture, Trial
from tests.bad_bakes.known_settings import KNOWN
from tests.bad_bakes.pieces import Model, read_stock, write_stock

PARTS = ("main", "second")
# Places are compared where more texels than this are visibly wrong.
LEAST_WRONG = 200
GOOD_OVERLAP = 0.8
# Why a cause is hard to tell or to place, for the evidence page.
WHY = {
    "halved and back": "Where detail is as fine as texels, filters differ by their kind as much as "
    "by their width.",
    "hole": "Padding fills the hole's rim with neighbours that look right, and the surface in hand "
    "bends there, so the rim is within the tolerance.",
    "sculpt changed": "Detail on detail: where the surface in hand bends within a texel or two, "
    "differences of 5 to 15 degrees are within the tolerance that filters need.",
    "high poly moved": "Where the surface is flat or bends alike, a step along it shows nothing.",
    "depth too small": "Padding fills thin losses with neighbours that are within the tolerance of "
    "a bent surface.",
    "offset too small": "Padding fills thin losses with neighbours that are within the tolerance "
    "of a bent surface.",
    "padding missing": "The clean bake itself misses texels where fingers rise above the offset; "
    "where several lie together they are told first, and rightly.",
    "part left out": "A flat map is right wherever the high poly is flat to a few degrees.",
    "slid": "Where the detail repeats or is flat, a slide shows nothing.",
    "painted over": "On a flat face one wrong direction all over may as well be a face that was "
    "tilted since.",
    "island moved": "Where the detail repeats or is flat, a shift shows nothing.",
}


# Meshes that thresholds may be tuned on, and others that they never are: other bodies, other seeds.
MODELS = ("organic", "scan", "hard")
HELD_OUT = ("organic-b", "scan-b", "hard-b")
HELD_OUT_SEED = 1
# Before a batch begins its last trial, so much of its time must be left (a trial of 2048 takes as
# long as that on one core).
LAST_TRIAL_S = 45.0


def model_named(name: str, seed: int) -> Model:
    """Make a model; only this needs the packages that models are made with."""
    from tests.bad_bakes.models import hard_surface, organic, scan

    scans = cache_folder() / "scans"
    if name in HELD_OUT:
        seed += HELD_OUT_SEED
    made = {
        "hard": lambda: hard_surface(seed),
        "hard-b": lambda: hard_surface(seed),
        "organic": lambda: organic(scans / "bear.off", seed),
        "organic-b": lambda: organic(scans / "bull.off", seed),
        "scan": lambda: scan(scans / "bunny00.off", seed),
        # Its fingers and folds lie nearer to each other than the other scan's: 0.035 records one.
        "scan-b": lambda: replace(scan(scans / "armadillo.off", seed), offset=0.02),
    }
    return made[name]()


def stocked(names: list[str], seed: int) -> dict[str, Model]:
    """Make models and work out all tangents that their bakes need."""
    models = {name: model_named(name, seed) for name in names}
    for model in models.values():
        for changes in ({}, {"low_normals": "face"}, {"diagonal": "short"}):
            _ = low_set(model, Settings(**changes)).tangent  # type: ignore[arg-type]
    return models


def as_inputs(model: Model, threads: int | None = None) -> tuple[Mesh, Scene]:
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
    return join_meshes(lows), Scene(high, threads=threads)


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
    parser.add_argument("--models", nargs="+", default=list(MODELS))
    parser.add_argument("--sizes", type=int, nargs="+", default=[512])
    parser.add_argument("--only", nargs="+", default=None, help="names of trials")
    parser.add_argument("--sets", nargs="+", default=list(SETS), choices=SETS)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--sample", type=int, default=None, metavar="N",
                        help="N causes on each model, drawn by the seed")  # fmt: skip
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--seconds-all", type=float, default=None,
                        help="begin no trial that would end later than this")  # fmt: skip
    parser.add_argument("--save-stock", type=Path, default=None,
                        help="only make the models and their tangents, into this file")  # fmt: skip
    parser.add_argument("--stock", type=Path, default=None, help="take models from there")
    parser.add_argument("--json", type=Path, default=None, help="keep what was found")
    parser.add_argument("--read", type=Path, nargs="+", default=None,
                        help="bake nothing, take what --json kept")  # fmt: skip
    parser.add_argument("--write", type=Path, default=None, help="write the evidence page")
    options = parser.parse_args()
    if options.save_stock:
        write_stock(options.save_stock, stocked(options.models, options.seed))
        return
    if options.read:
        every = [row for path in options.read for row in json.loads(path.read_text())]
        # Of trials that were made again the last one counts.
        rows = list({tuple(row[k] for k in KEY): row for row in every}.values())
    else:
        rows = []
        for row in all_rows(options):
            rows.append(row)
            print(row_words(row), flush=True)
            if options.json:
                options.json.write_text(json.dumps(rows, indent=1))
    print("\n".join(figures_table(rows)))
    if options.write:
        options.write.write_text(page(rows), encoding="utf-8")


# What every row says of its trial, and the sets of trials.
KEY = ("model", "held", "seed", "size", "set", "name")
SETS = ("causes", "clean", "combined", "settings", "beside")


@dataclass(frozen=True)
class Batch:
    """Trials of one model at one size: (set, name) each, and what a process needs to make them."""

    model: str
    size: int
    seed: int
    stock: Path | None
    threads: int | None
    trials: tuple[tuple[str, str], ...]


def all_rows(options: argparse.Namespace) -> Iterator[dict[str, Any]]:
    """Make all trials, in this process or in several, and give their rows as they come."""
    begin = time.monotonic()
    end = np.inf if options.seconds_all is None else begin + options.seconds_all
    threads = None if options.jobs == 1 else max((os.cpu_count() or 1) // options.jobs, 1)
    batches = [
        Batch(name, size, options.seed, options.stock, threads, trials_of(name, options))
        for size in options.sizes
        for name in options.models
    ]
    if options.jobs == 1:
        for batch in batches:
            for trial in batch.trials:
                if time.monotonic() + LAST_TRIAL_S < end:
                    yield from trial_rows(batch, trial)
        return
    # Every model has processes of its own, which bake it once each.
    each = max(options.jobs // len(batches), 1)
    pools = [ProcessPoolExecutor(each, get_context("spawn")) for _ in batches]
    waiting: set[Future[list[dict[str, Any]]]] = set()
    for pool, batch in zip(pools, batches, strict=True):
        waiting |= {pool.submit(trial_rows, batch, trial, end) for trial in batch.trials}
    while waiting:
        done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
        for future in done:
            yield from future.result()
    for pool in pools:
        pool.shutdown()


def trials_of(name: str, options: argparse.Namespace) -> tuple[tuple[str, str], ...]:
    """Return the trials that are asked for on a model."""
    mine = NAMES[name.removesuffix("-b")]
    every = {
        "clean": list(CLEAN),
        "causes": drawn([c.name for c in CAUSES if mine not in c.not_on], name, options),
        "combined": [combined.name for combined in COMBINED],
        "settings": [known.name for known in KNOWN],
        "beside": [trial.name for trial in BESIDE if mine not in trial.not_on],
    }
    return tuple(
        (kind, trial)
        for kind in options.sets
        for trial in every.get(kind, [])
        if options.only is None or trial in options.only
    )


def drawn(names: list[str], model: str, options: argparse.Namespace) -> list[str]:
    """Return the causes to try on a model: all, or as many as asked for, in the table's order."""
    if options.sample is None:
        return names
    rng = np.random.default_rng([options.seed, (*MODELS, *HELD_OUT).index(model)])
    chosen = rng.choice(len(names), min(options.sample, len(names)), replace=False)
    return [names[k] for k in sorted(chosen)]


NAMES = {"organic": "organic", "scan": "scan", "hard": "hard surface"}


@dataclass(frozen=True, eq=False)
class Bench:
    """A model with its clean bake, as the baker and as the package have it."""

    kitchen: Kitchen
    low: Mesh
    scene: Scene
    settings: LocateSettings

    def look(
        self, pictures: list[Picture], beside: tuple[BesideMap, ...] = ()
    ) -> tuple[Location, float]:
        """Locate; return how many seconds of a core that took, too."""
        begin = time.process_time()
        result = locate(
            as_maps(pictures), self.low, self.scene, paired=np.eye(2, dtype=bool),
            beside=beside, settings=self.settings,
        )  # fmt: skip
        return result, time.process_time() - begin


@lru_cache(maxsize=1)
def bench_of(name: str, size: int, seed: int, stock: Path | None, threads: int | None) -> Bench:
    """Bake a model cleanly, once for all of its trials."""
    model = model_named(name, seed) if stock is None else read_stock(stock)[name]
    low, scene = as_inputs(model, threads)
    settings = LocateSettings(offset=model.offset, depth=model.depth, apart=True)
    return Bench(Kitchen(model, size, np.random.default_rng([seed, size])), low, scene, settings)


def trial_rows(batch: Batch, trial: tuple[str, str], end: float = np.inf) -> list[dict[str, Any]]:
    """Make one trial; return its row, or none where no time is left (`end`: monotonic)."""
    if time.monotonic() + LAST_TRIAL_S > end:
        return []
    bench = bench_of(batch.model, batch.size, batch.seed, batch.stock, batch.threads)
    kind, name = trial
    held = batch.model in HELD_OUT
    head = {"model": NAMES[batch.model.removesuffix("-b")], "held": held, "seed": batch.seed,
            "size": batch.size, "set": kind, "name": name}  # fmt: skip
    bench.kitchen.rng = np.random.default_rng([batch.seed + held, batch.size, len(name)])
    makers = {
        "clean": clean_row, "causes": cause_row, "combined": combined_row, "beside": beside_row,
        "settings": settings_row,
    }  # fmt: skip
    return [{**head, **makers[kind](bench, name)}]


def clean_row(bench: Bench, name: str) -> dict[str, Any]:
    """Tell what is found that the bake has not; what its own rays did wrong is found rightly."""
    result, seconds = bench.look(CLEAN[name](bench.kitchen))
    reach = int(name in MIXED)
    own = {r.number for r in result.regions if strays_of_bake(bench, result, r, reach)}
    wrong = [c.code for c in result.causes if not c.regions or not own.issuperset(c.regions)]
    return {"found": wrong, "own": len(own), "specks": result.specks, "core_seconds": seconds}


def strays_of_bake(bench: Bench, result: Location, region: Region, reach: int = 0) -> bool:
    """Tell whether the clean bake itself went astray in most texels of a region.

    There its rays met nothing, or another surface before the one that lies nearest to the low poly;
    reach : so many texels beside such a one count, too, as filters mix it in.
    """
    texels, rows, kitchen = result.texels, region.samples, bench.kitchen
    astray = 0
    for tile, bake in kitchen.clean.items():
        mine = rows[texels.tile[rows] == tile]
        marked = np.zeros(bake.hit.shape, bool)
        marked[texels.y[mine], texels.x[mine]] = True
        y, x = np.nonzero(_dilated(marked, reach) & bake.covered)
        strays = np.zeros(bake.hit.shape, bool)
        strays[y, x] = kitchen.oven.strays(kitchen.settings, bake, x, y)
        astray += int((_dilated(strays, reach) & marked).sum())
    return astray > 0.5 * len(rows)


def _dilated(mask: np.ndarray, steps: int) -> np.ndarray:
    return binary_dilation(mask, np.ones((3, 3), bool), steps) if steps else mask


def cause_row(bench: Bench, name: str) -> dict[str, Any]:
    cause = of_cause(name)
    trial = cause.make(bench.kitchen)
    result, seconds = bench.look(trial.pictures)
    codes = named(result)
    return {"found": codes[:6], "right": bool(codes) and codes[0] in cause.codes,
            **overlap_row(result, trial), "core_seconds": seconds}  # fmt: skip


def overlap_row(result: Location, trial: Trial) -> dict[str, Any]:
    """Return how well the places overlap, None where few texels are wrong, and how many are."""
    share = overlap(result, trial)
    wrong = sum(int(p.sum()) for p in trial.place.values())
    return {"overlap": None if np.isnan(share) else share, "wrong": wrong}


def combined_row(bench: Bench, name: str) -> dict[str, Any]:
    """Tell both conventions before both places, and how many other names are told."""
    combined = next(c for c in COMBINED if c.name == name)
    trial = combined.make(bench.kitchen)
    result, seconds = bench.look(trial.pictures)
    codes = named(result)
    at = [
        min((codes.index(code) for code in accepted if code in codes), default=-1)
        for accepted in (*combined.conventions, *combined.places)
    ]
    n = len(combined.conventions)
    first, then = at[:n], at[n:]
    known = {code for names in (*combined.conventions, *combined.places) for code in names}
    return {
        "found": codes[:8], "conventions": sum(k >= 0 for k in first),
        "places": sum(k >= 0 for k in then), "of": [n, len(then)],
        "ordered": max(first) < min((k for k in then if k >= 0), default=len(codes)),
        "more": sum(code not in known for code in codes),
        **overlap_row(result, trial), "core_seconds": seconds,
    }  # fmt: skip


def settings_row(bench: Bench, name: str) -> dict[str, Any]:
    """Compare the settings that are told with those that were used."""
    known = next(k for k in KNOWN if k.name == name)
    result, seconds = bench.look(known.make(bench.kitchen))
    told = {setting.name: setting for setting in result.bake}
    rows = []
    for setting, wanted in known.told:
        row = told.get(setting)
        value = "not told" if row is None else row.value
        # "1" must not be found in "1, filtered".
        fits = (
            value == wanted if setting == "samples a texel" and wanted == "1" else wanted in value
        )
        rows.append({"setting": setting, "used": wanted, "told": value, "right": fits,
                     "sure": "" if row is None else row.sure})  # fmt: skip
    return {"found": named(result)[:6], "told": rows, "right": all(r["right"] for r in rows),
            "overlap": None, "wrong": 0, "core_seconds": seconds}  # fmt: skip


def beside_row(bench: Bench, name: str) -> dict[str, Any]:
    """Locate without and with the maps beside; say how well either places what is wrong."""
    wanted = next(b for b in BESIDE if b.name == name)
    trial, others = wanted.make(bench.kitchen)
    maps = tuple(
        beside_map(kind, Path(f"m_{kind}.{tile}.png"), tile, texels)  # type: ignore[arg-type]
        for kind, tile, texels in others
    )
    alone, _ = bench.look(trial.pictures)
    result, seconds = bench.look(trial.pictures, maps)
    codes = named(result)
    right = bool(codes) and codes[0] in wanted.codes if wanted.codes else not codes
    return {
        "found": codes[:6], "alone": named(alone)[:6], "right": right, "core_seconds": seconds,
        **overlap_row(result, trial), "overlap_alone": overlap_row(alone, trial)["overlap"],
    }  # fmt: skip


def row_words(row: dict[str, Any]) -> str:
    """Return a line for the terminal."""
    head = f"{row['model']}{' (held out)' if row['held'] else ''} {row['size']}"
    codes = ", ".join(row["found"][:6]) or "nothing"
    if row["set"] == "settings":
        words = [f"{t['setting']} {t['told']} ({t['sure']})" for t in row["told"]]
        return f"{head} {'ok ' if row['right'] else 'BAD'} {row['name']}: {'; '.join(words)}"
    if row["set"] == "clean":
        return f"{head} clean {row['name']}: {codes}; {row['specks']} specks"
    share = "" if row["overlap"] is None else f"; IoU {row['overlap']:.2f} of {row['wrong']}"
    right = combined_right(row) if row["set"] == "combined" else row["right"]
    took = f"; {row['core_seconds']:.1f} s of a core"
    return f"{head} {'ok ' if right else 'BAD'} {row['name']}: {codes}{share}{took}"


def combined_right(row: dict[str, Any]) -> bool:
    """Tell whether both conventions and both places were named, in that order."""
    return [row["conventions"], row["places"]] == row["of"] and row["ordered"]


def page(rows: list[dict[str, Any]]) -> str:
    """Return the evidence page: figures, then a table for every set of trials, then worst cells."""
    rows = sorted(rows, key=lambda r: (r["held"], r["size"]))
    lines = [
        "# How `locate` names causes",
        "",
        "Written by `scripts/bad_bakes.py --write`. A baker that shares no code with cagecheck",
        "(own texels, rays and normals; tangents by the MikkTSpace reference) bakes each cause",
        "onto an organic mesh, a scan and a hard-surface kit with mirrored UVs and hard edges;",
        "`locate` is given the maps, the meshes and the distances of the clean bake. Columns in",
        "italics are held out: other bodies, another relief, other places of the faults, which",
        "no threshold was tuned on; where they showed a rule to be wrong, the rule was mended.",
        "",
        "## Figures",
        "",
        *figures_table(rows),
        "",
        "A combination is right when both conventions and both places are named, the conventions",
        "first. Places are right when those told overlap the truth by "
        f"{GOOD_OVERLAP} or more (intersection",
        f"over union, where over {LEAST_WRONG} texels are off by more than 5 degrees).",
        *sample_words(rows),
        "",
        "## First cause told",
        "",
        "Bold: not an accepted name of the cause. In brackets: the overlap of the places.",
        "",
        *table_of(rows, "causes", cell),
        "",
        "## Clean bakes",
        "",
        "Findings, and specks (texels too few to list). Where the clean bake's own rays meet",
        "nothing, or another fold before the surface that lies nearest to the low poly (asked by",
        "every crossing of the texel's line), a finding is right; such places are counted apart.",
        "In filtered bakes the texels beside such ones count to them.",
        "",
        *table_of(rows, "clean", clean_cell),
        "",
        "## Several at once",
        "",
        "Two conventions and two places: which are named, and what is told in which order.",
        "",
        *table_of(rows, "combined", combined_cell),
        "",
        "## Settings of the bake",
        "",
        "Bakes without a fault: what is told of their settings, and how sure. Bold: not so.",
        "",
        *table_of(rows, "settings", settings_cell),
        "",
        "## Other maps beside",
        "",
        "The first cause without and with other maps of the same bake (`--beside`).",
        "",
        *table_of(rows, "beside", beside_cell),
        "",
        "## Worst cells",
        "",
    ]
    for row in rows:
        if row["set"] == "clean" and row["found"]:
            lines.append(f"- **{row['name']}**, clean, on {where_of(row)}: {clean_words(row)}")
        low_overlap = has_place(row) and row["overlap"] < GOOD_OVERLAP
        if row["set"] == "causes" and (not row["right"] or low_overlap):
            lines.append(f"- **{row['name']}** on {where_of(row)}: {worst_words(row)}")
    return "\n".join(lines) + "\n"


def sample_words(rows: list[dict[str, Any]]) -> list[str]:
    """Say at which sizes a sample of the causes stands for all."""
    out = []
    causes = [row for row in rows if row["set"] == "causes"]
    for size in dict.fromkeys(row["size"] for row in causes):
        mine = [row for row in causes if row["size"] == size]
        models = dict.fromkeys((row["model"], row["held"]) for row in mine)
        every = sum(model not in cause.not_on for cause in CAUSES for model, _ in models)
        if len(mine) < every:
            seeds = ", ".join(str(seed) for seed in sorted({row["seed"] for row in mine}))
            out.append(
                f"At {size} a sample stands for all causes: {len(mine)} of {every}, most drawn by "
                f"seed {seeds}."
            )
    return out


def where_of(row: dict[str, Any]) -> str:
    return f"{row['model']} {row['size']}{', held out' if row['held'] else ''}"


def clean_words(row: dict[str, Any]) -> str:
    """Say what was found on a clean bake."""
    codes = ", ".join(f"`{code}`" for code in row["found"])
    return f"{codes} found."


def has_place(row: dict[str, Any]) -> bool:
    """Whether a trial is asked for its places."""
    return (
        row["set"] == "causes"
        and row["overlap"] is not None
        and not of_cause(row["name"]).everywhere
    )


def figures_table(rows: list[dict[str, Any]]) -> list[str]:
    """Return the figures of every size, of what was tuned on and of what was held out."""
    lines = [
        "| meshes | size | first cause right | places right | clean bakes with a finding | "
        "combinations right | settings right | with maps beside right | dearest `locate` |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for held, size in dict.fromkeys((r["held"], r["size"]) for r in rows):
        mine = [r for r in rows if (r["held"], r["size"]) == (held, size)]
        of_set = {name: [r for r in mine if r["set"] == name] for name in SETS}
        places = [r for r in mine if has_place(r)]
        told = [t for r in of_set["settings"] for t in r["told"]]
        cells = [
            "held out" if held else "tuned on",
            str(size),
            share_of(r["right"] for r in of_set["causes"]),
            share_of(r["overlap"] >= GOOD_OVERLAP for r in places),
            share_of(bool(r["found"]) for r in of_set["clean"]),
            share_of(combined_right(r) for r in of_set["combined"]),
            share_of(t["right"] for t in told),
            share_of(r["right"] for r in of_set["beside"]),
            dearest(mine),
        ]
        lines.append("| " + " | ".join(cells) + " |")
    return lines


def dearest(rows: list[dict[str, Any]]) -> str:
    """Return the most processor time that one map set took, where it was measured."""
    known = [r["core_seconds"] for r in rows if "core_seconds" in r]
    return f"{max(known):.0f} s of a core" if known else "–"


def share_of(answers: Iterable[bool]) -> str:
    """Return how many of some answers are yes: ``111 of 120``."""
    every = list(answers)
    return f"{sum(every)} of {len(every)}" if every else "–"


def table_of(
    rows: list[dict[str, Any]], kind: str, cell_of: Callable[[dict[str, Any]], str]
) -> list[str]:
    """Return the table of one set: a row for every trial, a column for every model and size."""
    mine = [r for r in rows if r["set"] == kind]
    columns = list(dict.fromkeys((r["held"], r["size"], r["model"]) for r in mine))
    if not columns:
        return ["Not run."]
    heads = [f"*{m} {size}*" if held else f"{m} {size}" for held, size, m in columns]
    lines = ["| trial | " + " | ".join(heads) + " |", "|---|" + "---|" * len(heads)]
    found = {(r["name"], (r["held"], r["size"], r["model"])): r for r in mine}
    for name in dict.fromkeys(r["name"] for r in mine):
        cells = [
            cell_of(found[name, column]) if (name, column) in found else "–" for column in columns
        ]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return lines


def combined_cell(row: dict[str, Any]) -> str:
    """Return how many of the conventions and places were named, and what was told in order."""
    codes = ", ".join(f"`{code}`" for code in dict.fromkeys(row["found"]))
    share = "" if row["overlap"] is None else f" ({row['overlap']:.2f})"
    return f"{codes}{share}" if combined_right(row) else f"**{codes}**{share}"


def clean_cell(row: dict[str, Any]) -> str:
    """Return how much was found on a clean bake."""
    own = f", {row['own']} rightly" if row["own"] else ""
    return f"{len(row['found'])}{own}, {row['specks']} specks"


def settings_cell(row: dict[str, Any]) -> str:
    """Return what was told of the settings in question."""
    words = [f"{t['setting']}: {t['told']} ({t['sure'] or '–'})" for t in row["told"]]
    marked = [w if t["right"] else f"**{w}**" for w, t in zip(words, row["told"], strict=True)]
    return "; ".join(marked)


def beside_cell(row: dict[str, Any]) -> str:
    """Return the first cause without and with the other maps, and both overlaps."""
    alone, found = (row[k][0] if row[k] else "nothing" for k in ("alone", "found"))
    shares = ""
    if row["overlap"] is not None and row["overlap_alone"] is not None:
        shares = f" ({row['overlap_alone']:.2f} → {row['overlap']:.2f})"
    words = f"`{alone}` → `{found}`{shares}"
    return words if row["right"] else f"**{words}**"


def of_cause(name: str) -> Cause:
    return next(cause for cause in CAUSES if cause.name == name)


def cell(row: dict[str, Any]) -> str:
    """Return what was told first, and how well the place was found."""
    first = f"`{row['found'][0]}`" if row["found"] else "nothing"
    share = row["overlap"]
    if share is None or of_cause(row["name"]).everywhere:
        return first if row["right"] else f"**{first}**"
    return f"{first if row['right'] else f'**{first}**'} ({share:.2f})"


def worst_words(row: dict[str, Any]) -> str:
    """Say in words what went wrong with a trial."""
    words = []
    if not row["right"]:
        told = f"`{row['found'][0]}` was told first" if row["found"] else "nothing was told"
        accepted = [code for code in row["found"][1:] if code in of_cause(row["name"]).codes]
        later = f"; `{accepted[0]}` came later" if accepted else ""
        words.append(f"{told}{later}.")
    if row["overlap"] is not None and row["overlap"] < GOOD_OVERLAP:
        words.append(f"Places overlap by {row['overlap']:.2f} of {row['wrong']:,} wrong texels.")
    return " ".join(words + [WHY.get(row["name"], "")]).strip()


if __name__ == "__main__":
    main()
