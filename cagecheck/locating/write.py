"""The result folder of `locate`: the document, the regions, marked maps, the heat-map mesh."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from cagecheck.defects.headline import headline
from cagecheck.errors import takes
from cagecheck.files import OutputFolder
from cagecheck.locating.compare import TITLES, Fault
from cagecheck.locating.fault_heat import FAULT_COLOURS, fault_heat
from cagecheck.locating.locate import Location
from cagecheck.locating.one_map import LocatedMap
from cagecheck.locating.page import page_of_location, totals
from cagecheck.predicting.result import DOCUMENT_VERSION
from cagecheck.progress import Progress, silent
from cagecheck.report.heatmap import write_heat_glb, write_heat_ply
from cagecheck.report.json_values import plain, source_row
from cagecheck.report.page import write_page
from cagecheck.report.region_table import write_region_csv
from cagecheck.report.tile_pictures import least_of_blocks
from cagecheck.version import __version__

# Larger marked maps do not fit a screen.
LARGEST_PICTURE = 1024
# Numbered on the picture: as many as stay legible.
NUMBERED = 60
_LEGEND_ROW, _MARGIN = 18, 6


@takes(location=Location)
def write_location(
    location: Location,
    folder: str | os.PathLike[str],
    *,
    page: bool = True,
    force: bool = False,
    progress: Progress = silent,
) -> list[Path]:
    """Write location.json, regions.csv, a marked map per tile and the heat map as a mesh.

    The meshes are heatmap.ply and heatmap.glb; with `page` there is report.html, too. All appear
    together or not at all.

    Parameters
    ----------
    location : Location
        What `locate` returns.
    folder : str | os.PathLike[str]
        Where they go; made if it is not there.
    page : bool, optional
        Write the report page, too.
    force : bool, optional
        Replace files that are there.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Raises
    ------
    InputError
        A file exists and `force` is off, or the folder cannot be written.
    """
    with OutputFolder(folder, force=force) as out:
        progress("writing", 0, 3)
        document = json.dumps(location_document(location), indent=1, allow_nan=False)
        out.add("location.json").write_text(document + "\n", encoding="utf-8")
        write_region_csv(location.regions, out.add("regions.csv"))
        progress("writing", 1, 3)
        done: set[str] = set()
        for found in location.maps:
            if found.record is None:
                continue
            name = f"marked.{found.record.tile}.png"
            if name not in done:
                marked_map(location, found).save(out.add(name))
                done.add(name)
        progress("writing", 2, 3)
        if any(found.record is not None for found in location.maps):
            heat = fault_heat(location).heat
            write_heat_ply(heat, out.add("heatmap.ply"))
            write_heat_glb(heat, out.add("heatmap.glb"))
        progress("writing", 3, 3)
        if page:
            write_page(page_of_location(location), out.add("report.html"), progress=progress)
    return out.paths()


def location_document(location: Location) -> dict[str, Any]:
    """Return the location as plain JSON values.

    Parameters
    ----------
    location : Location
        What `locate` returns.
    """
    settings = location.settings
    rows = [
        {
            "file": str(found.source.path),
            "crop": None if found.source.crop is None else list(found.source.crop),
            "said_tile": found.source.tile,
            "size": list(found.source.size),
            "bits": found.source.bits,
            "numbers": found.source.numbers,
            "reading": found.reading.to_dict(),
            "conventions": [fault.to_dict() for fault in found.conventions],
            "compared": found.record is not None,
            "padding": None
            if found.padding is None
            else {"needed": found.padding.needed, "found": found.padding.width},
        }
        for found in location.maps
    ]
    document = {
        "cagecheck": __version__,
        "version": DOCUMENT_VERSION,
        "kind": "location",
        "low": source_row(location.low.mesh.source),
        "high": source_row(location.scene.surface.source),
        "engine": location.scene.engine,
        "cage": location.cage.label,
        "depth": settings.depth,
        "maps": rows,
        "offset": None if location.offset is None else location.offset.to_dict(),
        "totals": totals(location),
        "bake": [setting.to_dict() for setting in location.bake],
        "defects": [shown.to_dict() for shown in location.defects],
        "headline": headline(location.entries),
        "ways": [step.to_dict() for step in location.ways],
        "entries": [entry.to_dict() for entry in location.entries],
        "causes": [cause.to_dict() for cause in location.causes],
        "regions": [region.to_dict() for region in location.regions],
        "specks": location.specks,
        "clean": location.clean,
        "notices": [notice.to_dict() for notice in location.notices],
    }
    out: dict[str, Any] = plain(document)
    return out


def marked_map(location: Location, found: LocatedMap) -> Image.Image:
    """Draw a tile's map in grey with its faults in colour, numbered regions and a legend."""
    assert found.record is not None and found.fault is not None
    size = found.record.size
    step = max(-(-size // LARGEST_PICTURE), 1)
    fault = least_of_blocks(found.fault, step)
    shade = found.grey[::step, ::step][: fault.shape[0], : fault.shape[1]] / 255
    picture = np.repeat((150 + 90 * shade)[..., None], 3, axis=2)
    for kind, colour in FAULT_COLOURS.items():
        picture[fault == kind] = colour
    if found.padding is not None and found.padding.too_thin:
        bare = least_of_blocks(np.where(found.padding.bare, 0, 255).astype(np.uint8), step) == 0
        picture[bare] = FAULT_COLOURS[Fault.PADDING]
    upper = Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8))
    here = {r.defect for r in location.regions if _here(location, r.samples, found)}
    kinds = sorted((f for f in TITLES if f in here), key=lambda f: f.title)
    whole = Image.new(
        "RGB", (upper.width, upper.height + _LEGEND_ROW * max(len(kinds), 1) + _MARGIN), "white"
    )
    whole.paste(upper, (0, 0))
    draw = ImageDraw.Draw(whole)
    font = ImageFont.load_default(13)
    _number_regions(draw, font, location, found, step)
    for row, kind in enumerate(kinds):
        y = upper.height + _MARGIN + row * _LEGEND_ROW
        draw.rectangle((6, y + 2, 18, y + 14), fill=FAULT_COLOURS[kind], outline="black")
        numbers = [
            str(r.number)
            for r in location.regions[:NUMBERED]
            if r.defect is kind and _here(location, r.samples, found)
        ]
        draw.text((26, y), f"{kind.title}: {', '.join(numbers) or 'small ones'}", "black", font)
    if not kinds:
        draw.text((6, upper.height + _MARGIN), "no faults on this tile", "black", font)
    return whole


def _here(location: Location, samples: NDArray[np.int64], found: LocatedMap) -> bool:
    assert found.record is not None
    return bool(np.any(location.texels.tile[samples] == found.record.tile))


def _number_regions(
    draw: ImageDraw.ImageDraw,
    font: Any,
    location: Location,
    found: LocatedMap,
    step: int,
) -> None:
    assert found.record is not None
    texels = location.texels
    for region in location.regions[:NUMBERED]:
        mine = region.samples[texels.tile[region.samples] == found.record.tile]
        if len(mine) == 0:
            continue
        middle = np.array([texels.x[mine].mean(), texels.y[mine].mean()])
        places = np.stack([texels.x[mine], texels.y[mine]], axis=1)
        x, y = places[np.argmin(np.linalg.norm(places - middle, axis=1))] / step
        text = str(region.number)
        box = draw.textbbox((x + 4, y - 7), text, font)
        draw.rectangle((box[0] - 2, box[1] - 1, box[2] + 2, box[3] + 1), "white", "black")
        draw.text((x + 4, y - 7), text, "black", font)
