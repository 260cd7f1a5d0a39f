"""The demo scene: two meshes and the list of what is wrong with them on purpose."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from cagecheck.demo import cloak
from cagecheck.demo.build import build_high, build_low
from cagecheck.demo.defects import BAKE, planted_defects
from cagecheck.demo.figure import figure
from cagecheck.demo.measures import CLEARANCE, DETAIL, MATERIALS, TILES
from cagecheck.demo.planted import BakeSettings, Planted
from cagecheck.files import OutputFolder
from cagecheck.meshes.facets import triangle_areas
from cagecheck.meshes.mesh import Mesh, Surface

FULL_DETAIL_TRIANGLES = 1_500_000
DESCRIPTION = (
    "A clockwork lamplighter: breastplate, coat, arms, boots, hat, staff and lantern, "
    "about two units tall, over the tiles 1001, 1002, 1003 and 1011."
)


@dataclass(frozen=True, eq=False)
class DemoScene:
    """A made-up asset with known faults.

    Attributes
    ----------
    low : Mesh
        The low poly; its parts have the suffix ``_low``.
    high : Surface
        The high poly; its parts have the suffix ``_high`` and pair by it.
    planted : tuple[Planted, ...]
        Every defect planted, with the bake under which it shows.
    bake : BakeSettings
        The bake that shows most of them.
    clearance : float
        No two parts come closer than this, except where planted; world units.
    detail : float
        The high poly stays this close to the low poly, except where planted; world units.
    description : str
        The scene in words.
    """

    low: Mesh
    high: Surface
    planted: tuple[Planted, ...]
    bake: BakeSettings
    clearance: float
    detail: float
    description: str

    def __repr__(self) -> str:
        return f"<DemoScene: {self.low!r}, {self.high!r}, {len(self.planted)} defects planted>"


SceneName = Literal["lamplighter", "cloak"]


def make_scene(seed: int = 7, detail: float = 1.0, name: SceneName = "lamplighter") -> DemoScene:
    """Make a sample scene.

    Planted places do not depend on the numbers.

    Parameters
    ----------
    seed : int, optional
        Moves the noise of its surfaces.
    detail : float, optional
        Scales the number of high-poly triangles (1 is about 1.5 million).
    name : SceneName, optional
        ``lamplighter``, a figure of many parts with every kind of defect planted, or ``cloak``,
        a garment, sunken pieces, a pennant of two sheets and a scan, in which little is wrong.
    """
    if name == "cloak":
        return _cloak_scene(seed, detail)
    pieces = figure(seed)
    return DemoScene(
        low=build_low(pieces, TILES, MATERIALS),
        high=build_high(pieces, round(FULL_DETAIL_TRIANGLES * detail)),
        planted=tuple(planted_defects(pieces)),
        bake=BAKE,
        clearance=CLEARANCE,
        detail=DETAIL,
        description=DESCRIPTION,
    )


def _cloak_scene(seed: int, detail: float) -> DemoScene:
    made = cloak.pieces(seed)
    triangles = round(FULL_DETAIL_TRIANGLES * detail)
    high = build_high(made, triangles)
    area = np.empty(len(high.triangles))
    triangle_areas(high.positions, high.triangles, area)
    edge = float(np.sqrt(2 * area.mean()))
    return DemoScene(
        low=cloak.with_low_pennant(build_low(made, cloak.TILES, cloak.MATERIALS)),
        high=cloak.with_high_pennant_and_dirt(high, edge, seed),
        planted=cloak.planted(),
        bake=BAKE,
        clearance=CLEARANCE,
        detail=DETAIL,
        description=cloak.DESCRIPTION,
    )


def write_scene(
    scene: DemoScene, folder: str | os.PathLike[str], force: bool = False
) -> list[Path]:
    """Write ``low.obj``, ``high.glb`` and ``planted.json``.

    Parameters
    ----------
    scene : DemoScene
        What `make_scene` returns.
    folder : str | os.PathLike[str]
        The folder to write into.
    force : bool, optional
        Replace a file that exists.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        One of them exists and `force` is off.
    """
    from cagecheck.formats.write_mesh import write_mesh, write_surface

    with OutputFolder(folder, force=force) as output:
        write_mesh(scene.low, output.add("low.obj"), force=True)
        write_surface(scene.high, output.add("high.glb"), force=True)
        output.add("planted.json").write_text(json.dumps(planted_document(scene), indent=1))
        return output.paths()


def planted_document(scene: DemoScene) -> dict[str, object]:
    """Return the contents of ``planted.json``."""
    return {
        "format": "cagecheck planted defects",
        "version": 1,
        "units": "scene units",
        "description": scene.description,
        "clearance": scene.clearance,
        "detail": scene.detail,
        "planted": [p.to_dict() for p in scene.planted],
    }
