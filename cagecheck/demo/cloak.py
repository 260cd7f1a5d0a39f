"""A second scene: a ferryman's cloak on its stand, and the scan of a clay jug beside it.

Made of what whole figures are made of: one garment with two walls, thinner than the distance that
the bake needs; buttons and a clasp sunk into it; a pennant of two sheets back to back; a scan with
noise, holes, doubled faces and faces without area. Little is wrong but the
holes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from cagecheck.arrays.types import Floats, Ints
from cagecheck.demo.defects import BAKE
from cagecheck.demo.materials import cloth, wood
from cagecheck.demo.measures import BACK, FRONT, Place
from cagecheck.demo.noise import fbm
from cagecheck.demo.pieces import HIGH_SUFFIX, LOW_SUFFIX, Piece, split_quads, vertex_normals
from cagecheck.demo.planted import Planted
from cagecheck.demo.sculpt import Spots, fade, ridge, smooth_band, stripes
from cagecheck.demo.shapes import (
    Box,
    Hoop,
    Profile,
    Spine,
    Turned,
    as_point,
    fillet,
    oval,
    pleated,
)
from cagecheck.demo.turned_places import borders_u, borders_v, inside, rectangle, upright
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.meshes.tiles import tile_origin

DESCRIPTION = (
    "A ferryman's cloak on its stand with a pennant, and the scan of a clay jug, about one and a "
    "half units tall, over the tiles 1001 to 1003. Little is wrong but the scan's two holes."
)
TILES = {"cloak": 1001, "stand": 1002, "jug": 1002}
MATERIALS = {1001: "ferry_cloak", 1002: "ferry_gear"}
THICKNESS = 0.010  # of the cloak: less than the offset of the bake
RIM_STEPS = 4  # edges of the low poly over hem and neck
# Outside of the cloak, from hem to neck: height, radius; a loop more beside either border.
OUTSIDE = [
    (0.300, 0.345), (0.306, 0.344), (0.55, 0.300), (0.85, 0.245), (1.05, 0.205), (1.16, 0.150),
    (1.224, 0.1153), (1.23, 0.112),
]  # fmt: skip
BUTTONS = (0.98, 0.87, 0.76, 0.65)
BUTTON_RADIUS, BUTTON_FOOT, BUTTON_TOP = 0.014, -0.006, 0.006
CLASP_HEIGHT, CLASP_HALF = 1.075, (0.030, 0.018, 0.005)
JUG_AT = (0.62, 0.10)
HOLES: tuple[Place, ...] = ((FRONT + 0.5, 0.17, 0.032, 0.026), (BACK, 0.10, 0.022, 0.022))
SCAN_NOISE = 0.0012
DOUBLED, WITHOUT_AREA = 300, 200  # faces of the scan
PENNANT_CELLS, PENNANT_TILE = (18, 4), 1003
PENNANT_INSET = 0.012  # share by which the low poly's sheets stay inside of the outline
PENNANT_THICKNESS = 0.0016  # of its high poly; the low poly's sheets have none
TEXTURE_SCALE = 0.45  # of a tile per unit, about that of the cloak
_SPACING = 0.004


def pieces(seed: int) -> list[Piece]:
    """Return the closed pieces; `seed` moves the noise."""
    return [_cloak(seed), *_buttons(), _clasp(), _stand(seed + 10), _jug(seed + 20)]


def cloak_shape() -> Hoop:
    """The cloak's base surface: a thin wall in pleats around the stand, heights are y."""
    inside_ = [(a, r - THICKNESS) for a, r in OUTSIDE]
    # Hem and neck are half rounds between the walls.
    hem, neck = (_half_round(OUTSIDE[k], side) for k, side in ((0, -1), (-1, 1)))
    ring = [*hem[::-1], *OUTSIDE, *neck, *inside_[::-1], hem[-1]]
    section = pleated(
        oval(1.08, 0.92, 2.2), 9, lambda a: 0.05 * np.clip((1.02 - a) / 0.6, 0, 1) ** 1.2
    )
    return Hoop((0.0, 0.0, 0.0), (0.0, 1.0, 0.0), (1.0, 0.0, 0.0), Profile(ring, 0.0016), section)


def _half_round(outside: tuple[float, float], side: int) -> list[tuple[float, float]]:
    """Return points over a border of the cloak, from its outside to its inside."""
    height, radius = outside
    turn = np.pi * np.arange(1, RIM_STEPS) / RIM_STEPS
    half = THICKNESS / 2
    return [
        (float(height + side * half * np.sin(x)), float(radius - half + half * np.cos(x)))
        for x in turn
    ]


def jug_shape() -> Turned:
    """The jug's base surface, closed above."""
    outline = [
        (0.0, 0.0), (0.0, 0.105, 0.02), (0.13, 0.158, 0.10), (0.24, 0.140, 0.08),
        (0.32, 0.080, 0.03), (0.36, 0.094, 0.01), (0.36, 0.0),
    ]  # fmt: skip
    return Turned(upright(*JUG_AT), Profile(fillet(outline), 0.003))


def _cloak(seed: int) -> Piece:
    shape = cloak_shape()
    heights, radii = (np.array(x) for x in zip(*OUTSIDE, strict=True))

    def relief(s: Spots) -> Floats:
        outer = fade(s.r - np.interp(s.a, heights, radii), -0.6 * THICKNESS, -0.3 * THICKNESS)
        wall = outer * fade(s.a, 0.31, 0.33) * fade(-s.a, -1.22, -1.20)
        waver = fbm(s.points, 0.3, seed, 2)
        folds = 0.0022 * np.cos(31 * s.u + 5 * waver) * np.clip((1.0 - s.a) / 0.5, 0, 1)
        hem = ridge(s.a - 0.345, 0.004, -0.0026) + smooth_band(s.a - 1.19, 0.012, 0.004, 0.0024)
        stitch = stripes(s.u, 2 * np.pi / 170, 0.0013) * np.exp(-(((s.a - 0.358) / 0.004) ** 2))
        return wall * (folds + hem + stitch) + 0.6 * cloth(s, seed + 1)

    return Piece(
        "cloak", shape, 72, 0, rows=shape.profile.rows(0, -1, 0.045), sculpt=relief, inflate=0.0006
    )


def _front(height: float) -> tuple[Floats, Floats]:
    """Return point and normal of the cloak's outside at the front, at a height."""
    shape = cloak_shape()
    half = shape.profile.stops[RIM_STEPS - 2 + len(OUTSIDE)]
    v = np.array([shape.profile.v_of(height, 0.02, float(half))])
    eps = 1e-4
    here = shape.points(np.array([FRONT]), v)[0]
    up = shape.points(np.array([FRONT]), v + eps)[0] - here
    side = shape.points(np.array([FRONT + eps]), v)[0] - here
    normal = np.cross(up, side)
    normal *= np.sign(normal[2]) / np.linalg.norm(normal)
    return here, normal


def _buttons() -> list[Piece]:
    """Buttons that stand in the cloth, feet and all: what is below no bake will show."""
    found = []
    for height in BUTTONS:
        foot, axis = _front(height)
        spine = Spine([as_point(foot), as_point(foot + axis)], (1.0, 0.0, 0.0))
        outline = [
            (BUTTON_FOOT, 0.0), (BUTTON_FOOT, 0.8 * BUTTON_RADIUS), (0.0, BUTTON_RADIUS),
            (BUTTON_TOP, 0.75 * BUTTON_RADIUS, 0.003), (BUTTON_TOP, 0.0),
        ]  # fmt: skip
        shape = Turned(spine, Profile(fillet(outline), 0.0012))
        found.append(Piece("cloak", shape, detail="_buttons", in_low=False, fineness=0.5))
    return found


def _clasp() -> Piece:
    foot, _ = _front(CLASP_HEIGHT)
    centre = foot - np.array([0.0, 0.0, 0.4 * CLASP_HALF[2]])
    box = Box(as_point(centre), CLASP_HALF, 0.002)
    return Piece("cloak", box, detail="_clasp", in_low=False, fineness=0.5)


def _stand(seed: int) -> Piece:
    outline = [
        (0.0, 0.0), (0.0, 0.170, 0.008), (0.030, 0.165, 0.008), (0.055, 0.034, 0.03),
        (1.380, 0.030), (1.40, 0.045, 0.008), (1.44, 0.040, 0.02), (1.45, 0.0),
    ]  # fmt: skip
    shape = Turned(upright(), Profile(fillet(outline), 0.003))
    return Piece(
        "stand", shape, 20, 0, rows=shape.profile.rows(1, -2, 0.10), inflate=0.0008,
        sculpt=lambda s: 0.7 * wood(s, seed, (1.0, 0.15, 1.0)),
    )  # fmt: skip


def _jug(seed: int) -> Piece:
    shape = jug_shape()

    def scanned(s: Spots) -> Floats:
        dents = 0.0030 * fbm(s.points, 0.09, seed, 2)
        return dents + SCAN_NOISE * fbm(s.points, 0.006, seed + 1, 2)

    def gone(u: Floats, v: Floats) -> np.ndarray:
        return np.logical_or.reduce([inside(shape, place)(u, v) for place in HOLES])

    return Piece(
        "jug", shape, 28, 0, rows=shape.profile.rows(1, -2, 0.045), sculpt=scanned, hole=gone,
        lines_u=tuple(x for place in HOLES for x in borders_u(shape, place)),
        lines_v=tuple(x for place in HOLES for x in borders_v(shape, place)),
    )  # fmt: skip


def planted() -> tuple[Planted, ...]:
    """Return what is wrong on purpose: the scan's holes."""
    found = []
    for number, place in enumerate(HOLES, start=1):
        points = rectangle(jug_shape(), place, -0.004 - _SPACING, _SPACING)
        name, part = f"scan hole {number}", "jug" + LOW_SUFFIX
        hole = Planted(
            "miss: nothing there", name, part, points.mean(axis=0), points, _SPACING, 0.022, BAKE,
            "hole", "the scan has a hole here", also=("miss: too deep", "back-facing"),
        )  # fmt: skip
        found.append(hole)
    return tuple(found)


# The pennant and the scan's dirt, which are no closed pieces --------------------------------------


@dataclass(frozen=True, eq=False)
class Sheet:
    """A sheet of quads: positions (V, 3), quads (Q, 4) from its front, uv (V, 2) in [0, 1]."""

    positions: Floats
    quads: Ints
    uv: Floats


def pennant(cells: tuple[int, int], relief: float = 0.0, inset: float = 0.0) -> Sheet:
    """Return the pennant's front as `cells` quads along and up.

    relief : depth of its weave; inset : share of its size that is left out at the border.
    """
    along, up = (np.linspace(inset, 1 - inset, n + 1) for n in cells)
    s, t = (x.ravel() for x in np.meshgrid(along, up))
    # Narrower to the tip, waving, beside the stand's head.
    x = 0.07 + 0.34 * s
    y = 1.33 + (0.075 - 0.035 * s) * (2 * t - 1)
    z = 0.018 * np.sin(2 * np.pi * 1.3 * s) * s + relief * np.sin(60 * s) * np.sin(24 * t)
    index = np.arange(len(s)).reshape(cells[1] + 1, cells[0] + 1)
    quads = np.stack([index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]], axis=-1)
    uv = np.stack([s, t], axis=1)
    return Sheet(np.stack([x, y, z], axis=1), quads.reshape(-1, 4).astype(np.int32), uv)


def with_low_pennant(low: Mesh) -> Mesh:
    """Add the pennant to the low poly: two sheets back to back, each with UVs of its own."""
    sheet = pennant(PENNANT_CELLS, inset=PENNANT_INSET)
    count, faces = len(sheet.positions), 2 * len(sheet.quads)
    corners = np.concatenate([sheet.quads.ravel(), count + sheet.quads[:, ::-1].ravel()])
    normals = _sheet_normals(sheet)
    # One side above the other, in a tile of its own.
    origin, gap = np.array(tile_origin(PENNANT_TILE)), 0.05
    scale = TEXTURE_SCALE * np.array([0.34, 0.15])
    sides = [origin + gap + sheet.uv * scale + [0.0, k * (scale[1] + gap)] for k in (0, 1)]
    uv = np.concatenate(sides)
    assert low.face_smoothing is not None
    number = int(low.face_smoothing.max()) + 1
    return replace(
        low,
        positions=np.concatenate([low.positions, sheet.positions, sheet.positions]),
        face_start=np.concatenate(
            [low.face_start, low.face_start[-1] + 4 * np.arange(1, faces + 1)]
        ).astype(np.int64),
        corner_vertex=np.concatenate(
            [low.corner_vertex, len(low.positions) + corners]
        ).astype(np.int32),
        face_part=np.concatenate(
            [low.face_part, np.full(faces, len(low.part_names), np.int32)]
        ),
        part_names=(*low.part_names, "pennant" + LOW_SUFFIX),
        corner_uv=np.concatenate([low.corner_uv, uv[corners]]),
        corner_normal=np.concatenate(
            [low.corner_normal, np.concatenate([normals, -normals])[corners]]
        ),
        face_material=np.concatenate(
            [low.face_material, np.full(faces, len(low.material_names), np.int32)]
        ),
        material_names=(*low.material_names, "ferry_pennant"),
        face_smoothing=np.concatenate(
            [low.face_smoothing, np.repeat([number, number + 1], len(sheet.quads))]
        ).astype(np.int32),
    )  # fmt: skip


def with_high_pennant_and_dirt(high: Surface, edge: float, seed: int) -> Surface:
    """Add the pennant to the high poly, and to the jug what scans bring along."""
    cells = (max(12, round(0.34 / edge)), max(6, round(0.12 / edge)))
    sheet = pennant(cells, relief=0.0015)
    front = split_quads(sheet.quads)
    first = len(high.positions)
    sides = np.concatenate([front, len(sheet.positions) + front[:, ::-1]]) + first
    away = 0.5 * PENNANT_THICKNESS * _sheet_normals(sheet)
    rng = np.random.default_rng(seed)
    jug = high.part_names.index("jug" + HIGH_SUFFIX)
    own = high.triangles[high.triangle_part == jug]
    doubled = own[rng.choice(len(own), DOUBLED, replace=False)]
    flat = own[rng.choice(len(own), WITHOUT_AREA, replace=False)][:, [0, 1, 1]]
    dirt = np.concatenate([doubled, flat])
    triangles = np.concatenate([high.triangles, dirt, sides]).astype(np.int32)
    part = np.concatenate(
        [high.triangle_part, np.full(len(dirt), jug), np.full(len(sides), len(high.part_names))]
    ).astype(np.int32)
    order = np.argsort(part, kind="stable")
    return replace(
        high,
        positions=np.concatenate(
            [high.positions, sheet.positions + away, sheet.positions - away]
        ).astype(np.float32),
        triangles=triangles[order],
        triangle_part=part[order],
        part_names=(*high.part_names, "pennant" + HIGH_SUFFIX),
    )  # fmt: skip


def _sheet_normals(sheet: Sheet) -> Floats:
    return vertex_normals(sheet.positions, split_quads(sheet.quads))
