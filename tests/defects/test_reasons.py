"""Codes of causes and cures: told apart, described, and each said with values that there are."""

from __future__ import annotations

import json
import re
from dataclasses import fields
from pathlib import Path

import pytest

from cagecheck.defects.reasons import (
    INFORMATION,
    OF_WHOLE_PARTS,
    CauseCode,
    Code,
    CureCode,
    Reason,
    Values,
)
from cagecheck.locating.fault_reasons import FaultCause, FaultCure
from cagecheck.tuning.conflict_reasons import ConflictCause

KINDS: list[type[Code]] = [CauseCode, CureCode, FaultCause, FaultCure, ConflictCause]
FILES = Path(__file__).parents[2] / "docs/files.md"
GAP = re.compile(r"\{(\w+)\}")


@pytest.mark.parametrize("kind", KINDS)
def test_codes_are_told_apart_and_their_gaps_have_values(kind: type[Code]) -> None:
    assert len({c.code for c in kind}) == len({c.sentence for c in kind}) == len(kind)
    known = {field.name for field in fields(Values)}
    for c in kind:
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", c.code)
        assert set(GAP.findall(c.sentence)) <= known
        assert not c.sentence.endswith(".")


@pytest.mark.parametrize("kind", KINDS)
def test_the_page_about_files_has_every_code_and_sentence(kind: type[Code]) -> None:
    table = "".join(f"| `{c.code}` | {c.sentence} |\n" for c in kind)
    assert table in FILES.read_text(encoding="utf-8")


def test_values_are_said_in_their_own_units() -> None:
    values = Values(part="arm", rise=0.0123456, degrees=12.6, texels=1, slide=2.345)
    assert Reason(CauseCode.STEEP, values).words.startswith(
        "recorded normals lean up to 13 degrees"
    )
    assert Reason(FaultCause.SLID, values).words.startswith("the detail slid sideways by about 2.3")
    assert Reason(FaultCause.BARE_ONE, values).words.startswith("1 texel beside islands of arm")
    assert Reason(FaultCause.MISSED_TIGHT, values).words == (
        "nothing was recorded: the surface rises to 0.01235, rays started beneath it"
    )


def test_a_value_that_is_missing_is_noticed() -> None:
    with pytest.raises(KeyError, match="rise"):
        _ = Reason(CauseCode.TIGHT, Values(short=0.1)).words


def test_a_second_way_is_led_over_to_and_files_know_no_infinity() -> None:
    values = Values(need=0.1, room=float("inf"))
    cure = Reason(CureCode.KEEP_BETWEEN, values, CureCode.SPLIT_PART)
    assert cure.words == (
        "keep the offset here between 0.1 and inf; or split the part here and bake the pieces apart"
    )
    row = cure.to_dict("cure")
    assert json.loads(json.dumps(row, allow_nan=False)) == {
        "cure_code": "keep-between",
        "cure_values": {"need": 0.1, "room": None},
        "cure_also": "split-part",
    }


def test_what_comes_first_is_not_what_may_be_meant() -> None:
    assert not OF_WHOLE_PARTS & INFORMATION
