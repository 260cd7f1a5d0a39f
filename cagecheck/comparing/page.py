"""The page with both models."""

from __future__ import annotations

from cagecheck.comparing.compare import Comparison
from cagecheck.errors import InputError


def comparison_html(comparison: Comparison) -> str:
    """Return the page."""
    raise InputError("not yet")
