"""The bake before it is baked, as a picture: as it will bake beside the high poly, view by view.

Drawn by our own rays: no display and no graphics card, the same bytes for the same input.
"""

from __future__ import annotations

import io
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from cagecheck.defects.kinds import Defect
from cagecheck.defects.regions import Region
from cagecheck.errors import takes
from cagecheck.files import replace_file
from cagecheck.maps.texels import tiles_touched
from cagecheck.meshes.normals import normalised
from cagecheck.predicting.maps.shown import ideal_maps, predicted_maps
from cagecheck.predicting.result import Prediction
from cagecheck.progress import Progress, silent
from cagecheck.rendering.camera import (
    LEAST_SHARE,
    REGION_RADII,
    Camera,
    Outlooks,
    place_camera,
    up_axis,
    whole_camera,
)
from cagecheck.rendering.pictures import ACROSS, HighModel, LowModel, lit
from cagecheck.rendering.shading import Look, light_of, srgb
from cagecheck.rendering.view import View
from cagecheck.report.fonts import font
from cagecheck.report.lit import BASIS
from cagecheck.words.numbers import count_text

# Side of one view, pixels: details of a texel or two show, three fit a wide screen.
CELL = 640
# Larger maps show nothing more at this size.
LARGEST_MAP = 2048
# Close views of so many of the worst regions.
CLOSE_VIEWS = 2
# Where whole views look from: the model's front and back, a little from the side and above.
FRONT, BACK = (0.42, 0.18, 0.9), (-0.42, 0.18, -0.9)
BAR, TEXT_SIZE, GAP = 34, 17, 4
PAPER, INK = (244, 242, 236), (28, 32, 38)


@dataclass(frozen=True)
class NamedView:
    """A view and what stands beside it."""

    name: str
    view: View


@takes(prediction=Prediction)
def write_preview(
    prediction: Prediction,
    path: str | os.PathLike[str],
    *,
    force: bool = False,
    progress: Progress = silent,
) -> Path:
    """Draw a bake before it is baked, and write it as PNG.

    Rows are views: the front, the back, and close views of the worst regions. Columns show the low
    poly lit with the normal maps that the bake would give, the low poly with the maps of a bake
    without artefacts, and the high poly, all under the same light.

    Parameters
    ----------
    prediction : Prediction
        What `predict` returns.
    path : str | os.PathLike[str]
        The picture's file.
    force : bool, optional
        Replace a file that exists.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        The file exists and `force` is off, or cannot be written.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> high = cagecheck.read_surface("hero_high.ply")
    >>> few = cagecheck.Settings(offset=0.05, depth=0.05, samples=500, map_size=64)
    >>> result = cagecheck.predict(low, high, settings=few)
    >>> cagecheck.write_preview(result, "hero-preview.png", force=True).name
    'hero-preview.png'
    """
    picture = draw_preview(prediction, progress=progress)
    data = io.BytesIO()
    Image.fromarray(picture).save(data, format="PNG")
    with replace_file(path, force=force) as temporary:
        temporary.write_bytes(data.getvalue())
    return Path(path)


def draw_preview(
    prediction: Prediction,
    *,
    views: list[NamedView] | None = None,
    progress: Progress = silent,
) -> NDArray[np.uint8]:
    """Return the picture that `write_preview` writes, (height, width, 3) uint8."""
    views = views if views is not None else preview_views(prediction)
    size = min(prediction.settings.map_size, LARGEST_MAP)
    low, high = (
        LowModel(prediction.low, BASIS),
        HighModel(prediction.scene, shading=prediction.matcher.shading),
    )
    look = Look()
    maps = []
    if tiles_touched(prediction.low):
        for make in (predicted_maps, ideal_maps):
            maps.append(make(prediction, size, basis=BASIS, progress=progress))
    rows = []
    for done, shown in enumerate(views):
        progress("drawing the preview", done, len(views))
        light = light_of(shown.view)
        sight = low.see(shown.view, ACROSS)
        cells = [lit(sight, low.map_normals(sight, m), light, look) for m in maps]
        if not maps:
            cells = [lit(sight, low.own_normals(sight), light, look)]
        sculpt = high.see(shown.view, ACROSS)
        cells.append(lit(sculpt, high.normals(sculpt), light, look))
        rows.append((shown.name, cells))
    progress("drawing the preview", len(views), len(views))
    titles = ["as it should bake", "high poly"]
    titles.insert(0, f"as it will bake (maps {count_text(size)} square)")
    if not maps:
        titles = ["low poly (no UVs: no maps)", "high poly"]
    return _sheet(titles, rows)


def preview_views(prediction: Prediction, cell: int = CELL) -> list[NamedView]:
    """Return front, back, and close views of the worst regions that lie on the low poly."""
    low = prediction.low
    positions = low.positions[np.unique(low.triangles)]
    axis = up_axis(positions)
    out = []
    for name, way in (("front", FRONT), ("back", BACK)):
        x, up, toward = way
        front = (x, up, toward) if axis == 1 else (x, -toward, up)
        camera = whole_camera(positions, axis, front=front)
        out.append(NamedView(name, View(camera, cell, cell)))
    for region in _close_ups(prediction):
        out.append(NamedView(f"{region.number}  {region.name} on {region.part}",
                             View(_camera_at(prediction, region, axis), cell, cell)))  # fmt: skip
    return out


def _close_ups(prediction: Prediction) -> list[Region]:
    on_low = [r for r in prediction.regions if r.defect is not Defect.UNSEEN]
    return on_low[:CLOSE_VIEWS]


def _camera_at(prediction: Prediction, region: Region, axis: int) -> Camera:
    low = prediction.low
    places = prediction.rays.origin[region.samples]
    normals = normalised(low.face_normals[prediction.points.triangle[region.samples]])
    (outlook,) = Outlooks(low.positions, low.triangles).find([places], [normals])
    distance = 2 * max(REGION_RADII * region.radius, LEAST_SHARE * low.diagonal())
    return place_camera(region.centroid, outlook.direction, distance, axis)


def _sheet(
    titles: list[str], rows: list[tuple[str, list[NDArray[np.float64]]]]
) -> NDArray[np.uint8]:
    """Lay the views out under the columns' titles, each row with its name above it."""
    cell = rows[0][1][0].shape[0]
    columns = len(titles)
    width = columns * cell + (columns - 1) * GAP
    sheet = Image.new("RGB", (width, BAR + len(rows) * (BAR + cell)), PAPER)
    pen = ImageDraw.Draw(sheet)
    for k, title in enumerate(titles):
        pen.text((k * (cell + GAP) + 8, 7), title, fill=INK, font=font(TEXT_SIZE, bold=True))
    for r, (name, cells) in enumerate(rows):
        top = BAR + r * (BAR + cell)
        pen.text((8, top + 7), name, fill=INK, font=font(TEXT_SIZE))
        for k, image in enumerate(cells):
            pixels = np.floor(255 * srgb(image) + 0.5).astype(np.uint8)
            sheet.paste(Image.fromarray(pixels), (k * (cell + GAP), top + BAR))
    return np.asarray(sheet)
