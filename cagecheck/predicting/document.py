"""A prediction as a JSON document, a table of regions and a raw record."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from cagecheck.arrays.npz import narrow, write_npz
from cagecheck.predicting.heat import region_of_samples
from cagecheck.predicting.result import Prediction


def write_samples(prediction: Prediction, path: Path) -> None:
    """Write the raw record for scripts as an NPZ.

    Arrays per sample (N): ``triangle``, ``barycentric`` (N, 3), ``kind``, ``area``, ``texels``,
    ``origin`` and ``direction`` (N, 3), ``start``, ``hit_distance``, ``target_distance``,
    ``next_distance``, ``flags``, ``main``, ``region``, ``slant_degrees``, ``slide``,
    ``lean_degrees``, ``visible_error``. The layer table: ``layer_first`` (N + 1), ``layer_t``,
    ``layer_face``, ``layer_front``; ``target_layer`` and ``recorded_layer`` index it (-1 is none).
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
        "visible_error": prediction.visible_error.astype(np.float32),
        "layer_first": narrow(layers.first),
        "layer_t": layers.t.astype(np.float32),
        "layer_face": layers.face,
        "layer_front": layers.front,
        "target_layer": narrow(targets.layer),
        "recorded_layer": narrow(findings.recorded),
    }
    write_npz(path, arrays)
