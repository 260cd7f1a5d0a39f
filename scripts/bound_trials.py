"""How often the bound that `tune` states holds: tuned scenes, cast again on many other samples.

    python scripts/bound_trials.py                           100 scenes at 5 million samples each
    python scripts/bound_trials.py --scenes 20 --samples 200000

A scene is a random bumpy sheet, tuned with few samples and with a limit that some of it exceeds.
Then the cage is cast on samples of another seed, which stand for the truth: their wrong share must
lie below what is known to be wrong plus the bound in at least 95 of 100 scenes.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np

from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.tuning.assurance import wrong_points
from cagecheck.tuning.tune import TuneSettings, tune
from tests.scenes.tuning import bumpy_pair

TUNED_ON = Settings(samples=2000, unseen_points=0, depth=0.08, reach=0.25)
FRESH_SEED = 70_000


def trial(seed: int, samples: int) -> tuple[float, float, float]:
    """Return a tuned scene's true wrong share, what is known of it, and the bound on the rest."""
    low, high = bumpy_pair(seed)
    limit = float(np.random.default_rng(seed).uniform(0.012, 0.05))
    tuned = tune(low, high, settings=TUNED_ON, tuning=TuneSettings(limit=limit))
    settings = replace(tuned.settings, samples=samples, seed=FRESH_SEED + seed, unseen_points=0)
    fresh = predict(low, tuned.scene, cage=tuned.cage, settings=settings)
    area = fresh.points.area
    true = float(area[wrong_points(fresh.findings)].sum() / area.sum())
    return true, tuned.assurance.known, tuned.assurance.bound


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--scenes", type=int, default=100)
    parser.add_argument("--samples", type=int, default=5_000_000)
    chosen = parser.parse_args()
    held = 0
    print(f"{'scene':>5s} {'true %':>9s} {'known %':>9s} {'bound on the rest %':>20s}")
    for seed in range(chosen.scenes):
        true, known, bound = trial(seed, chosen.samples)
        held += true < known + bound
        print(f"{seed:5d} {100 * true:9.4f} {100 * known:9.4f} {100 * bound:20.4f}", flush=True)
    print(f"below known + bound in {held} of {chosen.scenes} scenes")
    if held < 0.95 * chosen.scenes:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
