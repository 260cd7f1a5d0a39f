"""Regions as a CSV table."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from cagecheck.defects.regions import Region
from cagecheck.report.json_values import plain
from cagecheck.words.cells import Table

REGION_COLUMNS = (
    "number", "name", "part", "tile", "x", "y", "z", "radius", "area", "percent", "texels",
    "visible_error", "texels_seen", "harm", "worst", "unit", "cause", "cure", "other_part",
    "sample_count",
)  # fmt: skip


def write_region_csv(regions: list[Region], path: Path) -> None:
    """Write the regions as CSV (UTF-8, one header line, `REGION_COLUMNS`)."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        Table(stream, lineterminator="\r\n").named(REGION_COLUMNS, map(_row, regions))


def _row(region: Region) -> dict[str, Any]:
    row: dict[str, Any] = plain(region.to_dict())
    row["x"], row["y"], row["z"] = row.pop("centroid")
    return row
