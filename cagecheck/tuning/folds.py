"""Folds, decided exactly: does the prism between a low triangle and its cage triangle turn over?

A point of the shell is x(w, h) = sum_v w_v (p_v + h D_v), with barycentrics w, height h (0 on the
low poly, 1 on the cage) and cage displacements D_v. Its Jacobian determinant

    J(w, h) = ((e1 + h f1) x (e2 + h f2)) . sum_v w_v D_v

(e, f: edge vectors of p and of D) is linear in w for a fixed h, so over the triangle it is least at
a corner: three quadratics in h settle the whole prism, and the least value of a quadratic on an
interval has a closed form. Where rounding could change the sign, rational arithmetic decides.

Relation to Jiang, Schneider, Zorin, Panozzo, "Bijective Projection in a Shell", ACM Transactions
on Graphics 39(6), 2020: they ask the tetrahedra (p_v, q_v, x_a, x_b), with x_a and x_b each on the
low or the cage side of the other two corners, to have positive volume: 12 a prism, 24 for their
shell of two. For each corner those are, with q = p + D and E the cage's edges,

    (e1 x e2) . D_v,  (e1 x E2) . D_v,  (E1 x e2) . D_v,  (E1 x E2) . D_v,

and J at that corner in Bernstein form has the first, the mean of the middle two and the last as
coefficients. So their condition implies ours; ours also passes prisms that only the straight
cuts of a tetrahedral decomposition call invalid.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.meshes.edges import triangle_edges
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.meeting import pierced
from cagecheck.rays.cage import Cage

# Bound on the rounding of J's coefficients and of the closed form, in units in the last place of
# the product of the lengths involved: a dozen operations each, with room.
_ROUNDINGS = 64 * float(np.finfo(np.float64).eps)


@dataclass(frozen=True, eq=False)
class ShellCheck:
    """What every prism of a shell does between two heights.

    Attributes
    ----------
    valid : (T,) bool, J is nowhere below zero, and above it wherever the cage leaves the low poly.
    judged : (T,) bool, False for triangles without area or whose cage does not leave them.
    ratio : (T,) float64, the least J against a straight prism's, (2 area) |D_v|: 1 is straight, 0
        flat, below 0 folded; NaN where not judged.
    fold_height : (T,) float64, the height nearest to 0 at which some ray's J reaches zero; infinity
        where none does. Offsets scaled by less than it leave the prism valid.
    exact : (T,) bool, rational arithmetic was needed for the sign.
    """

    valid: NDArray[np.bool_]
    judged: NDArray[np.bool_]
    ratio: Floats
    fold_height: Floats
    exact: NDArray[np.bool_]

    @property
    def folded(self) -> NDArray[np.bool_]:
        """(T,) bool, judged and not valid."""
        return np.asarray(self.judged & ~self.valid)


def check_shell(low: LowPoly, cage: Cage, lowest: float = 0.0, highest: float = 1.0) -> ShellCheck:
    """Check every prism between heights `lowest` and `highest` (0: low poly, 1: cage)."""
    corners = low.positions[low.triangles]
    return check_prisms(corners, cage.displacement, lowest, highest, flat=low.area <= 0)


def check_prisms(
    corners: Floats,
    displacement: Floats,
    lowest: float = 0.0,
    highest: float = 1.0,
    *,
    flat: NDArray[np.bool_] | None = None,
) -> ShellCheck:
    """Check T prisms given by (T, 3, 3) low corners and (T, 3, 3) displacements.

    flat : (T,) bool, triangles that count as without area though rounding leaves them some.
    """
    c, size = _coefficients(corners, displacement)
    length = np.linalg.norm(displacement, axis=2)
    least = _least(c, lowest, highest)
    doubled_area = np.linalg.norm(_normal_terms(corners, displacement)[0], axis=1)
    moved = length > 0
    judged = moved.any(axis=1) & (doubled_area > 0)
    if flat is not None:
        judged &= ~flat
    # A corner that stays on the low poly has J = 0 along its own ray, which is no fold.
    positive: NDArray[np.bool_] = ((least > 0) | ~moved).all(axis=1)
    reach = max(1.0, abs(lowest), abs(highest)) ** 2
    doubt = moved & (np.abs(least) <= _ROUNDINGS * reach * size)
    exact = judged & doubt.any(axis=1)
    for t in np.flatnonzero(exact):
        positive[t] = _positive_exactly(corners[t], displacement[t], lowest, highest)
    scale = doubled_area[:, None] * length
    ratio = np.divide(least, scale, out=np.full_like(least, np.inf), where=scale > 0).min(axis=1)
    height = _first_zero(c, moved, lowest, highest).min(axis=1)
    return ShellCheck(
        valid=positive | ~judged,
        judged=judged,
        ratio=np.where(judged, ratio, np.nan),
        fold_height=np.where(judged & ~positive, np.minimum(height, highest), np.inf),
        exact=exact,
    )


def tetrahedron_volumes(corners: Floats, displacement: Floats) -> Floats:
    """Return (T, 3, 4) six times the signed volumes of the paper's tetrahedra (see above)."""
    out = np.empty((len(corners), 3, 4))
    cage = corners + displacement
    for v in range(3):
        a, b = (v + 1) % 3, (v + 2) % 3
        base, d = corners[:, v], displacement[:, v]
        for k, (x, y) in enumerate(
            (
                (corners[:, a], corners[:, b]),
                (corners[:, a], cage[:, b]),
                (cage[:, a], corners[:, b]),
                (cage[:, a], cage[:, b]),
            )
        ):
            out[:, v, k] = np.einsum("ij,ij->i", np.cross(x - base, y - base), d)
    return out


def _normal_terms(corners: Floats, displacement: Floats) -> tuple[Floats, Floats, Floats]:
    e1, e2 = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    f1 = displacement[:, 1] - displacement[:, 0]
    f2 = displacement[:, 2] - displacement[:, 0]
    return np.cross(e1, e2), np.cross(e1, f2) + np.cross(f1, e2), np.cross(f1, f2)


def _coefficients(corners: Floats, displacement: Floats) -> tuple[Floats, Floats]:
    """Return (T, 3, 3) quadratics (corner, power) and (T, 3) the size their rounding goes by."""
    terms = _normal_terms(corners, displacement)
    c = np.stack([np.einsum("ij,ivj->iv", n, displacement) for n in terms], axis=2)
    edge = [
        np.linalg.norm(x[:, k] - x[:, 0], axis=1) for x in (corners, displacement) for k in (1, 2)
    ]
    size = (edge[0] + edge[2]) * (edge[1] + edge[3])
    return c, size[:, None] * np.linalg.norm(displacement, axis=2)


def _least(c: Floats, lowest: float, highest: float) -> Floats:
    """Return the least value of c0 + c1 h + c2 h^2 on the interval, for (..., 3) coefficients."""
    c0, c1, c2 = c[..., 0], c[..., 1], c[..., 2]
    ends = [c0 + h * (c1 + h * c2) for h in (lowest, highest)]
    bottom = np.divide(-c1, 2 * c2, out=np.full_like(c1, np.nan), where=c2 > 0)
    inside = (bottom > lowest) & (bottom < highest)
    turn = np.where(inside, bottom, lowest)
    out: Floats = np.minimum(np.minimum(*ends), c0 + turn * (c1 + turn * c2))
    return out


def _first_zero(c: Floats, moved: NDArray[np.bool_], lowest: float, highest: float) -> Floats:
    """Return (T, 3) the zero of each quadratic in the interval that lies nearest to height 0."""
    c0, c1, c2 = c[..., 0], c[..., 1], c[..., 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(c1 * c1 - 4 * c0 * c2)
        # The sum that does not cancel gives one root, the product of the roots the other.
        q = -0.5 * (c1 + np.where(c1 >= 0, root, -root))
        zeros = np.stack([q / c2, c0 / q])
    fits = np.isfinite(zeros) & (zeros >= lowest) & (zeros <= highest) & moved
    size = np.where(fits, np.abs(zeros), np.inf)
    out: Floats = size.min(axis=0)
    return out


def _positive_exactly(corners: Floats, displacement: Floats, lowest: float, highest: float) -> bool:
    """Tell in rational arithmetic whether J > 0 on the interval at every moved corner."""
    p = [[Fraction(float(x)) for x in row] for row in corners]
    d = [[Fraction(float(x)) for x in row] for row in displacement]
    e1, e2, f1, f2 = (
        [x[k][i] - x[0][i] for i in range(3)] for x, k in ((p, 1), (p, 2), (d, 1), (d, 2))
    )
    mixed = [x + y for x, y in zip(_cross(e1, f2), _cross(f1, e2), strict=True)]
    terms = (_cross(e1, e2), mixed, _cross(f1, f2))
    a, b = Fraction(lowest), Fraction(highest)
    for row in d:
        if any(row):
            c0, c1, c2 = (_dot(n, row) for n in terms)
            values = [c0 + h * (c1 + h * c2) for h in (a, b)]
            if c2 > 0 and a < -c1 / (2 * c2) < b:
                values.append(c0 - c1 * c1 / (4 * c2))
            if min(values) <= 0:
                return False
    return True


def _dot(u: list[Fraction], v: list[Fraction]) -> Fraction:
    return u[0] * v[0] + u[1] * v[1] + u[2] * v[2]


def _cross(u: list[Fraction], v: list[Fraction]) -> list[Fraction]:
    return [
        u[1] * v[2] - u[2] * v[1],
        u[2] * v[0] - u[0] * v[2],
        u[0] * v[1] - u[1] * v[0],
    ]


@dataclass(frozen=True, eq=False)
class CageCrossings:
    """Places where the cage passes through itself.

    Attributes
    ----------
    position : (M, 3) float64
        Where an edge of one triangle pierces another.
    triangle : (M,) int32
        A triangle of the piercing edge.
    pierced : (M,) int32
        The other one.
    same_part : (M,) bool
        Both are of one part. Cages of different parts may cross freely.
    """

    position: Floats
    triangle: NDArray[np.int32]
    pierced: NDArray[np.int32]
    same_part: NDArray[np.bool_]


def cage_crossings(low: LowPoly, positions: Floats) -> CageCrossings:
    """Find where a cage with vertices `positions` (V, 3) passes through itself.

    Two triangles in general position cross when an edge of one pierces the other, so every edge is
    tried on the whole cage, exactly (`cagecheck.meshes.meeting`). Triangles that only touch, or
    overlap within one plane, are not crossings.
    """
    welded = low.welded
    half = np.sort(triangle_edges(welded).first)
    triangle, corner = half // 3, half % 3
    start = positions[low.triangles[triangle, corner]]
    end = positions[low.triangles[triangle, (corner + 1) % 3]]
    found = pierced(start, end, positions, low.triangles)
    edge, other = found.segment, found.triangle.astype(np.int32)
    ends = np.stack([welded[triangle, corner], welded[triangle, (corner + 1) % 3]], axis=1)[edge]
    touching = (welded[other][:, :, None] == ends[:, None, :]).any(axis=(1, 2))
    edge, other, share = edge[~touching], other[~touching], found.share[~touching]
    mine = triangle[edge].astype(np.int32)
    return CageCrossings(
        position=start[edge] + share[:, None] * (end - start)[edge],
        triangle=mine,
        pierced=other,
        same_part=low.triangle_part[mine] == low.triangle_part[other],
    )
