"""One number for those who can only type one: the best push distance, and what it leaves.

Under a uniform push the rays keep their lines whatever the distance, so one layer table answers
every distance: a sample is missed while the start lies below its target, and overshoots from
where the start reaches its next layer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.match import Matched
from cagecheck.defects.targets import Targets
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.predicting.predict import predict_points
from cagecheck.predicting.result import Prediction
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Rays, cage_from_offset
from cagecheck.report.line_chart import Line, draw_lines
from cagecheck.tuning.measure import measure_on
from cagecheck.words.lengths import length_words
from cagecheck.words.numbers import figures

# Points of a curve: enough for a picture and for reading off a value.
CURVE_POINTS = 65


@dataclass(frozen=True, eq=False)
class SingleNumber:
    """The best uniform distances of one part, one material or the whole asset.

    Attributes
    ----------
    scope : str
        ``asset``, ``part`` or ``material``.
    name : str
        Which.
    offset_out : float
        The push distance that leaves the least area wrong, world units.
    offset_in : float
        The depth that finds every target, world units.
    missed, overshot : float
        Percent of the scope's area left wrong by `offset_out`.
    bare : float
        Percent without any target, which no number changes.
    harm : float
        What will be seen under it: degrees that show, times texels.
    distance : (K,) float64
        Distances, world units.
    curve_missed, curve_overshot : (K,) float64
        The same percentages over `distance`.
    curve_harm : (K,) float64
        The same harm over `distance`.
    """

    scope: str
    name: str
    offset_out: float
    offset_in: float
    missed: float
    overshot: float
    bare: float
    harm: float
    distance: Floats
    curve_missed: Floats
    curve_overshot: Floats
    curve_harm: Floats

    def to_dict(self) -> dict[str, Any]:
        """Return the numbers without the curve."""
        return {
            "scope": self.scope,
            "name": self.name,
            "offset_out": self.offset_out,
            "offset_in": self.offset_in,
            "missed_percent": self.missed,
            "overshot_percent": self.overshot,
            "bare_percent": self.bare,
            "harm": self.harm,
        }


def single_numbers(
    uniform: Prediction, margin: float, limit: float, depth: float | None = None
) -> list[SingleNumber]:
    """Return the best numbers for the asset, then per part, then per material (if any).

    Parameters
    ----------
    uniform : Prediction
        A prediction through a cage of one offset above 0, see `uniform_prediction`.
    margin : float
        Clearance kept, world units.
    limit : float
        Largest offset allowed, world units.
    depth : float, optional
        How deep rays look where harm is told, world units; the prediction's own by default.
    """
    low, points = uniform.low, uniform.points
    scopes: list[tuple[str, str, NDArray[np.bool_]]] = [
        ("asset", "whole asset", np.ones(len(points), bool))
    ]
    part = low.triangle_part[points.triangle]
    scopes += [("part", name, part == k) for k, name in enumerate(low.part_names)]
    material = triangle_material(low)
    if material is not None:
        mine = material[points.triangle]
        names = low.mesh.material_names
        scopes += [("material", name, mine == k) for k, name in enumerate(names)]
    thresholds = _thresholds(uniform)
    found = [
        (_best(scope, name, rows, uniform, thresholds, margin, limit), mask)
        for scope, name, mask in scopes
        if len(rows := np.flatnonzero(mask & (points.area > 0)))
    ]
    return _with_harm(uniform, found, depth or uniform.settings.depth_and_reach()[0])


def _with_harm(
    uniform: Prediction, found: list[tuple[SingleNumber, NDArray[np.bool_]]], depth: float
) -> list[SingleNumber]:
    """Say what shows under every number. One cast from the farthest distance answers for all."""
    low, settings = uniform.low, uniform.settings
    measure = measure_on(uniform.matcher, uniform.points, settings, depth)
    top = max((float(n.distance[-1]) for n, _ in found), default=0.0) or 1.0
    cast = measure.cast(cage_from_offset(low, top, settings.directions))
    errors, lean = measure.errors(cast), cast.rays.start / top
    area = np.flatnonzero(uniform.points.area > 0)[:: measure.step]
    out = []
    for number, mask in found:
        rows = np.flatnonzero(mask[area])
        few = measure.seen_on(cast, errors, rows)
        harm = [
            float((few(lean[rows] * d) * measure.texels[rows]).sum())
            for d in (*number.distance, number.offset_out)
        ]
        out.append(replace(number, harm=harm[-1], curve_harm=np.array(harm[:-1])))
    return out


def uniform_prediction(prediction: Prediction, progress: Progress = silent) -> Prediction:
    """Return a prediction through a cage of one offset, on the points of another prediction.

    It is the prediction itself where its cage is uniform already.

    Parameters
    ----------
    prediction : Prediction
        The other prediction.
    progress : Progress, optional
        Called now and then with stage, done and total.
    """
    low, settings = prediction.low, prediction.settings
    spread = np.ptp(np.linalg.norm(prediction.cage.displacement, axis=2))
    if settings.offset and spread <= 1e-9 * settings.offset:
        return prediction
    offset = settings.offset or settings.depth_and_reach()[1] / 3
    cage = cage_from_offset(low, offset, settings.directions)
    settings = replace(settings, offset=offset)
    return predict_points(prediction.matcher, cage, prediction.points, settings, progress=progress)


def part_numbers(low: LowPoly, cast: Matched, offset: float, margin: float, limit: float) -> Floats:
    """Return (parts,) the best distance of every part, NaN where it has no samples.

    cast : through a cage of one `offset` above 0.
    """
    points = cast.points
    needed, beyond = limits_of(cast.rays, cast.targets, offset)
    part = low.triangle_part[points.triangle]
    out = np.full(len(low.part_names), np.nan)
    for k in range(len(low.part_names)):
        rows = np.flatnonzero((part == k) & (points.area > 0))
        if len(rows):
            area = points.area[rows]
            out[k] = number_with_least_wrong(
                needed[rows], beyond[rows], area / area.sum(), margin, limit
            )
    return out


def triangle_material(low: LowPoly) -> NDArray[np.int32] | None:
    """Return (T,) int32 the material of every triangle, or None where the mesh has none."""
    if low.mesh.face_material is None:
        return None
    return low.mesh.face_material[low.cut.face]


def _thresholds(uniform: Prediction) -> tuple[Floats, Floats]:
    return limits_of(uniform.rays, uniform.targets, uniform.settings.offset or 0.0)


def limits_of(rays: Rays, targets: Targets, offset: float) -> tuple[Floats, Floats]:
    """Return (N,) the offsets from which samples are met, and from which they overshoot.

    The start is the offset times the length of the mixed unit normals, which is at most 1.
    """
    lean = np.divide(rays.start, offset, out=np.ones(len(rays)), where=offset > 0)
    lean = np.maximum(lean, 1e-9)
    needed = np.where(targets.found, targets.t / lean, -np.inf)
    beyond = np.where(targets.found, targets.t_next / lean, np.inf)
    return needed, beyond


def _best(
    scope: str,
    name: str,
    rows: NDArray[np.int64],
    uniform: Prediction,
    thresholds: tuple[Floats, Floats],
    margin: float,
    limit: float,
) -> SingleNumber:
    area = uniform.points.area[rows]
    share = 100 * area / (float(area.sum()) or 1.0)
    needed, beyond = (x[rows] for x in thresholds)
    found = uniform.targets.found[rows]
    offset = number_with_least_wrong(needed, beyond, share, margin, limit)
    top = max(limit, 2 * offset)
    distance = np.linspace(0.0, min(top, max(3 * offset, margin)), CURVE_POINTS)
    missed, overshot = _left(needed, beyond, share, np.append(distance, offset))
    depth = -uniform.targets.t[rows][found]
    return SingleNumber(
        scope=scope,
        name=name,
        offset_out=offset,
        offset_in=max(float(depth.max(initial=0.0)), 0.0) + margin,
        missed=float(missed[-1]),
        overshot=float(overshot[-1]),
        bare=float(share[~found].sum()),
        harm=np.nan,
        distance=distance,
        curve_missed=missed[:-1],
        curve_overshot=overshot[:-1],
        curve_harm=np.full(len(distance), np.nan),
    )


def _left(needed: Floats, beyond: Floats, share: Floats, distance: Floats) -> tuple[Floats, Floats]:
    """Return (K,) the shares missed and overshot at each distance."""
    by_need, by_layer = np.argsort(needed, kind="stable"), np.argsort(beyond, kind="stable")
    kept = np.concatenate([[0.0], np.cumsum(share[by_need])])
    lost = np.concatenate([[0.0], np.cumsum(share[by_layer])])
    missed = kept[-1] - kept[np.searchsorted(needed[by_need], distance, side="right")]
    overshot = lost[np.searchsorted(beyond[by_layer], distance, side="right")]
    return np.maximum(missed, 0.0), overshot


def number_with_least_wrong(
    needed: Floats, beyond: Floats, share: Floats, margin: float, limit: float
) -> float:
    """Return the distance that leaves the least; within its interval, a margin above the start.

    The share left only falls where a sample's need is met, so the needs are all the candidates.
    """
    candidates = np.unique(np.clip(needed[np.isfinite(needed)], 0.0, limit))
    if len(candidates) == 0:
        return margin
    missed, overshot = _left(needed, beyond, share, candidates)
    best = float(candidates[int(np.argmin(missed + overshot))])
    after = beyond[(beyond > best) & np.isfinite(beyond)]
    room = float(after.min(initial=np.inf)) - best
    return min(best + min(margin, 0.5 * room), limit)


def curve_rows(numbers: list[SingleNumber]) -> list[list[Any]]:
    """Return the curves as rows: scope, name, distance, missed and overshot percent, harm."""
    return [
        [n.scope, n.name, *(float(figures(v, 9)) for v in row)]
        for n in numbers
        for row in zip(n.distance, n.curve_missed, n.curve_overshot, n.curve_harm, strict=True)
    ]


def draw_curve(number: SingleNumber, path: Path | BinaryIO) -> None:
    """Draw misses and overshoots over distance as a PNG."""
    # Two hues of Tol's "muted" scheme, told apart by dash as well.
    lines = [
        Line(number.curve_missed, "missed", (204, 102, 119)),
        Line(number.curve_overshot, "overshot", (51, 34, 136), is_dashed=True),
    ]
    best = (
        f"best {length_words(number.offset_out)}: {figures(number.missed, 3)} % missed, "
        f"{figures(number.overshot, 3)} % overshot"
    )
    title = f"One push distance for the {number.name}"
    labels = "push distance (units of the file)", "% of the surface"
    draw_lines(path, title, labels, number.distance, lines, (number.offset_out, best))
