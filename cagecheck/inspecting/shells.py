"""Shells that face the wrong way: closed by their volume, open by what their sides see."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.inspecting.checks import CHECKS
from cagecheck.inspecting.edges import PolygonEdges, takes_part
from cagecheck.inspecting.finding import (
    PLACES_NAMED,
    Finding,
    Place,
    count_by_part,
    how_many,
    point,
)
from cagecheck.inspecting.sheets import Sheets, find_sheets, lesser_side
from cagecheck.inspecting.topology import face_tile
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.rays.scene import Scene
from cagecheck.words.numbers import figures

# A volume this small against (area)^1.5 is rounding or a sheet, not an inside. (A sphere has
# 0.094, a box of 1 x 1 x 0.001 still 0.00035.)
VOLUME_ROUNDING = 1e-7
# Rays per side of an open shell, and how much more of them must leave from one side than from the
# other before that is the outside. A flat card sees as much on either side.
SIGHT_RAYS = 512
SIGHT_MARGIN = 0.25
# A shell whose area vectors nearly all point one way (a card, a patch) has no inside.
ONE_WAY = 0.95


@dataclass(frozen=True, eq=False)
class Facing:
    """Which faces of a low poly show their backs.

    Attributes
    ----------
    inwards : (S,) bool, sheets of which every face is turned in; nested : (S,) bool, those of them
        that are closed and lie inside another one of their part.
    flipped : (F,) bool, faces that are turned against the rest of their sheet.
    known : (S,) bool, sheets of which the outside is known by volume or by sight.
    sheets, area, volume : the sheets, and their area and the volume inside, (S,) each.
    """

    sheets: Sheets
    inwards: NDArray[np.bool_]
    nested: NDArray[np.bool_]
    flipped: NDArray[np.bool_]
    known: NDArray[np.bool_]
    area: Floats
    volume: Floats

    def of_parts(self, low: LowPoly) -> Floats:
        """Return (K,) from 1, all of a part's area faces out, to -1, all in; 0 is not known."""
        mine = np.where(self.known & ~self.nested, np.where(self.inwards, -1.0, 1.0), 0.0)
        count = len(low.part_names)
        way = mine[self.sheets.of_face[low.cut.face]]
        whole = np.bincount(low.triangle_part, low.area, minlength=count)
        total = np.bincount(low.triangle_part, way * low.area, minlength=count)
        return np.divide(total, whole, out=np.zeros(count), where=whole > 0)


def judge_facing(low: LowPoly, edges: PolygonEdges, *, seed: int = 0) -> Facing:
    """Say which sheets face inwards, and which faces are turned against their sheet."""
    sheets = find_sheets(low, edges)
    count = sheets.count
    of_triangle, turn = sheets.of_face[low.cut.face], sheets.turn[low.cut.face]
    turned = np.where(turn[:, None] < 0, low.triangles[:, ::-1], low.triangles)
    area, volume, vector = shell_measures(low.positions, turned, of_triangle, count)
    solid = sheets.closed & (np.abs(volume) > VOLUME_ROUNDING * area**1.5)
    bent = np.linalg.norm(vector, axis=1) < ONE_WAY * area
    candidates = np.flatnonzero(~sheets.closed & sheets.two_sided & bent)
    seen = np.zeros(count, np.int8)
    sides = _sides_seen(low, of_triangle, turn, candidates, seed)
    seen[: len(sides)] = sides
    # +1: the faces of turn +1 face out.
    outside = np.where(solid, np.sign(volume), seen).astype(np.int8)
    known = outside != 0
    face_area = np.zeros(low.mesh.face_count)
    np.add.at(face_area, low.cut.face, low.area)
    right = np.where(known, outside, -lesser_side(sheets, face_area))
    against = (sheets.turn != right[sheets.of_face]) & sheets.two_sided[sheets.of_face]
    members = np.bincount(sheets.of_face, minlength=count)
    inwards = known & (np.bincount(sheets.of_face, against, minlength=count) == members)
    inner, outer = np.flatnonzero(solid & inwards), np.flatnonzero(solid & ~inwards)
    nested = np.zeros(count, bool)
    nested[inner] = _inside_another(low, of_triangle, inner, outer)
    return Facing(
        sheets, inwards, nested, against & ~inwards[sheets.of_face], known, area, np.abs(volume)
    )


def shell_findings(low: LowPoly, facing: Facing) -> list[Finding]:
    """Find closed shells that are inside out, hollows, and open shells that face mostly inwards."""
    closed = facing.sheets.closed
    inverted = np.flatnonzero(facing.inwards & closed & ~facing.nested)
    hollow = np.flatnonzero(facing.inwards & closed & facing.nested)
    inward = np.flatnonzero(facing.inwards & ~closed)
    found = [
        _finding(low, facing, "inverted-shell", inverted, facing.volume, "cubic units"),
        _finding(low, facing, "hollow-shell", hollow, facing.volume, "cubic units"),
        _finding(low, facing, "inward-shell", inward, facing.area, "square units"),
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


def _sides_seen(
    low: LowPoly,
    sheet: Ints,
    turn: NDArray[np.int8],
    candidates: NDArray[np.integer[Any]],
    seed: int,
) -> NDArray[np.int8]:
    """Return (S,) 1 where faces of turn 1 see far more of the open than their backs, -1, or 0.

    Random rays leave both sides of each sheet, spread by area, cosine-weighted around the normal;
    those that meet no other triangle of the same sheet see the open.
    """
    order = np.argsort(sheet, kind="stable")
    out = np.zeros(int(max(candidates.max(initial=-1), sheet.max(initial=-1))) + 1, np.int8)
    bounds = np.searchsorted(sheet[order], np.arange(len(out) + 1))
    for number in candidates:
        mine = order[bounds[number] : bounds[number + 1]]
        mine = mine[low.area[mine] > 0]
        if len(mine) < 3:
            continue
        rng = np.random.default_rng([seed, int(number)])
        front, back = _open_shares(low, mine.astype(np.int32), turn[mine], rng)
        if abs(front - back) > SIGHT_MARGIN:
            out[number] = 1 if front > back else -1
    return out


def _open_shares(
    low: LowPoly, mine: Ints, turn: NDArray[np.int8], rng: np.random.Generator
) -> tuple[float, float]:
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
    normal = low.face_normals[mine[pick]] * turn[pick, None]
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
    facing: Facing,
    code: str,
    shells: NDArray[np.integer[Any]],
    size: Floats,
    unit: str,
) -> Finding | None:
    if len(shells) == 0:
        return None
    check = CHECKS[code]
    shells = shells[np.argsort(-size[shells], kind="stable")]
    faces = np.flatnonzero(np.isin(facing.sheets.of_face, shells)).astype(np.int32)
    of_face = facing.sheets.of_face[faces]
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
    text = (
        f"{how_many(len(shells), 'shells')} of {how_many(len(faces), 'faces')}; "
        f"the largest has {figures(size[shells[0]])} {unit}."
    )
    own_cure = ""
    if code != "hollow-shell" and len(faces) == int(takes_part(low).sum()):
        text += " That is all of it: the low poly is inside out."
        own_cure = "Flip all faces of the low poly" + (
            "." if code == "inverted-shell" else ", unless the inside is the visible side."
        )
    return Finding(
        check,
        len(shells),
        text,
        places=tuple(places),
        by_part=count_by_part(low.mesh.face_part[first], low.part_names),
        measures={"largest": float(size[shells[0]])},
        own_cure=own_cure,
        faces=faces,
    )
