"""What the page of an inspection shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.kinds import CLEAN
from cagecheck.inspecting.density import singular_values
from cagecheck.inspecting.finding import SEVERITIES, Finding
from cagecheck.inspecting.found_places import FoundPlace, found_places
from cagecheck.inspecting.inspection import Inspection, part_rows
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import scale_of
from cagecheck.meshes.tiles import NO_TILE
from cagecheck.report.colours import DEFECT_COLOURS, Rgb
from cagecheck.report.content import (
    MOST_REGIONS,
    Category,
    Column,
    ListedPlace,
    PageContent,
    PageField,
    PageTable,
    RegionGroup,
    Row,
    Spot,
)
from cagecheck.report.content import Finding as PageFinding
from cagecheck.report.heatmap import HeatMap
from cagecheck.report.tile_pictures import TilePicture, draw_tiles, heat_uv
from cagecheck.words.lengths import unit_note
from cagecheck.words.numbers import as_given, count_text, figures
from cagecheck.words.sentences import count_words, names_words, percent_text, sentence_case

LIMITS = (
    "These are the meshes as they are in the files, before any ray of a bake is cast. Which "
    "warnings sound models have too, and which limits of density and stretch are worth a word, is "
    "common practice. Nothing found is no promise of a clean bake: predict tells that."
)
TILES_NOTE = (
    "The same colours laid out flat; numbers mark what to see to first. Click a place to choose "
    "its region; the wheel zooms."
)
# The colours of the report pages, black last: it hides the shape that it lies on.
FINDING_COLOURS: tuple[Rgb, ...] = tuple(
    sorted(DEFECT_COLOURS.values(), key=lambda colour: colour == (0, 0, 0))
)[:10]
# What is often meant, or only worth knowing, has one calm colour together.
FOLDED_COLOUR: Rgb = (158, 163, 174)
FOLDED, MORE = len(FINDING_COLOURS), len(FINDING_COLOURS) - 1
FOLDED_TITLE, MORE_TITLE = "often meant, or only worth knowing", "further findings"
# Parts that a sentence names.
_NAMES = 3


@dataclass(frozen=True, eq=False)
class Laid:
    """The findings laid on the low poly.

    Attributes
    ----------
    places : those that have a place, as the page lists them.
    code, number : per triangle of the low poly, the category and the first place there, 0 for none.
    categories : what the codes are, the most severe first.
    code_of : per finding, its category.
    """

    places: tuple[FoundPlace, ...]
    code: NDArray[np.uint8]
    number: NDArray[np.int32]
    categories: tuple[Category, ...]
    code_of: tuple[int, ...]


def page_of_inspection(inspection: Inspection, *, title: str | None = None) -> PageContent:
    """Return the page of an inspection.

    Parameters
    ----------
    inspection : Inspection
        What `inspect_low` or `inspect_pair` returns.
    title : str, optional
        The heading; the low poly's file name by default.
    """
    low, laid = inspection.low, lay_findings(inspection)
    heat = triangles_apart(low)
    main, region = np.repeat(laid.code, 3), np.repeat(laid.number, 3)
    named = title or (low.mesh.source.name if low.mesh.source else "low poly")
    return PageContent(
        heading="inspection before a bake",
        title=named,
        word="finding",
        clean=not any(f.matters for f in inspection.findings),
        verdict=verdict(inspection),
        findings=tuple(_without_place(inspection, laid)),
        facts=_facts(inspection),
        settings=_settings(inspection),
        limits=LIMITS,
        low=low,
        surface=inspection.surface,
        cage=None,
        heat=heat,
        main=main,
        region=region,
        area=np.bincount(laid.code, weights=low.area, minlength=256).astype(np.float64),
        categories=laid.categories,
        fields=_fields(inspection),
        regions=tuple(_listed(inspection, laid)),
        spots=tuple(_spot(inspection, place) for place in laid.places),
        region_count=len(laid.places),
        tiles=tuple(_tiles(low, heat, laid)),
        tiles_note=TILES_NOTE,
        tables=(*_findings_table(inspection), _parts_table(inspection)),
        notices=inspection.notices,
        groups=_groups(inspection, laid),
        folded="often meant, or only worth knowing",
        amount_title="faces",
    )


def lay_findings(inspection: Inspection) -> Laid:
    """Lay the findings on the low poly; where several lie, the most severe shows.

    What does not matter leaves the model alone, unless there is nothing else.
    """
    low = inspection.low
    places = tuple(found_places(inspection)[:MOST_REGIONS])
    code_of, categories = _categories(inspection.findings)
    code = np.full(len(low.triangles), CLEAN, np.uint8)
    number = np.zeros(len(low.triangles), np.int32)
    shown = [p.on_low and inspection.findings[p.finding].matters for p in places]
    if not any(f.matters for f in inspection.findings):
        shown = [p.on_low for p in places]
    # The most severe last: it stays.
    for k in range(len(places) - 1, -1, -1):
        if shown[k]:
            code[places[k].triangles] = code_of[places[k].finding]
            number[places[k].triangles] = k + 1
    return Laid(places, code, number, tuple(categories), tuple(code_of))


def finding_title(finding: Finding) -> str:
    """Return what a finding is called among those of both meshes."""
    twice = finding.check.code == "crossing-parts" and finding.side == "high"
    return f"{finding.check.title}, high poly" if twice else finding.check.title


def verdict(inspection: Inspection) -> str:
    """Return the findings in a sentence or two."""
    first = [f for f in inspection.findings if f.matters]
    folded = len(inspection.findings) - len(first)
    if not inspection.findings:
        return "Nothing found."
    # Its check says what it is, its amount how much: "islands lying over each other (12 islands)".
    said = [f"{finding_title(f)} ({f.amount})" for f in first]
    words = f"See to {names_words(said, _NAMES)}." if said else "Nothing that must be seen to."
    if folded:
        kinds = count_words(folded, "kind", "kinds")
        are = "is" if folded == 1 else "are"
        words += f" {kinds} more {are} often meant, or only worth knowing."
    return words


# Words --------------------------------------------------------------------------------------------


def _categories(findings: tuple[Finding, ...]) -> tuple[list[int], list[Category]]:
    """Return the category of each finding, and the categories."""
    first = [k for k, f in enumerate(findings) if f.matters]
    crowded = len(first) > len(FINDING_COLOURS)
    code_of = [FOLDED] * len(findings)
    out = []
    for code, k in enumerate(first):
        code_of[k] = min(code, MORE)
        if code < MORE or (code == MORE and not crowded):
            f = findings[k]
            out.append(Category(code, finding_title(f), FINDING_COLOURS[code], f.check.harm))
    if crowded:
        out.append(Category(MORE, MORE_TITLE, FINDING_COLOURS[MORE], "Further findings."))
    out.append(Category(FOLDED, FOLDED_TITLE, FOLDED_COLOUR, "Sound models have it too."))
    return code_of, out


def _without_place(inspection: Inspection, laid: Laid) -> list[PageFinding]:
    """Return what concerns the meshes as a whole."""
    placed = {place.finding for place in laid.places}
    return [
        PageFinding(f"{sentence_case(f.check.title)}.", f"{f.text} {f.check.harm}", f.cure)
        for k, f in enumerate(inspection.findings)
        if k not in placed and f.matters
    ]


def _groups(inspection: Inspection, laid: Laid) -> tuple[RegionGroup, ...]:
    """Return a group per finding; what it has on one part is one row until it is opened."""
    groups = []
    for k, finding in enumerate(inspection.findings):
        entries: dict[tuple[bool, str], list[int]] = {}
        for number, place in enumerate(laid.places, start=1):
            if place.finding == k:
                entries.setdefault((place.on_low, place.part), []).append(number)
        if not entries:
            continue
        words = f"{finding.text} {finding.check.harm} {finding.cure}"
        if not finding.matters:
            words = (
                f"{finding.text} {finding.check.often_meant or finding.check.harm} {finding.cure}"
            )
        groups.append(
            RegionGroup(
                f"{sentence_case(finding.severity)}, {finding_title(finding)}",
                words,
                "",
                finding.matters,
                tuple(tuple(numbers) for numbers in entries.values()),
            )
        )
    return tuple(groups)


def _listed(inspection: Inspection, laid: Laid) -> list[ListedPlace]:
    low, out = inspection.low, []
    for number, place in enumerate(laid.places, start=1):
        finding = inspection.findings[place.finding]
        middle = place.points.mean(axis=0)
        away = np.linalg.norm(place.points - middle, axis=1)
        nearest = place.points[int(np.argmin(away))]
        out.append(
            ListedPlace(
                number=number,
                defect=laid.code_of[place.finding],
                name=finding_title(finding),
                part=place.part,
                tile=_tile_of(low, place),
                centroid=(float(nearest[0]), float(nearest[1]), float(nearest[2])),
                radius=float(np.linalg.norm(place.points - nearest, axis=1).max()),
                amount=place.faces,
                size=_size(inspection, place),
                worst="" if place.told is None else place.told.note,
                cause=sentence_case(finding.check.harm),
                cure=sentence_case(finding.cure),
            )
        )
    return out


def _tile_of(low: LowPoly, place: FoundPlace) -> int:
    """Return the tile that most of a place's triangles lie on."""
    if not place.on_low or len(place.triangles) == 0:
        return NO_TILE
    tiles, counts = np.unique(low.tile[place.triangles], return_counts=True)
    return int(tiles[int(np.argmax(counts))])


def _size(inspection: Inspection, place: FoundPlace) -> str:
    low, surface = inspection.low, inspection.surface
    if not place.on_low:
        assert surface is not None
        whole = int((surface.triangle_part == surface.part_names.index(place.part)).sum())
        share = percent_text(100 * place.faces / max(whole, 1))
        return f"{count_words(place.faces, 'triangle')} of the high poly, {share} % of the part’s"
    faces = count_words(place.faces, "face")
    if len(place.triangles) == 0:
        return f"{faces} without area"
    part = low.part_names.index(place.part)
    area = float(low.area[low.triangle_part == part].sum()) or 1.0
    of_part = float(low.area[place.triangles].sum()) / area
    return f"{faces}, {percent_text(100 * of_part)} % of the part"


def _facts(inspection: Inspection) -> tuple[tuple[str, str], ...]:
    low, surface = inspection.low, inspection.surface
    rows = [
        ("low poly", f"{count_words(low.mesh.face_count, 'face')}, "
         f"{count_words(len(low.triangles), 'triangle')}, "
         f"{count_words(len(low.part_names), 'part')}"),
    ]  # fmt: skip
    if surface is not None:
        name = surface.source.name if surface.source else "in memory"
        rows.append(("high poly", f"{name}: {count_words(surface.triangle_count, 'triangle')}, "
                     f"{count_words(len(surface.part_names), 'part')}"))  # fmt: skip
    if inspection.tiles is not None:
        tiles = ", ".join(map(str, inspection.tiles.tiles))
        rows.append(("UVs", f"{count_words(inspection.islands, 'island')} on {tiles or 'no tile'}"))
    many = {s: inspection.count(s) for s in SEVERITIES}
    plural = {"information": "information"}
    said = [count_words(n, s, plural.get(s)) for s, n in many.items() if n]
    rows.append(("kinds of findings", ", ".join(said) or "none"))
    return tuple(rows)


def _settings(inspection: Inspection) -> tuple[tuple[str, str], ...]:
    return (
        ("maps", f"{inspection.map_size} × {inspection.map_size} texels per tile"),
        ("padding", f"{as_given(inspection.padding)} texels"),
        ("normals", inspection.low.normal_rule.describe()),
        ("lengths", unit_note(scale_of(inspection.low.mesh.source))),
    )


# Tables -------------------------------------------------------------------------------------------


def _findings_table(inspection: Inspection) -> list[PageTable]:
    if not inspection.findings:
        return []
    columns = (Column("found"), Column("severity"), Column("how many", True), Column("parts"),
               Column("what it does"), Column("what to do"))  # fmt: skip
    laid_code, categories = _categories(inspection.findings)
    colours = {c.code: c.colour for c in categories}
    rows = tuple(
        Row(
            (finding_title(f), f.severity, f.amount,
             names_words(sorted(f.by_part, key=lambda name: -f.by_part[name]), _NAMES) or "–",
             f"{f.check.harm} {f.check.often_meant}".rstrip(), f.cure),
            colours[code],
            faint=not f.matters,
        )
        for f, code in zip(inspection.findings, laid_code, strict=True)
    )  # fmt: skip
    return [PageTable("All findings", columns, rows)]


def _parts_table(inspection: Inspection) -> PageTable:
    columns = [Column("part"), Column("faces", True), Column("triangles", True), Column("tiles")]
    mapped = inspection.density is not None
    if mapped:
        columns += [Column("texels per unit", True), Column("a tenth below", True),
                    Column("above", True), Column("stretch", True)]  # fmt: skip
    rows = []
    for row in part_rows(inspection):
        cells = [row["part"], count_text(row["faces"]), count_text(row["triangles"]),
                 ", ".join(map(str, row["tiles"])) or "none"]  # fmt: skip
        if mapped:
            keys = ("texels_per_unit", "low_tenth", "high_tenth", "l2_stretch")
            cells += ["–" if row[k] is None else figures(row[k], 3) for k in keys]
        rows.append(Row(tuple(cells)))
    size = inspection.map_size
    note = (
        f"Texels per unit are for maps of {size} × {size}; a stretch of 1 is none."
        if mapped
        else ""
    )
    return PageTable("Parts", tuple(columns), tuple(rows), note)


# The model ----------------------------------------------------------------------------------------


def triangles_apart(low: LowPoly) -> HeatMap:
    """Return the low poly with corners of its own for every triangle: each has its own colour."""
    count = len(low.triangles)
    corner = np.arange(3 * count, dtype=np.int32)
    return HeatMap(
        positions=low.positions[low.triangles].reshape(-1, 3),
        triangles=corner.reshape(-1, 3),
        low_triangle=np.arange(count, dtype=np.int32),
        sample=corner.astype(np.int64),
        colours=np.zeros((3 * count, 4), np.uint8),
        fields={},
        vertex_of_sample=corner,
    )


def _fields(inspection: Inspection) -> tuple[PageField, ...]:
    low = inspection.low
    if inspection.density is None:
        return ()
    largest, smallest = singular_values(low)
    local = low.texels_per_unit(inspection.map_size)
    with np.errstate(invalid="ignore"):
        longer = largest / smallest
    fields: list[tuple[str, str, str, Floats]] = [
        ("density", "texel density", "texels per unit", np.where(local > 0, local, np.nan)),
        ("stretch", "stretch in the UVs", "times longer than wide", longer),
    ]
    return tuple(
        PageField(name, words, unit, np.repeat(values, 3)) for name, words, unit, values in fields
    )


def _tiles(low: LowPoly, heat: HeatMap, laid: Laid) -> list[TilePicture]:
    uv, tile = heat_uv(low, heat)
    if not np.isfinite(uv).any():
        return []
    return draw_tiles(heat, uv, tile, laid.code, laid.number.astype(np.uint16))


def _spot(inspection: Inspection, place: FoundPlace) -> Spot:
    none = np.zeros((0, 3))
    corners = 3 * place.triangles[:, None] + np.arange(3) if place.on_low else np.zeros((0, 3))
    dots = not place.on_low or len(place.triangles) == 0
    surface = inspection.surface
    high: tuple[int, ...] = ()
    if not place.on_low:
        assert surface is not None
        high = (surface.part_names.index(place.part),)
    return Spot(
        vertices=corners.reshape(-1).astype(np.int32),
        places=place.points,
        normals=place.normals,
        ray_begin=none,
        ray_end=none,
        points=place.points if dots else none,
        high_parts=high,
        low_parts=None if place.on_low else (),
    )
