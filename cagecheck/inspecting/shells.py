"""Shells that face the wrong way: closed by their volume, open by what their sides see."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.inspecting.checks import CHECKS
from cagecheck.inspecting.edges import PolygonEdges
from cagecheck.inspecting.finding import (
    PLACES_NAMED,
    Finding,
    Place,
    count_by_part,
    how_many,
    point,
)
from cagecheck.inspecting.topology import face_tile
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.rays.scene import Scene

# A volume this small against (area)^1.5 is rounding or a sheet, not an inside. (A sphere has
# 0.094, a box of 1 x 1 x 0.001 still 0.00035.)
VOLUME_ROUNDING = 1e-7
# Rays per side of an open shell, and how much more of them must leave from the back than from the
# front before the shell counts as facing inwards. A flat card sees as much on either side.
SIGHT_RAYS = 512
SIGHT_MARGIN = 0.25
# A shell whose area vectors nearly all point one way (a card, a patch) has no inside.
ONE_WAY = 0.95


def shell_findings(low: LowPoly, edges: PolygonEdges, *, seed: int = 0) -> list[Finding]:
    """Find closed shells with a negative volume and open shells that face mostly inwards."""
    count = edges.shell_count
    if count == 0 or len(low.triangles) == 0:
        return []
    triangle_shell = edges.shell[low.cut.face]
    edge_shell = edges.shell[low.mesh.corner_face[edges.first]]
    open_edges = np.bincount(edge_shell[edges.uses == 1], minlength=count)
    broken = np.bincount(
        edge_shell[(edges.uses > 2) | ((edges.uses == 2) & (edges.balance != 0))], minlength=count
    )
    area, volume, vector = shell_measures(low.positions, low.triangles, triangle_shell, count)
    solid = np.abs(volume) > VOLUME_ROUNDING * area**1.5
    closed = (open_edges == 0) & (broken == 0) & solid
    inverted = np.flatnonzero(closed & (volume < 0))
    nested = _inside_another(low, triangle_shell, inverted, np.flatnonzero(closed & (volume > 0)))
    bent = np.linalg.norm(vector, axis=1) < ONE_WAY * area
    candidates = np.flatnonzero((open_edges > 0) & (broken == 0) & bent)
    inward = _seen_from_behind(low, triangle_shell, candidates, seed)
    found = [
        _finding(low, edges, "inverted-shell", inverted[~nested], np.abs(volume), "cubic units"),
        _finding(low, edges, "hollow-shell", inverted[nested], np.abs(volume), "cubic units"),
        _finding(low, edges, "inward-shell", inward, area, "square units"),
    ]
    return [f for f in found if f is not None]


def shell_measures(
    positions: Floats, triangles: Ints, shell: Ints, count: int
) -> tuple[Floats, Floats, Floats]:
    """Return each shell's area (count,), signed volume (count,) and area vector (count, 3).

    The volume is the divergence theorem's sum over triangles, measured from the shell's own
    centre; it is the volume inside only for a closed shell. The area vector of a closed shell is
    zero.
    """
    corners = positions[triangles]
    here = np.maximum(np.bincount(shell, minlength=count), 1)
    middle = corners.mean(axis=1)
    centre = np.stack(
        [np.bincount(shell, weights=middle[:, k], minlength=count) / here for k in range(3)], axis=1
    )
    a, b, c = (corners[:, k] - centre[shell] for k in range(3))
    cross = np.cross(b - a, c - a)
    double_area = np.linalg.norm(cross, axis=1)
    six_volume = np.einsum("ij,ij->i", a, np.cross(b, c))
    vector = [np.bincount(shell, weights=cross[:, k], minlength=count) / 2 for k in range(3)]
    return (
        np.bincount(shell, weights=double_area, minlength=count) / 2,
        np.bincount(shell, weights=six_volume, minlength=count) / 6,
        np.stack(vector, axis=1),
    )


def _boxes(low: LowPoly, shell: Ints) -> tuple[Floats, Floats]:
    """Return the (S, 3) lowest and highest corners of every shell's box."""
    order = np.argsort(shell, kind="stable")
    present, start = np.unique(shell[order], return_index=True)
    corners = low.positions[low.triangles[order]]
    lows, highs = np.full((2, int(present.max()) + 1, 3), np.nan)
    lows[present] = np.minimum.reduceat(corners.min(axis=1), start, axis=0)
    highs[present] = np.maximum.reduceat(corners.max(axis=1), start, axis=0)
    return lows, highs


def _inside_another(
    low: LowPoly, shell: Ints, inner: NDArray[np.integer[Any]], outer: NDArray[np.integer[Any]]
) -> NDArray[np.bool_]:
    """Say for each inner shell whether its box lies within that of an outer shell of its part."""
    out = np.zeros(len(inner), bool)
    if len(inner) == 0 or len(outer) == 0:
        return out
    part = np.zeros(int(shell.max()) + 1, np.int32)
    part[shell] = low.triangle_part
    lows, highs = _boxes(low, shell)
    for k, number in enumerate(inner):
        within = np.all((lows[outer] < lows[number]) & (highs[outer] > highs[number]), axis=1)
        out[k] = bool(np.any(within & (part[outer] == part[number])))
    return out


def _seen_from_behind(
    low: LowPoly, shell: Ints, candidates: NDArray[np.integer[Any]], seed: int
) -> Ints:
    """Keep the shells whose backs see far more of the open than their fronts do.

    Random rays leave both sides of each shell, spread by area, cosine-weighted around the normal;
    those that meet no other triangle of the same shell see the open.
    """
    out = []
    order = np.argsort(shell, kind="stable")
    bounds = np.searchsorted(shell[order], np.arange(int(shell.max()) + 2))
    for number in candidates:
        mine = order[bounds[number] : bounds[number + 1]]
        mine = mine[low.area[mine] > 0]
        if len(mine) < 3:
            continue
        rng = np.random.default_rng([seed, int(number)])
        front, back = _open_shares(low, mine.astype(np.int32), rng)
        if back - front > SIGHT_MARGIN:
            out.append(number)
    return np.array(out, dtype=np.int64).astype(np.int32)


def _open_shares(low: LowPoly, mine: Ints, rng: np.random.Generator) -> tuple[float, float]:
    triangles = low.triangles[mine]
    used, local = np.unique(triangles, return_inverse=True)
    surface = Surface(
        low.positions[used],
        local.reshape(-1, 3).astype(np.int32),
        np.zeros(len(mine), np.int32),
    )
    pick = rng.choice(len(mine), SIGHT_RAYS, p=low.area[mine] / low.area[mine].sum())
    u, v = rng.random((2, SIGHT_RAYS))
    u, v = np.where(u + v > 1, 1 - u, u), np.where(u + v > 1, 1 - v, v)
    corner = low.positions[triangles[pick]]
    origin = corner[:, 0] + u[:, None] * (corner[:, 1] - corner[:, 0])
    origin = origin + v[:, None] * (corner[:, 2] - corner[:, 0])
    normal = low.face_normals[mine[pick]]
    # A unit vector added to the normal is cosine-weighted around it.
    ball = rng.normal(size=(SIGHT_RAYS, 3))
    direction = normal + 0.999 * ball / np.linalg.norm(ball, axis=1, keepdims=True)
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    size = float(np.linalg.norm(np.ptp(surface.positions, axis=0)))
    scene = Scene(surface, threads=1)
    shares = []
    for way in (
        direction,
        direction - 2 * np.einsum("ij,ij->i", direction, normal)[:, None] * normal,
    ):
        layers = scene.cast(origin, way, 0.0, 2 * size)
        ray = np.repeat(np.arange(SIGHT_RAYS), np.diff(layers.first))
        hit = np.zeros(SIGHT_RAYS, bool)
        hit[ray[(layers.face != pick[ray]) & (layers.t > 1e-6 * size)]] = True
        shares.append(1.0 - float(hit.mean()))
    return shares[0], shares[1]


def _finding(
    low: LowPoly,
    edges: PolygonEdges,
    code: str,
    shells: NDArray[np.integer[Any]],
    size: Floats,
    unit: str,
) -> Finding | None:
    if len(shells) == 0:
        return None
    check = CHECKS[code]
    shells = shells[np.argsort(-size[shells], kind="stable")]
    faces = np.flatnonzero(np.isin(edges.shell, shells)).astype(np.int32)
    of_face = edges.shell[faces]
    places = []
    for number in shells[:PLACES_NAMED]:
        mine = faces[of_face == number]
        corners = np.isin(low.mesh.corner_face, mine)
        places.append(
            Place(
                part=low.part_names[low.mesh.face_part[mine[0]]],
                faces=(int(mine[0]),),
                position=point(low.positions[low.mesh.corner_vertex[corners]].mean(axis=0)),
                tile=face_tile(low, int(mine[0])),
                measure=float(size[number]),
                note=how_many(len(mine), "faces"),
            )
        )
    first = faces[np.unique(of_face, return_index=True)[1]]
    return Finding(
        check,
        len(shells),
        f"{how_many(len(shells), 'shells')} of {how_many(len(faces), 'faces')}; "
        f"the largest has {size[shells[0]]:.4g} {unit}.",
        places=tuple(places),
        by_part=count_by_part(low.mesh.face_part[first], low.part_names),
        measures={"largest": float(size[shells[0]])},
        faces=faces,
    )
