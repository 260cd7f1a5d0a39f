"""Limits for automated checks: what a new result must keep to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from cagecheck.comparing.changes import Became, Change
from cagecheck.comparing.words import change_words, harm_text
from cagecheck.options import LIMITS, option


@dataclass(frozen=True)
class Limits:
    """What the new result must keep to; with any of them, they alone decide the exit code.

    Attributes
    ----------
    no_worse : bool
        No place is new or has grown (by more than chance).
    no_new_above : float | None
        No new place has more harm than this.
    no_growth_above : float | None
        No place has grown by more harm than this.
    max_harm : float | None
        The harm of all places together is at most this.
    """

    no_worse: bool = option(
        False, LIMITS, "No place may be new or have grown (the rule without limits, too)."
    )
    no_new_above: float | None = option(
        None, LIMITS, "No new place may have more harm than this.", metavar="HARM", least=0.0
    )
    no_growth_above: float | None = option(
        None, LIMITS, "No place may have grown by more harm than this.", metavar="HARM", least=0.0
    )
    max_harm: float | None = option(
        None, LIMITS, "The harm of all places together may be this at most.", metavar="HARM",
        least=0.0,
    )  # fmt: skip

    @property
    def any(self) -> bool:
        """Whether a limit is set."""
        numbers = (self.no_new_above, self.no_growth_above, self.max_harm)
        return self.no_worse or any(x is not None for x in numbers)

    def breaches(self, changes: Sequence[Change]) -> list[str]:
        """Return how changes break the limits, a sentence each.

        Parameters
        ----------
        changes : Sequence[Change]
            What became of every place.
        """
        out = []
        worse = [c for c in changes if c.worse]
        if self.no_worse:
            out += [f"worse: {change_words(c)}" for c in worse]
        if self.no_new_above is not None:
            out += [
                f"new with a harm above {harm_text(self.no_new_above)}: {change_words(c)}"
                for c in worse
                if c.became is Became.NEW and c.harm_new > self.no_new_above
            ]
        if self.no_growth_above is not None:
            out += [
                f"grown by more than {harm_text(self.no_growth_above)}: {change_words(c)}"
                for c in worse
                if c.became is Became.GROWN and c.difference > self.no_growth_above
            ]
        total = sum(c.harm_new for c in changes)
        if self.max_harm is not None and total > self.max_harm:
            out.append(f"harm {harm_text(total)}, above the limit of {harm_text(self.max_harm)}")
        return out
