"""Why a tuned cage leaves places wrong: codes, and the sentences that say them."""

from __future__ import annotations

from cagecheck.defects.reasons import Code


class ConflictCause(Code):
    """What holds the cage where it is; part is the high part of the surface that belongs."""

    TOO_DEEP = "too-deep", "{part} lies {deep} deeper than rays look ({depth})"
    KEPT = "kept", "kept vertices hold the cage {short} below {part}"
    LIMIT = "limit", "the limit of {limit} holds the cage {short} below {part}"
    AUTOMATIC_LIMIT = (
        "automatic-limit",
        "the automatic limit of {limit} holds the cage {short} below {part}",
    )
    ENDS_BELOW = "ends-below", "the cage ends {short} below {part}"
    PART_BESIDE = (
        "part-beside",
        "{other_part} beside it lets the cage rise no further, {short} short of {part}",
    )
    FOLD_BESIDE = (
        "fold-beside",
        "another fold of {part} beside it lets the cage rise no further, {short} short of {part}",
    )
    PART_ABOVE = (
        "part-above",
        "{other_part} lies above {part}, {short} below where the ray must start",
    )
    GIVEN_UP = (
        "given-up",
        "a cage that reaches {part} was found, but shows more around it (--decide reach takes it)",
    )
    TOUCHING = "touching", "{part} lies just where the ray starts or ends: rounding decides"
    NOTHING_BELONGS = (
        "nothing-belongs",
        "nothing that belongs here lies on the ray, which meets {other_part} instead",
    )
    NOTHING_NEAR = "nothing-near", "nothing that belongs here lies on the ray"
    FOLD_ABOVE = (
        "fold-above",
        "another fold of {part} lies above {part}, {short} below where the ray must start",
    )
