"""What to do next about each group of defects: a command ready to copy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from shlex import quote
from typing import Any

from cagecheck.defects.entries import Entry, by_way
from cagecheck.defects.ways import Way
from cagecheck.options import flags_given
from cagecheck.predicting.inputs import MeshOptions
from cagecheck.words.numbers import count_text
from cagecheck.words.sentences import count_words


@dataclass(frozen=True)
class WayStep:
    """The places that are mended in one way, and the command that goes on from here.

    Attributes
    ----------
    way : Way
        How they are mended.
    places : int
        How many places show.
    texels, texels_seen, harm : float
        Of all of them together.
    next : str
        The command; empty where the meshes are in no file.
    next_named : str
        The same with the files' names only: what pages and documents hold, which others read.
    """

    way: Way
    places: int
    texels: float
    texels_seen: float
    harm: float
    next: str
    next_named: str

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "way": self.way.value,
            "title": self.way.title,
            "places": self.places,
            "texels": self.texels,
            "texels_seen": self.texels_seen,
            "harm": self.harm,
            "next": self.next_named,
        }


def way_steps(
    entries: Sequence[Entry], low: str | None, high: str | None, reading: MeshOptions | None = None
) -> tuple[WayStep, ...]:
    """Return the ways that what shows is mended in, the one of the first entry first.

    low, high : the files, None for meshes in memory. reading : how they were read.
    """
    return tuple(
        WayStep(
            way,
            sum(entry.places for entry in mine),
            sum(entry.texels for entry in mine),
            sum(entry.texels_seen for entry in mine),
            sum(entry.harm for entry in mine),
            _command(way, mine, low, high, reading),
            _command(way, mine, _name(low), _name(high), reading),
        )
        for way, mine in by_way(entries)
        if way is not None
    )


def _name(path: str | None) -> str | None:
    """Return a file's name without its folders."""
    return None if path is None else path.replace("\\", "/").rsplit("/", 1)[-1]


def way_words(step: WayStep) -> str:
    """Say how much is mended in one way."""
    return f"{count_words(step.places, 'place')}, {_seen_words(step.texels, step.texels_seen)}"


def _seen_words(texels: float, seen: float) -> str:
    """Say how many texels of how many show; that something shows where there are no texels."""
    if texels <= 0:
        return "seen plainly"
    return f"{count_text(seen)} of {count_words(texels, 'texel')} show"


def _command(
    way: Way,
    entries: Sequence[Entry],
    low: str | None,
    high: str | None,
    reading: MeshOptions | None,
) -> str:
    if low is None or high is None:
        return ""
    files = f"{quote(low)} {quote(high)}"
    more = "".join(f" {quote(word)}" for word in flags_given(reading or MeshOptions()))
    cures = {entry.first.remedy.code.code for entry in entries}
    if way is Way.DISTANCES:
        straighten = " --straighten" if cures & {"straighten", "lower-or-straighten"} else ""
        return f"cagecheck tune {files}{more}{straighten} --out tuned"
    if way is Way.INHERENT:
        return f"cagecheck predict {files}{more} --maps normal --out check"
    if "name-partner" in cures and (reading is None or not reading.pair):
        rule = quote("{name}_lp={name}_hp*")
        return f"cagecheck predict {files}{more} --pair {rule}"
    return f"cagecheck inspect {files}{more}"
