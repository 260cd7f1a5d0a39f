"""Draw the ray model and every defect as SVG into docs/drawings.

Nothing is drawn by hand: each scene is a low poly and a high poly extruded from lines, its rays
are cast and classified by cagecheck, and the drawing shows one section of the result.

    python scripts/draw_defects.py [FOLDER]
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from html import escape
from pathlib import Path

import numpy as np

from cagecheck.defects.classify import Findings
from cagecheck.defects.kinds import KINDS, Defect
from cagecheck.defects.match import Matcher
from cagecheck.defects.targets import Targets
from cagecheck.defects.unseen import HighPoints, find_unseen
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh, Surface, join_meshes, mesh_from_polygons
from cagecheck.meshes.normals import NormalRule
from cagecheck.rays.cage import Cage, Directions, Rays, cage_from_offset
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.points import PointKind, SurfacePoints
from cagecheck.rays.scene import Scene
from cagecheck.report.colours import hex_colour

Line = Sequence[tuple[float, float]]

HALF_WIDTH = 4.0  # of the extrusion: far more than any distance in the section
TEXELS_PER_UNIT = 16
MAP_SIZE = 1024
PIXELS = 64  # per unit of the section
WIDTH, HEIGHT, LEGEND = 640, 288, 44
INK, QUIET, SHEET = "#222222", "#8a8a8a", "#fcfcfa"
HIGH_STROKE, HIGH_FILL = "#b08d57", "#f0e9dc"


@dataclass(frozen=True)
class Part:
    """A line of the section, outward to its left, and how it is drawn."""

    line: Line
    name: str = "part"
    pair: int = 0  # which low part (by number) this high line belongs to
    filled: bool = True
    inside: Line = ()  # the solid's outline, where the line closed at the bottom is not it


@dataclass(frozen=True)
class Section:
    """A scene to draw: low lines, high lines, a cage, and which low segments send rays."""

    low: Sequence[Part]
    high: Sequence[Part]
    offset: float
    depth: float = 0.7
    reach: float = 3.0
    directions: Directions = "averaged"
    normals: NormalRule = field(default_factory=lambda: NormalRule("smooth"))
    segments: Sequence[int] | None = None
    rays_per_unit: float = 3.0
    edges: bool = False


@dataclass(frozen=True)
class Result:
    """What cagecheck says about a section."""

    section: Section
    low: LowPoly
    surface: Surface
    cage: Cage
    points: SurfacePoints
    rays: Rays
    layers: Layers
    targets: Targets
    findings: Findings
    paired: np.ndarray


def extrude(part: Part) -> Mesh:
    """Make a strip of quads from a line, facing to the line's left."""
    line = np.array(part.line, float)
    n = len(line)
    near = np.column_stack([line, np.full(n, HALF_WIDTH)])
    far = np.column_stack([line, np.full(n, -HALF_WIDTH)])
    quads = [[i, i + 1, n + i + 1, n + i] for i in range(n - 1)]
    length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    scale = TEXELS_PER_UNIT / MAP_SIZE
    uv = np.concatenate(
        [
            np.column_stack([length * scale, np.full(n, 0.0)]),
            np.column_stack([length * scale, np.full(n, 2 * HALF_WIDTH * scale)]),
        ]
    )
    corners = np.array(quads).ravel()
    return mesh_from_polygons(np.concatenate([near, far]), quads, uv=uv[corners], part=part.name)


def places_on(section: Section, low: LowPoly) -> SurfacePoints:
    """Spread points along the middle of the chosen segments, and at their ends when asked."""
    triangle, weights, kinds = [], [], []
    number = -1
    for part in section.low:
        line = np.array(part.line, float)
        for i in range(len(line) - 1):
            number += 1
            if section.segments is not None and number not in section.segments:
                continue
            length = float(np.linalg.norm(line[i + 1] - line[i]))
            count = max(1, round(length * section.rays_per_unit))
            shares = [((k + 0.5) / count, PointKind.INTERIOR) for k in range(count)]
            if section.edges:
                shares += [(0.0, PointKind.EDGE), (1.0, PointKind.EDGE)]
            for s, kind in shares:
                # The quad's corners are near start, near end, far end, far start.
                second = s < 0.5
                triangle.append(2 * number + second)
                weights.append([0.5, s, 0.5 - s] if second else [1 - s, s - 0.5, 0.5])
                kinds.append(kind)
    spacing = np.full(len(triangle), 1 / section.rays_per_unit)
    area = np.where(np.array(kinds) == PointKind.INTERIOR, spacing**2, 0.0)
    return SurfacePoints(
        np.array(triangle, np.int32), np.array(weights), area, np.array(kinds, np.uint8), spacing
    )


def run(section: Section) -> Result:
    """Cast and classify a section."""
    low = prepare_low(join_meshes([extrude(p) for p in section.low]), rule=section.normals)
    high = prepare_low(join_meshes([extrude(p) for p in section.high]))
    surface = Surface(high.positions, high.triangles, high.triangle_part, high.part_names)
    paired = np.zeros((len(low.part_names), len(surface.part_names)), bool)
    for part in section.high:
        name = section.low[part.pair].name
        paired[low.part_names.index(name), surface.part_names.index(part.name)] = True
    points = places_on(section, low)
    cage = cage_from_offset(low, section.offset, section.directions)
    matcher = Matcher(low, Scene(surface), paired)
    cast = matcher.cast(cage, points, section.depth, section.reach)
    findings = matcher.classify(cage, cast, depth=section.depth, map_size=MAP_SIZE)
    return Result(
        section, low, surface, cage, points, cast.rays, cast.layers, cast.targets, findings, paired
    )


class Canvas:
    """An SVG of one section: x to the right, y upwards, in units of the section."""

    def __init__(self, title: str, description: str) -> None:
        self.body: list[str] = []
        self.title, self.description = title, description
        self.legend: list[tuple[str, str]] = []

    def at(self, x: float, y: float) -> tuple[float, float]:
        return round(x * PIXELS, 1), round(HEIGHT - y * PIXELS, 1)

    def line(self, points: Line, stroke: str, width: float, more: str = "") -> None:
        path = " ".join("{:g},{:g}".format(*self.at(*p)) for p in points)
        self.body.append(
            f'<polyline points="{path}" fill="none" stroke="{stroke}" stroke-width="{width:g}" '
            f'stroke-linejoin="round" stroke-linecap="round" {more}/>'
        )

    def area(self, points: Line, fill: str) -> None:
        path = " ".join("{:g},{:g}".format(*self.at(*p)) for p in points)
        self.body.append(f'<polygon points="{path}" fill="{fill}"/>')

    def arrow(self, start: np.ndarray, end: np.ndarray, stroke: str, width: float) -> None:
        """A line with a head at its end; dark below, so that pale colours show on white."""
        along = end - start
        length = float(np.linalg.norm(along))
        if length < 1e-9:
            return
        along = along / length
        size = min(0.13, 0.5 * length)
        across = np.array([-along[1], along[0]])
        base = end - size * along
        head = [end, base + 0.45 * size * across, base - 0.45 * size * across]
        if width > 1.5:
            self.line([tuple(start), tuple(base)], INK, width + 1.4)
        self.line([tuple(start), tuple(base)], stroke, width)
        path = " ".join("{:g},{:g}".format(*self.at(*p)) for p in head)
        edge = f'stroke="{INK}" stroke-width="0.7"' if width > 1.5 else ""
        self.body.append(f'<polygon points="{path}" fill="{stroke}" {edge}/>')

    def dot(self, x: float, y: float, fill: str, radius: float = 4.5, stroke: str = INK) -> None:
        cx, cy = self.at(x, y)
        self.body.append(
            f'<circle cx="{cx:g}" cy="{cy:g}" r="{radius:g}" fill="{fill}" stroke="{stroke}" '
            'stroke-width="1.2"/>'
        )

    def square(self, x: float, y: float, fill: str) -> None:
        cx, cy = self.at(x, y)
        self.body.append(
            f'<rect x="{cx - 3.5:g}" y="{cy - 3.5:g}" width="7" height="7" fill="{fill}" '
            f'stroke="{INK}" stroke-width="1.2"/>'
        )

    def cross(self, x: float, y: float, stroke: str) -> None:
        for side in (1, -1):
            d = 0.085
            ends = [(x - d, y - side * d), (x + d, y + side * d)]
            self.line(ends, INK, 3.8)
            self.line(ends, stroke, 2.2)

    def text(self, x: float, y: float, words: str, size: int = 14, anchor: str = "start") -> None:
        """Words on a light rim, so that they can be read over lines."""
        px, py = self.at(x, y)
        head = f'<text x="{px:g}" y="{py:g}" font-size="{size}" text-anchor="{anchor}" '
        rim = f'stroke="{SHEET}" stroke-width="4" stroke-linejoin="round" fill="{SHEET}"'
        # The rim repeats the words only for the eye.
        self.body.append(f'{head}{rim} aria-hidden="true">{escape(words)}</text>')
        self.body.append(f'{head}fill="{INK}">{escape(words)}</text>')

    def svg(self) -> str:
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT + LEGEND}" '
            f'width="{WIDTH}" height="{HEIGHT + LEGEND}" role="img" '
            'font-family="DejaVu Sans, Verdana, sans-serif">\n'
            f"<title>{escape(self.title)}</title>\n<desc>{escape(self.description)}</desc>\n"
            f'<rect width="{WIDTH}" height="{HEIGHT + LEGEND}" fill="{SHEET}"/>\n'
            + "\n".join(self.body)
            + "\n</svg>\n"
        )


def draw_meshes(canvas: Canvas, result: Result, *, cage: bool = True) -> None:
    """Draw the high poly, the low poly over it and the cage."""
    for part in result.section.high:
        if part.inside:
            canvas.area(part.inside, HIGH_FILL)
        elif part.filled:
            first, last = part.line[0], part.line[-1]
            closed = first == last
            bottom = [] if closed else [(last[0], 0.0), (first[0], 0.0)]
            canvas.area([*part.line, *bottom], HIGH_FILL)
    for part in result.section.high:
        canvas.line(part.line, HIGH_STROKE, 4)
    if cage:
        draw_cage(canvas, result)
    for part in result.section.low:
        canvas.line(part.line, INK, 2.2)
        for x, y in part.line:
            canvas.square(x, y, "#ffffff")


def draw_cage(canvas: Canvas, result: Result) -> None:
    """Draw the cage over every segment of the low poly."""
    wanted = result.section.segments
    for t in range(0, len(result.low.triangles), 2):
        if wanted is not None and t // 2 not in wanted:
            continue
        corners = result.low.positions[result.low.triangles[t]] + result.cage.displacement[t]
        ends = [tuple(p[:2]) for p in corners[:2]]
        canvas.line(ends, INK, 1.6, 'stroke-dasharray="6 5"')
        for x, y in ends:
            canvas.dot(x, y, "#ffffff", 3)


def draw_rays(canvas: Canvas, result: Result, defect: Defect | None) -> None:
    """Draw every ray to what it records; those with the defect in its colour."""
    order = (
        np.argsort(result.findings.has(defect)) if defect is not None else range(len(result.rays))
    )
    for i in order:
        bad = defect is not None and bool(result.findings.has(defect)[i])
        draw_ray(canvas, result, int(i), hex_colour(defect) if bad else QUIET, bad)


def draw_ray(canvas: Canvas, result: Result, i: int, colour: str, strong: bool) -> None:
    """Draw one ray from the cage to the recorded crossing, or to the end of its sight."""
    origin, direction = result.rays.origin[i, :2], result.rays.direction[i, :2]
    layer = result.findings.recorded[i]
    hit = layer != NO_LAYER
    t = result.layers.t[layer] if hit else -result.section.depth
    start, end = origin + result.rays.start[i] * direction, origin + t * direction
    canvas.arrow(start, end, colour, 2.2 if strong else 1.1)
    if hit and strong:
        canvas.dot(*end, colour)
    elif not hit:
        canvas.cross(*end, colour if strong else QUIET)


def draw_legend(canvas: Canvas, defect: Defect | None, *, extra: str | None = None) -> None:
    """Explain what is drawn, below the section."""
    y = -0.42
    x = 0.2
    canvas.line([(x, y + 0.08), (x + 0.4, y + 0.08)], INK, 2.2)
    canvas.square(x + 0.2, y + 0.08, "#ffffff")
    canvas.text(x + 0.5, y, "low poly", 12)
    x = 1.75
    canvas.line([(x, y + 0.08), (x + 0.4, y + 0.08)], HIGH_STROKE, 4)
    canvas.text(x + 0.5, y, "high poly", 12)
    x = 3.4
    canvas.line([(x, y + 0.08), (x + 0.4, y + 0.08)], INK, 1.6, 'stroke-dasharray="6 5"')
    canvas.text(x + 0.5, y, "cage", 12)
    x = 4.65
    canvas.arrow(np.array([x, y + 0.08]), np.array([x + 0.4, y + 0.08]), QUIET, 1.1)
    canvas.text(x + 0.5, y, "ray", 12)
    x = 5.65
    if defect is not None:
        colour = hex_colour(defect)
        if defect == Defect.UNSEEN:
            canvas.dot(x + 0.2, y + 0.08, colour)
        else:
            canvas.arrow(np.array([x, y + 0.08]), np.array([x + 0.4, y + 0.08]), colour, 2.2)
        canvas.text(x + 0.5, y, extra or KINDS[defect].title, 12)


def wave(x0: float, x1: float, height: Callable[[np.ndarray], np.ndarray], n: int = 160) -> Line:
    """A high line from x0 to x1 at the heights of a function."""
    x = np.linspace(x0, x1, n)
    return [(float(a), float(b)) for a, b in zip(x, height(x), strict=True)]


def bump(x: np.ndarray, centre: float, width: float, height: float) -> np.ndarray:
    """A smooth hill."""
    return height * np.exp(-(((x - centre) / width) ** 2))


def straight(y: float, x0: float = 0.6, x1: float = 9.4, pieces: int = 4) -> Line:
    """A flat low line."""
    return [(float(x), y) for x in np.linspace(x0, x1, pieces + 1)]


def skin(x: np.ndarray) -> np.ndarray:
    """A little life for surfaces that could be flat."""
    return 0.05 * np.sin(2.3 * x) + 0.03 * np.sin(5.1 * x + 1)


# The scenes, one per defect.


def tight() -> Section:
    high = wave(0.4, 9.6, lambda x: 1.35 + skin(x) + bump(x, 5, 1.1, 1.7))
    return Section([Part(straight(1.3))], [Part(high)], offset=0.9)


def nothing() -> Section:
    left = wave(0.4, 3.7, lambda x: 1.7 + skin(x))
    right = wave(6.1, 9.6, lambda x: 1.7 + skin(x))
    return Section([Part(straight(1.6))], [Part(left), Part(right)], offset=0.9, depth=0.9)


def deep() -> Section:
    high = wave(0.4, 9.6, lambda x: 2.5 + skin(x) - bump(x, 5, 1.0, 1.9))
    return Section([Part(straight(2.5))], [Part(high)], offset=0.7, depth=0.8)


def channel(offset: float) -> Section:
    line = [(0.7, 1.0), (3.4, 1.0), (6.1, 1.0), (8.8, 1.0), (8.8, 2.8), (6.1, 3.1), (3.4, 3.4)]
    line = [*line, (0.7, 3.7)]
    x = np.linspace(0.6, 8.7, 120)
    lower = list(zip(x, 1.1 + skin(x), strict=True))
    upper = list(zip(x[::-1], 2.65 + (8.8 - x[::-1]) / 9 + skin(x[::-1]), strict=True))
    high = [(float(a), float(b)) for a, b in [*lower, *upper]]
    frame = [(8.7, 4.0), (9.5, 4.0), (9.5, 0.3), (0.6, 0.3)]
    outline = [*high[:120], *high[120:], (0.6, 4.0), *frame]
    return Section(
        [Part(line)],
        [Part(high, inside=outline)],
        offset=offset,
        segments=[0, 1],
        rays_per_unit=2.2,
    )


def other_part(offset: float = 2.0) -> Section:
    body = wave(0.4, 9.6, lambda x: 1.1 + skin(x))
    top = wave(3.2, 9.0, lambda x: 2.55 + skin(x), 80)
    under = [(x, y - 0.35) for x, y in reversed(top)]
    jacket = [*top[::-1], *under[::-1], top[-1]]
    low_jacket = [(9.0, 2.6), (6.1, 2.6), (3.2, 2.6)]
    return Section(
        [Part(straight(1.0), "body"), Part(low_jacket[::-1], "jacket")],
        [Part(body, "body high", 0), Part(jacket, "jacket high", 1)],
        offset=offset,
        segments=[0, 1, 2, 3],
        rays_per_unit=2.2,
    )


def flipped() -> Section:
    def height(x: np.ndarray) -> np.ndarray:
        return 1.75 + skin(x)

    left, right = wave(0.4, 3.9, height), wave(6.3, 9.6, height)
    patch = wave(3.9, 6.3, height)
    return Section([Part(straight(1.4))], [Part(left), Part(patch[::-1]), Part(right)], 1.2)


def skewed() -> Section:
    low = [(0.6, 2.0), (5.6, 2.0), (5.6, 0.4)]
    top = [(0.5, 2.06), (2.2, 2.06), (2.2, 2.5), (2.9, 2.5), (2.9, 2.06), (4.1, 2.06), (4.1, 2.5)]
    high = [*top, (4.8, 2.5), (4.8, 2.06), (5.66, 2.06), (5.66, 0.3)]
    return Section([Part(low)], [Part(high)], offset=1.3, segments=[0], rays_per_unit=3.4)


def steep() -> Section:
    high = [(0.4, 1.2), (3.1, 1.2), (3.55, 2.6), (5.9, 2.6), (6.35, 1.2), (9.6, 1.2)]
    return Section([Part(straight(1.15))], [Part(high)], offset=1.9, rays_per_unit=5.0)


def folded() -> Section:
    low = [(1.9, 2.1), (4.65, 0.5), (5.35, 0.5), (8.1, 2.1)]
    high = [(1.8, 2.3), (4.5, 0.75), (4.75, 0.62), (5.25, 0.62), (5.5, 0.75), (8.2, 2.3)]
    return Section([Part(low)], [Part(high)], offset=2.3, rays_per_unit=4.3)


def parted() -> Section:
    low = [(0.8, 2.2), (5.2, 2.2), (5.2, 0.3)]
    turn = np.linspace(np.pi / 2, 0, 16)
    corner = [(4.9 + 0.75 * float(np.cos(a)), 1.9 + 0.75 * float(np.sin(a))) for a in turn]
    high = [(0.7, 2.65), *corner, (5.65, 0.2)]
    return Section(
        [Part(low)],
        [Part(high)],
        offset=1.2,
        directions="corner",
        normals=NormalRule("hardness"),
        rays_per_unit=2.6,
        edges=True,
    )


def scales() -> Section:
    line: list[tuple[float, float]] = []
    for k in range(4):
        x = 1.0 + 2.0 * k
        line += [(x, 1.05), (x + 1.3, 1.25), (x + 0.4, 1.95), (x + 2.6, 1.45), (x + 2.0, 1.2)]
    return Section(
        [Part(straight(1.0))],
        [Part([(0.4, 1.05), *line[:-1], (9.7, 1.1)])],
        offset=1.5,
        rays_per_unit=4.0,
    )


SCENES: dict[Defect, tuple[Callable[[], Section], list[tuple[float, float, str, str]]]] = {
    Defect.MISS_TIGHT: (
        tight,
        [(5.0, 3.2, "the hill rises above the cage", "middle")],
    ),
    Defect.MISS_NOTHING: (nothing, [(4.9, 3.0, "a hole in the high poly", "middle")]),
    Defect.MISS_DEEP: (deep, [(5.0, 3.6, "rays end above the bottom of the dent", "middle")]),
    Defect.OVERSHOOT_OWN: (
        lambda: channel(2.4),
        [(0.2, 4.2, "the cage of the lower finger reaches into the upper one", "start")],
    ),
    Defect.OVERSHOOT_OTHER: (
        other_part,
        [(6.1, 3.5, "jacket", "middle"), (1.9, 0.45, "body", "middle")],
    ),
    Defect.BACK_FACING: (flipped, [(5.1, 3.1, "faces turned round", "middle")]),
    Defect.SKEW: (
        skewed,
        [
            (7.0, 3.0, "averaged normals lean", "start"),
            (7.0, 2.7, "towards the hard edge", "start"),
        ],
    ),
    Defect.STEEP: (steep, [(4.75, 3.65, "walls the low poly does not have", "middle")]),
    Defect.FOLD: (folded, [(5.0, 4.2, "the cage turns inside out", "middle")]),
    Defect.SPLIT: (parted, [(6.4, 3.2, "no ray goes here", "start")]),
    Defect.UNSEEN: (scales, [(5.0, 3.2, "under the overlap no ray arrives", "middle")]),
}


def draw_defect(defect: Defect) -> str:
    """Return the SVG of one defect."""
    make, labels = SCENES[defect]
    result = run(make())
    kind = KINDS[defect]
    canvas = Canvas(
        kind.title, f"A section through low poly, cage and high poly: {kind.definition}."
    )
    draw_meshes(canvas, result)
    if defect == Defect.UNSEEN:
        draw_rays(canvas, result, None)
        draw_unseen(canvas, result)
    else:
        draw_rays(canvas, result, defect)
    if defect == Defect.BACK_FACING:
        draw_sides(canvas, result)
    for x, y, words, anchor in labels:
        canvas.text(x, y, words, 14, anchor)
    draw_legend(canvas, defect)
    return canvas.svg()


def draw_unseen(canvas: Canvas, result: Result) -> None:
    """Mark the high surface that faces outwards and is recorded by no ray."""
    surface = result.surface
    face, place = [], []
    for t in range(0, len(surface.triangles), 2):
        a, b = surface.positions[surface.triangles[t, :2]]
        for s in np.arange(0.06, 1.0, 0.12 / max(float(np.linalg.norm(b - a)), 0.12)):
            middle = (1 - s) * a + s * b
            place.append([middle[0], middle[1], 0.0])
            face.append(t)
    high = HighPoints(np.array(place), np.array(face, np.int32), np.full(len(face), 0.01))
    unseen = find_unseen(
        result.low, Scene(surface), result.points, result.rays, result.layers, result.findings,
        result.paired, high,
    )  # fmt: skip
    for x, y, _ in unseen.points.position[unseen.lost]:
        canvas.dot(x, y, hex_colour(Defect.UNSEEN), 4)


def draw_sides(canvas: Canvas, result: Result) -> None:
    """Draw short ticks on the side that each high line faces to."""
    for part in result.section.high:
        line = np.array(part.line)
        for i in range(4, len(line) - 4, 16):
            along = line[i + 1] - line[i]
            out = np.array([-along[1], along[0]]) / np.linalg.norm(along)
            canvas.line([tuple(line[i]), tuple(line[i] + 0.17 * out)], HIGH_STROKE, 2)


def draw_layers() -> str:
    """Return the SVG of one ray and all its crossings."""
    low = straight(1.2)
    bend = [(3.4, 1.3), (3.6, 1.9), (4.6, 2.15), (6.4, 2.2), (6.7, 2.45), (6.4, 2.75)]
    high = [(0.4, 1.25), (2.2, 1.3), *bend, (4.4, 2.75), (2.9, 2.55), (2.0, 2.3)]
    lip = [(0.4, 1.25), (5.0, 1.42), (7.4, 1.5), (7.6, 1.8), (7.2, 2.0), (4.2, 1.9)]
    high = [*lip, (3.9, 2.2), (4.2, 2.5), (7.6, 2.55), (8.6, 2.1), (9.6, 1.3)]
    section = Section([Part(low)], [Part(high)], offset=2.2, depth=0.8, segments=[2])
    section = replace(section, rays_per_unit=1 / 2.2)
    result = run(section)
    canvas = Canvas("One ray and its layers", "All crossings of one ray with the high poly, by t.")
    draw_meshes(canvas, replace(result, section=replace(section, segments=None)))
    draw_ray(canvas, result, 0, "#332288", True)
    origin, up = result.rays.origin[0, :2], result.rays.direction[0, :2]
    end = origin - section.depth * up
    canvas.line([tuple(origin), tuple(end)], QUIET, 1.2, 'stroke-dasharray="2 4"')
    for t, words in ((result.rays.start[0], "start of the ray, t = d"), (0.0, "p, t = 0"),
                     (-section.depth, "end of its sight, t = -depth")):  # fmt: skip
        canvas.text(
            *(origin + t * up + [0.2, 0.12 if t > 0 else (-0.32 if t == 0 else 0.05)]), words, 13
        )
    first, last = result.layers.first[0], result.layers.first[1]
    for k in range(first, last):
        t, front = result.layers.t[k], bool(result.layers.front[k])
        x, y = origin + t * up
        recorded = k == result.findings.recorded[0]
        canvas.dot(x, y, "#332288" if recorded else "#ffffff", 5)
        words = f"t = {t:.2f}, {'front' if front else 'back'}" + (": recorded" if recorded else "")
        canvas.text(x - 0.2, y + 0.13, words, 12, "end")
    draw_legend(canvas, None)
    return canvas.svg()


def draw_corridor() -> str:
    """Return the SVG of the offsets that one sample allows."""
    section = replace(other_part(0.75), segments=[2], rays_per_unit=0.5)
    result = run(section)
    canvas = Canvas("A corridor", "The offsets at which one ray records its own surface.")
    draw_meshes(canvas, replace(result, section=replace(section, segments=[0, 1, 2, 3])))
    origin, up = result.rays.origin[0, :2], result.rays.direction[0, :2]
    lower, upper = result.targets.t[0], result.targets.t_next[0]
    a, b = origin + lower * up, origin + upper * up
    canvas.line([tuple(a), tuple(b)], "#117733", 9, 'stroke-opacity="0.55"')
    draw_ray(canvas, result, 0, "#332288", True)
    for p, words in ((a, f"lower bound {lower:.2f}: its own surface"),
                     (b, f"upper bound {upper:.2f}: the next layer")):  # fmt: skip
        canvas.line([(p[0] - 0.15, p[1]), (p[0] + 0.15, p[1])], INK, 2)
        canvas.text(p[0] - 0.3, p[1] + (0.12 if p is a else -0.25), words, 13, "end")
    canvas.text(6.1, 3.2, "jacket", 14, "middle")
    canvas.text(1.9, 0.45, "body", 14, "middle")
    draw_legend(canvas, None)
    return canvas.svg()


def file_name(defect: Defect) -> str:
    """Return the drawing's file name."""
    return defect.name.lower().replace("_", "-") + ".svg"


def main() -> None:
    """Write all drawings."""
    default = Path(__file__).resolve().parent.parent / "docs" / "drawings"
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else default
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "layers.svg").write_text(draw_layers(), encoding="utf-8")
    (folder / "corridor.svg").write_text(draw_corridor(), encoding="utf-8")
    for defect in SCENES:
        (folder / file_name(defect)).write_text(draw_defect(defect), encoding="utf-8")
    print(f"{len(SCENES) + 2} drawings in {folder}")


if __name__ == "__main__":
    main()
