"""What a tuning says about its limit: whether somebody set it, and how to set one."""

from __future__ import annotations

from dataclasses import replace

from cagecheck.tuning.conflicts import explain_conflicts
from cagecheck.tuning.page import assurance_words
from cagecheck.tuning.texels import TexelCheck
from cagecheck.tuning.tune import _number_notice
from cagecheck.tuning.words import conflicting_words, texel_words
from tests.scenes.tuning import tuned_bumps


def test_a_limit_nobody_set_is_not_asked_to_be_raised() -> None:
    assert not tuned_bumps().limit_given
    held = tuned_bumps(0.01)
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


def test_samples_that_no_offset_serves_are_told_why() -> None:
    clean = tuned_bumps()
    assert clean.assurance.conflicting == 0 and conflicting_words(clean) == ""
    for count, subject in ((1, "1 sample asks"), (1200, "1,200 samples ask")):
        found = replace(clean, assurance=replace(clean.assurance, conflicting=count))
        assert conflicting_words(found) == (
            f"{subject} for offsets that other samples, a surface in the way or a fold of the cage "
            "rule out; no offset cures all of them."
        )


def test_texels_are_told_in_one_sentence() -> None:
    plain = tuned_bumps()
    assert texel_words(plain) is None
    right = TexelCheck(2048, 4, 11_000_000, 7, 224_489, 33, 0, 0, 0, 0.0)
    said = texel_words(replace(plain, texels=right))
    assert said == (
        "All 11,000,000 texels of the 2048 x 2048 maps were cast through the tuned cage (every "
        "7th across and down was a sample from the start, 33 more became one): none misses or "
        "overshoots."
    )
    assert replace(plain, texels=right).clean == plain.clean
    wrong = replace(right, tiles=1, stride=1, open=1, conflicting=20, too_deep=5, deepest=0.0123)
    said = str(texel_words(replace(plain, texels=wrong)))
    assert "of the 2048 x 2048 map were" in said and "(all of them were samples" in said
    assert ": 1 of them still misses or overshoots though better offsets exist; " in said
    assert "; 20 of them miss or overshoot, since the limit or other samples" in said
    assert said.endswith("deeper than rays look (up to 0.0123; raise --depth).")
    assert not replace(plain, texels=wrong).clean
    for stride, word in ((2, "second"), (3, "third"), (4, "4th"), (11, "11th"), (12, "12th"),
                         (13, "13th"), (21, "21st"), (22, "22nd"), (23, "23rd"), (30, "30th"),
                         (101, "101st"), (111, "111th")):  # fmt: skip
        said = str(texel_words(replace(plain, texels=replace(right, stride=stride))))
        assert f"(every {word} across" in said


def test_parts_that_began_from_one_distance_are_named() -> None:
    assert _number_notice(()) == ()
    (notice,) = _number_notice(("jacket_low", "arm_low"))
    assert notice.code == "one-number" and notice.count == 2
    assert "one distance for the whole part left less wrong" in notice.text
    assert notice.text.endswith("on: jacket_low, arm_low.")
    assert notice.cure.endswith("what stays wrong there is among the conflicts.")
    (many,) = _number_notice(tuple(f"bolt_{k}" for k in range(1200)))
    assert many.count == 1200 and many.text.endswith("bolt_7 and 1,192 more.")
