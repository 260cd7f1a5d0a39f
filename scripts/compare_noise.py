"""How much results differ by chance alone: the figures behind `compare`'s tolerance.

    python scripts/compare_noise.py low.obj high.glb --samples 20000 60000 --seeds 5

Predicts one scene with several seeds and numbers of samples under the same distances, compares the
results with each other and prints by how many standard errors the harm of a place differs, and how
many places are called changed although nothing is.
"""

from __future__ import annotations

import argparse
import itertools

import numpy as np

import cagecheck
from cagecheck.comparing.compare import compare_placed
from cagecheck.comparing.placed import Placed
from cagecheck.comparing.read import read_placed


def main() -> None:
    """Predict, compare, print a table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("low")
    options.add_argument("high")
    options.add_argument("--samples", type=int, nargs="+", default=[20_000, 60_000])
    options.add_argument("--seeds", type=int, default=5)
    options.add_argument("--offset", type=float, default=0.02)
    options.add_argument("--depth", type=float, default=0.025)
    options.add_argument("--reach", type=float, default=0.06)
    given = options.parse_args()
    low = cagecheck.prepare_low(cagecheck.read_mesh(given.low))
    surface = cagecheck.read_surface(given.high)
    scene = cagecheck.Scene(surface)
    paired = cagecheck.pair_parts(low.part_names, surface.part_names).matrix()
    results: dict[int, list[Placed]] = {}
    for count in given.samples:
        for seed in range(given.seeds):
            settings = cagecheck.Settings(
                offset=given.offset, depth=given.depth, reach=given.reach, samples=count, seed=seed
            )
            found = cagecheck.predict(low, scene, paired=paired, settings=settings)
            results.setdefault(count, []).append(read_placed(found))
    print("| samples | places compared | median | 99 % | largest | beyond 3 | called changed |")
    print("|---|---:|---:|---:|---:|---:|---:|")
    for a, b in itertools.combinations_with_replacement(given.samples, 2):
        pairs = itertools.combinations(results[a], 2) if a == b else \
            itertools.product(results[a], results[b])  # fmt: skip
        print(row(f"{a:,} and {b:,}", list(pairs)))


def row(title: str, pairs: list[tuple[Placed, Placed]]) -> str:
    """Return a row of the table, of differences in standard errors."""
    single = cagecheck.Tolerance(errors=1.0, share=0.0)
    changes = [c for old, new in pairs for c in compare_placed(old, new, tolerance=single).changes]
    errors = np.array([abs(c.difference) / c.within for c in changes if c.within > 0])
    found = [compare_placed(old, new) for old, new in pairs]
    changed = sum(len(one.worse) + len(one.better) for one in found)
    figures = " | ".join(f"{x:.1f}" for x in np.quantile(errors, [0.5, 0.99, 1.0]))
    return f"| {title} | {len(changes):,} | {figures} | {int((errors > 3).sum())} | {changed} |"


if __name__ == "__main__":
    main()
