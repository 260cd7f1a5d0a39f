"""What a round changed, in a line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from cagecheck.defects.headline import headline
from cagecheck.predicting.result import Prediction
from cagecheck.words.numbers import count_text
from cagecheck.words.sentences import count_words

# More defects than this in a line are not read.
MOST_DEFECTS = 4


def first_words(result: Prediction) -> str:
    """Say what the first round found."""
    return headline(result.entries)


Totals = Sequence[dict[str, Any]]


def change_words(old: Totals, new: Totals) -> str:
    """Say how much shows now and before, and of which defects there is more or less."""
    words = [_seen_words(old, new)]
    moved = [
        (abs(b["harm"] - a["harm"]), b["name"], a["regions"], b["regions"])
        for a, b in zip(old, new, strict=True)
        if _row(a) != _row(b)
    ]
    moved.sort(key=lambda row: -row[0])
    words += [f"{name} {_counts_words(a, b)}" for _, name, a, b in moved[:MOST_DEFECTS]]
    if len(moved) > MOST_DEFECTS:
        words.append(f"{count_words(len(moved) - MOST_DEFECTS, 'more defect')} changed")
    return "; ".join(words) + "."


def _row(row: dict[str, Any]) -> tuple[Any, ...]:
    return row["regions"], round(row["texels"]), row["samples"]


def _seen_words(old: Totals, new: Totals) -> str:
    key, unit = ("texels_seen", "texels") if any(r["texels"] for r in new) else ("area_seen", "")
    a, b = (sum(row[key] for row in rows) for rows in (old, new))
    if not unit:
        harm = [sum(row["harm"] for row in rows) for rows in (old, new)]
        if harm[0] == harm[1]:
            return "as much shows as before"
        return "less shows than before" if harm[1] < harm[0] else "more shows than before"
    if round(a) == round(b):
        return f"{count_text(b)} {unit} show, as before"
    return f"{count_text(b)} {unit} show, {count_text(a)} before"


def _counts_words(before: int, after: int) -> str:
    if before == after:
        return f"in {count_words(after, 'place')} as before, of other sizes"
    if not after:
        return "is gone"
    return f"in {count_words(after, 'place')}, {count_text(before)} before"
