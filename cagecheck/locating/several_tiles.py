"""One picture that holds several tiles: a strip, a block of four, a column.

Where a picture as a whole shows no tile well, it is cut into equal squares, in every way that its
shape allows, and each square is matched with the tiles for itself. The cut whose squares agree best
stands if they agree better than the whole picture does.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import gcd

import numpy as np

from cagecheck.locating.conventions import (
    LEAST_AGREEMENT,
    LEAST_GAIN,
    SURE_AGREEMENT,
    ConventionFault,
    find_reading,
)
from cagecheck.locating.first_look import FirstLook, blank, first_look
from cagecheck.locating.read_maps import BakedMap, as_shares
from cagecheck.locating.variants import Variants
from cagecheck.progress import Progress

# Smaller squares hold too few texels for a match to mean something.
SMALLEST_CELL = 64
# A picture may have room for more tiles than there are: a square for five is three by three.
CELLS_PER_TILE = 2
# The plainest cut of a long strip is tried up to so many squares, whatever the low poly's tiles.
LONGEST_STRIP = 16


@dataclass(frozen=True, eq=False)
class Cut:
    """A picture cut into `columns` x `rows` squares, row by row; None where one is blank."""

    columns: int
    rows: int
    cells: tuple[BakedMap | None, ...]

    @property
    def filled(self) -> list[BakedMap]:
        """The squares that hold something."""
        return [cell for cell in self.cells if cell is not None]


def looks_at(
    variants: Variants, baked: BakedMap, tiles: tuple[int, ...], progress: Progress
) -> list[tuple[BakedMap, FirstLook]]:
    """Return the maps that a picture holds, each with a first look: mostly the picture itself.

    Raises `InputError` when no ray from the low poly meets the high poly.
    """
    whole = first_look(variants, baked, tiles, progress)
    if whole.reading.agreement >= SURE_AGREEMENT:
        return [(baked, whole)]
    best, agreement = None, max(whole.reading.agreement + LEAST_GAIN, LEAST_AGREEMENT)
    for cut in _cuts(baked, len(tiles)):
        fit = _agreement(variants, cut, tiles, whole)
        if fit > agreement:
            best, agreement = cut, fit
    if best is None:
        return [(baked, whole)]
    looks = [first_look(variants, cell, tiles, progress) for cell in best.filled]
    fault = _several(best, looks)
    return [
        (cell, replace(look, faults=(fault, *look.faults)))
        for cell, look in zip(best.filled, looks, strict=True)
    ]


def _cuts(baked: BakedMap, tiles: int) -> list[Cut]:
    width, height = baked.size
    common = gcd(width, height)
    plainest = (width // common) * (height // common)
    out = []
    for cell in range(common, SMALLEST_CELL - 1, -1):
        count = (width // cell) * (height // cell)
        allowed = CELLS_PER_TILE * tiles
        if plainest <= LONGEST_STRIP:
            allowed = max(allowed, plainest)
        if count > allowed:
            break
        # A square picture of one tile is that tile.
        if common % cell == 0 and count > 1 and (tiles > 1 or plainest > 1):
            out.append(_cut(baked, cell))
    return out


def _cut(baked: BakedMap, cell: int) -> Cut:
    width, height = baked.size
    cells: list[BakedMap | None] = []
    for top in range(0, height, cell):
        for left in range(0, width, cell):
            place = slice(top, top + cell), slice(left, left + cell)
            if blank(baked.values[place]):
                cells.append(None)
                continue
            values = np.ascontiguousarray(baked.values[place])
            empty = None if baked.empty is None else baked.empty[place]
            alpha = None if baked.alpha is None else baked.alpha[place]
            crop = (left, top, cell, cell)
            cells.append(
                replace(baked, tile=None, values=values, empty=empty, crop=crop, alpha=alpha)
            )
    return Cut(width // cell, height // cell, tuple(cells))


def _agreement(variants: Variants, cut: Cut, tiles: tuple[int, ...], whole: FirstLook) -> float:
    """Return how well the squares of a cut show tiles, each the one that it shows best."""
    fits = []
    for cell in cut.filled:
        samples = [
            variants.sampled(tile, cell.size[0], variants.settings.quads, whole.reading.normals)
            for tile in tiles
        ]
        known = [sample for sample in samples if len(sample)]
        if known:
            fits.append(find_reading(as_shares(cell.values), known, None).agreement)
    return float(np.mean(fits)) if fits else 0.0


def _several(cut: Cut, looks: list[FirstLook]) -> ConventionFault:
    shown = iter(looks)
    names = ["empty" if cell is None else _shown_by(next(shown)) for cell in cut.cells]
    if cut.rows == 1:
        shape, order = "side by side", "from the left"
    elif cut.columns == 1:
        shape, order = "one above the other", "from the top"
    else:
        shape, order = f"in {cut.columns} columns and {cut.rows} rows", "row by row from the top"
    first = next((name for name in names if name.isdigit()), "1001")
    return ConventionFault(
        "several-tiles",
        f"the picture holds several tiles {shape} ({order}: {', '.join(names)}), but every tile "
        "needs a picture of its own; each was cut out and judged by itself",
        "bake one picture for every tile, or cut this one and name each part by its tile, as in "
        f"name_normal.{first}.png",
    )


def _shown_by(look: FirstLook) -> str:
    return str(look.reading.tile) if look.reading.agreement >= LEAST_AGREEMENT else "no tile"
