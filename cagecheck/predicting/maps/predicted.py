"""Predicted maps of a whole asset, written into an open result folder."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from cagecheck.defects.kinds import Thresholds
from cagecheck.defects.match import Matcher
from cagecheck.errors import InputError
from cagecheck.files import OutputFolder
from cagecheck.maps.encode import BasisRule
from cagecheck.maps.high_normals import HighNormals
from cagecheck.maps.texels import tiles_touched, uv_notices
from cagecheck.meshes.tiles import why_off_tiles
from cagecheck.predicting.maps.bake import Baker, BakeRule
from cagecheck.predicting.maps.defect_map import defect_map
from cagecheck.predicting.maps.write_maps import MapFormat, fields_for, write_tile_maps
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage
from cagecheck.report.json_values import plain
from cagecheck.version import __version__

if TYPE_CHECKING:
    from cagecheck.predicting.result import Prediction


def add_predicted_maps(
    matcher: Matcher,
    cage: Cage,
    output: OutputFolder,
    *,
    rule: BakeRule,
    form: MapFormat,
    reach: float,
    thresholds: Thresholds | None = None,
    progress: Progress = silent,
) -> dict[str, Any]:
    """Bake every tile and add its maps and ``maps.json`` to the folder; return that document.

    One tile's maps are held at a time. `reach` is how far out defects look for other layers.

    Raises `InputError` for a low poly without UVs and formats that do not exist.
    """
    form, low, scene = form.checked(), matcher.low, matcher.scene
    wanted = tiles_touched(low)
    if not wanted:
        what, cure = why_off_tiles(low.mesh.corner_uv)
        raise InputError(
            f"{what}, so there are no maps to predict.",
            file=low.mesh.source.path if low.mesh.source else None,
            cure=f"{cure} Or leave out `maps`.",
        )
    baker = Baker(low, cage, scene, rule, paired=matcher.paired, matcher=matcher)
    rows: list[dict[str, Any]] = []
    missed: dict[str, int] = {}
    overlaps: dict[str, int] = {}
    for tile in wanted:
        bake = baker.tile(
            tile, what=fields_for(form.kinds), numbers=form.numbers, progress=progress
        )
        defects = None
        if "defect" in form.kinds:
            defects = defect_map(
                matcher, cage, tile=tile, size=rule.size, depth=rule.depth, reach=reach,
                thresholds=thresholds, progress=progress,
            )  # fmt: skip
        rows += write_tile_maps(
            bake, output, form,
            part_names=scene.surface.part_names,
            material_names=low.mesh.material_names,
            defects=defects,
        )  # fmt: skip
        missed[str(tile)] = int(bake.missed.sum())
        overlaps[str(tile)] = bake.overlaps
    document: dict[str, Any] = plain(
        {
            "cagecheck": __version__,
            "kind": "maps",
            "cage": cage.label,
            "depth": rule.depth,
            "samples_per_texel": rule.supersample,
            "high_normals": baker.shading.used,
            "basis": rule.basis.describe(),
            "missed_texels": missed,
            "overlapping_texels": overlaps,
            "notices": [notice.to_dict() for notice in uv_notices(low)],
            "maps": rows,
        }
    )
    text = json.dumps(document, indent=1, allow_nan=False)
    output.add("maps.json").write_text(text + "\n", encoding="utf-8")
    return document


def add_maps_of(
    prediction: Prediction,
    output: OutputFolder,
    form: MapFormat,
    *,
    supersample: int = 1,
    high_normals: HighNormals = "file",
    basis: BasisRule | None = None,
    progress: Progress = silent,
) -> dict[str, Any]:
    """Add the maps of a prediction's bake: its cage, depth, rays and pairing, its map size."""
    settings = prediction.settings
    depth, reach = settings.depth_and_reach()
    rule = BakeRule(
        size=settings.map_size,
        supersample=supersample,
        depth=depth,
        along=settings.along,
        normals=high_normals,
        basis=basis or BasisRule(),
        apart=settings.apart,
    )
    return add_predicted_maps(
        prediction.matcher, prediction.cage, output, rule=rule, form=form, reach=reach,
        thresholds=settings.thresholds, progress=progress,
    )  # fmt: skip
