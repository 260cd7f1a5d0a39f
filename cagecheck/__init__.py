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
from cagecheck.version import __version__

if TYPE_CHECKING:
    from cagecheck.chores.batch.manifest import read_manifest
    from cagecheck.chores.batch.run import run_batch
    from cagecheck.chores.clash.find import find_clashes
    from cagecheck.chores.materials.per_tile import restore_tiles, write_tile_materials
    from cagecheck.chores.rename.apply import apply_renames, undo_renames
    from cagecheck.chores.rename.plan import plan_renames
    from cagecheck.defects.kinds import Defect, Thresholds
    from cagecheck.defects.regions import Region
    from cagecheck.demo import make_scene, write_scene
    from cagecheck.errors import InputError, Notice
    from cagecheck.formats.push_file import PushRecord, read_push
    from cagecheck.formats.read import read_mesh, read_surface
    from cagecheck.formats.write_cage import write_cage
    from cagecheck.formats.write_mesh import write_mesh, write_surface
    from cagecheck.inspecting import inspect_low, inspect_pair
    from cagecheck.inspecting.tile_table import tile_table
    from cagecheck.locating.locate import locate
    from cagecheck.locating.write import write_location
    from cagecheck.meshes.lowpoly import LowPoly, prepare_low
    from cagecheck.meshes.mesh import Mesh, Surface, mesh_from_polygons
    from cagecheck.meshes.normals import NormalRule
    from cagecheck.meshes.pairs import Pairing, pair_parts
    from cagecheck.predicting.heat import build_heat_map
    from cagecheck.predicting.inputs import Inputs, read_cage, read_inputs
    from cagecheck.predicting.predict import predict
    from cagecheck.predicting.result import Prediction
    from cagecheck.predicting.settings import Settings
    from cagecheck.predicting.write import write_prediction
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
    from cagecheck.rays.scene import Scene
    from cagecheck.tuning.straighten.straighten import straighten
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
    "Inputs": "predicting.inputs",
    "Layers": "rays.layers",
    "LowPoly": "meshes.lowpoly",
    "Mesh": "meshes.mesh",
    "NormalRule": "meshes.normals",
    "Notice": "errors",
    "Pairing": "meshes.pairs",
    "Prediction": "predicting.result",
    "PushRecord": "formats.push_file",
    "Rays": "rays.cage",
    "Region": "defects.regions",
    "Scene": "rays.scene",
    "Settings": "predicting.settings",
    "Surface": "meshes.mesh",
    "SurfacePoints": "rays.points",
    "Thresholds": "defects.kinds",
    "TuneSettings": "tuning.tune",
    "Tuning": "tuning.tune",
    "apply_renames": "chores.rename.apply",
    "build_heat_map": "predicting.heat",
    "cage_from_mesh": "rays.cage",
    "cage_from_offset": "rays.cage",
    "cage_from_push": "rays.cage",
    "find_clashes": "chores.clash.find",
    "inspect_low": "inspecting",
    "inspect_pair": "inspecting",
    "locate": "locating.locate",
    "make_scene": "demo",
    "mesh_from_polygons": "meshes.mesh",
    "pair_parts": "meshes.pairs",
    "plan_renames": "chores.rename.plan",
    "predict": "predicting.predict",
    "prepare_low": "meshes.lowpoly",
    "rays_through": "rays.cage",
    "read_cage": "predicting.inputs",
    "read_inputs": "predicting.inputs",
    "read_manifest": "chores.batch.manifest",
    "read_mesh": "formats.read",
    "read_push": "formats.push_file",
    "read_surface": "formats.read",
    "restore_tiles": "chores.materials.per_tile",
    "run_batch": "chores.batch.run",
    "sample_points": "rays.points",
    "spacing_for_count": "rays.points",
    "straighten": "tuning.straighten.straighten",
    "tile_table": "inspecting.tile_table",
    "tune": "tuning.tune",
    "undo_renames": "chores.rename.apply",
    "write_cage": "formats.write_cage",
    "write_location": "locating.write",
    "write_mesh": "formats.write_mesh",
    "write_prediction": "predicting.write",
    "write_scene": "demo",
    "write_surface": "formats.write_mesh",
    "write_tile_materials": "chores.materials.per_tile",
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
