"""Casting points at the high poly and matching what they meet: one chain for everyone who asks.

Rays through a cage, every crossing along them, those that a bake part by part sees, and the
crossing that belongs to each point (`cagecheck.defects.targets`). Prediction, tuning, maps and the
comparison with baked maps all stand on these steps, with the same low poly, scene and pairs. A
`Matcher` holds those and what finding targets needs of them; a `Matched` is what one cast gave.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.classify import Findings, classify
from cagecheck.defects.kinds import Thresholds
from cagecheck.defects.splice import of_rays, splice
from cagecheck.defects.targets import Ground, Targets, find_targets, ground_of
from cagecheck.defects.unseen import HighPoints, sample_high
from cagecheck.defects.whole_rays import look_deeper
from cagecheck.maps.high_normals import HighShading, high_shading
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Along, Cage, Rays, rays_through
from cagecheck.rays.layers import Layers
from cagecheck.rays.points import SurfacePoints
from cagecheck.rays.scene import Scene

Mask = NDArray[np.bool_]

# Surface that lies up to this many depths below is looked for on every ray; rays that find none are
# looked along as far as the part is long, where that matters (`Matcher.deeper`).
DEEP_SEARCH = 3.0
# Layers are known a little beyond the farthest start, so that a start is never on the rim.
REACH_HEADROOM = 1.05


@dataclass(frozen=True, eq=False)
class Matched:
    """What one cast of N points gave: their rays, all crossings along them, and the targets."""

    points: SurfacePoints
    rays: Rays
    layers: Layers
    targets: Targets

    def __len__(self) -> int:
        return len(self.points)

    def take(self, rows: NDArray[np.int64]) -> Matched:
        """Return what some of the points gave."""
        parts = of_rays((self.layers, self.targets), rows)
        return Matched(self.points.take(rows), self.rays.take(rows), *parts)

    def recorded(self, depth: float | None) -> NDArray[np.int64]:
        """Return (N,) what a bake that looks so deep records, see `Layers.recorded`."""
        return self.layers.recorded(self.rays.start, depth)

    def wrong_at(self, depth: float | None) -> Mask:
        """Return (N,) bool: the ray has a target, and a bake records something else or nothing."""
        return np.asarray(self.targets.found & (self.recorded(depth) != self.targets.layer))


def spliced(
    old: Matched, new: Matched, source: NDArray[np.int64], points: SurfacePoints, rays: Rays
) -> Matched:
    """Return crossings and targets of two casts as one, for given points and rays.

    source : (N,) which ray of `old`, or of `new` counted on from those of `old`. The rays must be
    about those that the crossings were found along.
    """
    parts = (old.layers, old.targets), (new.layers, new.targets)
    return Matched(points, rays, *splice(*parts, source))


@dataclass(frozen=True, eq=False)
class Matcher:
    """A low poly and the scene around it, ready to be cast at through one cage after the other.

    Attributes
    ----------
    paired : (low parts, high parts) bool, which may be baked onto which.
    along : rays follow the cage or the normals, see `rays_through`.
    apart : every low part sees only its own high parts.
    """

    low: LowPoly
    scene: Scene
    paired: Mask
    along: Along = "cage"
    apart: bool = False
    _of_scene: dict[Any, Any] = field(default_factory=dict, repr=False)

    @cached_property
    def ground(self) -> Ground:
        """Trees and graph of the low poly, made when targets are first asked for, and kept."""
        return ground_of(self.low, self.paired, self.scene)

    @property
    def shading(self) -> HighShading:
        """The high poly's shading normals: its file's own where it was read with them."""
        out: HighShading = self._kept("shading", lambda: high_shading(self.scene.surface))
        return out

    def high_points(self, count: int, seed: int) -> HighPoints:
        """Return points spread over the high poly, see `sample_high`."""
        out: HighPoints = self._kept(
            (count, seed), lambda: sample_high(self.scene.surface, count, seed=seed)
        )
        return out

    def _kept(self, what: Any, make: Callable[[], Any]) -> Any:
        """Return what follows from the scene alone, made when it is first asked for."""
        if what not in self._of_scene:
            self._of_scene[what] = make()
        return self._of_scene[what]

    def on(self, low: LowPoly, paired: Mask | None = None) -> Matcher:
        """Return the same for another low poly, with trees of its own.

        paired : its pairs, where its parts are others. What follows from the scene alone is kept.
        """
        return replace(self, low=low, paired=self.paired if paired is None else paired)

    def rays(self, cage: Cage, points: SurfacePoints) -> Rays:
        """Return the rays that points of the low poly get through a cage."""
        return rays_through(self.low, cage, points, self.along)

    def layers(
        self,
        points: SurfacePoints,
        rays: Rays,
        below: Floats | float,
        above: Floats | float,
        *,
        without: int | None = None,
        progress: Progress = silent,
    ) -> Layers:
        """Return what a bake could record of the crossings from `below` to `above` the points.

        below, above : (N,) or a number, world units, 0 or more. without : a high part left out.
        """
        layers = self.scene.cast(rays.origin, rays.direction, below, above, progress=progress)
        high_part = self.scene.surface.triangle_part
        if self.apart:
            low_part = self.low.triangle_part[points.triangle[layers.ray]]
            layers = layers.where(self.paired[low_part, high_part[layers.face]])
        if without is not None:
            layers = layers.where(high_part[layers.face] != without)
        return layers

    def match(
        self,
        points: SurfacePoints,
        rays: Rays,
        below: Floats | float,
        above: Floats | float,
        *,
        without: int | None = None,
        progress: Progress = silent,
    ) -> Matched:
        """Cast given rays, see `layers`, and find their targets."""
        layers = self.layers(points, rays, below, above, without=without, progress=progress)
        targets = find_targets(
            self.low, points, rays, layers, self.scene, self.paired,
            ground=self.ground, progress=progress,
        )  # fmt: skip
        return Matched(points, rays, layers, targets)

    def cast(
        self,
        cage: Cage,
        points: SurfacePoints,
        depth: float,
        reach: float,
        *,
        without: int | None = None,
        progress: Progress = silent,
    ) -> Matched:
        """Cast points through a cage and find their targets.

        depth : how far below the low poly the bake looks; surface up to `DEEP_SEARCH` times as deep
        is found. reach : how far out layers are looked for; farther where rays start farther out.
        """
        rays = self.rays(cage, points)
        return self.match(
            points, rays, DEEP_SEARCH * depth, reach_past(rays.start, reach),
            without=without, progress=progress,
        )  # fmt: skip

    def deeper(self, cast: Matched) -> Matched:
        """Return the same with surface found that lies deeper than rays are searched at first.

        See `look_deeper`: for those who tell "too deep" from "nothing there".
        """
        layers, targets = look_deeper(
            self.low, cast.points, cast.rays, cast.layers, cast.targets, self.scene, self.paired,
            ground=self.ground, apart=self.apart,
        )  # fmt: skip
        return replace(cast, layers=layers, targets=targets)

    def classify(
        self,
        cage: Cage,
        cast: Matched,
        *,
        depth: float,
        map_size: int,
        thresholds: Thresholds | None = None,
    ) -> Findings:
        """Say what is wrong with every point of a cast through a cage, see `classify`."""
        return classify(
            self.low, self.scene.surface, cage, cast.points, cast.rays, cast.layers, cast.targets,
            self.paired, depth=depth, map_size=map_size, thresholds=thresholds,
        )  # fmt: skip


def reach_past(start: Floats, reach: float) -> float:
    """Return a reach that ends a little beyond the farthest start, and not before `reach`."""
    return max(reach, REACH_HEADROOM * float(start.max(initial=0.0)))
