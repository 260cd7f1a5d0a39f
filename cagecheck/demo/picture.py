"""A picture of the demo scene: low poly with its edges beside the high poly."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, cast

import numpy as np

from cagecheck.demo.pieces import HIGH_SUFFIX, LOW_SUFFIX
from cagecheck.demo.scene import DemoScene
from cagecheck.files import replace_file

# Stuffs of the parts by the first word of their names.
BRASS, PALE_BRASS, IRON, STEEL = "#97743c", "#c6ab6c", "#43484f", "#6b7179"
LEATHER, WOOD, WOOL, FELT = "#5c3a25", "#72512f", "#2e5a61", "#2c333d"
STUFF = {
    "torso": BRASS, "head": BRASS, "collar": BRASS, "pauldron": BRASS, "forearm": BRASS,
    "eye": PALE_BRASS, "lantern": PALE_BRASS, "key": PALE_BRASS, "elbow": IRON, "leg": IRON,
    "roof": IRON, "arm": STEEL, "hand": STEEL, "reel": STEEL, "belt": LEATHER, "strap": LEATHER,
    "boot": LEATHER, "moustache": WOOD, "pack": WOOD, "staff": WOOD, "skirt": WOOL, "hat": FELT,
    "cloak": WOOL, "stand": WOOD, "jug": LEATHER, "pennant": PALE_BRASS,
}  # fmt: skip
_BOLTS = IRON
_BACKGROUND, _EDGES = "#dfe3e6", "#22262b"
_VIEW = (0.62, 0.22, 1.0)  # from its front left, a little above
_DISTANCE = 1.55  # in lengths of the scene's diagonal
_ANGLE = 33.0


def colour_of(part: str) -> str:
    """Return the colour of a low or high part as #rrggbb."""
    if part.endswith(("_bolts", "_buttons", "_clasp")):
        return _BOLTS
    stem = part.removesuffix(LOW_SUFFIX).removesuffix(HIGH_SUFFIX)
    return STUFF[stem.split("_")[0]]


def draw_scene(
    scene: DemoScene,
    path: str | os.PathLike[str],
    *,
    size: tuple[int, int] = (1800, 1200),
    view: tuple[float, float, float] = _VIEW,
    force: bool = False,
) -> Path:
    """Draw low (left) and high (right), offscreen, into a PNG; `view` points to the viewer.

    Raises `InputError` when the file exists and `force` is off.
    """
    import pyvista

    plotter: Any = pyvista.Plotter(
        shape=(1, 2), window_size=list(size), border=False, off_screen=True
    )
    plotter.set_background(_BACKGROUND)
    low, high = _low_polydata(scene), _high_polydata(scene)
    plotter.subplot(0, 0)
    plotter.add_mesh(
        low, scalars="colour", rgb=True, show_edges=True, edge_color=_EDGES, line_width=0.6,
        ambient=0.15,
    )  # fmt: skip
    _aim(plotter, low, view)
    plotter.subplot(0, 1)
    plotter.add_mesh(
        high, scalars="colour", rgb=True, smooth_shading=True, specular=0.3, specular_power=14,
        ambient=0.15,
    )  # fmt: skip
    _aim(plotter, low, view)
    plotter.enable_anti_aliasing("ssaa")
    with replace_file(path, force=force) as temporary:
        plotter.screenshot(str(temporary))
    plotter.close()
    return Path(path)


def _aim(plotter: Any, mesh: Any, view: tuple[float, float, float]) -> None:
    centre = np.array(mesh.center)
    way = np.array(view) / np.linalg.norm(view)
    plotter.camera_position = [centre + way * mesh.length * _DISTANCE, centre, (0, 1, 0)]
    plotter.camera.view_angle = _ANGLE


def _rgb(names: tuple[str, ...]) -> np.ndarray:
    colours = [colour_of(name) for name in names]
    return np.array([[int(c[k : k + 2], 16) for k in (1, 3, 5)] for c in colours], np.uint8)


def _low_polydata(scene: DemoScene) -> Any:
    import pyvista

    low = scene.low
    start = low.face_start
    counted = np.insert(low.corner_vertex, start[:-1], np.diff(start))
    mesh = pyvista.PolyData(low.positions, counted)
    mesh["colour"] = _rgb(low.part_names)[low.face_part]
    return mesh


def _high_polydata(scene: DemoScene) -> Any:
    import pyvista

    high = scene.high
    mesh = pyvista.PolyData.from_regular_faces(cast(Any, high.positions), cast(Any, high.triangles))
    mesh["colour"] = _rgb(high.part_names)[high.triangle_part]
    return mesh
