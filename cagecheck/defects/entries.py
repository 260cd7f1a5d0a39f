"""Regions that have one cause on one part, told together so that a list stays short."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from cagecheck.defects.regions import Region

_NUMBER = re.compile(r"-?\d[\d.,]*(?:e[+-]?\d+)?")


@dataclass(frozen=True)
class Alike:
    """Regions of one defect and cause on one part; `first` is the most harmful of them."""

    first: Region
    others: tuple[Region, ...] = ()

    @property
    def texels(self) -> float:
        """The texels of all of them."""
        return self.first.texels + sum(region.texels for region in self.others)

    @property
    def area(self) -> float:
        """The area of all of them, square units."""
        return self.first.area + sum(region.area for region in self.others)


def without_numbers(text: str) -> str:
    """Return a sentence with a mark in place of every number."""
    return _NUMBER.sub("#", text)


def alike(regions: Sequence[Region]) -> list[Alike]:
    """Gather regions that differ in nothing but place and numbers, the most harmful group first.

    A folded sleeve that touches the arm in forty places is one thing to mend, not forty.
    """
    groups: dict[tuple[str, str, str | None, str], list[Region]] = {}
    for region in regions:
        cause = without_numbers(region.cause)
        groups.setdefault((region.name, region.part, region.other_part, cause), []).append(region)
    found = [Alike(members[0], tuple(members[1:])) for members in groups.values()]
    return sorted(found, key=lambda g: (-g.texels, -g.area, g.first.number))
