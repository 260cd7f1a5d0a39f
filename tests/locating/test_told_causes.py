"""What to mend first comes first."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from cagecheck.locating.compare import Fault
from cagecheck.locating.fault_reasons import FaultCause
from cagecheck.locating.told_causes import told_causes


def region(number: int, defect: Fault, code: FaultCause, texels: float, harm: float) -> Any:
    return SimpleNamespace(
        number=number, defect=defect, why=SimpleNamespace(code=code), texels=texels, harm=harm,
        tile=1001, cause="", cure="",
    )  # fmt: skip


@pytest.mark.parametrize("lost, first", [(40, "bare"), (400, "missed-in-reach")])
def test_padding_that_is_missing_all_round_comes_before_specks_only(lost: int, first: str) -> None:
    regions = [
        region(1, Fault.MISSED, FaultCause.MISSED_IN_REACH, lost / 2, 30.0 * lost),
        region(2, Fault.PADDING, FaultCause.BARE, 2000, 20.0),
        region(3, Fault.PADDING, FaultCause.BARE, 3000, 30.0),
        region(4, Fault.MISSED, FaultCause.MISSED_IN_REACH, lost / 2, 3.0),
    ]
    told = told_causes([], regions)
    assert next(cause.code for cause in told) == first
    assert {cause.code: cause.regions for cause in told} == {
        "bare": (2, 3), "missed-in-reach": (1, 4),
    }  # fmt: skip
