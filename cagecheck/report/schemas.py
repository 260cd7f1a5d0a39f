"""The JSON Schemas of the documents that commands print and write (draft 2020-12)."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

# What each describes. prediction: predict and demo --json, regions.json. tuning: tune --json,
# tuning.json. location: locate --json, location.json. push: push.json. inspection: inspect --json,
# inspect.json. batch: batch --json, results.json. clash: clash --json, clash.json.
# mending: mend.json, and within clash --mend --json. tiles, renames and materials:
# tiles show, tiles rename and tiles materials --json. comparison: compare --json, comparison.json.
NAMES = (
    "prediction", "tuning", "location", "push", "inspection", "batch", "clash", "tiles", "renames",
    "materials", "comparison", "mending",
)  # fmt: skip


def read_schema(name: str) -> dict[str, Any]:
    """Return a schema by name.

    Parameters
    ----------
    name : str
        One of `NAMES`.

    Examples
    --------
    >>> import cagecheck
    >>> cagecheck.read_schema("prediction")["title"][:9]
    'cagecheck'
    """
    assert name in NAMES, name
    text = (files("cagecheck.report") / "schema" / f"{name}.json").read_text(encoding="utf-8")
    out: dict[str, Any] = json.loads(text)
    return out
