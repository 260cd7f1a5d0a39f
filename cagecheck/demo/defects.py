"""The defects of the lamplighter, each from the numbers its feature was built with."""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.demo import arms, body, head, legs, props
from cagecheck.demo import measures as at
from cagecheck.demo.pieces import LOW_SUFFIX, Piece, low_shell
from cagecheck.demo.planted import BakeSettings, Planted
from cagecheck.demo.shapes import Turned
from cagecheck.demo.turned_places import outline, rectangle, v_at
from cagecheck.words.numbers import as_given, degrees_text

BAKE = BakeSettings(at.OFFSET, at.DEPTH)
SPLIT_BAKE = BakeSettings(at.OFFSET, at.DEPTH, directions="corner")
_SPACING = 0.004  # of the points that describe a place
_UNSEEN = "unseen high poly"
_FRAMED = ("pack", "lantern")  # raised frames run along their hard edges


def planted_defects(pieces: list[Piece]) -> list[Planted]:
    """Return everything planted in the lamplighter, in a fixed order.

    High-poly surface that faces away from the low poly (the undersides of bolts, the strap's
    inside) is not listed as unseen: nobody means it to be recorded.
    """
    return [
        *_bolts(),
        *_bump(),
        *_groove(),
        _hole(),
        _key(),
        *_fingers(),
        *_strap(),
        _flipped(),
        _plaque_wall(),
        _channel(),
        *_hard_edges(pieces),
        *_cuffs(),
    ]


def _place(
    kind: str, name: str, part: str, points: Floats, core: float, outer: float, cause: str,
    text: str, also: tuple[str, ...] = (), bake: BakeSettings = BAKE,
) -> Planted:  # fmt: skip
    return Planted(
        kind, name, part + LOW_SUFFIX, points.mean(axis=0), points, core, outer, bake, cause, text,
        also=also,
    )  # fmt: skip


def _bolts() -> list[Planted]:
    feet, axes = arms.bolt_places()
    out = []
    for k, (foot, axis) in enumerate(zip(feet, axes, strict=True)):
        out.append(
            _place(
                "miss: cage too tight", f"bolt {k + 1}", "pauldron_l", foot[None],
                0.6 * at.BOLT_RADIUS, at.BOLT_RADIUS + 0.012, "offset",
                f"a bolt floats up to {as_given(at.BOLT_TOP)} above the plate, the cage stands at"
                f" {as_given(at.OFFSET)}",
                also=(_UNSEEN, "steep normals"),
            )
        )  # fmt: skip
        middle = foot + axis * (at.BOLT_FOOT + at.BOLT_TOP) / 2
        out.append(
            _place(
                _UNSEEN, f"bolt {k + 1}, not recorded", "pauldron_l", middle[None],
                at.BOLT_RADIUS, at.BOLT_TOP + at.BOLT_RADIUS, "offset",
                "no ray starts above the bolt",
            )
        )  # fmt: skip
    return out


def _bump() -> list[Planted]:
    """The toe cap rises over the cage where h (1 - (d / R)^2)^2 > offset."""
    radius, height = at.BUMP_RADIUS, at.BUMP_HEIGHT
    over = radius * np.sqrt(1 - np.sqrt((at.OFFSET + 0.003) / height))
    centre = legs.bump_place("l")[None]
    inside = ("skew", "miss: nothing there", "miss: too deep", _UNSEEN, "steep normals",
              "back-facing", "overshoot: own part")  # fmt: skip
    text = (
        f"the toe cap rises {as_given(height)} above the low poly, the cage stands at "
        f"{as_given(at.OFFSET)}"
    )
    return [
        _place("miss: cage too tight", "toe cap", "boot_l", centre, 0.8 * over, radius, "offset",
               text, also=inside),
        _place(_UNSEEN, "toe cap, not recorded", "boot_l", centre, height, radius + 0.01, "offset",
               text),
    ]  # fmt: skip


def _groove() -> list[Planted]:
    shape = body.torso_shape()
    floor = rectangle(shape, at.GROOVE, -0.003 - _SPACING, _SPACING)
    text = f"the slot is {as_given(at.GROOVE_DEPTH)} deep, the rays stop at {as_given(at.DEPTH)}"
    around = 0.003 + at.GROOVE_WALL + 0.014
    return [
        _place("miss: too deep", "slot", "torso", floor, _SPACING, around, "depth", text,
               also=("steep normals", _UNSEEN, "miss: nothing there")),
        _place(_UNSEEN, "slot floor", "torso", floor, at.GROOVE_DEPTH + _SPACING,
               at.GROOVE_DEPTH + around, "depth", text),
        _place("steep normals", "slot walls", "torso",
               outline(shape, at.GROOVE, 0.8 * at.GROOVE_WALL, _SPACING), 0.001, 0.016, "wall",
               f"walls of {degrees_text(np.degrees(np.arctan(at.GROOVE_DEPTH / at.GROOVE_WALL)))} "
               "degrees",
               also=("miss: too deep", _UNSEEN)),
    ]  # fmt: skip


def _hole() -> Planted:
    points = rectangle(body.skirt_shape(), at.HOLE, -0.004 - _SPACING, _SPACING)
    return _place(
        "miss: nothing there", "torn hole", "skirt", points, _SPACING, 0.022, "hole",
        "the coat is torn open here", also=("miss: too deep", "back-facing"),
    )  # fmt: skip


def _flipped() -> Planted:
    points = rectangle(head.hat_shape(), at.FLIPPED, -0.004 - _SPACING, _SPACING)
    return _place(
        "back-facing", "flipped patch", "hat", points, _SPACING, 0.022, "flipped",
        "these faces are wound the wrong way",
        also=("steep normals", _UNSEEN, "miss: nothing there", "overshoot: own part"),
    )  # fmt: skip


def _key() -> Planted:
    return Planted(
        "miss: nothing there", "winding key", "key" + LOW_SUFFIX, np.array(at.KEY_CENTRE),
        np.zeros((0, 3)), 0.0, 0.0, BAKE, "unpaired", "the key has no high poly", whole_part=True,
    )  # fmt: skip


def finger_overshoot_angle(offset: float) -> float:
    """Half angle (radians) within which a ray from one finger meets the other before `offset`.

    Two circles of radius r with middles c apart: the ray at angle x from the line between them
    meets the other circle at s = c cos x - sqrt(r^2 - c^2 sin^2 x) from the first middle. Solved
    for s = r + offset with the law of cosines: cos x = (s^2 + c^2 - r^2) / (2 s c).
    """
    r, c = at.FINGER_RADIUS, 2 * at.FINGER_RADIUS + at.FINGER_GAP
    s = r + offset
    return float(np.arccos(np.clip((s * s + c * c - r * r) / (2 * s * c), -1, 1)))


def _fingers() -> list[Planted]:
    (a0, a1), (b0, b1) = arms.finger_lines("l")
    ahead = (a1 - a0) / np.linalg.norm(a1 - a0)
    towards = (b0 - a0) / np.linalg.norm(b0 - a0)
    half, r = finger_overshoot_angle(at.OFFSET), at.FINGER_RADIUS
    # Between the round ends of both, the fingers are straight tubes.
    last = min(np.linalg.norm(a1 - a0), np.linalg.norm(b1 - b0)) - r
    along = np.arange(r, last, _SPACING)
    return [
        _place(
            "overshoot: own part", name, "hand_l", start + way * r + ahead * along[:, None],
            float(r * np.sin(0.6 * half)), float(r * np.sin(half)) + 0.014, "neighbour",
            f"the fingers are {as_given(at.FINGER_GAP)} apart, the cage stands at "
            f"{as_given(at.OFFSET)}",
            also=("back-facing", _UNSEEN, "steep normals"),
        )
        for name, start, way in (("upper finger", a0, towards), ("lower finger", b0, -towards))
    ]  # fmt: skip


def _strap() -> list[Planted]:
    shape = arms.forearm_shape("l")
    half = at.STRAP_HALF
    angle = np.arange(64) * 2 * np.pi / 64
    rows = np.arange(at.STRAP_AT - half + 0.008, at.STRAP_AT + half - 0.007, _SPACING)
    v = np.array([v_at(shape, float(a)) for a in rows])
    points = shape.points(np.tile(angle, len(v)), np.repeat(v, len(angle)))
    above = at.STRAP_GAP + at.STRAP_THICK
    text = (
        f"the strap's outside lies {as_given(above)} above the arm, the cage stands at "
        f"{as_given(at.OFFSET)}"
    )
    return [
        _place("overshoot: other part", "strap over forearm", "forearm_l", points, 0.005, 0.020,
               "neighbour", text, also=("back-facing", _UNSEEN, "steep normals")),
        _place(_UNSEEN, "forearm under the strap", "forearm_l", points, 0.006, 0.020, "neighbour",
               text),
    ]  # fmt: skip


def _plaque_wall() -> Planted:
    points = outline(body.torso_shape(), at.PLAQUE, 0.5 * at.PLAQUE_WALL, _SPACING)
    slope = np.degrees(np.arctan((at.PLAQUE_HEIGHT + at.PLAQUE_MOAT) / at.PLAQUE_WALL))
    return _place(
        "steep normals", "plaque walls", "torso", points, 0.0007, 0.016, "wall",
        f"walls of {degrees_text(slope)} degrees", also=(_UNSEEN,),
    )  # fmt: skip


def _channel() -> Planted:
    _, low = props.reel_shapes()
    stops = low.profile.stops
    angle = np.arange(72) * 2 * np.pi / 72
    # The floor, away from its corners, so that the core holds nothing of the walls.
    v = np.linspace(stops[3], stops[4], 9)[3:6]
    points = low.points(np.tile(angle, len(v)), np.repeat(v, len(angle)))
    return _place(
        "fold", "reel channel", "reel", points, 0.003, 0.060, "narrow",
        f"the channel is {as_given(at.CHANNEL)} wide, cage points from both sides cross in it",
        also=("skew", "overshoot: own part", _UNSEEN, "steep normals", "miss: cage too tight",
              "back-facing", "miss: too deep"),
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
        if piece.part in _FRAMED:
            # Between the lantern's upright sides directions lean by 22 degrees only.
            y = points[:, 1]
            level = (y < y.min() + _SPACING / 4) | (y > y.max() - _SPACING / 4)
            slanted = points[level] if piece.part == "lantern" else points
            out.append(
                _place("skew", f"{piece.part} edges, averaged", piece.part, slanted, 0.004, 0.090,
                       "hard edge",
                       f"frames {as_given(props.FRAME)} above slanted directions slide",
                       also=("steep normals", _UNSEEN, "miss: nothing there"))
            )  # fmt: skip
        out.append(
            _place("split", f"{piece.part} edges, corner normals", piece.part, points, 0.002,
                   0.020, "hard edge", "rays part here and leave a wedge open",
                   also=("steep normals", _UNSEEN, "miss: nothing there"), bake=SPLIT_BAKE)
        )  # fmt: skip
    return out


def _cuffs() -> list[Planted]:
    out = []
    for side in "lr":
        shape, _ = legs.boot_shapes(side)
        angle = np.arange(48) * 2 * np.pi / 48
        rows = np.arange(at.CUFF_LOW + 0.014, at.CUFF_HIGH - 0.014, 0.006)
        points = _level_points(shape, rows, angle)
        out.append(
            _place(_UNSEEN, f"pocket behind the cuff {side}", f"boot_{side}", points, 0.016, 0.030,
                   "undercut", "the folded cuff covers the shin and its own back",
                   also=("miss: too deep", "miss: nothing there", "skew", "steep normals"))
        )  # fmt: skip
    return out


def _level_points(shape: Turned, rows: Floats, angle: Floats) -> Floats:
    """Return points of a tube whose heights rise up to the first fold."""
    v = np.array([shape.profile.v_of(float(a), 0.08, 0.92) for a in rows])
    return shape.points(np.tile(angle, len(v)), np.repeat(v, len(angle)))
