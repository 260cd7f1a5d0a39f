"""A waved sheet with bumps that rise through the cage: how many, where and how wide is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.predicting.predict import predict
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import Settings
from tests.scenes.maps import sheet

OFFSET = 0.1
TIGHT = "miss: cage too tight"


@dataclass(frozen=True)
class Bump:
    """A bump's middle and radius on the unit square."""

    x: float
    y: float
    radius: float = 0.08


def bumpy(bumps: Sequence[Bump], n: int = 161) -> Surface:
    """The sheet: waves so that a missed texel shows, and bumps twice as high as the cage."""

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        out = 0.02 * np.sin(25 * x) * np.cos(22 * y)
        for b in bumps:
            away = np.hypot(x - b.x, y - b.y) / b.radius
            out = out + 2 * OFFSET * np.exp(-(away**8))
        return out

    return sheet(height, n=n)


def square(cuts: int = 1, name: str = "plate", lift: float = 0.0, turned: bool = False) -> LowPoly:
    """The unit square of cuts x cuts quads; `turned` cuts each along its other diagonal."""
    line = np.linspace(0, 1, cuts + 1)
    x, y = np.meshgrid(line, line, indexing="ij")
    positions = np.stack([x, y, np.full_like(x, lift)], axis=-1).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(cuts), np.arange(cuts), indexing="ij")
    a = (i * (cuts + 1) + j).ravel()
    quads = np.stack([a, a + cuts + 1, a + cuts + 2, a + 1], axis=1)
    if turned:
        quads = np.roll(quads, 1, axis=1)
    uv = positions[:, :2][quads.ravel()]
    mesh = mesh_from_polygons(positions, quads.tolist(), uv=uv)
    object.__setattr__(mesh, "part_names", (name,))
    return prepare_low(mesh)


def prediction_of(
    bumps: Sequence[Bump], *, low: LowPoly | None = None, seed: int = 0, samples: int = 6000,
    offset: float = OFFSET, **more: Any,
) -> Prediction:  # fmt: skip
    values: dict[str, Any] = {"depth": 0.15, "reach": 0.4, "map_size": 256} | more
    settings = Settings(offset=offset, samples=samples, seed=seed, **values)
    return predict(low or square(), bumpy(bumps), settings=settings)
