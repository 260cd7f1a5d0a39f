"""What a list of regions tells: one entry for what is one thing to the artist, in order.

Order: what spoils a whole part stands first (no partner, not aligned, inside out), since nothing
else on that part counts until it is mended; what may well be meant stands last; between them goes
what harms most (`cagecheck.defects.harm`), and what does not show after all that does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from cagecheck.arrays.components import connected
from cagecheck.defects.reasons import INFORMATION, OF_WHOLE_PARTS, Code
from cagecheck.defects.regions import Region, by_harm
from cagecheck.defects.ways import Way, way_of


@dataclass(frozen=True)
class Entry:
    """Regions of one defect and one cause on one part.

    Attributes
    ----------
    first : Region
        The most harmful of them.
    others : tuple[Region, ...]
        The rest of them.
    places : int
        How many places they lie in; regions whose balls touch lie at one place.
    see_first : tuple[int, ...]
        Numbers of the regions that spoil the whole part: to be mended before this.
    """

    first: Region
    others: tuple[Region, ...] = ()
    places: int = 1
    see_first: tuple[int, ...] = ()

    @property
    def regions(self) -> tuple[Region, ...]:
        """All regions of the entry, the most harmful first."""
        return (self.first, *self.others)

    @property
    def texels(self) -> float:
        """The texels of all of them."""
        return sum(region.texels for region in self.regions)

    @property
    def area(self) -> float:
        """The area of all of them, square units."""
        return sum(region.area for region in self.regions)

    @property
    def texels_seen(self) -> float:
        """The texels of all of them that show."""
        return sum(region.texels_seen for region in self.regions)

    @property
    def area_seen(self) -> float:
        """The area of all of them that shows, square units."""
        return sum(region.area_seen for region in self.regions)

    @property
    def harm(self) -> float:
        """The harm of all of them, see `harm`."""
        return sum(region.harm for region in self.regions)

    @property
    def shows(self) -> bool:
        """Whether any of them will be seen."""
        return any(region.shows for region in self.regions)

    @property
    def way(self) -> Way:
        """How they are mended."""
        return way_of(self.first.remedy)

    def to_dict(self) -> dict[str, Any]:
        """Return the entry as plain JSON values."""
        return {
            "name": self.first.name,
            "part": self.first.part,
            "other_part": self.first.other_part,
            "cause_code": self.first.why.code.code,
            "cure_code": self.first.remedy.code.code,
            "regions": [region.number for region in self.regions],
            "places": self.places,
            "texels": self.texels,
            "area": self.area,
            "texels_seen": self.texels_seen,
            "area_seen": self.area_seen,
            "harm": self.harm,
            "shows": self.shows,
            "way": self.way.value,
            "see_first": list(self.see_first),
        }


def gather(regions: Sequence[Region]) -> list[Entry]:
    """Gather regions that differ in nothing but place and numbers, in the order to see to them.

    A folded sleeve that touches the arm in forty places is one thing to mend, not forty.
    """
    groups: dict[tuple[int, str, str | None, Code], list[Region]] = {}
    for region in regions:
        key = (int(region.defect), region.part, region.other_part, region.why.code)
        groups.setdefault(key, []).append(region)
    spoilt: dict[str, list[int]] = {}
    for members in groups.values():
        if _turn(members[0].why.code) == 0:
            spoilt.setdefault(members[0].part, []).append(members[0].number)
    found = []
    for members in groups.values():
        first = members[0]
        before = spoilt.get(first.part, []) if _turn(first.why.code) > 0 else []
        found.append(Entry(first, tuple(members[1:]), _places(members), tuple(sorted(before))))
    return sorted(
        found,
        key=lambda e: (
            not e.shows,
            _turn(e.first.why.code),
            *by_harm(e.harm, e.texels, e.area),
            e.first.number,
        ),
    )


def by_way(entries: Sequence[Entry]) -> list[tuple[Way | None, list[Entry]]]:
    """Return what shows by the way in which it is mended, and last what will not show (None).

    The way of the first entry comes first; within a way entries keep their order. Terminal, page
    and window list regions in this order.
    """
    groups: dict[Way | None, list[Entry]] = {}
    for entry in entries:
        groups.setdefault(entry.way if entry.shows else None, []).append(entry)
    hidden = groups.pop(None, [])
    return [*groups.items(), *([(None, hidden)] if hidden else [])]


def _turn(code: Code) -> int:
    """Return when a cause's turn is: 0 before all others, 2 after them."""
    return 0 if code in OF_WHOLE_PARTS else 2 if code in INFORMATION else 1


def _places(regions: Sequence[Region]) -> int:
    """Return the number of places that regions lie in, those whose balls touch taken together."""
    from scipy.spatial import cKDTree  # who finds nothing does not wait for it to load

    n = len(regions)
    if n == 1:
        return 1
    centre = np.array([region.centroid for region in regions])
    radius = np.array([region.radius for region in regions])
    # Of two balls that touch, the larger one finds the other within twice its own radius.
    near = cKDTree(centre).query_ball_point(centre, 2 * radius)
    begin = np.repeat(np.arange(n), [len(x) for x in near])
    end = np.concatenate([np.asarray(x, np.int64) for x in near])
    apart = np.linalg.norm(centre[begin] - centre[end], axis=1)
    touch = apart <= radius[begin] + radius[end]
    return connected(n, begin[touch], end[touch])[0]
