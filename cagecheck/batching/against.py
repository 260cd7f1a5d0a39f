"""A batch against an earlier one: what became of every asset's places."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from cagecheck.batching.clash_changes import compare_clashes
from cagecheck.batching.job import RESULT_NAME
from cagecheck.errors import InputError
from cagecheck.files import read_plain
from cagecheck.formats.stored import parse_json
from cagecheck.words.sentences import count_words

# As many places as a sentence of a breach names; the comparison itself has all.
MOST_NAMED = 5
_NOTHING: dict[str, Any] = {
    "summary": None, "counts": None, "harm_old": None, "harm_new": None, "clashes": None,
    "breaches": [], "error": None,
}  # fmt: skip


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
    ``harm_old``, ``harm_new``, ``clashes`` (pairs of parts by what became of them, or None),
    ``breaches`` (a sentence for each place and each pair that is worse, the worst first) and
    ``error`` (why it could not be compared, None).
    """
    found, clashes = _places(row, accepted, now), _clashes(row, accepted, now)
    if found is None or clashes is None:
        return found or clashes
    said = [part for part in (found["summary"], clashes["summary"]) if part]
    wrong = [part for part in (found["error"], clashes["error"]) if part]
    return found | {
        "summary": "; ".join(said) or None,
        "clashes": clashes["clashes"],
        "breaches": [*found["breaches"], *clashes["breaches"]],
        "error": "; ".join(wrong) or None,
    }


def _clashes(row: Mapping[str, Any], accepted: Path, now: Path) -> dict[str, Any] | None:
    if not (accepted / RESULT_NAME).is_file():
        return None
    try:
        earlier = parse_json(read_plain(accepted / RESULT_NAME))
        found = compare_clashes((earlier, accepted), (row, now))
    except (OSError, ValueError) as error:
        return _not_compared(f"clashes: {error}")
    if found is None:
        return None
    return _NOTHING | {
        "summary": found["summary"],
        "clashes": found["counts"],
        "breaches": _first_of(found["breaches"], "pair of parts", "pairs of parts"),
    }


def _places(row: Mapping[str, Any], accepted: Path, now: Path) -> dict[str, Any] | None:
    # Imported late, so that a batch without this need not load it.
    from cagecheck.comparing.compare import compare

    old, new = asset_result(accepted), result_of(row, now)
    if old is None or row["summary"] is None:
        return None
    try:
        found = compare(old, new)
    except InputError as error:
        return _not_compared(str(error))
    worse = [
        f"{change.became.value} since the accepted run: {found.words_of(change)}"
        for change in found.worse
    ]
    return _NOTHING | {
        "summary": found.summary,
        "counts": found.counts(),
        "harm_old": found.harm_old,
        "harm_new": found.harm_new,
        "breaches": _first_of(worse, "place", "places"),
    }


def _not_compared(error: str) -> dict[str, Any]:
    said = [f"cannot be compared with the accepted run: {error}"]
    return _NOTHING | {"breaches": said, "error": error}


def _first_of(worse: list[str], one: str, several: str) -> list[str]:
    """Return the first few sentences, and how many more there are."""
    more = len(worse) - MOST_NAMED
    if more <= 0:
        return worse
    verb = "is" if more == 1 else "are"
    return [
        *worse[:MOST_NAMED],
        f"and {count_words(more, 'more ' + one, 'more ' + several)} that {verb} worse",
    ]


def result_of(row: Mapping[str, Any], folder: Path) -> Path:
    """Return where the result of a row lies in its asset's folder."""
    return folder / ("tuned" if row["tuned"] else "predicted")


def asset_result(folder: Path) -> Path | None:
    """Return what an asset came to: its tuned result where it was tuned."""
    for name in ("tuned", "predicted"):
        if (folder / name / "regions.json").is_file():
            return folder / name
    return None
