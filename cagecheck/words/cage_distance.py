"""How far away a cage is, in words."""

from __future__ import annotations

from cagecheck.words.lengths import length_words
from cagecheck.words.numbers import decimals


def distance_words(factor: float, label: str, offset: float | None, touching: bool) -> str:
    """Say the distance of a cage at `factor` times its own.

    label, offset : the cage's name, and its one offset where it has one. touching : the cage lies
    on the low poly, and the factor is itself the distance, world units.
    """
    if touching:
        return f"offset {length_words(factor)} units"
    if label.startswith("uniform") and offset:
        changed = "" if factor == 1 else f", {decimals(factor, 2)} of the predicted one"
        return f"offset {length_words(factor * offset)} units{changed}"
    if factor == 1:
        return label
    return f"{label} at {decimals(factor, 2)} of its distance"
