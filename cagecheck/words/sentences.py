"""Counts, lists and percentages as people read them."""

from __future__ import annotations

from collections.abc import Sequence

from cagecheck.words.numbers import count_text, decimals

# Names in one sentence; more of them nobody reads there.
MOST_NAMED = 8


def percent_text(value: float) -> str:
    """Return a percentage for reading; small ones are not rounded to nothing."""
    if value == 0:
        return "0"
    if 0 < value < 0.01:
        return "<0.01"
    return decimals(value, 1 if value >= 10 else 2)


def count_words(count: float, word: str, words: str | None = None) -> str:
    """Return a whole number with its word in the right form, as in ``1 texel``, ``1,200 texels``.

    A count that is no whole number is rounded; `words` : where the word takes more than an s.
    """
    one = round(count) == 1
    return f"{count_text(count)} {word if one else words or word + 's'}"


def names_words(names: Sequence[str], most: int = MOST_NAMED) -> str:
    """List names, the first `most` of them and how many more there are."""
    more = f" and {count_text(len(names) - most)} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def sentence_case(words: str) -> str:
    """Return words with a capital first letter and without a full stop at the end."""
    return words[:1].upper() + words[1:].rstrip(".")
