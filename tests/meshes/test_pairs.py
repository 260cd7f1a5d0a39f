"""Parts pair by their names."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.errors import InputError
from cagecheck.meshes.pairs import pair_parts


@pytest.mark.parametrize(
    ("low", "high"),
    [
        ("Body", "body"),
        ("body_low", "body_high"),
        ("Body_LP", "body-hp"),
        ("sleeveLow", "SleeveHigh"),
        ("belt.lo", "belt.hi"),
        ("belt low poly", "belt_highpoly"),
        ("old leather belt low poly", "old_leather_belt_highpoly"),
        ("low_belt", "hi_belt"),
        ("belt", "belt_high"),
        ("belt_low", "belt"),
        ("belt_low", "belt_high_01"),
        ("belt_low", "belt_high.bolts"),
        ("arm_01_low", "arm_01_high"),
        ("char:boot_low", "char_high:boot_high"),
        ("Cafe\u0301_low", "caf\u00e9_high"),
    ],
)
def test_usual_names_pair(low: str, high: str) -> None:
    pairing = pair_parts([low, "other_low"], [high, "something"])
    assert pairing.high_of == ((0,), ())
    assert pairing.unpaired_low == (1,) and pairing.unpaired_high == (1,)
    assert {n.code for n in pairing.notices} == {"unpaired-low", "unpaired-high"}


@pytest.mark.parametrize(
    ("low", "high"),
    [
        ("pillow", "pihigh"),
        ("arm_01_low", "arm_02_high"),
        ("low_belt", "hi_boot"),
        ("low", "high"),
        ("a", "b"),
    ],
)
def test_other_names_do_not(low: str, high: str) -> None:
    assert pair_parts([low, "x1"], [high, "y1"]).high_of == ((), ())


def test_several_high_parts_serve_one_low_part() -> None:
    pairing = pair_parts(
        ["belt_low", "belt_low_bolts", "hand"],
        ["belt_high", "belt_high_bolts", "belt_high_holes", "Hand", "hand_high"],
    )
    assert pairing.high_of == ((0, 2), (1,), (3,))
    # The same name is the stronger rule; what it leaves is said.
    assert pairing.how[2] == "same name"
    assert pairing.unpaired_high == (4,)
    assert pairing.matrix().sum() == 4
    assert len(pairing.rows()) == 4


def test_what_a_stronger_rule_gave_is_not_given_again() -> None:
    """`arm` has the high part of its name; the stem of `arm_low` says the same, but too late."""
    pairing = pair_parts(["arm_low", "arm"], ["arm", "arm_high"])
    assert pairing.high_of == ((1,), (0,))
    assert pairing.how == ("name without low or high", "same name")
    assert pair_parts(["arm_low", "arm"], ["arm"]).high_of == ((), (0,))


def test_high_parts_of_one_low_part_are_in_the_files_order() -> None:
    names = [f"other_{k}" for k in range(8)]
    pairing = pair_parts(["arm", "leg"], ["leg", "arm_high_a", *names[:6], "arm_high_b", "Arm_hp"])
    assert pairing.high_of[0] == (1, 8, 9)


def test_shared_high_parts_are_named_in_order() -> None:
    """One high part of each pair of low parts with one name; thousands of parts are no burden."""
    lows = [name for k in range(3000) for name in (f"p{k}", f"P{k}")]
    pairing = pair_parts(lows, [f"p{k}" for k in range(3000)])
    (shared,) = [n for n in pairing.notices if n.code == "shared-high"]
    assert shared.count == 3000 and "p0, p1, p2" in shared.text
    assert "p7 and 2,992 more" in shared.text


def test_shared_high_parts_are_named_in_the_order_of_the_high_file() -> None:
    pairing = pair_parts(["b_low", "b_lp", "a_low", "a_lp"], ["a_high", "b_high"])
    (shared,) = [n for n in pairing.notices if n.code == "shared-high"]
    assert "a_high, b_high" in shared.text


@pytest.mark.parametrize(("count", "more"), [(8, False), (9, True)])
def test_up_to_eight_names_are_listed_whole(count: int, more: bool) -> None:
    lone = [f"extra{k}" for k in range(count)]
    (notice,) = pair_parts(["arm", *lone], ["arm"]).notices
    assert "extra7" in notice.text and ("more" in notice.text) is more


def test_the_table_shows_partners_rules_and_who_has_none() -> None:
    pairing = pair_parts(["arm_low", "leg"], ["arm_high", "arm_high_bolts", "tail"])
    assert pairing.rows() == [
        ("arm_low", "arm_high, arm_high_bolts", "name without low or high"),
        ("leg", "-", "unpaired"),
        ("-", "tail", "unpaired"),
    ]


def test_patterns_come_first_and_the_longest_name_wins() -> None:
    lows, highs = ["arm_lp", "arm_low_lp", "leg"], ["arm_hp", "arm_low_hp", "arm_hp.001", "leg"]
    pairing = pair_parts(lows, highs, ["{name}_lp={name}*"])
    assert pairing.high_of == ((0, 2), (1,), (3,))
    assert pairing.how[0] == "pattern {name}_lp={name}*"
    back = pair_parts(["L-a", "L-b"], ["A final", "b final"], ["L-{name}={name} *"])
    assert back.high_of == ((0,), (1,))
    idle = pair_parts(["a", "b"], ["a", "b"], ["{name}_x={name}_y"])
    assert [n.code for n in idle.notices] == ["pattern-without-effect"]


def test_a_second_pattern_adds_high_parts() -> None:
    lows, highs = (
        ["boot_lp", "arm_lp", "leg"],
        ["bolts of boot", "boot_hp", "arm_hp", "Leg", "boot"],
    )
    both = pair_parts(lows, highs, ["{name}_lp={name}_hp", "{name}_lp=bolts of {name}"])
    assert both.high_of == ((0, 1), (2,), (3,))
    assert both.how[0] == "pattern {name}_lp={name}_hp, pattern {name}_lp=bolts of {name}"
    assert both.how[1:] == ("pattern {name}_lp={name}_hp", "same name")
    # Names add nothing to what a pattern has given, and no part is given twice.
    assert both.unpaired_high == (4,) and [n.code for n in both.notices] == ["unpaired-high"]
    turned = pair_parts(lows, highs, ["{name}_lp=bolts of {name}", "{name}_lp={name}_hp"])
    assert turned.high_of == both.high_of
    again = pair_parts(lows, highs, ["{name}_lp={name}_hp", "{name}_lp={name}_h*"])
    assert again.high_of[:2] == ((1,), (2,))
    assert "pattern-without-effect" in {n.code for n in again.notices}


@pytest.mark.parametrize(
    "text", ["", "{name}", "{name}=x", "a=b=c", "{name}{name}={name}", "=", "{name}_a={name}=b"]
)
def test_unreadable_patterns(text: str) -> None:
    with pytest.raises(InputError, match="does not read"):
        pair_parts(["a"], ["a"], [text])


def test_single_parts_and_no_pairing() -> None:
    assert pair_parts(["low file"], ["high file"]).high_of == ((0,),)
    assert pair_parts(["low file"], ["a", "b"]).high_of == ((0, 1),)
    assert pair_parts(["a", "b"], ["scan"]).high_of == ((0,), (0,))
    assert pair_parts(["body", "arm"], ["body"]).high_of == ((0,), ())
    both = pair_parts(["a", "b"], ["b", "a"], pairing=False)
    assert both.high_of == ((0, 1), (0, 1)) and both.notices == ()


def test_equal_low_stems_share_their_high() -> None:
    pairing = pair_parts(["body_low", "body_lp"], ["body_high", "x"])
    assert pairing.high_of == ((0,), (0,))
    assert "shared-high" in {n.code for n in pairing.notices}


NAMES = st.lists(st.text("abLlHh_ .0ow", max_size=8), max_size=6)


@given(NAMES, NAMES, st.booleans())
@settings(max_examples=200, deadline=None, derandomize=True)
def test_pairing_is_sound_for_any_names(lows: list[str], highs: list[str], on: bool) -> None:
    pairing = pair_parts(lows, highs, ["{name}_l={name}_h*"], pairing=on)
    assert len(pairing.high_of) == len(pairing.how) == len(lows)
    assert all(0 <= h < len(highs) for part in pairing.high_of for h in part)
    assert all(list(part) == sorted(set(part)) for part in pairing.high_of)
    assert pairing == pair_parts(lows, highs, ["{name}_l={name}_h*"], pairing=on)
    assert all(pairing.how[k] == "unpaired" for k in pairing.unpaired_low) or not highs


def test_numbers_from_copying_do_not_keep_parts_apart():
    pairing = pair_parts(["hair_low.001", "arm_low"], ["hair_high.002", "arm_high.003"])
    assert pairing.high_of == ((0,), (1,)) and not pairing.notices


def test_numbers_that_tell_low_parts_apart_count():
    pairing = pair_parts(
        ["boot_low.001", "boot_low.002"], ["boot_high.001", "boot_high.002", "boot_high"]
    )
    assert pairing.high_of == ((0,), (1,)) and pairing.unpaired_high == (2,)


def test_a_high_poly_in_one_part_is_told() -> None:
    many = pair_parts(["arm_low", "sleeve_low"], ["scan"])
    assert many.high_of == ((0,), (0,)) and [n.code for n in many.notices] == ["one-high-part"]
    assert not pair_parts(["arm_low"], ["scan"]).notices
    assert not pair_parts(["arm_low"], ["bone", "skin"]).notices
