"""What a preflight check is, and what it found."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.words.numbers import decimals, figures
from cagecheck.words.sentences import count_words

Severity = Literal["error", "warning", "information"]
Side = Literal["low", "high", "pair"]
SEVERITIES: tuple[Severity, ...] = ("error", "warning", "information")

# How many places a finding names, worst first; `Finding.faces` has all of them.
PLACES_NAMED = 8


@dataclass(frozen=True)
class Check:
    """One thing that preflight looks for, in artists' words.

    code : stable short name for scripts.
    title : what was found, a few words.
    unit : what is counted (``edges``, ``faces``, ``islands``, …).
    severity : ``error`` spoils the bake, ``warning`` probably spoils it, ``information`` is worth
        knowing.
    harm : what it does to the bake. cure : what to do about it.
    often_meant : why sound models have it too, in a sentence; empty where none does.
    """

    code: str
    title: str
    unit: str
    severity: Severity
    harm: str
    cure: str
    often_meant: str = ""


@dataclass(frozen=True)
class Place:
    """One place of a finding.

    Attributes
    ----------
    part : str | None
        Name of the part, None where it is not one part's.
    faces : tuple[int, ...]
        Numbers of the faces there in the file, counted from 0 (a few, the first being the worst);
        triangles for a high poly.
    position : tuple[float, float, float] | None
        In file units, or None.
    tile : int | None
        UDIM number, or None.
    measure : float | None
        How bad it is, in the unit that the finding's text names, or None.
    note : str
        A few words more.
    """

    part: str | None = None
    faces: tuple[int, ...] = ()
    position: tuple[float, float, float] | None = None
    tile: int | None = None
    measure: float | None = None
    note: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return the place as plain JSON values."""
        return {
            "part": self.part,
            "faces": list(self.faces),
            "position": None if self.position is None else list(self.position),
            "tile": self.tile,
            "measure": self.measure,
            "note": self.note,
        }


@dataclass(frozen=True, eq=False)
class Finding:
    """What one check found on one mesh.

    Attributes
    ----------
    check : Check
        The check.
    count : int
        How many, in `Check.unit`.
    text : str
        One sentence with the numbers.
    side : Side
        The mesh it is about.
    places : tuple[Place, ...]
        The worst first, `PLACES_NAMED` at most.
    by_part : dict[str, int]
        How many per part.
    measures : dict[str, float]
        Numbers for scripts, units in their names.
    own_cure : str
        A cure for just this case, in place of the check's own.
    faces : (K,) int32
        All faces concerned, ascending (polygons of the low, triangles of a high).
    """

    check: Check
    count: int
    text: str
    side: Side = "low"
    places: tuple[Place, ...] = ()
    by_part: dict[str, int] = field(default_factory=dict)
    measures: dict[str, float] = field(default_factory=dict)
    own_cure: str = ""
    faces: Ints = field(default_factory=lambda: np.zeros(0, np.int32))

    @property
    def severity(self) -> Severity:
        """How bad it is."""
        return self.check.severity

    @property
    def amount(self) -> str:
        """How many, in words: ``1 edge``, ``1,200 faces``."""
        return how_many(self.count, self.check.unit)

    @property
    def matters(self) -> bool:
        """Whether to see to it first.

        Errors always do: the bake is wrong there whatever was meant. Warnings do unless sound
        models have them too (`Check.often_meant`); what is only worth knowing never does.
        """
        if self.severity == "warning":
            return not self.check.often_meant
        return self.severity == "error"

    @property
    def cure(self) -> str:
        """What to do about it."""
        return self.own_cure or self.check.cure

    def to_dict(self) -> dict[str, Any]:
        """Return the finding as plain JSON values; its `faces` are counted, not listed."""
        return {
            "code": self.check.code,
            "title": self.check.title,
            "severity": self.severity,
            "matters": self.matters,
            "often_meant": self.check.often_meant,
            "mesh": self.side,
            "count": self.count,
            "unit": self.check.unit,
            "text": self.text,
            "harm": self.check.harm,
            "cure": self.cure,
            "by_part": self.by_part,
            "measures": {name: _finite(value) for name, value in self.measures.items()},
            "faces_concerned": len(self.faces),
            "places": [place.to_dict() for place in self.places],
        }


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def sort_findings(findings: list[Finding]) -> list[Finding]:
    """Return the findings by severity, of one severity what matters first, else as given."""
    return sorted(findings, key=lambda f: (SEVERITIES.index(f.severity), not f.matters))


def point(position: Floats) -> tuple[float, float, float]:
    """Return a position as three plain numbers."""
    return float(position[0]), float(position[1]), float(position[2])


def count_by_part(part: NDArray[np.integer[Any]], names: tuple[str, ...]) -> dict[str, int]:
    """Count part numbers by name, leaving out parts without any."""
    counts = np.bincount(part, minlength=len(names))
    return {names[k]: int(counts[k]) for k in np.flatnonzero(counts)}


def how_many(count: int, unit: str) -> str:
    """Say a number of things: ``1 edge``, ``1,200 faces``."""
    singular = {"vertices": "vertex", "entries": "entry"}.get(unit, unit.removesuffix("s"))
    return count_words(count, singular, unit)


def density_text(value: float) -> str:
    """Return a texel density without an exponent."""
    return decimals(value, 0, commas=True) if value >= 1000 else figures(value)
