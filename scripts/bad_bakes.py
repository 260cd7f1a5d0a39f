"""Bake badly on purpose, by a baker of its own, and print what `locate` names as the first cause.

usage: python scripts/bad_bakes.py [--models organic scan hard] [--sizes 512] [--only NAME ...]
                                   [--seed 0] [--clean] [--json FILE]

The baker shares no code with the package (`tests/bad_bakes`). A cause counts as right when it is
the first thing that `locate` tells to mend; a place overlaps by intersection over union of texels.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
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
from tests.bad_bakes.faults import CAUSES, CLEAN, Kitchen, Picture, Trial
from tests.bad_bakes.models import Model, hard_surface, organic, scan

PARTS = ("main", "second")
# Places are compared where more texels than this are visibly wrong.
LEAST_WRONG = 200


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
    parser.add_argument("--json", type=Path, default=None)
    options = parser.parse_args()
    rows: list[dict[str, Any]] = []
    for name in options.models:
        model = model_named(name, options.seed)
        low, scene = as_inputs(model)
        for size in options.sizes:
            settings = LocateSettings(offset=model.offset, depth=model.depth, apart=True)
            rng = np.random.default_rng([options.seed, size])
            kitchen = Kitchen(model, size, rng)

            def look(pictures: list[Picture]) -> tuple[Location, float]:
                begin = time.perf_counter()
                result = locate(as_maps(pictures), low, scene, paired=np.eye(2, dtype=bool),  # noqa: B023
                                settings=settings)  # noqa: B023  # fmt: skip
                return result, time.perf_counter() - begin

            for variant, make in CLEAN.items():
                if options.only and variant not in options.only:
                    continue
                result, seconds = look(make(kitchen))
                codes = named(result)
                rows.append({"model": name, "size": size, "clean": variant, "found": codes})
                print(f"{name} {size} clean: {variant:<24} {len(codes)} {codes[:3]} "
                      f"{result.specks} specks {seconds:.1f} s", flush=True)  # fmt: skip
            for cause in [] if options.clean else CAUSES:
                if (options.only and cause.name not in options.only) or model.name in cause.not_on:
                    continue
                kitchen.rng = np.random.default_rng([options.seed, size, len(cause.name)])
                trial = cause.make(kitchen)
                result, seconds = look(trial.pictures)
                codes = named(result)
                right = bool(codes) and codes[0] in cause.codes
                share = overlap(result, trial)
                wrong = sum(int(p.sum()) for p in trial.place.values())
                rows.append(
                    {"model": name, "size": size, "cause": cause.name, "found": codes[:6],
                     "right": right, "overlap": None if np.isnan(share) else share,
                     "wrong_texels": wrong}
                )  # fmt: skip
                print(f"{name} {size} {'ok ' if right else 'BAD'} {cause.name:<22} {codes[:4]} "
                      f"IoU {share:.2f} wrong {wrong} {seconds:.1f} s", flush=True)  # fmt: skip
    told = [r for r in rows if "cause" in r]
    if told:
        print(f"first cause right: {sum(r['right'] for r in told)} of {len(told)}")
    if options.json:
        options.json.write_text(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
