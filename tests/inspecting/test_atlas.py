"""A layout made by xatlas (an open-source packer): its chart count and padding, seen by ours."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import trimesh

from cagecheck.inspecting import inspect_low
from cagecheck.inspecting.islands import find_islands
from cagecheck.inspecting.overlap import uv_overlaps
from cagecheck.inspecting.spacing import island_gaps
from cagecheck.meshes.mesh import Mesh, mesh_from_polygons
from cagecheck.meshes.normals import NormalRule
from tests.scenes.sound_lows import low_of

xatlas = pytest.importorskip("xatlas")
PADDING, SIZE = 6, 1024


@cache
def unwrapped() -> tuple[Mesh, int]:
    """A bumpy torus unwrapped and packed by xatlas: the mesh and the packer's own chart count."""
    torus = trimesh.creation.torus(1, 0.4, major_sections=48, minor_sections=24)
    torus.vertices *= 1 + 0.02 * np.random.default_rng(0).normal(size=(len(torus.vertices), 1))
    atlas = xatlas.Atlas()
    atlas.add_mesh(torus.vertices.astype(np.float32), torus.faces.astype(np.uint32))
    options = xatlas.PackOptions()
    options.padding, options.resolution = PADDING, SIZE
    atlas.generate(pack_options=options)
    source, faces, uv = atlas[0]
    # xatlas packs whole texels of an atlas that need not be square: bring both to one square.
    uv = uv * [atlas.width, atlas.height] / max(atlas.width, atlas.height)
    mesh = mesh_from_polygons(torus.vertices[source], faces.astype(int), uv=uv[faces.ravel()])
    return mesh, atlas.chart_count


def test_the_packers_charts_are_our_islands():
    mesh, charts = unwrapped()
    assert find_islands(low_of(mesh)).count == charts > 5


def test_the_packers_charts_do_not_overlap():
    low = low_of(unwrapped()[0])
    assert len(uv_overlaps(low.uv, np.zeros(len(low.uv), np.int32), SIZE).pairs) == 0


def test_the_packers_padding_is_kept():
    """Packed on whole texels: at least the padding, less the texel lost by rounding each side."""
    low = low_of(unwrapped()[0])
    gaps = island_gaps(low, find_islands(low), 4 * PADDING / SIZE)
    assert len(gaps.distance) > 0
    assert gaps.distance[0] * SIZE >= PADDING - 2


def test_nothing_but_information_to_say():
    low = low_of(unwrapped()[0], rule=NormalRule("smooth"))
    inspection = inspect_low(low, map_size=SIZE, padding=PADDING - 2)
    assert {f.severity for f in inspection.findings} == {"information"}
