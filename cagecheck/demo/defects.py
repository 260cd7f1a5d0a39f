"""The defects of the lamplighter, each from the numbers its feature was built with."""

from __future__ import annotations

import numpy as np

from cagecheck.demo import figure as fig
from cagecheck.demo.build import LOW_SUFFIX
from cagecheck.demo.pieces import Piece, low_shell
from cagecheck.demo.planted import BakeSettings, Planted
from cagecheck.demo.shapes import Turned
from cagecheck.meshes.mesh import Floats

BAKE = BakeSettings(fig.OFFSET, fig.DEPTH)
SPLIT_BAKE = BakeSettings(fig.OFFSET, fig.DEPTH, directions="corner")
_SPACING = 0.004  # of the points that describe a place


def planted_defects(pieces: list[Piece]) -> list[Planted]:
    """Return everything planted in the lamplighter, in a fixed order."""
    return [
        *_bolts(),
        _bump(),
        _patch("miss: too deep", "groove", "torso", fig.torso_shape(), fig.GROOVE, "depth",
               "the slot is 0.030 deep, the rays stop at 0.012", margin=0.003,
               also=("steep normals", "unseen high poly", "miss: nothing there"), beyond=0.016),
        _patch("miss: nothing there", "torn hole", "skirt", fig.skirt_shape(), fig.HOLE, "hole",
               "the coat is torn open here", margin=0.004, also=("miss: too deep",)),
        _key(),
        *_fingers(),
        _strap(),
        _patch("back-facing", "flipped patch", "hat", fig.hat_shape(), fig.FLIPPED, "flipped",
               "these faces are wound the wrong way", margin=0.004,
               also=("steep normals", "unseen high poly", "miss: nothing there",
                     "overshoot: own part")),
        _plaque_wall(),
        _channel(),
        *_hard_edges(pieces),
        *_cuffs(),
    ]  # fmt: skip


def rectangle(
    shape: Turned, place: tuple[float, float, float, float], grow: float = 0.0, rim: bool = False
) -> Floats:
    """Return (K, 3) points of a rectangle (angle, height, half width, half height) on a shape."""
    angle, height, wide, tall = place
    wide, tall = wide + grow, tall + grow
    x = np.linspace(-wide, wide, max(2, round(2 * wide / _SPACING)))
    y = np.linspace(-tall, tall, max(2, round(2 * tall / _SPACING)))
    gx, gy = (g.ravel() for g in np.meshgrid(x, y))
    if rim:
        keep = (np.abs(gx) > wide - 1e-9) | (np.abs(gy) > tall - 1e-9)
        gx, gy = gx[keep], gy[keep]
    v = np.array([shape.profile.v_of(height + float(h), 0.1, 0.9) for h in gy])
    # The same rule as the sculpting: lengths around by the radius at each height.
    _, r = shape.profile.at(v)
    return shape.points(angle + gx / r, v)


def _patch(
    kind: str, name: str, part: str, shape: Turned, place: tuple[float, float, float, float],
    cause: str, text: str, margin: float, also: tuple[str, ...] = (), beyond: float = 0.012,
) -> Planted:  # fmt: skip
    points = rectangle(shape, place, -margin - _SPACING)
    return Planted(
        kind, name, part + LOW_SUFFIX, points.mean(axis=0), points, _SPACING,
        margin + _SPACING + beyond, BAKE, cause, text, also=also,
    )  # fmt: skip


def _bolts() -> list[Planted]:
    feet, axes = fig.bolt_places(fig.pauldron_shape(1.0))
    return [
        Planted(
            "miss: cage too tight", f"bolt {k + 1}", "pauldron_l" + LOW_SUFFIX, foot, foot[None],
            0.6 * fig.BOLT_RADIUS, fig.BOLT_RADIUS + 0.009, BAKE, "offset",
            f"a bolt floats {fig.BOLT_TOP:g} above the plate, the cage stands at {fig.OFFSET:g}",
            also=("unseen high poly",),
        )
        for k, foot in enumerate(feet)
    ]  # fmt: skip


def _bump() -> Planted:
    """The toe cap rises over the cage where h (1 - (d / R)^2)^2 > offset."""
    radius, height = fig.BUMP
    over = radius * np.sqrt(1 - np.sqrt((fig.OFFSET + fig.DETAIL / 3) / height))
    centre = fig.bump_place(1.0)
    return Planted(
        "miss: cage too tight", "toe cap", "boot_l" + LOW_SUFFIX, centre, centre[None],
        0.85 * over, radius, BAKE, "offset",
        f"the toe cap rises {height:g} above the low poly, the cage stands at {fig.OFFSET:g}",
        also=("miss: nothing there", "miss: too deep", "unseen high poly", "steep normals",
              "back-facing", "overshoot: own part"),
    )  # fmt: skip


def _key() -> Planted:
    return Planted(
        "miss: nothing there", "winding key", "key" + LOW_SUFFIX, np.array([0.0, 1.17, -0.455]),
        np.zeros((0, 3)), 0.0, 0.0, BAKE, "unpaired", "the key has no high poly", whole_part=True,
    )  # fmt: skip


def finger_overshoot_angle(offset: float) -> float:
    """Half angle (radians) within which a ray from one finger meets the other before `offset`.

    Two circles of radius r with middles c apart: the ray at angle x from the line between them
    meets the other circle at s = c cos x - sqrt(r^2 - c^2 sin^2 x) from the first middle. Solved
    for s = r + offset with the law of cosines: cos x = (s^2 + c^2 - r^2) / (2 s c).
    """
    r, c = fig.FINGER_RADIUS, 2 * fig.FINGER_RADIUS + fig.FINGER_GAP
    s = r + offset
    return float(np.arccos(np.clip((s * s + c * c - r * r) / (2 * s * c), -1, 1)))


def _fingers() -> list[Planted]:
    (a0, a1), (b0, b1) = fig.finger_lines("l")
    ahead = (a1 - a0) / np.linalg.norm(a1 - a0)
    half = finger_overshoot_angle(fig.OFFSET)
    towards = (b0 - a0) / np.linalg.norm(b0 - a0)
    r = fig.FINGER_RADIUS
    # Between the domes of both tips the fingers are straight tubes.
    first = r
    last = min(np.linalg.norm(a1 - a0), np.linalg.norm(b1 - b0)) - r
    along = np.arange(first, last, _SPACING)
    out = []
    for name, start, way in (("upper finger", a0, towards), ("lower finger", b0, -towards)):
        points = start + way * r + ahead * along[:, None]
        out.append(
            Planted(
                "overshoot: own part",
                name,
                "hand_l" + LOW_SUFFIX,
                points.mean(axis=0),
                points,
                float(r * np.sin(0.6 * half)),
                float(r * np.sin(half)) + 0.014,
                BAKE,
                "neighbour",
                f"the fingers are {fig.FINGER_GAP:g} apart, the cage stands at {fig.OFFSET:g}",
                also=("back-facing", "unseen high poly"),
            )
        )
    return out  # fmt: skip


def _strap() -> Planted:
    height, half, gap, thick = fig.STRAP
    shape = fig.forearm_shape("l")
    angle = np.arange(64) * 2 * np.pi / 64
    rows = np.arange(height - half + 0.008, height + half - 0.007, _SPACING)
    v = np.array([shape.profile.v_of(float(a), 0.1, 0.9) for a in rows])
    points = shape.points(np.tile(angle, len(v)), np.repeat(v, len(angle)))
    return Planted(
        "overshoot: other part", "strap over forearm", "forearm_l" + LOW_SUFFIX,
        points.mean(axis=0), points, 0.005, 0.020, BAKE, "neighbour",
        f"the strap's outside lies {gap + thick:g} above the arm, the cage at {fig.OFFSET:g}",
        also=("back-facing", "unseen high poly", "steep normals"),
    )  # fmt: skip


def _plaque_wall() -> Planted:
    points = rectangle(fig.torso_shape(), fig.PLAQUE, 0.0015, rim=True)
    return Planted(
        "steep normals", "plaque wall", "torso" + LOW_SUFFIX, points.mean(axis=0), points, 0.0007,
        0.014, BAKE, "wall", "the plaque's walls stand at 71 degrees and more",
        also=("unseen high poly",),
    )  # fmt: skip


def _channel() -> Planted:
    high, low = fig.reel_shapes()
    stops = low.profile.stops
    angle = np.arange(72) * 2 * np.pi / 72
    v = np.linspace(stops[3], stops[4], 4)
    points = low.points(np.tile(angle, len(v)), np.repeat(v, len(angle)))
    return Planted(
        "fold", "reel channel", "reel" + LOW_SUFFIX, points.mean(axis=0), points, 0.004, 0.034,
        BAKE, "narrow",
        f"the channel is {fig.CHANNEL:g} wide, cage points from both sides cross in it",
        also=("skew", "overshoot: own part", "unseen high poly", "steep normals",
              "miss: cage too tight", "back-facing", "miss: too deep"),
    )  # fmt: skip


def hard_edge_points(piece: Piece) -> Floats:
    """Return (K, 3) points along the edges between charts of a hard piece's low poly."""
    shell = low_shell(piece)
    grid = shell.grid
    faces = [list(q) for q in grid.quads] + [list(r) for r in grid.rims]
    rims = range(grid.chart_count - len(grid.rims), grid.chart_count)
    chart = [*grid.chart.tolist(), *rims]
    seen: dict[tuple[int, int], int] = {}
    out = []
    for face, owner in zip(faces, chart, strict=True):
        for a, b in zip(face, face[1:] + face[:1], strict=True):
            key = (min(a, b), max(a, b))
            if seen.setdefault(key, owner) != owner:
                p, q = shell.positions[a], shell.positions[b]
                n = max(2, round(float(np.linalg.norm(q - p)) / _SPACING))
                out.append(p + (q - p) * np.linspace(0, 1, n)[:, None])
    return np.concatenate(out)


def _hard_edges(pieces: list[Piece]) -> list[Planted]:
    out = []
    for piece in pieces:
        if not piece.hard:
            continue
        points = hard_edge_points(piece)
        part = piece.part + LOW_SUFFIX
        out.append(
            Planted(
                "skew",
                f"{piece.part} edges, averaged",
                part,
                points.mean(axis=0),
                points,
                0.004,
                0.060,
                BAKE,
                "hard edge",
                "averaged directions lean by up to 55 degrees here",
                also=("steep normals", "unseen high poly", "miss: nothing there"),
            )
        )
        out.append(
            Planted(
                "split",
                f"{piece.part} edges, corner normals",
                part,
                points.mean(axis=0),
                points,
                0.002,
                0.020,
                SPLIT_BAKE,
                "hard edge",
                "rays part here and leave a wedge open",
                also=("steep normals", "unseen high poly"),
            )
        )
    return out  # fmt: skip


def _cuffs() -> list[Planted]:
    outer, shin, low_y, high_y = fig.CUFF
    out = []
    for side, sign in (("l", 1.0), ("r", -1.0)):
        angle = np.arange(48) * 2 * np.pi / 48
        rows = np.arange(low_y + 0.014, high_y - 0.012, 0.006)
        x = sign * fig.BOOT_X
        points = np.stack(
            [
                x + shin * np.cos(np.tile(angle, len(rows))),
                np.repeat(rows, len(angle)),
                -0.016 + 0.95 * shin * np.sin(np.tile(angle, len(rows))),
            ],
            axis=1,
        )
        out.append(
            Planted(
                "unseen high poly",
                f"pocket behind cuff {side}",
                f"boot_{side}{LOW_SUFFIX}",
                points.mean(axis=0),
                points,
                0.004,
                0.030,
                BAKE,
                "undercut",
                "the cuff covers the shin and its own back",
            )
        )
    return out  # fmt: skip
