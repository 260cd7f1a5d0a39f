"""What was planted in the demo scene, and where: known from the construction, not from rays.

A planted place is a set of points on (or near) the low poly with two radii. Within `core_radius`
of a point the defect is certain under the stated settings; beyond `outer_radius` of all points it
is certain not to come from this place; in between either answer is right (thresholds, texel
size and the low poly's facets decide there).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from cagecheck.arrays.types import Floats

KINDS = (
    "miss: cage too tight",
    "miss: nothing there",
    "miss: too deep",
    "overshoot: own part",
    "overshoot: other part",
    "back-facing",
    "skew",
    "steep normals",
    "fold",
    "split",
    "unseen high poly",
)


@dataclass(frozen=True)
class BakeSettings:
    """A bake under which a planted defect shows.

    offset, depth : uniform distances outwards and inwards, scene units.
    pairing : parts paired by name (False: all parts are one).
    directions : ``averaged`` (one direction per position) or ``corner`` (the low poly's own corner
        normals, which split at hard edges).
    """

    offset: float
    depth: float
    pairing: bool = True
    directions: str = "averaged"


@dataclass(frozen=True, eq=False)
class Planted:
    """One planted defect.

    Attributes
    ----------
    kind : one of `KINDS`.
    name : a short name of the place, unique in a scene.
    part : the low part it is on, as named in the file.
    centre : (3,) middle of the place.
    points : (K, 3) places of the defect; empty for a whole part.
    core_radius, outer_radius : lengths, see above.
    whole_part : the defect covers the part.
    settings : the bake under which it shows.
    cause : the expected cause in one word; text : what a person would say about it.
    also : other kinds that rightly show at the same place.
    """

    kind: str
    name: str
    part: str
    centre: Floats
    points: Floats
    core_radius: float
    outer_radius: float
    settings: BakeSettings
    cause: str
    text: str
    whole_part: bool = False
    also: tuple[str, ...] = ()

    def in_core(self, points: Floats) -> NDArray[np.bool_]:
        """Say for (N, 3) points of this part whether the defect is certain there."""
        return self._within(points, self.core_radius)

    def in_outer(self, points: Floats) -> NDArray[np.bool_]:
        """Say for (N, 3) points of this part whether the defect may show there."""
        return self._within(points, self.outer_radius)

    def _within(self, points: Floats, radius: float) -> NDArray[np.bool_]:
        if self.whole_part:
            return np.ones(len(points), bool)
        distance, _ = cKDTree(self.points).query(points, distance_upper_bound=radius)
        return np.isfinite(distance)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; lengths to a millionth of a unit."""
        out = asdict(self)
        out["centre"] = [round(float(x), 6) for x in self.centre]
        out["points"] = [[round(float(x), 6) for x in p] for p in self.points]
        out["also"] = list(self.also)
        return out


def truth(
    planted: Sequence[Planted], kind: str, points: Floats, part: NDArray[np.str_]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return (N,) bool twice: where a kind of defect is certain, and where it may show at all.

    `points` is (N, 3) on the low poly, `part` (N,) names of low parts. A kind may show where it
    was planted and where something was planted that it goes with.
    """
    certain = np.zeros(len(points), bool)
    possible = np.zeros(len(points), bool)
    for place in planted:
        if place.kind != kind and kind not in place.also:
            continue
        on = np.flatnonzero(part == place.part)
        possible[on] |= place.in_outer(points[on])
        if place.kind == kind:
            certain[on] |= place.in_core(points[on])
    return certain, possible


def planted_from_dict(values: dict[str, Any]) -> Planted:
    """Read back what `Planted.to_dict` wrote."""
    fields = dict(values)
    fields["centre"] = np.array(values["centre"], dtype=np.float64)
    fields["points"] = np.array(values["points"], dtype=np.float64).reshape(-1, 3)
    fields["settings"] = BakeSettings(**values["settings"])
    fields["also"] = tuple(values["also"])
    return Planted(**fields)
