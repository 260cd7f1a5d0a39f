"""The settings that a bake was made with, as far as its maps tell, to compare with what was typed.

How sure each is: *certain*, read from the file or told by nearly every texel; *likely*, most of
what can tell says so; *guess*, no more than that nothing speaks against it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from cagecheck.defects.regions import Region
from cagecheck.locating.bake_reach import BakeReach
from cagecheck.locating.compare import Fault
from cagecheck.locating.conventions import SURE_AGREEMENT
from cagecheck.locating.offset_guess import OffsetGuess
from cagecheck.locating.one_map import LocatedMap
from cagecheck.locating.ray_directions import WORDS
from cagecheck.locating.texel_samples import CERTAIN, LIKELY
from cagecheck.words.lengths import length_words
from cagecheck.words.numbers import share_text
from cagecheck.words.sentences import count_words

Sure = Literal["certain", "likely", "guess"]
# Nearly every texel says so.
CERTAIN_SHARE, LIKELY_SHARE = 0.95, 0.8


@dataclass(frozen=True)
class ToldSetting:
    """One setting of a bake, as its maps tell it.

    Attributes
    ----------
    name : str
        The setting.
    value : str
        What it was.
    sure : Sure
        How sure that is.
    why : str
        What tells it.
    """

    name: str
    value: str
    sure: Sure
    why: str

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return asdict(self)


def bake_settings(
    maps: Sequence[LocatedMap],
    regions: Sequence[Region],
    offset: OffsetGuess | None,
    reach: BakeReach,
    *,
    apart: bool,
) -> tuple[ToldSetting, ...]:
    """Return what is known of a bake's settings."""
    compared = [m for m in maps if m.record is not None and not m.blank]
    rows = [*_distances(offset, reach), *_directions(compared), *_samples(compared)]
    if any(r.defect is Fault.OTHER_PART for r in regions):
        together = ToldSetting("parts", "baked together", "likely", "maps show other parts")
        rows += [together] if apart else []
    for name, value, why in (
        ("space", lambda m: f"{m.reading.space} space", "the reading that agrees best"),
        ("green", _green, "the reading that agrees best"),
        ("tangent basis", lambda m: m.reading.basis.describe(), "the frames that agree best"),
        ("quads", lambda m: f"cut {m.reading.quads}", "the cut that agrees best"),
        (
            "normals of the low poly",
            lambda m: _SHADING[m.reading.shading],
            "frames that agree best",
        ),
        ("normals of the high poly", lambda m: m.reading.normals, "the shading that agrees best"),
    ):
        if compared:
            values = list(dict.fromkeys(value(m) for m in compared))
            least = min(m.reading.agreement for m in compared)
            rows.append(ToldSetting(name, ", ".join(values), _sureness(least), why))
    if maps:
        bits = ", ".join(dict.fromkeys(m.source.depth_words for m in maps))
        rows.append(ToldSetting("bits", bits, "certain", "read from the files"))
        rows.append(_size(maps))
    widths = [m.padding for m in compared if m.padding is not None]
    if widths:
        least_wide = min(widths, key=lambda p: p.width)
        words = count_words(round(least_wide.width), "texel")
        width = words if least_wide.too_thin else f"at least {words}"
        rows.append(ToldSetting("padding", width, "certain", "the texels around islands"))
    return tuple(rows)


_SHADING = {"own": "as in the file", "face": "faceted", "smooth": "smooth everywhere"}


def _green(found: LocatedMap) -> str:
    if found.reading.space == "object":
        return "no matter"
    return "down" if found.reading.signs[1] < 0 else "up"


def _sureness(share: float) -> Sure:
    if share >= CERTAIN_SHARE:
        return "certain"
    return "likely" if share >= SURE_AGREEMENT else "guess"


def _distances(offset: OffsetGuess | None, reach: BakeReach) -> list[ToldSetting]:
    rows = []
    if offset is not None:
        value = f"{length_words(offset.least)} to {length_words(offset.most)} {offset.unit}"
        why = f"{share_text(offset.agree, 1)} of {count_words(offset.voters, 'telling texel')}"
        sure: Sure = "likely" if offset.agree >= LIKELY_SHARE else "guess"
        rows.append(ToldSetting("offset", value, sure, f"{why} agree"))
    if reach.depth is not None:
        value, why = f"about {length_words(reach.depth)} units", "deeper surface was lost"
        rows.append(ToldSetting("depth", value, "likely", why))
    elif reach.recorded_depth is not None:
        value, why = f"at least {length_words(reach.recorded_depth)} units", "that was recorded"
        rows.append(ToldSetting("depth", value, "certain", why))
    return rows


def _directions(maps: Sequence[LocatedMap]) -> list[ToldSetting]:
    """Return along which directions rays ran, as the map that tells the most rules apart says."""
    told = [m.directions for m in maps if m.directions is not None]
    if not told:
        return []
    best = min(told, key=lambda t: (len(t.alike), not t.sure))
    value = " or ".join(WORDS[rule] for rule in (best.rule, *best.alike))
    alike = " (alike on this low poly)" if best.alike else ""
    sure: Sure = "certain" if best.sure and len(told) == len(maps) else "likely"
    return [ToldSetting("rays along", value + alike, sure, "where detail lies, to parts of texels")]


def _samples(maps: Sequence[LocatedMap]) -> list[ToldSetting]:
    """Return how many samples a texel were taken, as the map says that parts the counts best."""
    told = [m.samples for m in maps if m.samples is not None]
    if not told:
        return []
    best = min(told, key=lambda t: (len(t.alike), t.away))
    words = [
        "1, filtered or denoised" if s == "filtered" else s for s in (best.samples, *best.alike)
    ]
    value = " or ".join(words)
    away = best.away
    sure: Sure = "certain" if away <= CERTAIN else "likely" if away <= LIKELY else "guess"
    return [ToldSetting("samples a texel", value, sure, "how much bends are averaged")]


def _size(maps: Sequence[LocatedMap]) -> ToldSetting:
    sizes, scaled = [], False
    for found in maps:
        width, height = found.source.size
        scaled |= found.enlarged > 1
        sizes.append(f"{width // found.enlarged} x {height // found.enlarged}")
    value = ", ".join(dict.fromkeys(sizes))
    if scaled:
        return ToldSetting("size baked at", f"about {value}", "likely", "how soft its detail is")
    return ToldSetting("size baked at", value, "likely", "its detail is as sharp as that")
