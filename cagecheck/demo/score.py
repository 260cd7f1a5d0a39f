"""How well findings match what was planted: precision and recall per kind of defect.

Two views. `score_regions` counts places and regions, as a person would; `score_samples` weighs
samples by area. Both take plain dicts and arrays, so that any classifier can be scored.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.demo.planted import KINDS, Planted, truth
from cagecheck.words.numbers import decimals, figures

# A region is right when at least this share of its points lies where its kind was planted.
_RIGHT_SHARE = 0.5


@dataclass(frozen=True)
class KindScore:
    """The score of one kind of defect.

    Attributes
    ----------
    kind : str
        The defect's name.
    planted, found : float
        Places planted, and of these found (or areas, for samples).
    regions, right : float
        Regions reported, and of these right (or areas, for samples).
    missed : tuple[str, ...]
        Names of the places not found.
    wrong : tuple[str, ...]
        Places of the regions that are not right.
    """

    kind: str
    planted: float
    found: float
    regions: float
    right: float
    missed: tuple[str, ...] = ()
    wrong: tuple[str, ...] = ()

    @property
    def recall(self) -> float | None:
        """Share of what was planted that was found; None where nothing was."""
        return self.found / self.planted if self.planted else None

    @property
    def precision(self) -> float | None:
        """Share of what was reported that was planted; None where nothing was."""
        return self.right / self.regions if self.regions else None


def score_regions(
    planted: Sequence[Planted],
    regions: Sequence[Mapping[str, Any]],
    *,
    least_texels: float = 0.0,
    kinds: Sequence[str] = KINDS,
) -> list[KindScore]:
    """Score regions found in one bake.

    Parameters
    ----------
    planted : the places that this bake should show (filter by `Planted.settings` first).
    regions : each with ``name`` (the kind), ``part`` (low part name), ``centroid`` (3,),
        optionally ``points`` (K, 3) where its samples lie and ``texels``, its size.
    least_texels : smaller regions are not counted as wrong.

    A place is found when a region of its kind has a point in its core. A region is right when at
    least half of its points lie where its kind, or a kind that goes with it, was planted.
    """
    return [_score_kind(kind, planted, regions, least_texels) for kind in kinds]


def _score_kind(
    kind: str,
    planted: Sequence[Planted],
    regions: Sequence[Mapping[str, Any]],
    least_texels: float,
) -> KindScore:
    places = [p for p in planted if p.kind == kind]
    allowed = [p for p in planted if p.kind == kind or kind in p.also]
    mine = [(r, _points_of(r)) for r in regions if r["name"] == kind]
    missed = [
        place.name
        for place in places
        if not any(r["part"] == place.part and place.in_core(x).any() for r, x in mine)
    ]
    wrong, counted = [], 0
    for region, points in mine:
        inside = np.zeros(len(points), bool)
        for place in allowed:
            if place.part == region["part"]:
                inside |= place.in_outer(points)
        right = inside.mean() >= _RIGHT_SHARE
        small = float(region.get("texels", np.inf)) < least_texels
        if right or not small:
            counted += 1
        if not right and not small:
            place_text = ", ".join(decimals(x, 3) for x in region["centroid"])
            wrong.append(f"{region['part']} at {place_text}")
    return KindScore(
        kind, len(places), len(places) - len(missed), counted, counted - len(wrong),
        tuple(missed), tuple(wrong),
    )  # fmt: skip


def _points_of(region: Mapping[str, Any]) -> Floats:
    points = region.get("points")
    return np.asarray(region["centroid"] if points is None else points, np.float64).reshape(-1, 3)


def score_samples(
    planted: Sequence[Planted],
    points: Floats,
    part: NDArray[np.str_],
    found: Mapping[str, NDArray[np.bool_]],
    weight: Floats,
) -> list[KindScore]:
    """Score samples on the low poly by weight (an area).

    Parameters
    ----------
    points : (N, 3) places of the samples; part : (N,) names of their low parts.
    found : per kind (N,) bool; weight : (N,) float64.

    Recall counts the samples in the cores of a kind's places, precision the samples found that
    lie in the outer zones of places that allow the kind. Splits lie on edges, which have no area:
    score them by regions.
    """
    out = []
    for kind, mask in found.items():
        core, zone = truth(planted, kind, points, part)
        out.append(
            KindScore(
                kind, float(weight[core].sum()), float(weight[core & mask].sum()),
                float(weight[mask].sum()), float(weight[mask & zone].sum()),
            )
        )  # fmt: skip
    return out


def format_scores(scores: Sequence[KindScore]) -> str:
    """Return the scores as a plain table."""
    lines = [
        f"{'kind':<24}{'planted':>9}{'found':>9}{'recall':>8}{'regions':>9}{'right':>8}{'prec.':>7}"
    ]
    for s in scores:
        recall = "-" if s.recall is None else decimals(s.recall, 2)
        precision = "-" if s.precision is None else decimals(s.precision, 2)
        lines.append(
            f"{s.kind:<24}{figures(s.planted):>9}{figures(s.found):>9}{recall:>8}"
            f"{figures(s.regions):>9}{figures(s.right):>8}{precision:>7}"
        )
        lines += [f"    not found: {name}" for name in s.missed]
        lines += [f"    not planted: {place}" for place in s.wrong]
    return "\n".join(lines)
