"""What a report page shows, whichever command found it: plain data, no drawing.

`cagecheck.predicting.page`, `cagecheck.tuning.page`, `cagecheck.locating.page` and
`cagecheck.inspecting.page` fill a `PageContent`; `cagecheck.report.page` turns it into HTML and
knows nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.kinds import CLEAN
from cagecheck.defects.regions import Region
from cagecheck.errors import Notice
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.rays.cage import Cage
from cagecheck.report.colours import Rgb
from cagecheck.report.heatmap import HeatMap
from cagecheck.report.lit import Lit
from cagecheck.report.tile_pictures import TilePicture

# As many regions as a list is read to; the files hold all.
MOST_REGIONS = 2000
# How fine the heat map of a page is at most.
HEAT_VERTICES = 160_000


@dataclass(frozen=True)
class Category:
    """One kind of trouble: the code in `PageContent.main`, its name, colour and definition."""

    code: int
    title: str
    colour: Rgb
    definition: str


@dataclass(frozen=True, eq=False)
class PageField:
    """A measure to colour the model by: (K,) values of the heat map's vertices, NaN for none."""

    name: str
    title: str
    unit: str
    values: Floats


@dataclass(frozen=True)
class ListedPlace:
    """A region of which texels and what shows of them say nothing: it has its own words.

    defect : the code of its category; amount : how much, in what `PageContent.amount_title` names;
    size, worst : for the card, empty for nothing to say; the others as in
    `cagecheck.defects.regions.Region`.
    """

    number: int
    defect: int
    name: str
    part: str
    tile: int
    centroid: tuple[float, float, float]
    radius: float
    amount: int
    size: str
    worst: str
    cause: str
    cure: str


Listed = Region | ListedPlace


@dataclass(frozen=True, eq=False)
class Spot:
    """Where a region lies.

    Attributes
    ----------
    vertices : (n,) int32 heat-map vertices that light up.
    places, normals : (m, 3) points of the region and unit normals of the low poly there, from
        which the best view is found.
    ray_begin, ray_end : (r, 3), rays from the cage to what they record.
    points : (p, 3) dots, for surface that lies off the low poly.
    high_parts : high parts that belong into a picture of the region.
    guilty : high parts that are recorded and should not be.
    low_parts : low parts that belong into the picture; None for the one that the region names.
    """

    vertices: NDArray[np.int32]
    places: Floats
    normals: Floats
    ray_begin: Floats
    ray_end: Floats
    points: Floats
    high_parts: tuple[int, ...]
    guilty: tuple[int, ...] = ()
    low_parts: tuple[int, ...] | None = None


@dataclass(frozen=True, eq=False)
class Slide:
    """What is wrong with the cage at other distances.

    factors : (S,) stops of the slider, times the cage's own distance (world units where `touching`:
    the cage lies on the low poly). own : the stop that is the cage as it is. code : (S, K) uint8
    category of the heat map's vertices; area : (S, 256) area by category; words : every stop said.
    """

    factors: Floats
    own: int
    code: NDArray[np.uint8]
    area: NDArray[np.float64]
    words: tuple[str, ...]
    touching: bool


@dataclass(frozen=True)
class Finding:
    """Something that concerns the whole result: a title, what it is, what to do."""

    title: str
    text: str
    cure: str = ""


@dataclass(frozen=True)
class RegionGroup:
    """Regions that are mended in one way: how many, and the command that does it.

    shows : whether one will see any of them; what one will not see is folded away. entries : the
    numbers of its regions, those that are one thing to mend together, all in the order of the list.
    """

    title: str
    text: str
    next: str
    shows: bool
    entries: tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class Column:
    """A column of a table; `number` columns are aligned to the right."""

    title: str
    number: bool = False


@dataclass(frozen=True)
class Row:
    """A row of a table: its cells, a colour chip before the first, `faint` where nothing is."""

    cells: tuple[str, ...]
    colour: Rgb | None = None
    faint: bool = False


@dataclass(frozen=True)
class PageTable:
    """A table of the page. `wide` tables take the page's whole width."""

    title: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    note: str = ""


@dataclass(frozen=True)
class PageChart:
    """A picture below the tables: a PNG, and what it shows for those who cannot see it."""

    title: str
    png: bytes
    words: str


@dataclass(frozen=True, eq=False)
class PageContent:
    """A page.

    Attributes
    ----------
    heading, title : the small line above and the title (the low poly's name).
    word : what a region is called here, in the singular ("defect", "fault").
    clean, verdict : the finding in a sentence.
    findings : what concerns the whole; notices : what is worth knowing about the input.
    facts, settings : (name, value) pairs for reading.
    limits : what the numbers hold for.
    tables : tables below the tiles; charts : pictures below these.
    lit : the model lit with normal maps, shown first; None for colours by defect alone.
    slide : the defects at other distances of the cage; None for no slider.
    low, surface, cage : the meshes; surface None leaves the high poly out, cage None cage and rays.
    heat : the low poly cut finely; main : (K,) uint8 category of its vertices, `CLEAN` for none;
        region : (K,) the most harmful region there, 0 for none; area : (256,) area by category.
    categories : the worst first.
    regions, spots : by rank, and where each lies; region_count : also those not listed.
    tiles : UV tiles as pictures.
    tiles_note : how to read them.
    groups : all of `regions`, by how they are mended.
    folded : what those are that are folded away, in words.
    amount_title : what the amounts of places are; empty where `regions` have texels or a share.
    """

    heading: str
    title: str
    word: str
    clean: bool
    verdict: str
    facts: tuple[tuple[str, str], ...]
    settings: tuple[tuple[str, str], ...]
    limits: str
    low: LowPoly
    surface: Surface | None
    cage: Cage | None
    heat: HeatMap
    main: NDArray[np.uint8]
    region: NDArray[np.int32]
    area: NDArray[np.float64]
    categories: tuple[Category, ...]
    fields: tuple[PageField, ...]
    regions: tuple[Listed, ...]
    spots: tuple[Spot, ...]
    region_count: int
    tiles: tuple[TilePicture, ...]
    tiles_note: str
    tables: tuple[PageTable, ...]
    findings: tuple[Finding, ...] = ()
    notices: tuple[Notice, ...] = field(default=())
    groups: tuple[RegionGroup, ...] = ()
    folded: str = "that will not show"
    amount_title: str = ""
    charts: tuple[PageChart, ...] = ()
    lit: Lit | None = None
    slide: Slide | None = None

    def colour_of(self, region: Listed) -> Rgb:
        """Return the colour of a region's category."""
        return next(c.colour for c in self.categories if c.code == region.defect)

    def rank(self) -> NDArray[np.uint8]:
        """Return (256,) the rank of every category code, 0 the worst."""
        rank = np.full(256, len(self.categories), np.uint8)
        for k, category in enumerate(self.categories):
            rank[category.code] = k
        assert rank[CLEAN] == len(self.categories)
        return rank
