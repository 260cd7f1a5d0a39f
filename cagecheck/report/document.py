"""A prediction as a JSON document, a table of regions and a raw record."""

from __future__ import annotations

import csv
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from cagecheck import __version__
from cagecheck.defects.kinds import KINDS
from cagecheck.defects.regions import Region
from cagecheck.meshes.mesh import SourceFile
from cagecheck.prediction import Prediction
from cagecheck.report.heatmap import region_of_samples

# Raised when a field changes its meaning or goes away; new fields do not raise it.
DOCUMENT_VERSION = 1

REGION_COLUMNS = (
    "number", "name", "part", "tile", "x", "y", "z", "radius", "area", "percent", "texels",
    "worst", "unit", "cause", "cure", "other_part", "sample_count",
)  # fmt: skip


def plain(value: Any) -> Any:
    """Return the value as JSON allows it: no NaN or infinity, no NumPy scalars."""
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def source_row(source: SourceFile | None) -> dict[str, Any] | None:
    """Return path, format and hash of a source file."""
    if source is None:
        return None
    return {"path": source.path, "format": source.format, "sha256": source.sha256}


def pairing_rows(prediction: Prediction) -> list[dict[str, Any]]:
    """Return one row per low part: its name and the names of its high parts."""
    names = prediction.scene.surface.part_names
    return [
        {"low": low, "high": [names[h] for h in np.flatnonzero(prediction.paired[k])]}
        for k, low in enumerate(prediction.low.part_names)
    ]


def prediction_document(prediction: Prediction) -> dict[str, Any]:
    """Return everything but the samples, as plain JSON values."""
    low, surface = prediction.low, prediction.scene.surface
    unpaired = np.asarray(~prediction.paired.any(axis=0))
    document = {
        "document": "cagecheck prediction",
        "version": DOCUMENT_VERSION,
        "tool_version": __version__,
        "low": {
            "source": source_row(low.mesh.source),
            "vertices": low.mesh.vertex_count,
            "faces": low.mesh.face_count,
            "triangles": len(low.triangles),
            "parts": list(low.part_names),
            "normals": low.normal_rule.describe(),
        },
        "high": {
            "source": source_row(surface.source),
            "triangles": surface.triangle_count,
            "parts": list(surface.part_names),
            "unpaired_parts": [n for n, lone in zip(surface.part_names, unpaired, strict=True)
                               if lone],
        },
        "cage": prediction.cage.label,
        "engine": prediction.engine,
        "settings": asdict(prediction.settings),
        "samples": len(prediction.points),
        "pairing": pairing_rows(prediction),
        "clean": prediction.clean,
        "totals": prediction.totals(),
        "regions": [region.to_dict() for region in prediction.regions],
        "notices": [notice.to_dict() for notice in prediction.notices],
        "defects": {kind.title: kind.definition for kind in KINDS.values()},
    }  # fmt: skip
    out: dict[str, Any] = plain(document)
    return out


def write_region_csv(regions: list[Region], path: Path) -> None:
    """Write the regions as CSV (UTF-8, one header line, `REGION_COLUMNS`)."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        table = csv.DictWriter(stream, REGION_COLUMNS)
        table.writeheader()
        for region in regions:
            row = plain(region.to_dict())
            row["x"], row["y"], row["z"] = row.pop("centroid")
            table.writerow(row)


def write_samples(prediction: Prediction, path: Path) -> None:
    """Write the raw record for scripts as an uncompressed NPZ.

    Arrays per sample (N): ``triangle``, ``barycentric`` (N, 3), ``kind``, ``area``, ``texels``,
    ``origin`` and ``direction`` (N, 3), ``start``, ``hit_distance``, ``target_distance``,
    ``next_distance``, ``flags``, ``main``, ``region``, ``slant_degrees``, ``slide``,
    ``lean_degrees``. The layer table: ``layer_first`` (N + 1), ``layer_t``, ``layer_face``,
    ``layer_front``; ``target_layer`` and ``recorded_layer`` index it (-1 is none).
    """
    points, rays, layers = prediction.points, prediction.rays, prediction.layers
    targets, findings = prediction.targets, prediction.findings
    arrays: dict[str, Any] = {
        "triangle": points.triangle,
        "barycentric": points.barycentric.astype(np.float32),
        "kind": points.kind,
        "area": points.area.astype(np.float32),
        "texels": prediction.texel_area.astype(np.float32),
        "origin": rays.origin.astype(np.float32),
        "direction": rays.direction.astype(np.float32),
        "start": rays.start.astype(np.float32),
        "hit_distance": findings.hit_distance.astype(np.float32),
        "target_distance": targets.t.astype(np.float32),
        "next_distance": targets.t_next.astype(np.float32),
        "flags": findings.flags,
        "main": findings.main,
        "region": region_of_samples(prediction),
        "slant_degrees": findings.slant.astype(np.float32),
        "slide": findings.slide.astype(np.float32),
        "lean_degrees": findings.lean.astype(np.float32),
        "layer_first": layers.first,
        "layer_t": layers.t.astype(np.float32),
        "layer_face": layers.face,
        "layer_front": layers.front,
        "target_layer": targets.layer,
        "recorded_layer": findings.recorded,
    }
    with path.open("wb") as stream:
        np.savez(stream, **arrays)
