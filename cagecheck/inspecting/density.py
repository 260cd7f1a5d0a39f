"""Texel density of parts, and how UVs stretch faces.

Stretch follows Sander, Snyder, Gortler and Hoppe, "Texture Mapping Progressive Meshes", SIGGRAPH
2001: the singular values of the map from the UV plane to space are the largest and smallest
length that a unit of UV becomes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.quantiles import weighted_quantiles
from cagecheck.arrays.rows import rows_by_label
from cagecheck.arrays.types import Floats
from cagecheck.inspecting.checks import CHECKS
from cagecheck.inspecting.finding import (
    PLACES_NAMED,
    Finding,
    Place,
    count_by_part,
    density_text,
    how_many,
)
from cagecheck.inspecting.topology import face_centre, face_places, face_tile
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.words.numbers import as_given, decimals, figures

# Parts whose density differs from the usual one by more than this factor are told of; parts whose
# densest tenth has this many times the density of their sparsest; and faces whose texels are this
# many times longer than wide (all common practice, no source).
DENSITY_FACTOR = 1.5
SPREAD_LIMIT = 2.0
STRETCH_LIMIT = 2.0


@dataclass(frozen=True, eq=False)
class PartDensity:
    """Texel density of every part (rows as in ``part_names``; NaN where a part has none).

    Attributes
    ----------
    texels_per_unit : (K,) square root of map area over world area, for the part as a whole.
    low_tenth, high_tenth : (K,) the density that a tenth of the part's area lies below, above.
    l2_stretch : (K,) Sander's L2 stretch, scaled so that 1 is a map without any distortion.
    usual : the density that half of all area lies below.
    """

    texels_per_unit: Floats
    low_tenth: Floats
    high_tenth: Floats
    l2_stretch: Floats
    usual: float


def singular_values(low: LowPoly) -> tuple[Floats, Floats]:
    """Return (T,) largest and smallest world length per UV length; NaN without area in the map."""
    assert low.uv is not None
    q = low.positions[low.triangles]
    uv = low.uv
    with np.errstate(divide="ignore", invalid="ignore"):
        twice = (2 * low.uv_area)[:, None]
        s, t = uv[..., 0], uv[..., 1]
        along_s = (
            q[:, 0] * (t[:, 1] - t[:, 2])[:, None]
            + q[:, 1] * (t[:, 2] - t[:, 0])[:, None]
            + q[:, 2] * (t[:, 0] - t[:, 1])[:, None]
        ) / twice
        along_t = (
            q[:, 0] * (s[:, 2] - s[:, 1])[:, None]
            + q[:, 1] * (s[:, 0] - s[:, 2])[:, None]
            + q[:, 2] * (s[:, 1] - s[:, 0])[:, None]
        ) / twice
        a = np.einsum("ij,ij->i", along_s, along_s)
        b = np.einsum("ij,ij->i", along_s, along_t)
        c = np.einsum("ij,ij->i", along_t, along_t)
        spread = np.sqrt((a - c) ** 2 + 4 * b**2)
        largest = np.sqrt(0.5 * (a + c + spread))
        # The product of both is the ratio of areas: steadier than the difference of squares.
        smallest = np.abs(low.area / low.uv_area) / largest
    bad = ~(np.isfinite(largest) & np.isfinite(smallest) & (smallest > 0))
    return np.where(bad, np.nan, largest), np.where(bad, np.nan, smallest)


def part_density(low: LowPoly, map_size: int) -> PartDensity:
    """Measure the texel density of every part for square maps of `map_size`."""
    count = len(low.part_names)
    local = low.texels_per_unit(map_size)
    good = (local > 0) & (low.area > 0)
    part, area = low.triangle_part[good], low.area[good]
    world = np.bincount(part, weights=area, minlength=count)
    in_map = np.bincount(part, weights=np.abs(low.uv_area[good]), minlength=count)
    with np.errstate(invalid="ignore", divide="ignore"):
        whole = np.where(world > 0, map_size * np.sqrt(in_map / world), np.nan)
        largest, smallest = singular_values(low)
        squares = np.bincount(
            part, weights=0.5 * (largest**2 + smallest**2)[good] * area, minlength=count
        )
        l2 = np.sqrt(squares / world) * np.sqrt(in_map / world)
    tenths = np.full((2, count), np.nan)
    members = rows_by_label(part, count)
    for k in np.flatnonzero(world > 0):
        mine = members[k]
        tenths[:, k] = weighted_quantiles(local[good][mine], area[mine], (0.1, 0.9))
    usual = float(weighted_quantiles(local[good], area, (0.5,))[0]) if good.any() else np.nan
    return PartDensity(whole, tenths[0], tenths[1], np.where(world > 0, l2, np.nan), usual)


def density_findings(low: LowPoly, density: PartDensity, map_size: int) -> list[Finding]:
    """Find parts with another density than the rest, and stretched faces."""
    found = [_uneven(low, density, map_size), _spread(low, density), _stretched(low)]
    return [f for f in found if f is not None]


def _uneven(low: LowPoly, density: PartDensity, map_size: int) -> Finding | None:
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = density.texels_per_unit / density.usual
        off = np.abs(np.log(ratio))
    parts = np.flatnonzero(off > np.log(DENSITY_FACTOR))
    if len(parts) == 0 or np.isfinite(ratio).sum() < 2:
        return None
    parts = parts[np.argsort(-off[parts], kind="stable")]
    places = []
    for k in parts[:PLACES_NAMED]:
        face = int(np.flatnonzero(low.mesh.face_part == k)[0])
        places.append(
            Place(
                part=low.part_names[k],
                faces=(face,),
                position=face_centre(low, face),
                tile=face_tile(low, face),
                measure=float(ratio[k]),
                note=f"{density_text(density.texels_per_unit[k])} texels per unit, "
                f"{decimals(ratio[k], 2)} times",
            )
        )
    return Finding(
        CHECKS["texel-density"],
        len(parts),
        f"{how_many(len(parts), 'parts')} more than {as_given(DENSITY_FACTOR)} times off the usual "
        f"{density_text(density.usual)} texels per unit at {map_size}.",
        places=tuple(places),
        by_part={low.part_names[k]: 1 for k in parts},
        measures={
            "usual_texels_per_unit": density.usual,
            "least_ratio": float(ratio[parts].min()),
            "greatest_ratio": float(ratio[parts].max()),
            "factor_limit": DENSITY_FACTOR,
        },
        faces=np.flatnonzero(np.isin(low.mesh.face_part, parts)).astype(np.int32),
    )


def _spread(low: LowPoly, density: PartDensity) -> Finding | None:
    with np.errstate(invalid="ignore"):
        spread = density.high_tenth / density.low_tenth
        parts = np.flatnonzero(spread > SPREAD_LIMIT)
    if len(parts) == 0:
        return None
    parts = parts[np.argsort(-spread[parts], kind="stable")]
    places = tuple(
        Place(
            part=low.part_names[k],
            measure=float(spread[k]),
            note=f"{density_text(density.low_tenth[k])} to {density_text(density.high_tenth[k])} "
            "texels per unit",
        )
        for k in parts[:PLACES_NAMED]
    )
    return Finding(
        CHECKS["texel-density-spread"],
        len(parts),
        f"{how_many(len(parts), 'parts')} where the densest tenth has more than "
        f"{as_given(SPREAD_LIMIT)} times the texels per unit of the sparsest, "
        f"{figures(spread[parts[0]], 3)} times "
        "at most.",
        places=places,
        by_part={low.part_names[k]: 1 for k in parts},
        measures={"greatest_ratio": float(spread[parts[0]]), "ratio_limit": SPREAD_LIMIT},
        faces=np.flatnonzero(np.isin(low.mesh.face_part, parts)).astype(np.int32),
    )


def _stretched(low: LowPoly) -> Finding | None:
    largest, smallest = singular_values(low)
    with np.errstate(invalid="ignore"):
        longer = largest / smallest
        bad = longer > STRETCH_LIMIT
    if not bad.any():
        return None
    faces, worst = _worst_per_face(low.cut.face[bad], longer[bad])
    share = float(low.area[bad].sum() / low.area.sum())
    return Finding(
        CHECKS["uv-stretch"],
        len(faces),
        f"{how_many(len(faces), 'faces')} ({figures(100 * share, 3)} % of the area) with texels "
        f"more than {as_given(STRETCH_LIMIT)} times longer than wide, {figures(worst[0], 3)} "
        "times at worst.",
        places=face_places(low, faces, worst, "times longer than wide"),
        by_part=count_by_part(low.mesh.face_part[faces], low.part_names),
        measures={
            "worst_ratio": float(worst[0]),
            "area_share": share,
            "ratio_limit": STRETCH_LIMIT,
        },
        faces=np.sort(faces).astype(np.int32),
    )


def _worst_per_face(
    face: NDArray[np.integer[Any]], value: Floats
) -> tuple[NDArray[np.integer[Any]], Floats]:
    unique, index = np.unique(face, return_inverse=True)
    worst = np.full(len(unique), -np.inf)
    np.maximum.at(worst, index, value)
    order = np.argsort(-worst, kind="stable")
    return unique[order], worst[order]
