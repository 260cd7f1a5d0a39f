"""The families: their names, and how a scene of each is made from a seed."""

from __future__ import annotations

from collections.abc import Callable

from tests.scenes.families import (
    cards,
    clean,
    coincident,
    deep,
    degenerate,
    inverted,
    pieces,
    planted,
    scans,
    shells,
)
from tests.scenes.families.scene import FamilyScene

FAMILIES: dict[str, Callable[[int], FamilyScene]] = {
    "clean": clean.clean,
    "classic": planted.classic,
    "finger": planted.next_finger,
    "fold": planted.fold,
    "cover": planted.cover,
    "unpaired": planted.unpaired,
    "shell": shells.thin_shell,
    "runs": pieces.run_together,
    "inside": pieces.wholly_inside,
    "card": cards.single_card,
    "crossing": cards.crossing_cards,
    "stacked": cards.stacked_cards,
    "low-inverted": inverted.low_inside_out,
    "high-inverted": inverted.high_inside_out,
    "deep": deep.pits_and_grooves,
    "scan": scans.noisy_scan,
    "coincident": coincident.coincident_pairs,
    "doubled": coincident.doubled_patch,
    "degenerate": degenerate.degenerate_faces,
}
