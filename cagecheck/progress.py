"""How long work reports its progress, without knowing who listens.

Library functions take ``progress: Progress = silent`` and call it as ``progress(stage, done,
total)`` with plain numbers. The command line turns that into a bar; scripts may pass anything.
"""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, float, float], None]


def silent(stage: str, done: float, total: float) -> None:
    """Ignore the report."""
