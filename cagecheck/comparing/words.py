"""Changes in words: a line for a whole comparison, a line for each place."""

from __future__ import annotations

from collections.abc import Sequence

from cagecheck.comparing.changes import Became, Change
from cagecheck.words.numbers import count_text, figures
from cagecheck.words.sentences import count_words

# In a line: what got better first, as one reads it after mending.
ORDER = (Became.MENDED, Became.SHRUNK, Became.NEW, Became.GROWN, Became.MOVED)


def summary_line(changes: Sequence[Change]) -> str:
    """Return a comparison in a line.

    As in “2 mended, 1 new (overshoot: other part, left sleeve, harm 12), 1 grown; harm 340 → 210”.

    Parameters
    ----------
    changes : Sequence[Change]
        What became of every place.
    """
    said = []
    for became in ORDER:
        mine = [c for c in changes if c.sure and c.became is became]
        if not mine:
            continue
        words = f"{count_text(len(mine))} {became.value}"
        if became.worse:
            worst = max(mine, key=lambda c: c.difference)
            which = "" if len(mine) == 1 else "worst: "
            words += f" ({which}{worst.name}, {worst.part}, harm {harm_change(worst)})"
        said.append(words)
    old, new = (sum(getattr(c, name) for c in changes) for name in ("harm_old", "harm_new"))
    if not said:
        return f"nothing changed; harm {harm_span(old, new)}"
    return f"{', '.join(said)}; harm {harm_span(old, new)}"


def change_words(change: Change) -> str:
    """Say what became of a place: its defect, part, harm, and how many regions it is."""
    parts = [change.name, f"on {change.part}"]
    if change.old and change.old[0]["part"] != change.part:
        parts.append(f"(before: {change.old[0]['part']})")
    return f"{' '.join(parts)}, harm {harm_change(change)}{split_words(change)}"


def split_words(change: Change) -> str:
    """Say that a place fell into several regions or several into one; nothing for one to one."""
    n, m = len(change.old), len(change.new)
    if n <= 1 and m <= 1:
        return ""
    if n == 1:
        return f"; fell into {count_words(m, 'place')}"
    if m == 1:
        return f"; {count_words(n, 'place')} became one"
    return f"; {count_words(n, 'place')} became {count_text(m)}"


def harm_change(change: Change) -> str:
    """Return the harm of a place, before and after where it was there both times."""
    if not change.old:
        return harm_text(change.harm_new)
    if not change.new:
        return harm_text(change.harm_old)
    return harm_span(change.harm_old, change.harm_new)


def harm_span(old: float, new: float) -> str:
    """Return harm before and after."""
    return f"{harm_text(old)} → {harm_text(new)}"


def harm_text(harm: float) -> str:
    """Return harm for reading: whole degrees times texels, small ones with two figures."""
    return count_text(harm) if harm >= 10 or harm == 0 else figures(harm, 2)


def verdict_words(changes: Sequence[Change]) -> str:
    """Say in a sentence or two whether anything got worse, and what cannot be told."""
    worse, better = ([c for c in changes if getattr(c, key)] for key in ("worse", "better"))
    unsure = sum(not c.sure for c in changes)
    if worse:
        said = f"{count_words(len(worse), 'place is', 'places are')} worse than before"
    else:
        said = "Nothing got worse"
    if better:
        said += f", {count_words(len(better), 'is', 'are')} better"
    if not unsure:
        return f"{said}."
    most = max(abs(c.difference) for c in changes if not c.sure)
    few = "has so few samples that it says"
    many = "have so few samples that they say"
    words = count_words(unsure, f"difference {few}", f"differences {many}")
    return f"{said}. {words} nothing (harm {harm_text(most)} at most; more samples would tell)."
