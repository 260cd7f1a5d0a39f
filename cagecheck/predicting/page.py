"""What the report page of a prediction shows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from cagecheck.arrays.spread import spread
from cagecheck.arrays.types import Floats
from cagecheck.defects.entries import Entry, by_way
from cagecheck.defects.headline import folded_words
from cagecheck.defects.kinds import KINDS, PRECEDENCE, Defect
from cagecheck.defects.regions import Region
from cagecheck.meshes.mesh import label_of, scale_of
from cagecheck.meshes.normals import normalised
from cagecheck.predicting.heat import build_heat_map, region_of_samples
from cagecheck.predicting.lit import lit_of
from cagecheck.predicting.next_steps import WayStep, way_words
from cagecheck.predicting.result import Prediction, verdict
from cagecheck.predicting.slide import slide_of
from cagecheck.rays.layers import NO_LAYER
from cagecheck.report.colours import DEFECT_COLOURS
from cagecheck.report.content import (
    HEAT_VERTICES,
    MOST_REGIONS,
    Category,
    Column,
    PageContent,
    PageField,
    PageTable,
    RegionGroup,
    Row,
    Spot,
)
from cagecheck.report.fields import VISIBLE_ERROR
from cagecheck.report.heatmap import HeatMap
from cagecheck.report.lit import Lit
from cagecheck.report.tile_pictures import TilePicture, draw_tiles, heat_uv
from cagecheck.report.web_scene import least_region, rays_per_region, worst_of_triangles
from cagecheck.words.lengths import units_words
from cagecheck.words.numbers import area_text, count_text
from cagecheck.words.sentences import count_words, percent_text, sentence_case

TILES_NOTE = (
    "The same colours laid out flat; numbers mark the worst regions. Click a place to choose its "
    "region; the wheel zooms."
)
LIMITS = (
    "The numbers hold for the stated rays, cage, depth and sampling. They predict; they do not "
    "replace looking at the bake. A defect smaller than the space between samples can be missed. "
    "The heat map here shows the worst sample near every place, so that defects look up to half a "
    "cell larger than they are; the high poly is thinned for display only."
)


def region_groups(
    entries: Sequence[Entry], ways: Sequence[WayStep], listed: int
) -> tuple[RegionGroup, ...]:
    """Return the regions as the terminal groups them.

    listed : how many regions the page lists, by number.
    """
    steps = {step.way: step for step in ways}
    groups = []
    for way, mine in by_way(entries):
        rows = [tuple(r.number for r in e.regions if r.number <= listed) for e in mine]
        rows = [numbers for numbers in rows if numbers]
        if not rows:
            continue
        if way is None:
            groups.append(RegionGroup("Will not show", folded_words(mine), "", False, tuple(rows)))
        else:
            step = steps[way]
            title = sentence_case(way.title)
            groups.append(RegionGroup(title, way_words(step), step.next_named, True, tuple(rows)))
    return tuple(groups)


Totals = Sequence[dict[str, Any]]


def page_of_prediction(
    prediction: Prediction,
    *,
    before: Prediction | Totals | None = None,
    title: str | None = None,
    heat_vertices: int = HEAT_VERTICES,
    lit: Lit | None = None,
    with_lit: bool = True,
) -> PageContent:
    """Return the page of a prediction.

    Parameters
    ----------
    prediction : Prediction
        What `predict` returns.
    before : Prediction | Totals, optional
        An earlier prediction of the same meshes, or its `totals()`, for numbers side by side.
    title : str, optional
        The heading; the low poly's file name by default.
    heat_vertices : int, optional
        How fine the heat map is at most.
    lit : Lit, optional
        The bake lit, see `lit_of`; made here by default.
    with_lit : bool, optional
        Whether the bake is shown lit at all, which takes longer than all the rest.
    """
    findings, points = prediction.findings, prediction.points
    source = prediction.low.mesh.source
    heat = build_heat_map(prediction, most_vertices=heat_vertices)
    shown = prediction.regions[:MOST_REGIONS]
    earlier = before.totals() if isinstance(before, Prediction) else before
    return PageContent(
        heading="bake report",
        title=title or (label_of(source) if source else "bake"),
        word="defect",
        clean=prediction.clean,
        verdict=verdict(prediction),
        facts=_facts(prediction),
        settings=_settings(prediction),
        limits=LIMITS,
        low=prediction.low,
        surface=prediction.scene.surface,
        cage=prediction.cage,
        heat=heat,
        main=findings.main[heat.sample],
        region=region_of_samples(prediction)[heat.sample],
        area=np.bincount(findings.main, weights=points.area, minlength=256).astype(np.float64),
        categories=tuple(
            Category(int(d), d.title, DEFECT_COLOURS[d], sentence_case(KINDS[d].definition) + ".")
            for d in PRECEDENCE
        ),
        fields=tuple(
            PageField(name, words, unit, values[heat.sample])
            for name, words, unit, values in _measures(prediction)
        ),
        regions=tuple(shown),
        spots=tuple(_spot(prediction, heat, r, rays_per_region(len(shown))) for r in shown),
        region_count=len(prediction.regions),
        tiles=tuple(_tiles(prediction, heat)),
        tiles_note=TILES_NOTE,
        tables=(totals_table(_looked_for(prediction), earlier),),
        notices=prediction.notices,
        groups=region_groups(prediction.entries, prediction.ways, len(shown)),
        lit=lit or (lit_of(prediction) if with_lit else None),
        slide=slide_of(prediction, heat),
    )


def _looked_for(prediction: Prediction) -> Totals:
    """Return the totals without unseen high poly where nobody looked for it: 0 would be a claim."""
    return [
        row
        for row in prediction.totals()
        if row["name"] != Defect.UNSEEN.title or prediction.unseen is not None
    ]


def totals_table(totals: Totals, earlier: Totals | None = None) -> PageTable:
    """Return the table of all defects, with `earlier` the numbers before beside those after."""
    mapped = any(row["texels"] > 0 for row in totals)
    if earlier is None:
        amounts = ["texels", "of which show"] if mapped else ["of which show, %"]
        area = ["area, sq. units"] if mapped else []
        numbers = ["regions", *area, "% of the surface", *amounts]
        columns = [("defect", False), *((n, True) for n in numbers), ("what it is", False)]
    else:
        columns = [("defect", False), ("regions before", True), ("after", True),
                   ("% of the surface before", True), ("after", True), ("texels before", True),
                   ("after", True), ("what it is", False)]  # fmt: skip
    by_name = {row["name"]: row for row in earlier or ()}
    none = {"regions": 0, "percent": 0.0, "texels": 0.0}
    rows = []
    for row in totals:
        old = None if earlier is None else by_name.get(row["name"], none)
        defect = _DEFECTS[row["name"]]
        cells = [
            row["name"],
            *_cells(row, old, mapped),
            sentence_case(KINDS[defect].definition) + ".",
        ]
        faint = not row["regions"] and not (old and old["regions"])
        rows.append(Row(tuple(cells), DEFECT_COLOURS[defect], faint))
    title = "All defects" if earlier is None else "Before and after"
    return PageTable(title, tuple(Column(*c) for c in columns), tuple(rows))


def _cells(row: dict[str, Any], old: dict[str, Any] | None, mapped: bool) -> list[str]:
    def texts(values: dict[str, Any]) -> tuple[str, str, str]:
        return (
            count_text(values["regions"]),
            percent_text(values["percent"]),
            count_text(values["texels"]),
        )  # fmt: skip

    regions, percent, texels = texts(row)
    if old is None and not mapped:
        # Square units of a scan say nothing to anybody.
        seen = row["percent"] * row["area_seen"] / row["area"] if row["area"] > 0 else 0.0
        return [regions, percent, percent_text(seen)]
    if old is None:
        return [regions, area_text(row["area"]), percent, texels, count_text(row["texels_seen"])]
    return [cell for pair in zip(texts(old), (regions, percent, texels), strict=True)
            for cell in pair]  # fmt: skip


_DEFECTS = {kind.title: defect for defect, kind in KINDS.items()}


def _measures(prediction: Prediction) -> list[tuple[str, str, str, Floats]]:
    findings = prediction.findings
    return [
        (
            "visible",
            VISIBLE_ERROR,
            "degrees",
            prediction.visible_error,
        ),
        ("hit", "recorded surface above the low poly", "units", findings.hit_distance),
        ("slide", "sideways slide of the hit", "units", findings.slide),
        ("slant", "slant of the ray to the low-poly face", "degrees", findings.slant),
        ("lean", "recorded normal against shading normal", "degrees", findings.lean),
    ]


def _facts(prediction: Prediction) -> tuple[tuple[str, str], ...]:
    low, surface = prediction.low, prediction.scene.surface
    return (
        ("low poly", f"{count_text(len(low.triangles))} triangles, "
         f"{count_words(len(low.part_names), 'part')}"),
        ("high poly", f"{label_of(surface.source)}: "
         f"{count_text(surface.triangle_count)} triangles, "
         f"{count_words(len(surface.part_names), 'part')}"),
        ("cage", prediction.cage.label),
        ("rays", count_text(len(prediction.points))),
    )  # fmt: skip


def _settings(prediction: Prediction) -> tuple[tuple[str, str], ...]:
    chosen = prediction.settings
    size = chosen.texels or chosen.map_size
    scale = scale_of(prediction.low.mesh.source)
    return (
        ("depth", units_words(chosen.depth, scale)),
        ("reach", units_words(chosen.reach, scale)),
        ("maps", f"{size} × {size} texels per tile"),
        ("ray directions", chosen.directions),
        ("rays along", chosen.along),
        ("parts baked", "one by one" if chosen.apart else "together"),
        ("engine", prediction.engine),
        ("seed", str(chosen.seed)),
    )


def _tiles(prediction: Prediction, heat: HeatMap) -> list[TilePicture]:
    uv, tile = heat_uv(prediction.low, heat)
    if not np.isfinite(uv).any():
        return []
    main = worst_of_triangles(heat, prediction.findings.main)
    region = least_region(heat, region_of_samples(prediction))
    return draw_tiles(heat, uv, tile, main, region)


# Where regions lie --------------------------------------------------------------------------------


def _spot(prediction: Prediction, heat: HeatMap, region: Region, most_rays: int) -> Spot:
    low, none = prediction.low, np.zeros((0, 3))
    own = low.part_names.index(region.part)
    highs = set(np.flatnonzero(prediction.paired[own]).tolist())
    high_names = prediction.scene.surface.part_names
    guilty = guilty_parts(region, highs, high_names)
    highs.update(guilty)
    if region.defect is Defect.UNSEEN and prediction.unseen is not None:
        places = prediction.unseen.points.position[region.samples]
        normals = low.face_normals[prediction.unseen.low_triangle[region.samples]]
        nowhere = np.zeros(0, np.int32)
        return Spot(nowhere, places, normals, none, none, places, tuple(sorted(highs)), guilty)
    normals = normalised(low.face_normals[prediction.points.triangle[region.samples]])
    begin, end = ray_ends(prediction, spread(region.samples, most_rays))
    return Spot(
        vertices=np.unique(heat.vertex_of_sample[region.samples]),
        places=prediction.rays.origin[region.samples],
        normals=normals,
        ray_begin=begin,
        ray_end=end,
        points=none,
        high_parts=tuple(sorted(highs)),
        guilty=guilty,
    )


def guilty_parts(region: Region, paired: set[int], names: Sequence[str]) -> tuple[int, ...]:
    """Return the high part that a region records and that is none of its own."""
    if region.other_part is None or region.other_part not in names:
        return ()
    other = list(names).index(region.other_part)
    return () if other in paired else (other,)


def ray_ends(prediction: Prediction, samples: np.ndarray) -> tuple[Floats, Floats]:
    """Return where rays start and where they record something, or give up at the depth."""
    rays, findings = prediction.rays, prediction.findings
    depth = prediction.settings.depth or 0.0
    hit = findings.recorded[samples] != NO_LAYER
    stop = np.where(hit, findings.found.distances(samples), -depth)
    origin, direction = rays.origin[samples], rays.direction[samples]
    return origin + rays.start[samples, None] * direction, origin + stop[:, None] * direction
