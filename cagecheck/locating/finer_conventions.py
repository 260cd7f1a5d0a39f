"""The finer conventions of a map: tangent basis, cut of the quads, normals of either mesh."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.locating.conventions import (
    AGREEMENT_DEGREES,
    BASES,
    FINER_SHARE,
    FLAT_WEIGHT,
    ROUNDING_DEGREES,
    ConventionFault,
    LowShading,
    Reading,
    turned,
)
from cagecheck.locating.variants import Variants
from cagecheck.maps.encode import BasisRule
from cagecheck.meshes.normals import degrees_between
from cagecheck.meshes.triangulate import QuadSplit

# There are three dozen choices to try.
FINER_TEXELS = 12_000
# Fewer texels than this decide nothing, unless the rarer choice fits them this much better: two
# bases may differ at a few skewed triangles only, but there by tens of degrees.
LEAST_TEXELS, LEAST_CLEAR, CLEAR_SHARE = 200, 12, 0.25


def finer_reading(
    variants: Variants,
    shares: NDArray[np.float32],
    reading: Reading,
    prior: Reading | None = None,
) -> tuple[Reading, float, list[ConventionFault]]:
    """Choose normals, cut of the quads and tangent basis; return the angle that is left.

    prior : how another map of the asset was read. Maps of one asset come from one bake, so its
    choice stands unless this map speaks against it.
    """
    size = shares.shape[0]
    picture = turned(shares, reading.turn)
    kinds: list[tuple[BasisRule, LowShading]] = [(basis, "own") for basis in BASES]
    if reading.space == "tangent":
        # Two rare things at once are not looked for.
        kinds += [(BasisRule(), kind) for kind in variants.shading_choices() if kind != "own"]
    else:
        kinds = [(BasisRule(), "own")]
    default = variants.sampled(reading.tile, size, variants.settings.quads, reading.normals)
    key = default.y.astype(np.int64) * size + default.x
    key = key[:: max(len(key) // FINER_TEXELS, 1)]
    choices: list[tuple[Reading, Floats, Floats]] = []
    for quads in variants.quad_choices():
        for normals in variants.normal_choices():
            sample = variants.sampled(reading.tile, size, quads, normals)
            own = sample.y.astype(np.int64) * size + sample.x
            _, mine, theirs = np.intersect1d(key, own, return_indices=True)
            values = picture[sample.y[theirs], sample.x[theirs]]
            shown = reading.straight(values).astype(np.float64)
            for basis, shading in kinds:
                if reading.space == "object":
                    wanted = sample.world[theirs]
                else:
                    frames = variants.frames(quads, basis, shading)
                    wanted = frames.encode(
                        sample.triangle[theirs], sample.barycentric[theirs], sample.world[theirs]
                    )
                full = np.full((len(key), 3), np.nan)
                full[mine] = wanted
                angles = np.full(len(key), np.nan)
                angles[mine] = degrees_between(shown, wanted)
                kind = replace(reading, basis=basis, quads=quads, normals=normals, shading=shading)
                choices.append((kind, full, angles))
    kind, wanted, angles = choices[_best_choice(choices, prior)]
    if _oddities(kind, reading):
        kind = replace(kind, agreement=_agreement(wanted, angles, kind.space == "tangent"))
    return kind, float(np.nanmedian(angles)), _finer_faults(kind, variants.settings.quads)


def _agreement(wanted: Floats, angles: Floats, tangent: bool) -> float:
    """Return the agreement of `conventions.py` from angles that are known already."""
    lean = np.hypot(wanted[:, 0], wanted[:, 1])
    weight = FLAT_WEIGHT + lean if tangent else np.ones(len(lean))
    known = np.isfinite(angles)
    fits = np.exp(-((angles[known] / AGREEMENT_DEGREES) ** 2))
    return float(np.average(fits, weights=weight[known]))


def _best_choice(
    choices: list[tuple[Reading, Floats, Floats]], prior: Reading | None = None
) -> int:
    """Return the choice that fits best; a rarer one must beat it where the two differ most.

    Each choice comes with its predicted vectors and their angles to the map, NaN where unknown.
    That of `prior` stands at the beginning, unless the plain one beats it.
    """
    plain = choices[0][0]
    best = 0
    for k, (kind, _, _) in enumerate(choices):
        if prior is not None and _oddities(kind, prior) == 0 and not _beats(choices[0], choices[k]):
            best = k
    for k in sorted(range(len(choices)), key=lambda c: _oddities(choices[c][0], plain)):
        if k != best and _beats(choices[k], choices[best]):
            best = k
    return best


def _oddities(reading: Reading, plain: Reading) -> int:
    return (
        (reading.basis != plain.basis)
        + (reading.quads != plain.quads)
        + (reading.normals != plain.normals)
        + (reading.shading != plain.shading)
    )


def _beats(one: tuple[Reading, Floats, Floats], other: tuple[Reading, Floats, Floats]) -> bool:
    apart = degrees_between(one[1], other[1])
    known = np.isfinite(apart) & np.isfinite(one[2]) & np.isfinite(other[2])
    if not known.any():
        return False
    # Where the two differ by more than rounding hides.
    least = max(2 * ROUNDING_DEGREES, float(np.quantile(apart[known], 0.75)))
    rows = known & (apart > least)
    if rows.sum() < LEAST_CLEAR:
        return False
    share = FINER_SHARE if rows.sum() >= LEAST_TEXELS else CLEAR_SHARE
    mine, theirs = float(np.median(one[2][rows])), float(np.median(other[2][rows]))
    if theirs <= ROUNDING_DEGREES or mine >= share * theirs:
        return False
    return float(np.median(one[2][known])) < 1.05 * float(np.median(other[2][known]))


def _finer_faults(reading: Reading, own: QuadSplit) -> list[ConventionFault]:
    out = []
    if reading.shading != "own":
        words = {"face": "faceted, one normal a triangle", "smooth": "smooth everywhere"}
        out.append(
            ConventionFault(
                "low-normals",
                f"the low poly's normals were {words[reading.shading]} in the bake, which its file "
                "has not",
                "bake again with the low poly's final normals and hard edges",
            )
        )
    if reading.basis != BasisRule():
        out.append(
            ConventionFault(
                "tangent-basis",
                f"the map was baked for another tangent basis: {reading.basis.describe()}",
                "bake and render with MikkTSpace, or with one and the same other basis",
            )
        )
    if reading.quads != own:
        words = {"short": "along their shorter diagonal", "first": "from their first corner"}
        out.append(
            ConventionFault(
                "triangulation",
                f"the map was baked with quads cut {words[reading.quads]}, not {words[own]}",
                "triangulate the low poly before baking and keep those triangles",
            )
        )
    return out
