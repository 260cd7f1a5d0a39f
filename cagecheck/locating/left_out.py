"""Parts of which a bake recorded nothing, and maps that are one colour.

Where every part of every map is empty, the maps are flat: nothing was baked, or into another file.
Where others hold something, the high poly of the empty parts was hidden or not paired.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.locating.conventions import ConventionFault
from cagecheck.locating.one_map import LocatedMap
from cagecheck.words.sentences import names_words

# A part is empty when this much of it holds a fill colour: padding of its neighbours and what a ray
# meets by chance are the rest. It must show: a flat part looks no different.
EMPTY_SHARE, SHOWN_SHARE = 0.9, 0.05
LEAST_TEXELS = 50
# Names that a sentence can hold.
MOST_NAMES = 3


def empty_parts(located: list[LocatedMap], count: int) -> NDArray[np.bool_]:
    """Return (P,) bool: the low parts of which no map shows anything."""
    texels, filled, lost = np.zeros((3, count), np.int64)
    for record in (m.record for m in located if m.record is not None):
        texels += record.parts.texels
        filled += record.parts.filled
        lost += record.parts.lost
    shows = (lost >= SHOWN_SHARE * texels) & (lost >= LEAST_TEXELS)
    return shows & (filled >= EMPTY_SHARE * texels)


def tell_left_out(
    located: list[LocatedMap], part_names: tuple[str, ...]
) -> tuple[list[LocatedMap], frozenset[int]]:
    """Name empty maps and parts; return the maps with that, and the parts that were left out."""
    empty = empty_parts(located, len(part_names))
    if not empty.any():
        return located, frozenset()
    compared = [m.record.parts.texels > 0 for m in located if m.record is not None]
    shown = np.any(compared, axis=0)
    if empty[shown].all():
        flat = ConventionFault(
            "flat",
            "the map is one colour and shows nothing of the high poly",
            "check that the bake saw the high poly and wrote to this file, and bake again",
        )
        return [m if m.record is None else _with(m, flat) for m in located], frozenset()
    out = []
    for found in located:
        here = np.zeros(0, np.int64)
        if found.record is not None:
            here = np.flatnonzero(empty & (found.record.parts.texels > 0))
        if len(here) == 0:
            out.append(found)
            continue
        names = names_words([part_names[p] for p in here], MOST_NAMES)
        fault = ConventionFault(
            "part-left-out",
            f"nothing of {names} was recorded, while other parts were: the bake left it out",
            f"bake again with the high poly of {names} visible and paired",
        )
        out.append(_with(found, fault))
    return out, frozenset(int(p) for p in np.flatnonzero(empty))


def _with(found: LocatedMap, fault: ConventionFault) -> LocatedMap:
    return replace(found, conventions=(*found.conventions, fault))
