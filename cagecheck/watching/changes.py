"""What a round found and what it changed, in a line."""

from __future__ import annotations

from cagecheck.comparing.compare import compare_placed
from cagecheck.comparing.placed import Placed
from cagecheck.defects.headline import headline
from cagecheck.errors import InputError
from cagecheck.predicting.result import Prediction


def round_words(before: Placed | None, after: Placed, result: Prediction) -> str:
    """Say what became of every place since the round before, or what the first round found."""
    found = headline(result.entries)
    if before is None:
        return found
    try:
        return compare_placed(before, after).summary
    except InputError:
        return found
