"""A scan as it comes: one rough shell with holes and specks, a low poly without UVs, long names.

It gives far more regions than a list can be read to, which lists and pages must stay calm with.
"""

from __future__ import annotations

import numpy as np
import trimesh

from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface
from cagecheck.predicting.predict import predict
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import Settings
from tests.scenes.shapes import combined, mesh_parts, surface

NAMES = (
    "photogrammetry_2026-03-11_statue-head_decimated_v07_final",
    "photogrammetry_2026-03-11_plinth_decimated_v07_final_really",
)
# Spikes and pits stand on so many of the scan's vertices.
SPIKES = 900


def dirty_scan(seed: int = 5) -> tuple[LowPoly, Surface]:
    """Return the low poly and the scan: a ball over a second one."""
    rng = np.random.default_rng(seed)
    low, high = [], []
    for at, size in (((0.0, 0.0, 0.0), 1.0), ((0.0, -1.75, 0.0), 0.7)):
        coarse, fine = trimesh.creation.icosphere(3), trimesh.creation.icosphere(5)
        vertices = np.asarray(fine.vertices)
        lift = 1 + 0.004 * rng.standard_normal(len(vertices))
        spikes = rng.choice(len(vertices), SPIKES, replace=False)
        lift[spikes] += rng.choice([-0.06, 0.06], SPIKES)
        kept = rng.random(len(fine.faces)) > 0.004
        low.append((np.asarray(coarse.vertices) * size + at, np.asarray(coarse.faces)))
        high.append((vertices * lift[:, None] * size + at, np.asarray(fine.faces)[kept]))
    positions, triangles = combined(*high)
    part = np.repeat([0, 1], [len(faces) for _, faces in high])
    return (
        prepare_low(mesh_parts(*low, names=NAMES)),
        surface(positions, triangles, part, NAMES),
    )


def predicted_scan() -> Prediction:
    """Return the scan's prediction with a cage as one would guess it."""
    low, high = dirty_scan()
    settings = Settings(offset=0.02, depth=0.06, reach=0.12, samples=60_000, unseen_points=20_000)
    return predict(low, high, paired=np.eye(2, dtype=bool), settings=settings)
