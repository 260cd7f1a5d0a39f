"""A batch against an earlier one: what became of every asset's places."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from cagecheck.errors import InputError

# As many places as a sentence of a breach names; the comparison itself has all.
MOST_NAMED = 5


def open_accepted(folder: Path, out: Path, marker: str) -> Path:
    """Return the folder of an earlier batch; raise `InputError` where it is none, or this one."""
    if not (folder / marker).is_file():
        raise InputError(
            "this is not the folder of a batch.",
            file=str(folder),
            cure="Name the folder that an accepted run of cagecheck batch wrote.",
        )
    if folder.resolve() == out.resolve():
        raise InputError(
            "a batch cannot be compared with itself.",
            file=str(folder),
            cure="Write this run into a folder of its own, or compare with another.",
        )
    return folder


def compare_asset(row: Mapping[str, Any], accepted: Path, now: Path) -> dict[str, Any] | None:
    """Compare an asset's result with the accepted one; None where that has no such asset.

    accepted, now : the asset's folders in both batches. Returns ``summary``, ``counts``,
    ``harm_old``, ``harm_new``, ``breaches`` (a sentence for each place that is worse, the worst
    first) and ``error`` (why it could not be compared, None).
    """
    # Imported late, so that a batch without this need not load it.
    from cagecheck.comparing.compare import compare

    old, new = asset_result(accepted), result_of(row, now)
    if old is None or row["summary"] is None:
        return None
    try:
        found = compare(old, new)
    except InputError as error:
        return {
            "summary": None, "counts": None, "harm_old": None, "harm_new": None,
            "breaches": [f"cannot be compared with the accepted run: {error}"],
            "error": str(error),
        }  # fmt: skip
    worse = found.worse
    breaches = [
        f"{change.became.value} since the accepted run: {found.words_of(change)}"
        for change in worse[:MOST_NAMED]
    ]
    if len(worse) > MOST_NAMED:
        breaches.append(f"and {len(worse) - MOST_NAMED} more places that are worse")
    return {
        "summary": found.summary,
        "counts": found.counts(),
        "harm_old": found.harm_old,
        "harm_new": found.harm_new,
        "breaches": breaches,
        "error": None,
    }


def result_of(row: Mapping[str, Any], folder: Path) -> Path:
    """Return where the result of a row lies in its asset's folder."""
    return folder / ("tuned" if row["tuned"] else "predicted")


def asset_result(folder: Path) -> Path | None:
    """Return what an asset came to: its tuned result where it was tuned."""
    for name in ("tuned", "predicted"):
        if (folder / name / "regions.json").is_file():
            return folder / name
    return None
