"""One measure for whatever a cage does wrong: how much of it will be seen.

Misses, overshoots, slides, folds and backs all end in a normal that is not the one that belongs
there. `cagecheck.defects.visible` says by how many degrees; what of them counts
(`cagecheck.defects.harm`), times the texels that they cover. What a cage is worth is that sum: the
less the better, whatever the defects are called.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.rows import rows_of_runs
from cagecheck.arrays.types import Floats
from cagecheck.defects.harm import harm_degrees
from cagecheck.defects.match import Matched, Matcher
from cagecheck.defects.visible import (
    Ideal,
    find_ideal,
    hole_error,
    layer_error,
    texels_everywhere,
    visible_error,
)
from cagecheck.predicting.settings import Settings
from cagecheck.rays.cage import Cage
from cagecheck.rays.layers import NO_LAYER
from cagecheck.rays.points import SurfacePoints

# Cages are compared on so many points at most, evenly chosen: a place of a few texels in a map of
# 1024 shows, and a comparison costs less than the check itself.
MOST_COMPARED = 50_000


@dataclass(frozen=True, eq=False)
class Measure:
    """How cages are compared: on these points, at this depth.

    Attributes
    ----------
    texels : (N,) float64, the texels that each point stands for (without UVs as if the part filled
        a map).
    step : every so many of the points that stand for area was taken.
    """

    matcher: Matcher
    settings: Settings
    depth: float
    points: SurfacePoints
    texels: Floats
    step: int

    def cast(self, cage: Cage, rows: NDArray[np.int64] | None = None) -> Matched:
        """Cast the points, or some of them, through a cage."""
        points = self.points if rows is None else self.points.take(rows)
        _, reach = self.settings.depth_and_reach()
        return self.matcher.cast(cage, points, self.depth, reach)

    def ideal(self, cast: Matched) -> Ideal:
        """Return what the points of a cast should record."""
        return find_ideal(
            self.matcher, cast, depth=self.depth, map_size=self.settings.map_size,
            thresholds=self.settings.thresholds,
        )  # fmt: skip

    def seen(self, cast: Matched, ideal: Ideal) -> Floats:
        """Return (N,) degrees that count, see `harm_degrees`."""
        recorded = cast.layers.recorded(cast.rays.start, self.depth)
        error = visible_error(
            self.matcher, cast, recorded, ideal, thresholds=self.settings.thresholds
        )
        return harm_degrees(error)

    def seen_on(
        self, cast: Matched, errors: tuple[Floats, Floats], rows: NDArray[np.int64]
    ) -> Callable[[Floats], Floats]:
        """Return what `seen` gives for some of the points, to be asked for starts of theirs.

        errors : of the whole cast, see `errors`.
        """
        layers = cast.layers.take(rows)
        of_layers, of_holes = errors
        mine = harm_degrees(of_layers[rows_of_runs(cast.layers.first, rows)])
        holes = harm_degrees(of_holes[rows])

        def seen(start: Floats) -> Floats:
            recorded = layers.recorded(start, self.depth)
            out, hit = holes.copy(), recorded != NO_LAYER
            out[hit] = mine[recorded[hit]]
            return out

        return seen

    def errors(self, cast: Matched) -> tuple[Floats, Floats]:
        """Return (L,) the visible error of every crossing of a cast, degrees, and (N,) of holes."""
        ideal = self.ideal(cast)
        return (
            layer_error(self.matcher, cast, ideal).astype(np.float64),
            hole_error(self.matcher.low, cast.points, ideal),
        )

    def harm(self, cage: Cage, rows: NDArray[np.int64] | None = None) -> Floats:
        """Return the harm that each point, or each of some, stands for under a cage."""
        cast = self.cast(cage, rows)
        texels = self.texels if rows is None else self.texels[rows]
        return self.seen(cast, self.ideal(cast)) * texels


def measure_on(
    matcher: Matcher, points: SurfacePoints, settings: Settings, depth: float
) -> Measure:
    """Return a measure on points that stand for area, thinned evenly where there are many."""
    rows = np.flatnonzero(points.area > 0)
    step = -(-len(rows) // MOST_COMPARED) or 1
    few = points.take(rows[::step])
    density = texels_everywhere(matcher.low, settings.map_size, settings.thresholds)[few.triangle]
    return Measure(matcher, settings, depth, few, step * few.area * density**2, step)
