"""Regions as a CSV table."""

from __future__ import annotations

import csv
from pathlib import Path

from cagecheck.defects.regions import Region
from cagecheck.report.json_values import plain

REGION_COLUMNS = (
    "number", "name", "part", "tile", "x", "y", "z", "radius", "area", "percent", "texels",
    "visible_error", "texels_seen", "harm", "worst", "unit", "cause", "cure", "other_part",
    "sample_count",
)  # fmt: skip


def write_region_csv(regions: list[Region], path: Path) -> None:
    """Write the regions as CSV (UTF-8, one header line, `REGION_COLUMNS`)."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        table = csv.DictWriter(stream, REGION_COLUMNS, extrasaction="ignore")
        table.writeheader()
        for region in regions:
            row = plain(region.to_dict())
            row["x"], row["y"], row["z"] = row.pop("centroid")
            table.writerow(row)
