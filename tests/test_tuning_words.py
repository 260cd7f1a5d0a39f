"""What a tuning says about its limit: whether somebody set it, and how to set one."""

from __future__ import annotations

from dataclasses import replace

from cagecheck.prediction import Settings
from cagecheck.tuning.conflicts import explain_conflicts
from cagecheck.tuning.page import assurance_words
from cagecheck.tuning.tune import TuneSettings, tune
from cagecheck.tuning.words import conflicting_words
from tests.tuning_scenes import bumpy_pair

QUICK = Settings(samples=3000, unseen_points=0, depth=0.08, reach=0.25)


def test_a_limit_nobody_set_is_not_asked_to_be_raised() -> None:
    low, high = bumpy_pair(7)
    free = tune(low, high, settings=QUICK)
    assert not free.limit_given
    held = tune(low, high, settings=QUICK, tuning=TuneSettings(limit=0.01))
    assert held.limit_given
    said = conflicting_words(held)
    assert "the limit of 0.01 lets" in said and said.endswith("raise --limit.")
    assert explain_conflicts(held)[0].why.startswith("the limit of 0.01 holds")
    # The same offsets, had the limit been found in the scene.
    found = replace(held, limit_given=False)
    said = conflicting_words(found)
    assert "the automatic limit of 0.01 lets" in said
    assert "raise --limit" not in said and said.endswith("set a larger one with --limit.")
    assert explain_conflicts(found)[0].why.startswith("the automatic limit of 0.01 holds")
    assert said in assurance_words(found)
