"""Files taken apart in the test's own process: the same code, without a process for each file.

What a process of its own is for (damage, plugins, what is missing) is tested with one.
"""

from __future__ import annotations

import io
import json
import os
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from cagecheck.errors import InputError


def ask_here(
    path: str, size: int, library: Any, script: ModuleType, arguments: dict[str, Any],
    data: Sequence[Any] = (),
) -> tuple[dict[str, Any], list[Any]]:  # fmt: skip
    """Answer as `apart.ask` does."""
    arrays: list[Any] = []
    stream = io.BytesIO(b"".join(np.ascontiguousarray(one).tobytes() for one in data))
    before = Path.cwd()
    try:
        with np.errstate(all="ignore"):  # what the process warns of goes nowhere
            answer = script.take_apart(json.loads(json.dumps(arguments)), stream, arrays)
    except Exception as error:
        what, cure = getattr(error, "refused", (str(error), ""))
        raise InputError(what, file=path, cure=cure) from None
    finally:
        os.chdir(before)
    return json.loads(json.dumps(answer)), arrays


def use(monkeypatch: pytest.MonkeyPatch, *modules: str) -> None:
    for name in modules:
        monkeypatch.setattr(f"cagecheck.formats.{name}.ask", ask_here)
