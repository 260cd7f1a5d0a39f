"""Tune several samplings of one asset and keep the offsets that a common check likes best.

    python scripts/tune_in_a_loop.py LOW HIGH --tries 3 --out best-cage

Shows the library from a script: read, pair, tune, check with `predict` on points of your own, and
write. Everything that `cagecheck tune` prints is there as plain values.
"""

from __future__ import annotations

import argparse

import cagecheck
from cagecheck.tuning.single import single_numbers, uniform_prediction
from cagecheck.tuning.tune import tune
from cagecheck.tuning.write import write_tuning

MISSES = (
    cagecheck.Defect.MISS_TIGHT,
    cagecheck.Defect.MISS_DEEP,
    cagecheck.Defect.OVERSHOOT_OWN,
    cagecheck.Defect.OVERSHOOT_OTHER,
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("low")
    parser.add_argument("high")
    parser.add_argument("--tries", type=int, default=3)
    parser.add_argument("--samples", type=int, default=50_000)
    parser.add_argument("--out", help="folder for the best result")
    chosen = parser.parse_args()

    low = cagecheck.prepare_low(cagecheck.read_mesh(chosen.low))
    scene = cagecheck.Scene(cagecheck.read_surface(chosen.high))
    pairing = cagecheck.pair_parts(low.part_names, scene.surface.part_names)

    best = None
    for seed in range(chosen.tries):
        settings = cagecheck.Settings(samples=chosen.samples, seed=10 * seed, unseen_points=0)
        result = tune(low, scene, paired=pairing.matrix(), settings=settings)
        # The same check for all: one seed that no try has used.
        check = cagecheck.predict(
            low,
            scene,
            cage=result.cage,
            paired=pairing.matrix(),
            settings=cagecheck.Settings(
                depth=result.depth,
                reach=result.settings.reach,
                samples=4 * chosen.samples,
                seed=12345,
                unseen_points=0,
            ),
        )
        wrong = sum(int(check.findings.has(kind).sum()) for kind in MISSES)
        largest = float(result.offset_out.max())
        print(
            f"seed {10 * seed}: {wrong} of {len(check.points):,} wrong, offsets up to {largest:.4g}"
        )
        if best is None or wrong < best[0]:
            best = (wrong, result)
    assert best is not None
    if chosen.out:
        numbers = single_numbers(uniform_prediction(best[1].before), best[1].margin, best[1].limit)
        for path in write_tuning(best[1], numbers, chosen.out):
            print(path)


if __name__ == "__main__":
    main()
