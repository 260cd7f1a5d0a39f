"""What is wrong with a set of maps, as one list: what to mend first comes first.

A convention that is read wrongly hides everything else; a part that was left out or a distance
that was too short spoils whole parts; single places come last, what shows most first. What only
lowers quality (steps, softness, compression) comes after the conventions, since a new bake mends
it, too.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from cagecheck.defects.regions import Region, by_harm
from cagecheck.locating.compare import Fault
from cagecheck.locating.fault_reasons import FaultCause
from cagecheck.locating.one_map import LocatedMap

# Which picture it is and how it lies, then what its numbers mean, then what its quality lost.
_WHERE = (
    "no-match", "several-tiles", "wrong-tile", "v-flipped", "rotated", "mirrored", "shifted",
)  # fmt: skip
_QUALITY = ("not-square", "rescaled", "lossy-blocks", "banding")
# Of other maps than the normal map: they do not hide what is wrong with it.
_BESIDE = ("black-occlusion", "height-clipped", "beside-unread")
_WHOLE = ("flat", "part-left-out")
# Distances that are too short for a whole part, before the places that other reasons spoil.
_DISTANCES = (FaultCause.MISSED_DEEP, FaultCause.MISSED_TIGHT, FaultCause.STARTED_BENEATH)
# A distance spoils whole parts when it spoils so much against what spoils most.
WHOLE_SHARE = 0.25
# Padding shows only from afar and comes last, unless all places together spoil less than this share
# of the texels that it leaves bare: it is one setting, and they are specks beside it.
FEW_SHARE = 0.05


@dataclass(frozen=True)
class ToldCause:
    """One thing to mend.

    Attributes
    ----------
    code : str
        What it is, for scripts.
    text : str
        The same in a sentence.
    cure : str
        What to do about it.
    maps : tuple[str, ...]
        Names of the maps.
    regions : tuple[int, ...]
        Numbers of the regions that it explains, none where it befell whole maps.
    texels : int
        How many texels those regions have.
    """

    code: str
    text: str
    cure: str
    maps: tuple[str, ...]
    regions: tuple[int, ...] = ()
    texels: int = 0

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        row = asdict(self)
        return {**row, "maps": list(self.maps), "regions": list(self.regions)}


def told_causes(maps: Sequence[LocatedMap], regions: Iterable[Region]) -> tuple[ToldCause, ...]:
    """Return all causes, what to mend first first."""
    rows: list[tuple[tuple[float, ...], ToldCause]] = []
    together: dict[tuple[str, str, str], list[str]] = {}
    for found in maps:
        for fault in found.conventions:
            names = together.setdefault((fault.code, fault.text, fault.cure), [])
            if found.source.path.name not in names:
                names.append(found.source.path.name)
    for place, ((code, text, cure), names) in enumerate(together.items()):
        rows.append(((_rank_of(code), float(place)), ToldCause(code, text, cure, tuple(names))))
    by_tile = {m.reading.tile: m.source.path.name for m in reversed(maps) if m.record is not None}
    of_code: dict[tuple[Any, str], list[Region]] = {}
    for region in regions:
        of_code.setdefault((region.defect, region.why.code.code), []).append(region)
    spoiled = {key: sum(r.texels for r in members) for key, members in of_code.items()}
    largest = max(spoiled.values(), default=0.0)
    elsewhere = sum(texels for (kind, _), texels in spoiled.items() if kind != Fault.PADDING)
    for (defect, code), members in of_code.items():
        texels = spoiled[defect, code]
        names = list(dict.fromkeys(by_tile[r.tile] for r in members if r.tile in by_tile))
        worst = members[0]
        short = worst.why.code in _DISTANCES and texels >= WHOLE_SHARE * largest
        if defect == Fault.PADDING:
            rank = 2.5 if elsewhere < FEW_SHARE * texels else 5.0
        else:
            rank = 3.0 if short else 4.0
        rows.append(
            (
                (rank, *by_harm(sum(r.harm for r in members), texels, 0.0)),
                ToldCause(
                    code, worst.cause, worst.cure, tuple(names),
                    tuple(region.number for region in members), round(texels),
                ),
            )
        )  # fmt: skip
    return tuple(cause for _, cause in sorted(rows, key=lambda row: row[0]))


def _rank_of(code: str) -> float:
    if code in _WHERE:
        return 0.0
    if code in _WHOLE:
        return 2.0
    if code in _BESIDE:
        return 4.5
    return 1.5 if code in _QUALITY else 1.0
