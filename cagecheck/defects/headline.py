"""What one will see of a bake, in a sentence or two."""

from __future__ import annotations

from collections.abc import Sequence

from cagecheck.defects.entries import Entry
from cagecheck.words.sentences import count_words, sentence_case

# As many sights as one sentence holds; what harms less is left to the list.
MOST_SIGHTS = 3
# So many of the rest are named.
LESSER_SIGHTS = 2


def headline(entries: Sequence[Entry]) -> str:
    """Say what one will see: the sights that harm most, where, and what there is besides."""
    if not entries:
        return "Nothing found: every ray records the surface that belongs to it."
    shown = [entry for entry in entries if entry.shows]
    hidden = folded_words(entries)
    if not shown:
        return f"Nothing of this will show: {hidden}."
    of_sight: dict[str, list[Entry]] = {}
    for entry in shown:
        of_sight.setdefault(entry.first.defect.sight, []).append(entry)
    order = sorted(of_sight, key=lambda sight: -sum(e.harm for e in of_sight[sight]))
    said = [f"{sight} ({_where(of_sight[sight])})" for sight in order[:MOST_SIGHTS]]
    less = order[MOST_SIGHTS:]
    if len(less) > LESSER_SIGHTS + 1:
        less = [*less[:LESSER_SIGHTS], f"{len(less) - LESSER_SIGHTS} other things"]
    more = f"; less of {_listed(less)}" if less else ""
    return f"One will see {_listed(said)}{more}." + (f" {sentence_case(hidden)}." if hidden else "")


def folded_words(entries: Sequence[Entry]) -> str:
    """Say how many places will not show, or nothing."""
    count = sum(entry.places for entry in entries if not entry.shows)
    return f"{count_words(count, 'place')} will not show" if count else ""


def _where(entries: Sequence[Entry]) -> str:
    by_part: dict[str, float] = {}
    for entry in entries:
        by_part[entry.first.part] = by_part.get(entry.first.part, 0.0) + entry.harm
    parts = sorted(by_part, key=lambda part: -by_part[part])
    others = f" and {count_words(len(parts) - 1, 'other part')}" if len(parts) > 1 else ""
    texels = sum(entry.texels_seen for entry in entries)
    size = f", {count_words(texels, 'texel')}" if texels >= 0.5 else ""
    return f"{parts[0]}{others}{size}"


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
