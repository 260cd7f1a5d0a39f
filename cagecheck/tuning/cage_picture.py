"""A picture of the cage: its shape, coloured by how steeply it rises, its worst places ringed.

Drawn with the rays that everything else here is cast with, so it needs no graphics library: one ray
a pixel, along one direction, at the cage's triangles.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from cagecheck.arrays.types import Floats
from cagecheck.meshes.barycentric import barycentric_of
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.normals import normalised
from cagecheck.rays.scene import Scene
from cagecheck.report.colours import cividis
from cagecheck.report.fonts import font
from cagecheck.tuning.corridors import Graph
from cagecheck.tuning.steady import SPIKE_SLOPE, slopes
from cagecheck.tuning.tune import Tuning
from cagecheck.words.numbers import figures

SIZE = 720
# Drawn so many times larger and reduced.
_FINER = 2
# Seen from a little to the right and above, and from behind: most places are in one of the two.
_VIEWS = ((0.55, 0.35, 1.0), (-0.55, 0.35, -1.0))
_UP = (0.0, 1.0, 0.0)
_PAPER, _INK, _RING = (255, 255, 255), (28, 32, 38), (204, 51, 17)
# A face seen edge on keeps this much of its light.
_AMBIENT = 0.35
_RING_RADIUS, _TEXT = 11, 13
# Rings drawn: as many as stay apart.
WORST = 6


@dataclass(frozen=True, eq=False)
class WorstPlace:
    """A place of a cage to look at: where, and the rise along the edge there."""

    place: Floats
    slope: float


def worst_places(tuning: Tuning, graph: Graph, offsets: Floats) -> list[WorstPlace]:
    """Return the steepest places of a cage, none within a few edges of another."""
    low = tuning.low
    position = np.zeros((low.position_count, 3))
    position[low.welded.ravel()] = low.positions[low.triangles.ravel()]
    normal = low.ray_normals
    cage = position + offsets[:, None] * normal
    slope = slopes(graph, offsets)
    middle = cage[graph.edges].mean(axis=1)
    apart = 0.06 * low.diagonal()
    out: list[WorstPlace] = []
    for k in np.argsort(-slope, kind="stable"):
        if len(out) == WORST or slope[k] <= 0:
            break
        if all(np.linalg.norm(middle[k] - w.place) > apart for w in out):
            out.append(WorstPlace(middle[k], float(slope[k])))
    return out


def draw_cage(
    positions: Floats,
    triangles: NDArray[np.integer],
    steep: Floats,
    worst: list[WorstPlace],
    file: BinaryIO,
    title: str,
) -> None:
    """Write a PNG of a cage from two sides.

    positions (V, 3), triangles (T, 3); steep : (V,) the steepest rise at every vertex.
    """
    surface = Surface(
        np.asarray(positions, np.float64),
        np.ascontiguousarray(triangles, np.int32),
        np.zeros(len(triangles), np.int32),
        ("cage",),
    )
    scene = Scene(surface)
    sheet = Image.new("RGB", (2 * SIZE, SIZE + 40), _PAPER)
    for k, towards in enumerate(_VIEWS):
        sheet.paste(_view(scene, steep, worst, np.array(towards)), (k * SIZE, 40))
    ink = ImageDraw.Draw(sheet)
    scale = f"yellow: rises by {figures(SPIKE_SLOPE, 2)} of the edge or more; rings: the steepest"
    ink.text((12, 10), f"{title}   ({scale})", _INK, font(_TEXT + 2))
    sheet.save(file, format="PNG")


def _view(scene: Scene, steep: Floats, worst: list[WorstPlace], towards: Floats) -> Image.Image:
    """Draw one view along parallel rays; `towards` : from the model to the eye."""
    surface = scene.surface
    p = surface.positions
    eye = towards / np.linalg.norm(towards)
    right = normalised(np.cross(_UP, eye)[None])[0]
    up = np.cross(eye, right)
    flat = np.stack([p @ right, p @ up], axis=1)
    low, high = flat.min(axis=0), flat.max(axis=0)
    middle, half = 0.5 * (low + high), 0.54 * float((high - low).max()) or 1.0
    n = SIZE * _FINER
    step = (np.arange(n) + 0.5) / n * 2 - 1
    x, y = np.meshgrid(middle[0] + half * step, middle[1] - half * step)
    depth = p @ eye
    plane = 0.5 * float(depth.min() + depth.max())
    reach = 0.51 * float(np.ptp(depth)) + 1e-6 * half
    origin = x.reshape(-1, 1) * right + y.reshape(-1, 1) * up + plane * eye
    layers = scene.cast(origin, np.broadcast_to(eye, origin.shape).copy(), reach, reach)
    hit = np.flatnonzero(np.diff(layers.first) > 0)
    # Crossings are in order of distance: the last of a ray is the one nearest to the eye.
    top = layers.first[1:][hit] - 1
    face = surface.triangles[layers.face[top]]
    corner = p[face]
    normal = normalised(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]))
    place = origin[hit] + layers.t[top, None] * eye
    weight = barycentric_of(place, corner)
    value = np.einsum("ij,ij->i", weight, steep[face])
    colour = cividis(np.clip(value / SPIKE_SLOPE, 0, 1))[:, :3].astype(np.float64)
    light = _AMBIENT + (1 - _AMBIENT) * np.abs(normal @ eye)
    image = np.full((n * n, 3), _PAPER, np.float64)
    image[hit] = colour * light[:, None]
    picture = Image.fromarray(image.reshape(n, n, 3).astype(np.uint8))
    picture = picture.resize((SIZE, SIZE), Image.Resampling.BOX)
    ink = ImageDraw.Draw(picture)
    for k, w in enumerate(worst):
        a = (w.place @ right - middle[0]) / half
        b = (middle[1] - w.place @ up) / half
        at = 0.5 * SIZE * (a + 1), 0.5 * SIZE * (b + 1)
        pixel = int(np.clip(at[1] * _FINER, 0, n - 1)) * n + int(np.clip(at[0] * _FINER, 0, n - 1))
        hidden = np.searchsorted(hit, pixel)
        front = hidden < len(hit) and hit[hidden] == pixel
        if front and layers.t[top[hidden]] + plane > w.place @ eye + 0.03 * half:
            continue
        r = _RING_RADIUS
        ink.ellipse((at[0] - r, at[1] - r, at[0] + r, at[1] + r), outline=_RING, width=2)
        ink.text((at[0] + r + 3, at[1] - r), f"{k + 1}: {figures(w.slope, 2)}", _RING, font(_TEXT))
    return picture


def draw_tuned_cage(tuning: Tuning, graph: Graph, file: BinaryIO, title: str) -> None:
    """Write the picture of a tuned cage."""
    low = tuning.low
    offsets = np.zeros(low.position_count)
    offsets[low.position_id] = tuning.offset_out
    slope = slopes(graph, offsets)
    steep = np.zeros(low.position_count)
    for k in range(2):
        np.maximum.at(steep, graph.edges[:, k], slope)
    positions = low.positions + tuning.offset_out[:, None] * low.ray_normals[low.position_id]
    draw_cage(positions, low.triangles, steep[low.position_id],
              worst_places(tuning, graph, offsets), file, title)  # fmt: skip
