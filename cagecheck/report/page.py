"""The report page: one HTML file that opens offline in any browser."""

from __future__ import annotations

import base64
import functools
import json
import os
from collections.abc import Callable, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup, escape
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.kinds import CLEAN
from cagecheck.defects.region_words import amount_words
from cagecheck.defects.regions import Region
from cagecheck.files import replace_file
from cagecheck.meshes.mesh import scale_of
from cagecheck.meshes.tiles import NO_TILE
from cagecheck.progress import Progress, silent
from cagecheck.rendering.camera import (
    LEAST_SHARE,
    REGION_RADII,
    Outlook,
    up_axis,
    up_vector,
    whole_camera,
)
from cagecheck.report.cividis import cividis_table
from cagecheck.report.colours import (
    CAGE_COLOUR,
    CLEAN_COLOUR,
    HIGH_LINE_COLOUR,
    Rgb,
    hex_of,
)
from cagecheck.report.content import Listed, ListedPlace, PageContent, Slide, Spot
from cagecheck.report.fields import NO_VALUE_COLOUR
from cagecheck.report.json_values import plain
from cagecheck.report.thin import Thin, thin_surface
from cagecheck.report.tile_pictures import TilePicture, heat_uv, worst_region_of_blocks
from cagecheck.report.web_lit import high_words, lit_data, lit_files, pack_high_normals, pack_lit
from cagecheck.report.web_scene import (
    Box,
    Packed,
    find_outlooks,
    pack_cage,
    pack_fields,
    pack_heat,
    pack_regions,
    pack_slide,
    pack_surface,
)
from cagecheck.version import __version__
from cagecheck.words.lengths import length_words, units_words
from cagecheck.words.numbers import count_text, figures
from cagecheck.words.sentences import count_words, percent_text, sentence_case

# The page stays light enough to mail and to open on a phone.
HIGH_TRIANGLES = 220_000
# What stands for the high poly while it moves on a machine that draws in software.
MOVING_TRIANGLES = 40_000
# Side of the pictures that tell which region a click on a tile means.
TILE_MAP_SIZE = 512
MOST_TILES, MARKS_PER_TILE = 40, 30
# Names of parts in lists are at most so long, of which the beginning takes so much.
LONGEST_NAME, NAME_BEGIN = 28, 11
# Numbers on the model at once: as many as leave it to be seen.
MARKS_ON_MODEL = 16


def write_page(
    content: PageContent,
    path: str | os.PathLike[str],
    *,
    high_triangles: int = HIGH_TRIANGLES,
    force: bool = False,
    thin: Thin = thin_surface,
    progress: Progress = silent,
) -> Path:
    """Write a report as one HTML file.

    Parameters
    ----------
    content : PageContent
        What to show, see `cagecheck.predicting.page.page_of_prediction`,
        `cagecheck.tuning.page.page_of_tuning`, `cagecheck.locating.page.page_of_location`,
        `cagecheck.inspecting.page.page_of_inspection`.
    path : str | os.PathLike[str]
        The file to write.
    high_triangles : int, optional
        How fine the displayed high poly is at most (0 leaves it out).
    force : bool, optional
        Replace a file that exists.
    thin : Thin, optional
        What makes the displayed high poly; `KeptThin` where pages of the same one follow.
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
    """
    text = page_html(content, high_triangles=high_triangles, thin=thin, progress=progress)
    with replace_file(path, force=force) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return Path(path)


def page_html(
    content: PageContent,
    *,
    high_triangles: int = HIGH_TRIANGLES,
    thin: Thin = thin_surface,
    progress: Progress = silent,
) -> str:
    """Return the page that `write_page` writes."""
    progress("drawing the report", 0, 3)
    uv, tile = heat_uv(content.low, content.heat)
    tiles = content.tiles[:MOST_TILES]
    packed, data = _scene(content, uv, high_triangles, thin)
    for k, picture in enumerate(tiles):
        step = max(len(picture.region) // TILE_MAP_SIZE, 1)
        shrunk = worst_region_of_blocks(picture.region, step)
        packed.add(f"tile_region_{k}", shrunk.reshape(-1))
        data["tile_map_sizes"].append(len(shrunk))
    progress("drawing the report", 1, 3)
    data |= _words(content, uv, tile)
    progress("drawing the report", 2, 3)
    text = _render(content, plain(data), packed, tiles, high_triangles > 0)
    progress("drawing the report", 3, 3)
    return text


# Data for the script ------------------------------------------------------------------------------


def _scene(
    content: PageContent, uv: Floats, high_triangles: int, thin: Thin
) -> tuple[Packed, dict[str, Any]]:
    low, surface, packed = content.low, content.surface, Packed()
    box = Box.around(low.positions, *([] if surface is None else [surface.positions]))
    pack_heat(packed, box, content, uv)
    fields = pack_fields(packed, content.fields)
    high = None
    if surface is not None and high_triangles > 0:
        shown = thin(surface, high_triangles)
        pack_surface(packed, box, "high", shown)
        if content.lit is not None:
            pack_high_normals(packed, "high", shown)
            if shown.triangle_count > 2 * MOVING_TRIANGLES:
                brief = thin(shown, MOVING_TRIANGLES)
                pack_surface(packed, box, "brief", brief)
                pack_high_normals(packed, "brief", brief)
            high = high_words(surface, shown)
    lit = None
    if content.lit is not None:
        lit = lit_data(content.lit, pack_lit(packed, box, low), high)
    pack_cage(packed, box, low, content.cage)
    if content.slide is not None:
        pack_slide(packed, content.slide)
    pack_regions(packed, box, content)
    data = {
        "scene": packed.entries,
        "box": {"centre": box.centre, "half": box.half},
        "fields": fields,
        "tile_map_sizes": [],
        "lit": lit,
    }
    return packed, data


def _words(content: PageContent, uv: Floats, tile: Ints) -> dict[str, Any]:
    positions = content.low.positions[np.unique(content.low.triangles)]
    up = up_axis(positions)
    camera = whole_camera(positions, up)
    diagonal = content.low.diagonal() or 1.0
    outlooks = find_outlooks(content)
    places = [
        _place_on_tile(region, spot, uv, tile)
        for region, spot in zip(content.regions, content.spots, strict=True)
    ]
    rows = zip(content.regions, content.spots, outlooks, places, strict=True)
    return {
        "word": content.word,
        "up": up_vector(up),
        "camera": {"eye": camera.eye, "target": camera.target},
        "palette": _palette(content),
        "missing": NO_VALUE_COLOUR,
        "ramp": cividis_table().tolist(),
        "legend": _legend(content, content.area),
        "slide": _slide(content),
        "cage_colour": CAGE_COLOUR,
        "high_colour": HIGH_LINE_COLOUR,
        "high_names": [] if content.surface is None else list(content.surface.part_names),
        "ranks": content.rank().tolist(),
        "marks_per_tile": MARKS_PER_TILE,
        "marks_on_model": MARKS_ON_MODEL,
        "region_count": content.region_count,
        "regions": [_region_row(content, *row, diagonal) for row in rows],
    }


def _palette(content: PageContent) -> list[Rgb]:
    """Return colours by category code; the last one is clean."""
    colours = {c.code: c.colour for c in content.categories}
    return [*(colours.get(k, CLEAN_COLOUR) for k in range(max(colours) + 1)), CLEAN_COLOUR]


def _slide(content: PageContent) -> dict[str, Any] | None:
    slide = content.slide
    if slide is None:
        return None
    return {
        "factors": slide.factors.tolist(),
        "own": slide.own,
        "touching": slide.touching,
        "words": slide.words,
        "legends": [_legend(content, area) for area in slide.area],
        "ends": _slide_ends(slide),
    }


def _slide_ends(slide: Slide) -> tuple[str, str]:
    """Say what the ends of the slider are."""
    most = float(slide.factors[-1])
    far = f"{length_words(most)} units" if slide.touching else f"{figures(most, 3)} ×"
    return "on the low poly", far


def _legend(content: PageContent, area: NDArray[np.float64]) -> list[dict[str, Any]]:
    share = 100 * area / (float(area.sum()) or 1.0)
    rows = [(c.title, c.colour, share[c.code]) for c in content.categories if share[c.code] > 0]
    rows.append(("clean", CLEAN_COLOUR, share[CLEAN]))
    return [{"name": n, "colour": hex_of(c), "percent": percent_text(p)} for n, c, p in rows]


def _region_row(
    content: PageContent,
    region: Listed,
    spot: Spot,
    outlook: Outlook,
    place: tuple[float, float] | None,
    diagonal: float,
) -> dict[str, Any]:
    others = spot.guilty if content.surface is not None else ()
    own = spot.low_parts
    if own is None:
        own = (content.low.part_names.index(region.part),)
    return {
        "number": region.number,
        "name": region.name,
        "part": region.part,
        "tile": region.tile,
        "centroid": region.centroid,
        "colour": hex_of(content.colour_of(region)),
        "size_words": _size_words(region),
        "worst_words": _worst_words(region, scale_of(content.low.mesh.source)),
        "cause": region.cause,
        "cure": region.cure,
        "low_parts": own,
        "high_parts": spot.high_parts,
        "guilty": others,
        "code": int(region.defect),
        "direction": outlook.direction,
        "buried": outlook.buried and bool(own),
        "distance": 2.0 * max(REGION_RADII * region.radius, LEAST_SHARE * diagonal),
        "uv": place,
    }


def _worst_words(region: Listed, metres_per_unit: float | None) -> str:
    if isinstance(region, ListedPlace):
        return region.worst
    if region.unit == "units" and region.worst is not None:
        return units_words(region.worst, metres_per_unit)
    return "–" if region.worst is None else f"{figures(region.worst)} {region.unit}"


def _size_words(region: Listed) -> str:
    """Say how large a region is for reading: texels, and percent of the part, which needs none."""
    if isinstance(region, ListedPlace):
        return region.size
    share = f"{percent_text(region.percent)} % of the part"
    if region.texels > 0:
        words = amount_words(region.texels, region.area, region.texels_seen, region.area_seen)
        return f"{words}, {share}"
    seen = _seen_percent(region)
    if seen >= region.percent:
        return share
    return f"{share}, of which {percent_text(seen)} % show" if seen > 0 else f"{share}, none shows"


def _seen_percent(region: Region) -> float:
    """Return the percent of the part that a region covers and that shows."""
    return region.percent * region.area_seen / region.area if region.area > 0 else 0.0


def _place_on_tile(
    region: Listed, spot: Spot, uv: Floats, tile: Ints
) -> tuple[float, float] | None:
    """Return where in its tile a region's number stands; None where it has no place there."""
    if region.tile == NO_TILE:
        return None
    places = uv[spot.vertices[tile[spot.vertices] == region.tile]]
    places = places[np.isfinite(places).all(axis=1)]
    if len(places) == 0:
        return None
    # The member nearest to the middle: a place on the region, not between its pieces.
    middle = np.median(places, axis=0)
    best = places[int(np.argmin(((places - middle) ** 2).sum(axis=1)))]
    return float(best[0]), float(best[1])


# Words and rows for the template ------------------------------------------------------------------


def _render(
    content: PageContent,
    data: Any,
    packed: Packed,
    tiles: tuple[TilePicture, ...],
    has_high: bool,
) -> str:
    groups = _list_groups(content)
    rows = [row for group in groups for row in group["rows"]]
    return _template().render(
        version=__version__,
        content=content,
        css=Markup(read_text("templates/report.css")),
        script=Markup(page_script()),
        importmap=Markup(import_map()),
        licence=Markup(read_text("vendor/three/LICENSE").replace("--", "- -")),
        data=Markup(script_json(data)),
        scene=Markup(packed.base64()),
        fields=data["fields"],
        lit=data["lit"],
        slide=data["slide"],
        cage_colour=CAGE_COLOUR,
        high_colour=HIGH_LINE_COLOUR,
        lit_files=[] if content.lit is None else lit_files(content.lit),
        has_high=has_high and content.surface is not None,
        verdict=_short_names(content.verdict, content.low.part_names),
        groups=groups,
        rows=rows,
        size_title=content.amount_title or ("texels" if _mapped(content) else "% of part"),
        folded=sum(not r["shows"] for r in rows) if any(r["shows"] for r in rows) else 0,
        kinds_found=list(dict.fromkeys(r["name"] for r in rows)),
        parts_found=sorted({r["part"] for r in rows}),
        tiles_found=sorted({r["tile"] for r in rows}),
        tiles=[_tile_row(content, picture) for picture in tiles],
        more_tiles=len(content.tiles) - len(tiles),
        has_photos=any(picture.photo is not None for picture in tiles),
    )


@functools.cache
def _template() -> Template:
    """Return the page's template, made once for page after page."""
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.filters["hex"] = hex_of
    environment.filters["breakable"] = breakable
    environment.filters["short"] = short_name
    environment.filters["base64"] = lambda data: base64.b64encode(data).decode("ascii")
    return environment.from_string(read_text("templates/report.html.j2"))


def short_name(name: str) -> str:
    """Return a name as lists hold it: of a long one the beginning and the end, which tells more."""
    if len(name) <= LONGEST_NAME:
        return name
    return f"{name[:NAME_BEGIN]}…{name[NAME_BEGIN + 1 - LONGEST_NAME :]}"


def _short_names(text: str, names: Sequence[str]) -> str:
    """Return a sentence with long part names shortened."""
    # The longest first: a name may be the beginning of another.
    for name in sorted(names, key=len, reverse=True):
        text = text.replace(name, short_name(name))
    return text


def breakable(name: str) -> Markup:
    """Return a name that may go on in the next line behind its underscores, dots and dashes."""
    text = escape(short_name(name))
    for sign in "_.-":
        text = text.replace(sign, Markup(sign + "<wbr>"))
    return text


def _mapped(content: PageContent) -> bool:
    """Whether sizes are told in texels: some region has any."""
    return any(isinstance(r, Region) and r.texels > 0 for r in content.regions)


def _list_groups(content: PageContent) -> list[dict[str, Any]]:
    """Return the rows of the list, group by group, in the order to see to them."""
    of_number = {region.number: region for region in content.regions}
    out, order, entry = [], 0, 0
    for group in content.groups:
        rows = []
        for numbers in group.entries:
            entry += 1
            for number in numbers:
                row = _list_row(content, of_number[number])
                rows.append(row | {"order": order, "entry": entry, "shows": group.shows})
                rows[-1]["first"] = number == numbers[0]
                order += 1
        out.append({"title": group.title, "text": group.text, "next": group.next, "rows": rows})
    return out


def _list_row(content: PageContent, region: Listed) -> dict[str, Any]:
    size, seen, text = _amounts(region, _mapped(content))
    return {
        "number": region.number,
        "name": region.name,
        "part": region.part,
        "tile": region.tile,
        "size": figures(size, 6),
        "size_text": text(size),
        "seen": figures(seen, 6),
        "seen_text": text(seen),
        "cause": sentence_case(region.cause),
        "cure": sentence_case(region.cure),
        "colour": hex_of(content.colour_of(region)),
    }


def _amounts(region: Listed, mapped: bool) -> tuple[float, float, Callable[[float], str]]:
    """Return how much a region is, how much of it shows, and what makes words of both."""
    if isinstance(region, ListedPlace):
        return region.amount, region.amount, count_text
    if mapped:
        return region.texels, region.texels_seen, count_text
    return region.percent, _seen_percent(region), percent_text


def _tile_row(content: PageContent, picture: TilePicture) -> dict[str, Any]:
    number = sum(region.tile == picture.tile for region in content.regions)
    words = "no regions" if number == 0 else count_words(number, "region")
    colours = {c.code: c.colour for c in content.categories}
    photo = None if picture.photo is None else base64.b64encode(picture.photo).decode("ascii")
    return {
        "tile": picture.tile,
        "words": f"{picture.words}, {words}" if picture.words else words,
        "png": base64.b64encode(picture.png(colours)).decode("ascii"),
        "photo": photo,
    }


# Files of the package -----------------------------------------------------------------------------


def read_text(name: str) -> str:
    """Return a text file that lies beside this module."""
    return (files("cagecheck.report") / name).read_text(encoding="utf-8")


def page_script(*, without: tuple[str, ...] = ()) -> str:
    """Return the page's own script: the files of templates/script, in order of name."""
    folder = files("cagecheck.report") / "templates" / "script"
    names = sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".js"))
    names = [name for name in names if name not in without]
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
