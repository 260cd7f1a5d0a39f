"""Compare two results: what is mended, new, grown, shrunk, moved and unchanged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from cagecheck.arrays.box import box_of
from cagecheck.comparing.changes import Became, Change, Tolerance, tell_changes
from cagecheck.comparing.limits import Limits
from cagecheck.comparing.match import match_regions
from cagecheck.comparing.placed import Placed, widened
from cagecheck.comparing.read import Result, is_location, read_placed
from cagecheck.comparing.words import change_words, summary_line, verdict_words
from cagecheck.errors import InputError, Notice
from cagecheck.report.json_values import plain
from cagecheck.version import __version__
from cagecheck.words.lengths import length_words

# Raised when a field changes its meaning or goes away; new fields do not raise it.
DOCUMENT_VERSION = 1


@dataclass(frozen=True, eq=False)
class Comparison:
    """What became of every place of two results.

    Attributes
    ----------
    old, new : Placed
        The results.
    changes : tuple[Change, ...]
        One for each place: what is worse first, what cannot be told from chance last.
    tolerance : Tolerance
        What harm may differ by before it counts.
    breaches : tuple[str, ...]
        How the new result breaks the limits that were set, a sentence each.
    limited : bool
        Whether limits were set.
    notices : tuple[Notice, ...]
        What the artist should know besides.
    """

    old: Placed
    new: Placed
    changes: tuple[Change, ...]
    tolerance: Tolerance
    breaches: tuple[str, ...] = ()
    limited: bool = False
    notices: tuple[Notice, ...] = ()

    def __repr__(self) -> str:
        return f"<Comparison: {self.summary}>"

    @property
    def worse(self) -> tuple[Change, ...]:
        """The places that are surely worse than before."""
        return tuple(change for change in self.changes if change.worse)

    @property
    def better(self) -> tuple[Change, ...]:
        """The places that are surely better than before."""
        return tuple(change for change in self.changes if change.better)

    @property
    def passed(self) -> bool:
        """Whether the limits were kept; without limits, whether nothing got worse."""
        return not (self.breaches if self.limited else self.worse)

    @property
    def harm_old(self) -> float:
        """The harm of all old regions."""
        return sum(change.harm_old for change in self.changes)

    @property
    def harm_new(self) -> float:
        """The harm of all new regions."""
        return sum(change.harm_new for change in self.changes)

    @property
    def summary(self) -> str:
        """The comparison in a line, see `summary_line`."""
        return summary_line(self.changes)

    @property
    def verdict(self) -> str:
        """In a sentence or two whether anything got worse, and what cannot be told."""
        return verdict_words(self.changes)

    def words_of(self, change: Change) -> str:
        """Return a place in words: its defect, part, harm, and how many regions it is.

        Parameters
        ----------
        change : Change
            One of `changes`.
        """
        return change_words(change)

    def counts(self) -> dict[str, int]:
        """Return how many places became what; those within chance are counted as `unsure`."""
        out = {became.value: 0 for became in Became} | {"unsure": 0}
        for change in self.changes:
            out[change.became.value if change.sure else "unsure"] += 1
        return out

    def totals(self, by: str = "name") -> list[dict[str, Any]]:
        """Return a row for each defect, or for each part: counts, and harm before and after.

        Parameters
        ----------
        by : str, optional
            ``name`` for defects, ``part`` for parts.
        """
        assert by in ("name", "part"), by
        rows = []
        for key in sorted({getattr(change, by) for change in self.changes}):
            mine = [change for change in self.changes if getattr(change, by) == key]
            counts = {became.value: 0 for became in Became} | {"unsure": 0}
            for change in mine:
                counts[change.became.value if change.sure else "unsure"] += 1
            old, new = sum(c.harm_old for c in mine), sum(c.harm_new for c in mine)
            rows.append({by: key, **counts, "harm_old": old, "harm_new": new})
        return sorted(rows, key=lambda r: (-(r["harm_new"] - r["harm_old"]), str(r[by])))

    def to_dict(self) -> dict[str, Any]:
        """Return the comparison as plain JSON values."""
        document = {
            "document": "cagecheck comparison",
            "version": DOCUMENT_VERSION,
            "tool_version": __version__,
            "of": "location" if is_location(self.new.document) else "prediction",
            "old": _source(self.old),
            "new": _source(self.new),
            "tolerance": {"errors": self.tolerance.errors, "share": self.tolerance.share},
            "summary": self.summary,
            "counts": self.counts(),
            "harm_old": self.harm_old,
            "harm_new": self.harm_new,
            "worse": len(self.worse),
            "passed": self.passed,
            "limited": self.limited,
            "breaches": list(self.breaches),
            "by_defect": self.totals("name"),
            "by_part": self.totals("part"),
            "changes": [change.to_dict() for change in self.changes],
            "notices": [notice.to_dict() for notice in self.notices],
        }
        out: dict[str, Any] = plain(document)
        return out


def compare(
    old: Result,
    new: Result,
    *,
    limits: Limits | None = None,
    tolerance: Tolerance | None = None,
) -> Comparison:
    """Compare two results place by place.

    Regions are matched by their defect and by where they lie on the surface, so names of parts,
    numbers of regions and the low poly's topology may differ.

    Parameters
    ----------
    old, new : Prediction | str | os.PathLike[str]
        What `predict` returns; a folder that `predict`, `tune` or `locate` wrote; or a document
        that one of them printed.
    limits : Limits, optional
        What the new result must keep to, for automated checks.
    tolerance : Tolerance, optional
        What harm may differ by before it counts.

    Returns
    -------
    Comparison
        What became of every place.

    Raises
    ------
    InputError
        One is no result, or they cannot be compared with each other.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> high = cagecheck.read_surface("hero_high.ply")
    >>> few = cagecheck.Settings(offset=0.05, depth=0.05, samples=500)
    >>> result = cagecheck.predict(low, high, settings=few)
    >>> cagecheck.compare(result, result).worse
    ()
    """
    return compare_placed(read_placed(old), read_placed(new), limits=limits, tolerance=tolerance)


def compare_placed(
    old: Placed,
    new: Placed,
    *,
    limits: Limits | None = None,
    tolerance: Tolerance | None = None,
) -> Comparison:
    """Compare two results that have been read, see `read_placed`."""
    notices = check_comparable(old, new)
    tolerance = tolerance or Tolerance()
    wide_old, wide_new = widened(old, new), widened(new, old)
    matches = match_regions(wide_old.regions, wide_new.regions, old.parts, new.parts)
    changes = tell_changes(
        matches, wide_old.regions, wide_new.regions,
        same_samples=_same_samples(old, new), exact=old.exact and new.exact,
        spacings=(old.spacing, new.spacing), tolerance=tolerance,
    )  # fmt: skip
    breaches = () if limits is None else limits.breaches(changes)
    return Comparison(
        old, new, tuple(changes), tolerance, tuple(breaches),
        limits is not None and limits.any, notices,
    )  # fmt: skip


def check_comparable(old: Placed, new: Placed) -> tuple[Notice, ...]:
    """Return what makes two results hard to compare; raise `InputError` where they cannot be."""
    kinds = [is_location(side.document) for side in (old, new)]
    if kinds[0] != kinds[1]:
        raise InputError(
            "one is a prediction, the other tells the faults of baked maps: their defects are not "
            "the same.",
            file=f"{old.label}, {new.label}",
            cure="Compare two predictions, or two results of cagecheck locate.",
        )
    sizes = [_map_size(side) for side in (old, new)]
    if sizes[0] != sizes[1]:
        raise InputError(
            f"the results count texels of maps of {sizes[0]} and {sizes[1]}: harm of the one is "
            "not harm of the other.",
            file=f"{old.label}, {new.label}",
            cure="Make one of them again with the `map_size` of the other.",
        )
    return (*_apart(old, new), *_coarse(old, new), *_other_settings(old, new))


def _map_size(side: Placed) -> int | None:
    if is_location(side.document):
        sizes = {max(row["size"]) for row in side.document["maps"]}
        return max(sizes) if sizes else None
    settings = side.document["settings"]
    size = settings.get("texels") or settings.get("map_size")
    return None if size is None else int(size)


def _same_samples(old: Placed, new: Placed) -> bool:
    here, there = old.around, new.around
    return here is not None and there is not None and here.same_samples(there)


def _apart(old: Placed, new: Placed) -> tuple[Notice, ...]:
    """Say where the low polys do not lie on each other or differ much in size."""
    if old.around is None or new.around is None:
        return ()
    boxes = [box_of(a.points) for a in (old.around, new.around) if len(a.points)]
    if len(boxes) < 2:
        return ()
    (low_a, high_a), (low_b, high_b) = boxes
    sizes = [float(np.linalg.norm(high - low)) for low, high in boxes]
    meet = bool(np.all((low_a <= high_b) & (low_b <= high_a)))
    if meet and max(sizes) <= MOST_GROWTH * min(sizes):
        return ()
    return (
        Notice(
            "low-polys-apart",
            "the two low polys do not lie on each other, so hardly a place can be found again.",
            "Compare results of one model in one place, scale and pose.",
        ),
    )


# A low poly that is so many times larger than the other is in other units (common practice, no
# source).
MOST_GROWTH = 2.0


def _coarse(old: Placed, new: Placed) -> tuple[Notice, ...]:
    lone = [side.label for side in (old, new) if side.around is None
            and not is_location(side.document)]  # fmt: skip
    if not lone:
        return ()
    return (
        Notice(
            "places-known-roughly",
            f"{' and '.join(lone)} holds no samples, so each region is taken for a ball about its "
            "middle.",
            "Give the folder that was written with `out` for exact places.",
        ),
    )


# Distances that differ by less than this share decide alike (common practice, no source).
SAME_DISTANCE = 0.01


def _other_settings(old: Placed, new: Placed) -> tuple[Notice, ...]:
    """Say that settings differ which decide what a defect is."""
    if is_location(new.document):
        return ()
    a, b = (side.document["settings"] for side in (old, new))
    said = [name for name in ("thresholds", "apart", "along") if a.get(name) != b.get(name)]
    for name in ("depth", "reach"):
        x, y = (float(settings.get(name) or 0.0) for settings in (a, b))
        if abs(x - y) > SAME_DISTANCE * max(x, y):
            said.append(f"{name} {length_words(x)} and {length_words(y)}")
    if not said:
        return ()
    return (
        Notice(
            "settings-differ",
            f"the results were made with other settings ({', '.join(said)}), so a change may be "
            "theirs.",
            "What is not given is chosen anew for every run: give both runs the same.",
        ),
    )


def _source(side: Placed) -> dict[str, Any]:
    low = side.document["low"]
    return {
        "result": side.label,
        "low": low.get("source", low) if low else None,
        "high": (side.document["high"] or {}).get("source", side.document["high"]),
        "regions": len(side.regions),
        "samples": side.document.get("samples"),
    }
