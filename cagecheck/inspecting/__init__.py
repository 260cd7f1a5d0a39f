"""Preflight: what is wrong with the meshes before baking, in artists' words."""

from cagecheck.inspecting.checks import ALL_CHECKS, CHECKS
from cagecheck.inspecting.finding import Check, Finding, Place
from cagecheck.inspecting.inspection import Inspection, inspect_low, inspect_pair, part_rows

__all__ = [
    "ALL_CHECKS",
    "CHECKS",
    "Check",
    "Finding",
    "Inspection",
    "Place",
    "inspect_low",
    "inspect_pair",
    "part_rows",
]
