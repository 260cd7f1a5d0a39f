"""Plant faults into maps, singly and in pairs, and print what `locate` makes of them.

usage: python scripts/locate_trials.py [--scenes 1 2] [--pairs 40] [--seed 0]
       python scripts/locate_trials.py --meshes hand trigger body [--pairs 10]

Rows are what was planted, columns what was found. A convention counts as found when it is named
for a map; a defect is what most of its visibly changed texels are called. "false" counts regions
that overlap no planted place, and conventions that were not planted. With `--meshes` the scenes are
open meshes (see `tests/scenes/locating_open.py`); what their clean bake gets wrong is not false,
and what is found in it wrongly is counted once.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from cagecheck.locating.compare import Fault
from cagecheck.locating.fault_regions import TITLES
from cagecheck.locating.locate import LocateSettings, Location, locate
from tests.scenes.locating import (
    CONVENTIONS,
    DEFECTS,
    NowhereError,
    Plan,
    Scenery,
    baked_maps,
    make_scenery,
)
from tests.scenes.locating_open import FILES, open_scenery, truly_wrong

NOTHING = "nothing"
# An object-space map does not depend on the tangent basis: the pair is one picture with the first
# alone, bit for bit.
IMPOSSIBLE = {frozenset({"object-space", "tangent-basis"})}
# Flips and quarter turns of a square form a group: V flipped and then turned is a mirroring, which
# is what has to be said.
MIRRORED = {"v-flipped", "rotated"}


def judge(
    result: Location, plan: Plan, faults: tuple[str, ...], wrong: dict[int, np.ndarray]
) -> tuple[dict[str, str], int]:
    """Return what every planted fault was found as, and how many false findings there are.

    wrong : per tile, where the clean bake itself is wrong.
    """
    codes = {c.code for m in result.maps for c in m.conventions}
    if set(faults) >= MIRRORED and "mirrored" in codes:
        codes = codes - {"mirrored"} | MIRRORED
    regions = result.regions
    found: dict[str, str] = {}
    texels = result.texels
    near = np.zeros(len(texels), bool)
    for fault in faults:
        if fault in CONVENTIONS:
            found[fault] = fault if fault in codes else NOTHING
        elif fault == "padding too thin":
            found[fault] = fault if any(r.name == fault for r in regions) else NOTHING
        else:
            tile, mask = plan.planted[fault]
            here = (texels.tile == tile) & (texels.fault != Fault.PADDING)
            here &= mask[texels.y, texels.x]
            in_region = np.zeros(len(texels), bool)
            for r in regions:
                in_region[r.samples] = True
            here &= in_region
            if here.sum() < 0.2 * mask.sum():
                found[fault] = NOTHING
            else:
                number = int(np.bincount(texels.fault[here]).argmax())
                found[fault] = TITLES[Fault(number)]
            near |= (texels.tile == tile) & _wide(mask)[texels.y, texels.x]
    for tile, bake in plan.bake.items():
        # Where the scene itself makes the clean bake miss, a miss is true.
        bad = bake.missed | wrong.get(tile, False)
        near |= (texels.tile == tile) & _wide(bad)[texels.y, texels.x]
    planted = set(faults)
    false = len(codes - planted)
    for r in regions:
        if r.name == "padding too thin":
            false += r.name not in planted
        elif not near[r.samples].any():
            false += 1
    return found, false


def _wide(mask: np.ndarray) -> np.ndarray:
    from scipy.ndimage import binary_dilation

    return binary_dilation(mask, iterations=12)


def one_trial(
    scenery: Scenery, faults: tuple[str, ...], seed: int, wrong: dict[int, np.ndarray]
) -> tuple[dict[str, str], int, Location]:
    maps, plan = baked_maps(scenery, faults, seed)
    result = locate(
        maps, scenery.low, scenery.scene, paired=scenery.paired,
        settings=LocateSettings(offset=scenery.offset, depth=scenery.depth),
    )  # fmt: skip
    found, false = judge(result, plan, faults, wrong)
    return found, false, result


def every_scene(
    options: argparse.Namespace,
) -> Iterator[tuple[str, Scenery, dict[int, np.ndarray]]]:
    """Yield the scenes to try, each with its name and where its clean bake is wrong."""
    if not options.meshes:
        for seed in options.scenes:
            yield f"scene {seed}", make_scenery(seed), {}
    for name in options.meshes:
        scenery, place = open_scenery(name, options.seed)
        _, plan = baked_maps(scenery, (), 0)
        yield name, scenery, {t: truly_wrong(scenery, place, t) for t in plan.bake}


def plannable(scenery: Scenery) -> list[str]:
    """Return the faults that a scene can have."""
    without = set()
    if len(scenery.tiles) < 2:
        without.add("wrong-tile")
    if all(n == 3 for n in np.diff(scenery.low.face_start)):
        without.add("triangulation")
    if len(scenery.paired) < 2:
        without.add("recorded another part")
    return [fault for fault in CONVENTIONS + DEFECTS if fault not in without]


def choose_pairs(known: list[str], count: int, rng: np.random.Generator) -> list[tuple[str, ...]]:
    every = [pair for pair in itertools.combinations(known, 2) if frozenset(pair) not in IMPOSSIBLE]
    order = rng.permutation(len(every))
    return [every[k] for k in order[:count]]


def print_matrix(counts: dict[tuple[str, str], int]) -> float:
    rows = [f for f in CONVENTIONS + DEFECTS if any(k[0] == f for k in counts)]
    columns = [*CONVENTIONS, *DEFECTS, "unexplained", NOTHING]
    columns = [c for c in columns if any(k[1] == c for k in counts)]
    print(" " * 24 + " ".join(f"{k:>3}" for k in range(1, len(columns) + 1)))
    right = total = 0
    for row in rows:
        values = [counts.get((row, c), 0) for c in columns]
        right += counts.get((row, row), 0)
        total += sum(values)
        print(f"{row:<24}" + " ".join(f"{v or '.':>3}" for v in values))
    print("\n".join(f"{k:>3} {c}" for k, c in enumerate(columns, start=1)))
    print(f"on the diagonal: {right} of {total} = {right / max(total, 1):.3f}")
    return right / max(total, 1)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--scenes", type=int, nargs="+", default=[1])
    parser.add_argument("--meshes", nargs="+", default=[], choices=sorted(FILES))
    parser.add_argument("--pairs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--verbose", action="store_true")
    parser.add_argument("--hard", action="store_true", help="only the pairs of two conventions")
    options = parser.parse_args()
    counts: dict[tuple[str, str], int] = {}
    false = trials = 0
    start = time.perf_counter()
    for name, scenery, wrong in every_scene(options):
        rng = np.random.default_rng([options.seed, scenery.seed])
        known = plannable(scenery)
        plans = [(), *((f,) for f in known), *choose_pairs(known, options.pairs, rng)]
        if options.hard:
            plans = [
                pair
                for pair in itertools.combinations(CONVENTIONS, 2)
                if frozenset(pair) not in IMPOSSIBLE
            ]
        for k, faults in enumerate(plans):
            try:
                found, extra, result = one_trial(scenery, faults, 100 * options.seed + k, wrong)
            except NowhereError as error:
                print(f"{name}: no place for {error}", flush=True)
                continue
            if options.meshes and not faults:
                # What the clean bake already shows, rightly or not, counts once.
                print(f"{name}, clean bake: {extra} false findings")
                for tile, bad in wrong.items():
                    mine = result.texels.tile == tile
                    bad[result.texels.y[mine], result.texels.x[mine]] = True
            for fault, called in found.items():
                counts[fault, called] = counts.get((fault, called), 0) + 1
            false += extra
            trials += 1
            if options.verbose and (extra or any(a != b for a, b in found.items())):
                codes = sorted({c.code for m in result.maps for c in m.conventions})
                names = [(r.name, r.part, int(r.texels)) for r in result.regions[:5]]
                print(f"{name} trial {k}: {faults} -> {found}, false {extra}", flush=True)
                print(f"    {codes} {names}", flush=True)
    print_matrix(counts)
    print(f"false findings: {false} in {trials} trials; {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
