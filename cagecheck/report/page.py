"""The report page: one HTML file that opens offline in any browser."""

from __future__ import annotations

import base64
import json
import os
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from cagecheck import __version__
from cagecheck.defects.kinds import CLEAN, KINDS, PRECEDENCE, Defect
from cagecheck.defects.regions import Region
from cagecheck.files import replace_file
from cagecheck.meshes.mesh import Floats, Ints, SourceFile
from cagecheck.meshes.tiles import NO_TILE
from cagecheck.prediction import Prediction
from cagecheck.progress import Progress, silent
from cagecheck.report.colours import CLEAN_COLOUR, DEFECT_COLOURS
from cagecheck.report.document import plain
from cagecheck.report.heatmap import HeatMap, build_heat_map, region_of_samples
from cagecheck.report.thin import thin_surface
from cagecheck.report.tile_pictures import TilePicture, draw_tiles, heat_uv
from cagecheck.report.web_scene import (
    Box,
    Packed,
    find_outlooks,
    least_region,
    pack_cage,
    pack_fields,
    pack_heat,
    pack_regions,
    pack_surface,
    worst_of_triangles,
)
from cagecheck.report.words import size_words
from cagecheck.view.camera import Outlook, up_axis, up_vector, whole_camera
from cagecheck.view.fields import NO_VALUE_COLOUR, ramp
from cagecheck.view.model import LEAST_SHARE, REGION_RADII

# The page stays light enough to mail and to open on a phone.
HEAT_VERTICES, HIGH_TRIANGLES = 160_000, 220_000
MOST_REGIONS = 2000
TILE_SIZE, TILE_MAP_SIZE = 1024, 512
MOST_TILES, MARKS_PER_TILE = 40, 30
LIMITS = (
    "The numbers hold for the stated rays, cage, depth and sampling. They predict; they do not "
    "replace looking at the bake. A defect smaller than the space between samples can be missed. "
    "The heat map here shows the worst sample near every place, so that defects look up to half a "
    "cell larger than they are; the high poly is thinned for display only."
)


def write_page(
    prediction: Prediction,
    path: str | os.PathLike[str],
    *,
    before: Prediction | Sequence[dict[str, Any]] | None = None,
    title: str | None = None,
    heat_vertices: int = HEAT_VERTICES,
    high_triangles: int = HIGH_TRIANGLES,
    force: bool = False,
    progress: Progress = silent,
) -> Path:
    """Write the report of a prediction as one HTML file.

    Parameters
    ----------
    before : an earlier prediction of the same meshes, or its `totals()`, for numbers side by side.
    title : the heading; the low poly's file name by default.
    heat_vertices, high_triangles : how fine the display meshes are at most (0 high triangles
        leaves the high poly out).

    Raises `InputError` when the file exists and `force` is off, or cannot be written.
    """
    text = page_html(
        prediction, before=before, title=title, heat_vertices=heat_vertices,
        high_triangles=high_triangles, progress=progress,
    )  # fmt: skip
    with replace_file(path, force=force) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return Path(path)


def page_html(
    prediction: Prediction,
    *,
    before: Prediction | Sequence[dict[str, Any]] | None = None,
    title: str | None = None,
    heat_vertices: int = HEAT_VERTICES,
    high_triangles: int = HIGH_TRIANGLES,
    progress: Progress = silent,
) -> str:
    """Return the page that `write_page` writes."""
    progress("drawing the report", 0, 4)
    heat = build_heat_map(prediction, most_vertices=heat_vertices)
    regions = prediction.regions[:MOST_REGIONS]
    uv, tile = heat_uv(prediction.low, heat)
    pictures = _tile_pictures(prediction, heat, uv, tile)
    progress("drawing the report", 1, 4)
    packed, box, fields = _pack(prediction, heat, regions, uv, high_triangles)
    for picture in pictures:
        step = TILE_SIZE // TILE_MAP_SIZE
        packed.add(f"tile_region_{picture.tile}", picture.region[::step, ::step].reshape(-1))
    progress("drawing the report", 2, 4)
    outlooks = find_outlooks(prediction, regions)
    data = _data(prediction, heat, regions, outlooks, uv, box, packed, fields)
    progress("drawing the report", 3, 4)
    text = _render(prediction, data, packed, pictures, before, title, high_triangles > 0)
    progress("drawing the report", 4, 4)
    return text


def _pack(
    prediction: Prediction, heat: HeatMap, regions: list[Region], uv: Floats, high_triangles: int
) -> tuple[Packed, Box, list[dict[str, Any]]]:
    low, surface = prediction.low, prediction.scene.surface
    box = Box.around(low.positions, surface.positions)
    packed = Packed()
    pack_heat(packed, box, prediction, heat, uv)
    fields = pack_fields(packed, prediction, heat)
    if high_triangles > 0:
        pack_surface(packed, box, "high", thin_surface(surface, high_triangles))
    pack_cage(packed, box, low, prediction.cage)
    pack_regions(packed, box, prediction, heat, regions)
    return packed, box, fields


def _tile_pictures(
    prediction: Prediction, heat: HeatMap, uv: Floats, tile: Ints
) -> list[TilePicture]:
    if not np.isfinite(uv).any():
        return []
    main = worst_of_triangles(heat, prediction.findings.main)
    region = least_region(heat, region_of_samples(prediction))
    return draw_tiles(heat, uv, tile, main, region, TILE_SIZE)[:MOST_TILES]


# Data for the script ------------------------------------------------------------------------------


def _data(
    prediction: Prediction,
    heat: HeatMap,
    regions: list[Region],
    outlooks: list[Outlook],
    uv: Floats,
    box: Box,
    packed: Packed,
    fields: list[dict[str, Any]],
) -> dict[str, Any]:
    positions = prediction.low.positions[np.unique(prediction.low.triangles)]
    up = up_axis(positions)
    camera = whole_camera(positions, up)
    diagonal = prediction.low.diagonal() or 1.0
    places = _region_uv(prediction, heat, regions, uv)
    for row in fields:
        row["low_text"], row["high_text"] = f"{row['low']:.3g}", f"{row['high']:.3g}"
    palette = [DEFECT_COLOURS[Defect(k)] for k in range(len(Defect))]
    data = {
        "scene": packed.entries,
        "box": {"centre": box.centre, "half": box.half},
        "up": up_vector(up),
        "camera": {"eye": camera.eye, "target": camera.target},
        "palette": [*palette, CLEAN_COLOUR],
        "missing": NO_VALUE_COLOUR,
        "ramp": ramp().tolist(),
        "fields": fields,
        "legend": _legend(prediction),
        "tile_map_size": TILE_MAP_SIZE,
        "marks_per_tile": MARKS_PER_TILE,
        "region_count": len(prediction.regions),
        "regions": [
            _region_row(prediction, region, outlook, place, diagonal)
            for region, outlook, place in zip(regions, outlooks, places, strict=True)
        ],
    }
    out: dict[str, Any] = plain(data)
    return out


def _legend(prediction: Prediction) -> list[dict[str, Any]]:
    main, area = prediction.findings.main, prediction.points.area
    whole = float(area.sum()) or 1.0
    share = np.bincount(main, weights=area, minlength=256) / whole * 100
    rows = [(d.title, hex_of(DEFECT_COLOURS[d]), share[d]) for d in PRECEDENCE if share[d] > 0]
    rows.append(("clean", hex_of(CLEAN_COLOUR), share[CLEAN]))
    return [{"name": n, "colour": c, "percent": percent_text(p)} for n, c, p in rows]


def _region_row(
    prediction: Prediction,
    region: Region,
    outlook: Outlook,
    place: tuple[float, float] | None,
    diagonal: float,
) -> dict[str, Any]:
    row = region.to_dict()
    low, high = prediction.low.part_names, prediction.scene.surface.part_names
    own = low.index(region.part)
    highs = set(np.flatnonzero(prediction.paired[own]).tolist())
    if region.other_part in high:
        highs.add(high.index(region.other_part))
    worst = "–" if region.worst is None else f"{region.worst:.4g} {region.unit}"
    return {
        "number": region.number,
        "name": region.name,
        "part": region.part,
        "tile": region.tile,
        "centroid": region.centroid,
        "colour": hex_of(colour_of(region.name)),
        "size_words": f"{size_words(row)}, {region.percent:.2g} % of the part",
        "worst_words": worst,
        "cause": region.cause,
        "cure": region.cure,
        "low_parts": [own],
        "high_parts": sorted(highs),
        "direction": outlook.direction,
        "buried": outlook.buried,
        "distance": 2.0 * max(REGION_RADII * region.radius, LEAST_SHARE * diagonal),
        "uv": place,
    }


def _region_uv(
    prediction: Prediction, heat: HeatMap, regions: list[Region], uv: Floats
) -> list[tuple[float, float] | None]:
    """Return where in its tile each region's number stands; None where it has no place there."""
    out: list[tuple[float, float] | None] = []
    for region in regions:
        if region.name == Defect.UNSEEN.title or region.tile == NO_TILE:
            out.append(None)
            continue
        triangles = prediction.points.triangle[region.samples]
        samples = region.samples[prediction.low.tile[triangles] == region.tile]
        places = uv[heat.vertex_of_sample[samples]]
        places = places[np.isfinite(places).all(axis=1)]
        if len(places) == 0:
            out.append(None)
            continue
        # The member nearest to the middle: a place on the region, not between its pieces.
        middle = np.median(places, axis=0)
        best = places[int(np.argmin(((places - middle) ** 2).sum(axis=1)))]
        out.append((float(best[0]), float(best[1])))
    return out


# Words and rows for the template ------------------------------------------------------------------


def _render(
    prediction: Prediction,
    data: dict[str, Any],
    packed: Packed,
    pictures: list[TilePicture],
    before: Prediction | Sequence[dict[str, Any]] | None,
    title: str | None,
    has_high: bool,
) -> str:
    source = prediction.low.mesh.source
    rows = [_list_row(region) for region in prediction.regions[:MOST_REGIONS]]
    earlier = before.totals() if isinstance(before, Prediction) else before
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    template = environment.from_string(read_text("templates/report.html.j2"))
    return template.render(
        version=__version__,
        title=title or file_name(source) or "bake",
        css=Markup(read_text("templates/report.css")),
        script=Markup(page_script()),
        importmap=Markup(import_map()),
        licence=Markup(read_text("vendor/three/LICENSE").replace("--", "- -")),
        data=Markup(script_json(data)),
        scene=Markup(packed.base64()),
        clean=prediction.clean,
        verdict=verdict(prediction),
        facts=_facts(prediction),
        settings=_settings(prediction),
        notices=prediction.notices,
        limits=LIMITS,
        fields=data["fields"],
        has_high=has_high,
        rows=rows,
        region_count=len(prediction.regions),
        size_title="texels" if any(r["texels"] > 0 for r in rows) else "area",
        defects_found=list(dict.fromkeys(r["name"] for r in rows)),
        parts_found=sorted({r["part"] for r in rows}),
        tiles_found=sorted({r["tile"] for r in rows}),
        tiles=[_tile_row(prediction, picture) for picture in pictures],
        before=earlier is not None,
        totals=_total_rows(prediction, earlier),
    )


def verdict(prediction: Prediction) -> str:
    """Return the finding in a sentence."""
    if prediction.clean:
        return "Nothing found: every ray records the surface that belongs to it."
    area = prediction.points.area
    wrong = prediction.findings.main != CLEAN
    percent = 100 * float(area[wrong].sum()) / (float(area.sum()) or 1.0)
    worst = prediction.regions[0]
    count = len(prediction.regions)
    kinds = len({r.name for r in prediction.regions})
    places = "1 place" if count == 1 else f"{count:,} places"
    return (
        f"The bake goes wrong in {places} ({kinds} {'kind' if kinds == 1 else 'kinds'} of "
        f"defect, {percent_text(percent)} % of the surface). Worst: {worst.name} on {worst.part}, "
        f"{size_words(worst.to_dict())}."
    )


def _facts(prediction: Prediction) -> list[tuple[str, str]]:
    low, surface = prediction.low, prediction.scene.surface
    return [
        ("low poly", f"{len(low.triangles):,} triangles, {_count(low.part_names, 'part')}"),
        ("high poly", f"{file_name(surface.source) or 'in memory'}: "
         f"{surface.triangle_count:,} triangles, {_count(surface.part_names, 'part')}"),
        ("cage", prediction.cage.label),
        ("rays", f"{len(prediction.points):,}"),
    ]  # fmt: skip


def _settings(prediction: Prediction) -> list[tuple[str, str]]:
    chosen = prediction.settings
    size = chosen.texels or chosen.map_size
    rows = [
        ("depth", f"{chosen.depth:.4g} units"),
        ("reach", f"{chosen.reach:.4g} units"),
        ("maps", f"{size} × {size} texels per tile"),
        ("ray directions", chosen.directions),
        ("rays along", chosen.along),
        ("parts baked", "one by one" if chosen.apart else "together"),
        ("engine", prediction.engine),
        ("seed", str(chosen.seed)),
    ]
    return rows


def _list_row(region: Region) -> dict[str, Any]:
    size = region.texels if region.texels > 0 else region.area
    return {
        "number": region.number,
        "name": region.name,
        "part": region.part,
        "tile": region.tile,
        "texels": region.texels,
        "size": f"{size:.6g}",
        "size_text": f"{size:,.0f}" if region.texels > 0 else f"{size:.3g}",
        "colour": hex_of(colour_of(region.name)),
    }


def _total_rows(
    prediction: Prediction, earlier: Sequence[dict[str, Any]] | None
) -> list[dict[str, Any]]:
    by_name = {row["name"]: row for row in earlier or ()}
    kinds = {kind.title: kind for kind in KINDS.values()}
    rows = []
    for row in prediction.totals():
        out = _with_texts(row)
        out["colour"] = hex_of(colour_of(row["name"]))
        definition = kinds[row["name"]].definition
        out["definition"] = definition[0].upper() + definition[1:] + "."
        out["before"] = _with_texts(by_name[row["name"]]) if row["name"] in by_name else None
        if earlier is not None and out["before"] is None:
            out["before"] = _with_texts({"regions": 0, "area": 0, "percent": 0, "texels": 0})
        rows.append(out)
    return rows


def _with_texts(row: dict[str, Any]) -> dict[str, Any]:
    return {
        **row,
        "area_text": f"{row['area']:.3g}",
        "percent_text": percent_text(row["percent"]),
        "texels_text": f"{row['texels']:,.0f}",
    }


def _tile_row(prediction: Prediction, picture: TilePicture) -> dict[str, Any]:
    number = sum(region.tile == picture.tile for region in prediction.regions)
    return {
        "tile": picture.tile,
        "words": "no regions" if number == 0 else _number(number, "region"),
        "png": base64.b64encode(picture.png()).decode("ascii"),
    }


def percent_text(value: float) -> str:
    """Return a percentage for reading; small ones are not rounded to nothing."""
    if 0 < value < 0.01:
        return "<0.01"
    return f"{value:.1f}" if value >= 10 else f"{value:.2f}"


def hex_of(colour: tuple[int, int, int]) -> str:
    """Return ``#rrggbb``."""
    return "#" + "".join(f"{c:02x}" for c in colour)


def colour_of(name: str) -> tuple[int, int, int]:
    """Return the colour of a defect by its title."""
    return next(DEFECT_COLOURS[d] for d in Defect if d.title == name)


def file_name(source: SourceFile | None) -> str | None:
    """Return a source file's name without its folders."""
    return None if source is None else source.path.replace("\\", "/").rsplit("/", 1)[-1]


def _count(names: Sequence[str], word: str) -> str:
    return _number(len(names), word)


def _number(count: int, word: str) -> str:
    return f"{count:,} {word}" if count == 1 else f"{count:,} {word}s"


# Files of the package -----------------------------------------------------------------------------


def read_text(name: str) -> str:
    """Return a text file that lies beside this module."""
    return (files("cagecheck.report") / name).read_text(encoding="utf-8")


def page_script() -> str:
    """Return the page's own script: the files of templates/script, in order of name."""
    folder = files("cagecheck.report") / "templates" / "script"
    names = sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".js"))
    return "\n".join(read_text(f"templates/script/{name}") for name in names)


def script_json(data: Any) -> str:
    """Return JSON that is safe inside a script element."""
    text = json.dumps(data, allow_nan=False, separators=(",", ":"), ensure_ascii=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def import_map() -> str:
    """Return an import map that holds three.js itself, as data addresses.

    The library's two files name each other by path, which a data address has none of; the import
    map gives the inner one a name instead.
    """
    core = read_text("vendor/three/three.core.js")
    outer = read_text("vendor/three/three.module.js")
    inner = "'./three.core.js'"
    assert inner in outer, "three.js names its core otherwise"
    outer = outer.replace(inner, "'three-core'")
    controls = read_text("vendor/three/OrbitControls.js")
    return json.dumps(
        {
            "imports": {
                "three": _data_address(outer),
                "three-core": _data_address(core),
                "three/addons/controls/OrbitControls.js": _data_address(controls),
            }
        }
    )


def _data_address(script: str) -> str:
    coded = base64.b64encode(script.encode("utf-8")).decode("ascii")
    return f"data:text/javascript;base64,{coded}"
