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

import ast
from importlib import import_module
from pathlib import Path
from typing import Any


def _homes() -> dict[str, str]:
    """Return the module that each public name lives in, as `__init__.pyi` lists them."""
    text = Path(__file__).with_suffix(".pyi").read_text(encoding="utf-8")
    return {
        alias.name: str(node.module)
        for node in ast.parse(text).body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }


# Names are imported on first use, so that `cagecheck --help` and scripts that need one part do not
# wait for the others.
_HOMES = _homes()
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        value = getattr(import_module(_HOMES[name]), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'cagecheck' has no attribute '{name}'")


def __dir__() -> list[str]:
    return __all__
