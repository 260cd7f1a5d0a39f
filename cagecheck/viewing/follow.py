"""A window that follows its result: the folder read anew, and what was shown carried over."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from cagecheck.errors import InputError
from cagecheck.files import Stamp, stamp
from cagecheck.viewing.model import ViewModel
from cagecheck.viewing.result import FILES, Result, read_result

# A region is the same if its middle moved less than this many of its radii.
SAME_PLACE = 2.0

Stamps = tuple[Stamp, ...]


class Folder:
    """A result folder that is looked at again and again.

    Parameters
    ----------
    path : Path
        The folder, whose result has just been read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._seen = self._read = self._stamps()

    def fresh(self) -> Result | None:
        """Return another result than was read last; None while there is none, or not a whole one.

        Files that change between two looks are left alone until the next.
        """
        now = self._stamps()
        rests, self._seen = now == self._seen, now
        if now == self._read or not rests:
            return None
        try:
            result = read_result(self.path)
        except InputError:
            return None
        self._read = now
        return result

    def _stamps(self) -> Stamps:
        return tuple(stamp(self.path / name) for name in FILES)


def carried_over(old: ViewModel, result: Result) -> ViewModel:
    """Return a model of another result, with what the old one showed as far as it is there."""
    new = ViewModel(result)
    new.field, new.layers, new.cut, new.only_parts = old.field, old.layers, old.cut, old.only_parts
    if old.factor <= new.most_factor:
        new.set_factor(old.factor)
    if result.lit is not None and old.result.lit is not None:
        known = result.lit.titles
        sides = {side: getattr(old.lit, side) for side in ("left", "right")}
        new.lit = replace(old.lit, **{s: k for s, k in sides.items() if k in known})
    if old.region is not None:
        new.choose(same_region(old.result.regions[old.region - 1], result.regions))
    return new


def same_region(row: dict[str, Any], rows: list[dict[str, Any]]) -> int | None:
    """Return the number of the region that lies where another result's did; None for none."""
    near = [
        (float(np.linalg.norm(np.subtract(other["centroid"], row["centroid"]))), other)
        for other in rows
        if (other["name"], other["part"]) == (row["name"], row["part"])
    ]
    if not near:
        return None
    away, best = min(near, key=lambda pair: pair[0])
    reach = SAME_PLACE * max(float(row["radius"]), float(best["radius"]))
    return int(best["number"]) if away <= reach else None
