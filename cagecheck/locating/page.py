"""What the report page of `locate` shows."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.spread import spread
from cagecheck.arrays.types import Floats
from cagecheck.defects.headline import headline
from cagecheck.defects.kinds import CLEAN, KINDS, Defect
from cagecheck.defects.regions import Region
from cagecheck.locating.compare import TITLES, Fault
from cagecheck.locating.conventions import turned
from cagecheck.locating.fault_heat import FAULT_COLOURS, FaultHeat, fault_heat, region_picture
from cagecheck.locating.first_look import over_tile
from cagecheck.locating.locate import Location
from cagecheck.locating.offset_guess import OffsetGuess
from cagecheck.locating.one_map import LocatedMap, TileRecord
from cagecheck.locating.read_maps import as_shares
from cagecheck.meshes.mesh import scale_of
from cagecheck.meshes.normals import normalised
from cagecheck.predicting.page import guilty_parts, region_groups
from cagecheck.rays.cage import rays_through
from cagecheck.report.colours import DEFECT_COLOURS
from cagecheck.report.content import (
    HEAT_VERTICES,
    MOST_REGIONS,
    Category,
    Column,
    Finding,
    PageContent,
    PageField,
    PageTable,
    Row,
    Spot,
)
from cagecheck.report.fields import VISIBLE_ERROR
from cagecheck.report.tile_pictures import (
    EMPTY,
    TILE_SIZE,
    TilePicture,
    draw_island_edges,
    least_of_blocks,
    photo_of,
    worst_region_of_blocks,
)
from cagecheck.report.web_scene import rays_per_region
from cagecheck.words.lengths import length_words, units_words
from cagecheck.words.numbers import area_text, count_text, decimals, share_text
from cagecheck.words.sentences import count_words, names_words, sentence_case

DEFINITIONS: dict[Fault, str] = {
    Fault.OTHER_PART: "The map shows another part than the one that belongs here.",
    Fault.OTHER_FOLD: "The map shows a layer of the same part above the surface that belongs here.",
    Fault.TOO_DEEP: "The map shows a layer below the surface that belongs here.",
    Fault.MISSED: "The map holds its fill colour: nothing was recorded.",
    Fault.BACK_FACING: "The map shows the back of the surface that belongs here.",
    Fault.ISLAND_MOVED: "The picture of a UV island lies beside the island.",
    Fault.HIGH_MOVED: "The map shows the high poly as it lay elsewhere.",
    Fault.SKEW: "The map shows the right surface, slid sideways.",
    Fault.SEAM: "The two sides of a UV seam shade differently.",
    Fault.PADDING: "Texels beside islands show the background.",
    Fault.NOISE: "Normals scatter from texel to texel, and the high poly does not.",
    Fault.UNEXPLAINED: "The map differs, and no layer, shift or miss explains it.",
}
LIMITS = (
    "Every texel was held against what its ray could have recorded through the stated cage. Causes "
    "are the likeliest explanation, and cures are proposals until a new bake shows them. Places "
    "that differ by less than filtering and 8 bits do are taken for right, so heights and lengths "
    "are those of visibly wrong texels; a prediction counts every texel, and its numbers for the "
    "same place may be larger. The high poly is thinned for display only."
)
TILES_NOTE = (
    "Maps are shown upright, as the UVs lie. Numbers mark the worst regions. Click a place to "
    "choose its region; the wheel zooms both pictures."
)
AGREEMENT_NOTE = (
    "Agreement says how well the map, so read, shows what the rays would record: 100 % is "
    "everywhere, and unrelated maps stay below 25 %."
)
# Defects whose colour means the same among the faults; the colours of the others mean other faults
# on this page.
_ALSO_FAULTS = {
    Defect.MISS_NOTHING,
    Defect.OVERSHOOT_OWN,
    Defect.OVERSHOOT_OTHER,
    Defect.BACK_FACING,
    Defect.SKEW,
}
# Causes that the page lists; the document holds all.
MOST_CAUSES = 12
# Names of maps that a sentence can hold.
MOST_NAMES = 3


def page_of_location(
    location: Location, *, title: str | None = None, heat_vertices: int = HEAT_VERTICES
) -> PageContent:
    """Return the page of what `locate` found.

    Parameters
    ----------
    location : Location
        What `locate` returns.
    title : str, optional
        The heading; the low poly's file name by default.
    heat_vertices : int, optional
        How fine the heat map is at most.
    """
    laid = fault_heat(location, most_vertices=heat_vertices)
    fields = laid.heat.fields
    shown = location.regions[:MOST_REGIONS]
    return PageContent(
        heading="report on baked maps",
        title=title or (location.low.mesh.source.name if location.low.mesh.source else "maps"),
        word="fault",
        clean=location.clean,
        verdict=verdict(location),
        findings=tuple(_findings(location)),
        facts=_facts(location),
        settings=_settings(location),
        limits=LIMITS,
        low=location.low,
        surface=location.scene.surface,
        cage=location.cage,
        heat=laid.heat,
        main=fields["fault"],
        region=fields["region"],
        area=laid.area,
        categories=tuple(
            Category(int(f), TITLES[f], FAULT_COLOURS[f], DEFINITIONS[f]) for f in TITLES
        ),
        fields=(
            PageField("visible", VISIBLE_ERROR, "degrees", fields["visible_error"]),
            PageField("gap", "shown above expected surface, where it is wrong", "units",
                      fields["gap"]),
        ),
        regions=tuple(shown),
        spots=tuple(_spots(location, shown, laid)),
        region_count=len(location.regions),
        tiles=tuple(_tile(location, found) for found in location.maps),
        tiles_note=TILES_NOTE,
        tables=(
            *([_order_table(location)] if location.causes else []),
            _readings(location), _bake_table(location), _totals_table(location),
            _defects_table(location),
        ),
        notices=location.notices,
        groups=region_groups(location.entries, location.ways, len(shown)),
    )  # fmt: skip


# Words --------------------------------------------------------------------------------------------


def verdict(location: Location) -> str:
    """Return the finding in a sentence or two."""
    if location.clean:
        return "Nothing found: every texel shows the surface that belongs to it."
    parts = []
    # Several maps may differ in the same way, each for itself.
    whole = [cause.code.replace("-", " ") for cause in location.causes if not cause.regions]
    if codes := list(dict.fromkeys(whole)):
        verb = "differs" if len(codes) == 1 else "differ"
        parts.append(f"{count_words(len(codes), 'convention')} {verb}: {', '.join(codes)}.")
    if location.regions:
        places = count_words(len(location.regions), "place")
        kinds = count_words(len({r.name for r in location.regions}), "kind")
        parts.append(
            f"{headline(location.entries)} In all the maps are wrong in {places} ({kinds} of "
            "fault)."
        )
    elif all(found.record is not None for found in location.maps):
        parts.append("Read rightly, every texel shows the surface that belongs to it.")
    return " ".join(parts)


def _findings(location: Location) -> list[Finding]:
    """Return what befell whole maps and parts; places stand in the list of regions."""
    out = []
    for cause in location.causes:
        if cause.regions:
            continue
        if len(cause.maps) == len({m.source.path for m in location.maps}) > 1:
            where = "all maps"
        else:
            where = names_words(list(cause.maps), MOST_NAMES)
        title = cause.code.replace("-", " ")
        out.append(Finding(title, f"{where}: {cause.text}.", sentence_case(cause.cure) + "."))
    return out


def offset_words(guess: OffsetGuess | None) -> str:
    """Say which offset the bake was likely made with, and how sure that is."""
    if guess is None:
        return "too few texels can tell"
    return (
        f"likely between {length_words(guess.least)} and {length_words(guess.most)} "
        f"({guess.unit}); "
        f"{share_text(guess.agree, 1)} of {count_words(guess.voters, 'telling texel')} agree"
    )


def depth_words(guess: OffsetGuess | None) -> str | None:
    """Say which depth the bake was likely made with; None where nothing tells."""
    if guess is None:
        return None
    # Surface is missed for other reasons than depth, too; then the shallowest miss says nothing.
    if guess.lost_depth is not None and guess.lost_depth > guess.recorded_depth:
        return f"likely between {length_words(guess.recorded_depth)} and "
        f"{length_words(guess.lost_depth)} units"
    if guess.recorded_depth > 0:
        return (
            f"at least about {length_words(guess.recorded_depth)} units, since surface as deep as "
            "that was "
            "recorded"
        )
    return None


def _facts(location: Location) -> tuple[tuple[str, str], ...]:
    low, surface, maps = location.low, location.scene.surface, location.maps
    texels = sum(m.record.covered.sum() for m in maps if m.record is not None)
    rows = [
        ("low poly", f"{count_words(len(low.triangles), 'triangle')}, "
         f"{count_words(len(low.part_names), 'part')}"),
        ("high poly", f"{(surface.source.name if surface.source else 'in memory')}: "
         f"{count_words(surface.triangle_count, 'triangle')}, "
         f"{count_words(len(surface.part_names), 'part')}"),
        ("maps", f"{count_text(len(maps))} with {count_words(texels, 'texel')} compared"),
        ("offset of the bake", offset_words(location.offset)),
    ]  # fmt: skip
    depth = depth_words(location.offset)
    return (*rows, *([] if depth is None else [("depth of the bake", depth)]))


def _settings(location: Location) -> tuple[tuple[str, str], ...]:
    chosen = location.settings
    rows = [
        ("compared with cage", location.cage.label),
        ("depth", units_words(chosen.depth or 0, scale_of(location.low.mesh.source))),
        ("ray directions", chosen.directions),
        ("rays along", chosen.along),
        ("parts baked", "one by one" if chosen.apart else "together"),
        ("engine", location.scene.engine),
        ("seed", str(chosen.seed)),
    ]
    if location.specks:
        rows.append(("texels too few or too faint to list", count_text(location.specks)))
    return tuple(rows)


# Tables -------------------------------------------------------------------------------------------


def totals(location: Location) -> list[dict[str, Any]]:
    """Return one row per fault: name, regions, texels, how many of them show, area, harm."""
    rows = []
    for fault, title in TITLES.items():
        mine = [r for r in location.regions if r.defect is fault]
        rows.append(
            {
                "name": title,
                "regions": len(mine),
                "texels": round(sum(r.texels for r in mine)),
                "texels_seen": round(sum(r.texels_seen for r in mine)),
                "harm": sum(r.harm for r in mine),
                "area": sum(r.area for r in mine),
            }
        )
    return rows


def _defects_table(location: Location) -> PageTable:
    columns = (Column("defect"), Column("texels", True), Column("of which show", True),
               Column("what it is"))  # fmt: skip
    rows = tuple(
        Row(
            (shown.defect.title, count_text(shown.texels), count_text(shown.texels_seen),
             sentence_case(KINDS[shown.defect].definition) + "."),
            DEFECT_COLOURS[shown.defect] if shown.defect in _ALSO_FAULTS else None,
            faint=not shown.texels,
        )
        for shown in location.defects
    )  # fmt: skip
    note = (
        "What rays through the assumed cage do at the texels, as predict says it, and how much of "
        "it the maps show."
    )
    return PageTable("Defects of such a bake", columns, rows, note)


def _totals_table(location: Location) -> PageTable:
    columns = (Column("fault"), Column("regions", True), Column("texels", True),
               Column("of which show", True),
               Column("area, sq. units", True), Column("what it is"))  # fmt: skip
    kinds = {title: fault for fault, title in TITLES.items()}
    rows = []
    for row in totals(location):
        fault = kinds[row["name"]]
        cells = (row["name"], count_text(row["regions"]), count_text(row["texels"]),
                 count_text(row["texels_seen"]), area_text(row["area"]),
                 DEFINITIONS[fault])  # fmt: skip
        rows.append(Row(cells, FAULT_COLOURS[fault], not row["regions"]))
    return PageTable("All faults", columns, tuple(rows))


def _order_table(location: Location) -> PageTable:
    columns = (Column("what"), Column("why"), Column("what to do"), Column("texels", True),
               Column("regions"))  # fmt: skip
    rows = []
    for cause in location.causes[:MOST_CAUSES]:
        numbers = ", ".join(f"#{n}" for n in cause.regions[:MOST_NAMES])
        more = " …" if len(cause.regions) > MOST_NAMES else ""
        texels = count_text(cause.texels) if cause.regions else "all"
        rows.append(
            Row((cause.code.replace("-", " "), sentence_case(cause.text) + ".",
                 sentence_case(cause.cure) + ".", texels, numbers + more or "–"))
        )  # fmt: skip
    return PageTable("What to mend first", columns, tuple(rows))


def _bake_table(location: Location) -> PageTable:
    columns = (Column("setting"), Column("value"), Column("how sure"), Column("what tells it"))
    rows = tuple(Row((s.name, s.value, s.sure, s.why)) for s in location.bake)
    return PageTable("Settings of the bake, as the maps tell them", columns, rows)


def _readings(location: Location) -> PageTable:
    columns = (
        Column("map"), Column("tile", True), Column("size", True), Column("depth"),
        Column("agreement", True), Column("space"), Column("stands"), Column("X, Y, Z in"),
        Column("values"), Column("tangent basis"), Column("quads"), Column("padding"),
    )  # fmt: skip
    rows = tuple(Row(_reading_cells(found)) for found in location.maps)
    return PageTable("How the maps were read", columns, rows, AGREEMENT_NOTE)


def _reading_cells(found: LocatedMap) -> tuple[str, ...]:
    reading, (width, height) = found.reading, found.source.size
    words = reading.to_dict()
    signs = zip(words["signs"], words["channels"], strict=True)
    return (
        found.source.name,
        str(reading.tile) if found.record is not None else "none",
        f"{width} × {height}",
        found.source.depth_words,
        share_text(reading.agreement),
        reading.space,
        words["turned"],
        ", ".join(f"{'−' if sign < 0 else ''}{channel}" for sign, channel in signs),
        reading.transfer,
        reading.basis.describe(),
        f"cut {reading.quads}",
        "–" if found.padding is None
        else f"{decimals(found.padding.width, 0)} of {count_words(found.padding.needed, 'texel')}",
    )  # fmt: skip


# Tiles --------------------------------------------------------------------------------------------


def _tile(location: Location, found: LocatedMap) -> TilePicture:
    """Draw a map's faults, and the map itself beside them."""
    name = found.source.name
    photo = photo_of(turned(over_tile(_shares(found.source.values)), found.reading.turn))
    if found.record is None or found.fault is None:
        none = np.full((TILE_SIZE, TILE_SIZE), EMPTY, np.uint8)
        tile = found.source.tile or found.reading.tile
        return TilePicture(
            tile, none, np.zeros_like(none, np.uint16), photo, f"{name} fits no tile"
        )
    step = max(-(-found.record.size // TILE_SIZE), 1)
    region = worst_region_of_blocks(region_picture(location, found.record), step)
    listed = np.where(region < 1 << 16, region, 0).astype(np.uint16)
    main = least_of_blocks(_faults_on_tile(found, found.record), step)
    # Within a block surface counts before the empty around it, and a fault before both.
    main = np.where(main == CLEAN - 1, CLEAN, np.where(main == CLEAN, EMPTY, main))
    main = main.astype(np.uint8)
    draw_island_edges(main)
    return TilePicture(found.record.tile, main, listed, photo, name)


def _faults_on_tile(found: LocatedMap, record: TileRecord) -> NDArray[np.uint8]:
    """Return (H, W) uint8: the fault, `CLEAN` - 1 on clean surface and `CLEAN` off it."""
    assert found.fault is not None
    out = np.where(record.covered, np.uint8(CLEAN - 1), np.uint8(CLEAN))
    faulty = found.fault != Fault.CLEAN
    out[faulty] = found.fault[faulty]
    if found.padding is not None and found.padding.too_thin:
        out[found.padding.bare] = Fault.PADDING
    return out


def _shares(values: NDArray[Any]) -> NDArray[np.float32]:
    """Return a map from 0 to 1, thinned to about what is shown."""
    step = max(max(values.shape[:2]) // (2 * TILE_SIZE), 1)
    return as_shares(values[::step, ::step])


# Where regions lie --------------------------------------------------------------------------------


def _spots(location: Location, regions: list[Region], laid: FaultHeat) -> list[Spot]:
    low, texels = location.low, location.texels
    high_names = location.scene.surface.part_names
    most, none = rays_per_region(len(regions)), np.zeros((0, 3))
    out = []
    for region, vertices in zip(regions, laid.members, strict=False):
        highs = set(np.flatnonzero(location.paired[low.part_names.index(region.part)]).tolist())
        guilty = guilty_parts(region, highs, high_names)
        highs.update(guilty)
        begin, end = ray_ends(location, spread(region.samples, most))
        out.append(
            Spot(
                vertices=vertices,
                places=texels.positions[region.samples],
                normals=normalised(low.face_normals[texels.points.triangle[region.samples]]),
                ray_begin=begin,
                ray_end=end,
                points=none,
                high_parts=tuple(sorted(highs)),
                guilty=guilty,
            )
        )
    return out


def ray_ends(location: Location, samples: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return where the texels' rays start and where the map says that they ended.

    That is the layer which explains what the map shows, the depth where it shows nothing, and
    else the surface that belongs there.
    """
    texels, settings = location.texels, location.settings
    rays = rays_through(
        location.low, location.cage, texels.points.take(samples), settings.along
    )  # fmt: skip
    target, gap = texels.target[samples], texels.gap[samples]
    depth = -(settings.depth or 0.0)
    stop = np.where(np.isfinite(target), target, depth)
    other = np.where(np.isfinite(target), target + gap, gap)
    stop = np.where(np.isfinite(gap), other, stop)
    stop = np.where(texels.fault[samples] == Fault.MISSED, depth, stop)
    begin = rays.origin + rays.start[:, None] * rays.direction
    return begin, rays.origin + stop[:, None] * rays.direction
