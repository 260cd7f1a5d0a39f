"""How a prediction is made."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from cagecheck.defects.kinds import Thresholds
from cagecheck.errors import InputError
from cagecheck.rays.cage import Along, Directions
from cagecheck.words.numbers import as_given

DEFAULT_SAMPLES = 500_000
DEFAULT_MAP_SIZE = 2048
UNSEEN_POINTS = 200_000


@dataclass(frozen=True)
class Settings:
    """How a prediction is made. None means: take it from the scene (see `probe_distances`).

    Attributes
    ----------
    offset : uniform cage offset, world units, when no cage is given.
    depth, reach : how far rays look below the low poly, and how far out layers are looked for.
    samples : about how many interior samples, when neither `density` nor `texels` is given.
    density : samples per square world unit.
    texels : sample at the texel centres of square maps of this size instead, one per tile.
    map_size : size of the maps that texel numbers are for (`texels` when that is given).
    directions : how rays are directed at the corners, see `corner_directions`.
    along : rays follow the cage or the normals, see `rays_through`.
    apart : every low part sees only its own high parts (a bake of the parts one by one).
    seed : of all random draws.
    """

    offset: float | None = None
    depth: float | None = None
    reach: float | None = None
    samples: int = DEFAULT_SAMPLES
    density: float | None = None
    texels: int | None = None
    map_size: int = DEFAULT_MAP_SIZE
    directions: Directions = "averaged"
    along: Along = "cage"
    apart: bool = False
    seed: int = 0
    unseen_points: int = UNSEEN_POINTS
    thresholds: Thresholds = field(default_factory=Thresholds)

    def depth_and_reach(self) -> tuple[float, float]:
        """Return both, for settings that leave neither to the scene (see `predict.resolve`)."""
        assert self.depth is not None and self.reach is not None, "resolve the settings first"
        return self.depth, self.reach


def check_settings(settings: Settings) -> Settings:
    """Return the settings; raise `InputError` for numbers out of range or at odds."""
    rules: list[tuple[str, float | None, Callable[[float], bool], str]] = [
        ("--offset", settings.offset, lambda x: x >= 0, "zero or more"),
        ("--depth", settings.depth, lambda x: x > 0, "above zero"),
        ("--reach", settings.reach, lambda x: x > 0, "above zero"),
        ("--samples", settings.samples, lambda x: x >= 1, "at least 1"),
        ("--density", settings.density, lambda x: x > 0, "above zero"),
        ("--texels", settings.texels, lambda x: 1 <= x <= 16384, "between 1 and 16384"),
        ("--size", settings.map_size, lambda x: 1 <= x <= 65536, "between 1 and 65536"),
    ]
    for name, value, allowed, words in rules:
        if value is not None and not (np.isfinite(value) and allowed(value)):
            raise InputError(f"{name} must be {words}, not {as_given(value)}.")
    if settings.density is not None and settings.texels is not None:
        raise InputError(
            "--density and --texels both say where samples lie.", cure="Give one of them."
        )
    return settings
