"""cagecheck predicts, explains and tunes away the artefacts of a bake through a cage.

Everything that the commands do, a script can do:

    import cagecheck

    low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    high = cagecheck.read_surface("hero_high.ply")
    pairing = cagecheck.pair_parts(low.part_names, high.part_names)
    result = cagecheck.predict(low, high, paired=pairing.matrix())
    for region in result.regions:
        print(region.number, region.name, region.part, region.texels, region.cure)
    cagecheck.write_prediction(result, "hero-check")

Meshes made in memory come from `mesh_from_polygons` and `Surface`. Lengths are in the units of
the files, angles in degrees, positions (V, 3) float64, faces by vertex index from 0.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from cagecheck.compiled import use_own_cache

__version__ = "0.1.0"

if TYPE_CHECKING:
    from cagecheck.chores.batch import run_batch
    from cagecheck.chores.clash import find_clashes
    from cagecheck.chores.manifest import read_manifest
    from cagecheck.chores.renames import plan_renames
    from cagecheck.chores.renaming import apply_renames, undo_renames
    from cagecheck.chores.tilematerials import restore_tiles, write_tile_materials
    from cagecheck.chores.tiletable import tile_table
    from cagecheck.defects.kinds import Defect, Thresholds
    from cagecheck.defects.regions import Region
    from cagecheck.demo import make_scene, write_scene
    from cagecheck.errors import InputError, Notice
    from cagecheck.inputs import Inputs, read_cage, read_inputs
    from cagecheck.maps.locate import locate
    from cagecheck.maps.write_location import write_location
    from cagecheck.meshes.lowpoly import LowPoly, prepare_low
    from cagecheck.meshes.mesh import Mesh, Surface, mesh_from_polygons
    from cagecheck.meshes.normals import NormalRule
    from cagecheck.meshes.pairs import Pairing, pair_parts
    from cagecheck.meshes.read import read_mesh, read_surface
    from cagecheck.meshes.write_cage import write_cage
    from cagecheck.meshes.write_mesh import write_mesh, write_surface
    from cagecheck.prediction import Prediction, Settings, predict
    from cagecheck.preflight import inspect_low, inspect_pair
    from cagecheck.rays.cage import (
        Cage,
        Rays,
        cage_from_mesh,
        cage_from_offset,
        cage_from_push,
        rays_through,
    )
    from cagecheck.rays.layers import Layers
    from cagecheck.rays.points import SurfacePoints, sample_points, spacing_for_count
    from cagecheck.rays.push_file import PushRecord, read_push
    from cagecheck.rays.scene import Scene
    from cagecheck.report.heatmap import build_heat_map
    from cagecheck.report.write import write_prediction
    from cagecheck.tuning.straighten import straighten
    from cagecheck.tuning.tune import TuneSettings, Tuning, tune
    from cagecheck.tuning.write import write_tuning

# Before anything imports numba.
use_own_cache()

# Where each public name lives. Names are imported on first use, so that `cagecheck --help` and
# scripts that need one part do not wait for the others.
_HOMES = {
    "Cage": "rays.cage",
    "Defect": "defects.kinds",
    "InputError": "errors",
    "Inputs": "inputs",
    "Layers": "rays.layers",
    "LowPoly": "meshes.lowpoly",
    "Mesh": "meshes.mesh",
    "NormalRule": "meshes.normals",
    "Notice": "errors",
    "Pairing": "meshes.pairs",
    "Prediction": "prediction",
    "PushRecord": "rays.push_file",
    "Rays": "rays.cage",
    "Region": "defects.regions",
    "Scene": "rays.scene",
    "Settings": "prediction",
    "Surface": "meshes.mesh",
    "SurfacePoints": "rays.points",
    "Thresholds": "defects.kinds",
    "TuneSettings": "tuning.tune",
    "Tuning": "tuning.tune",
    "apply_renames": "chores.renaming",
    "build_heat_map": "report.heatmap",
    "cage_from_mesh": "rays.cage",
    "cage_from_offset": "rays.cage",
    "cage_from_push": "rays.cage",
    "find_clashes": "chores.clash",
    "inspect_low": "preflight",
    "inspect_pair": "preflight",
    "locate": "maps.locate",
    "make_scene": "demo",
    "mesh_from_polygons": "meshes.mesh",
    "pair_parts": "meshes.pairs",
    "plan_renames": "chores.renames",
    "predict": "prediction",
    "prepare_low": "meshes.lowpoly",
    "rays_through": "rays.cage",
    "read_cage": "inputs",
    "read_inputs": "inputs",
    "read_manifest": "chores.manifest",
    "read_mesh": "meshes.read",
    "read_push": "rays.push_file",
    "read_surface": "meshes.read",
    "restore_tiles": "chores.tilematerials",
    "run_batch": "chores.batch",
    "sample_points": "rays.points",
    "spacing_for_count": "rays.points",
    "straighten": "tuning.straighten",
    "tile_table": "chores.tiletable",
    "tune": "tuning.tune",
    "undo_renames": "chores.renaming",
    "write_cage": "meshes.write_cage",
    "write_location": "maps.write_location",
    "write_mesh": "meshes.write_mesh",
    "write_prediction": "report.write",
    "write_scene": "demo",
    "write_surface": "meshes.write_mesh",
    "write_tile_materials": "chores.tilematerials",
    "write_tuning": "tuning.write",
}

__all__ = [
    "Cage",
    "Defect",
    "InputError",
    "Inputs",
    "Layers",
    "LowPoly",
    "Mesh",
    "NormalRule",
    "Notice",
    "Pairing",
    "Prediction",
    "PushRecord",
    "Rays",
    "Region",
    "Scene",
    "Settings",
    "Surface",
    "SurfacePoints",
    "Thresholds",
    "TuneSettings",
    "Tuning",
    "__version__",
    "apply_renames",
    "build_heat_map",
    "cage_from_mesh",
    "cage_from_offset",
    "cage_from_push",
    "find_clashes",
    "inspect_low",
    "inspect_pair",
    "locate",
    "make_scene",
    "mesh_from_polygons",
    "pair_parts",
    "plan_renames",
    "predict",
    "prepare_low",
    "rays_through",
    "read_cage",
    "read_inputs",
    "read_manifest",
    "read_mesh",
    "read_push",
    "read_surface",
    "restore_tiles",
    "run_batch",
    "sample_points",
    "spacing_for_count",
    "straighten",
    "tile_table",
    "tune",
    "undo_renames",
    "write_cage",
    "write_location",
    "write_mesh",
    "write_prediction",
    "write_scene",
    "write_surface",
    "write_tile_materials",
    "write_tuning",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        value = getattr(importlib.import_module(f"cagecheck.{_HOMES[name]}"), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'cagecheck' has no attribute '{name}'")
