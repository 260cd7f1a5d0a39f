"""Buried surface: inside of other surface, where no eye reaches it. Areas in closed form."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from cagecheck.defects.kinds import Defect
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from tests.scenes.shapes import as_low, box, combined, halves, surface

POINTS = 40_000


def ball(radius, centre, cuts):
    mesh = trimesh.creation.icosphere(cuts, radius)
    return mesh.vertices + np.asarray(centre, float), mesh.faces


def tell(low, high):
    wanted = Settings(offset=0.05, depth=0.05, samples=20_000, unseen_points=POINTS)
    return predict(low, high, settings=wanted)


@pytest.mark.parametrize("turned", [False, True])
def test_balls_that_run_into_each_other(turned):
    """Low poly on the hull only: the caps inside are seen by no ray.

    A cap of height h has area 2 pi r h; two unit balls 1.2 apart have caps of height 0.4 each.
    """
    one, other = ball(1.0, (0, 0, 0), 5), ball(1.0, (1.2, 0, 0), 5)
    hull = trimesh.boolean.union(
        [trimesh.Trimesh(*ball(1.0, (0, 0, 0), 4)), trimesh.Trimesh(*ball(1.0, (1.2, 0, 0), 4))],
        engine="manifold",
    )
    positions, faces = combined(one, other)
    faces = faces[:, ::-1] if turned else faces
    result = tell(as_low(hull.vertices, hull.faces), surface(positions, faces))
    unseen = result.unseen
    caps = 2 * 2 * np.pi * 0.4
    # Points beside the seam are near to hits on the other ball, and count as seen.
    rim = 2 * 2 * np.pi * 0.8 * 3 * float(result.points.spacing.max())
    assert caps - rim < unseen.buried_area < caps
    assert not unseen.lost.any()
    inside = np.linalg.norm(unseen.points.position, axis=1) < 1 - 1e-3
    inside |= np.linalg.norm(unseen.points.position - [1.2, 0, 0], axis=1) < 1 - 1e-3
    assert not (unseen.buried & ~inside).any()
    assert [n.code for n in result.notices if n.code == "buried"] == ["buried"]
    assert not any(r.name == Defect.UNSEEN.title for r in result.regions)


def test_a_piece_wholly_inside_is_buried_and_whole():
    outer, eye = box((-1, -1, -1), (1, 1, 1)), ball(0.2, (0.4, 0, 0.5), 3)
    positions, faces = combined((outer[0], halves(outer[1])), eye)
    result = tell(as_low(*outer), surface(positions, faces))
    of_eye = np.asarray(result.unseen.points.face >= 12)
    assert np.array_equal(result.unseen.buried, of_eye) and of_eye.sum() > 50
    assert result.clean


def test_an_undercut_is_no_grave():
    """A mushroom's stalk: under the hat, where an eye gets to from the side."""
    stalk, hat = box((-0.7, -0.7, -1), (0.7, 0.7, 0)), box((-1, -1, 0), (1, 1, 0.2))
    ground = box((-1, -1, -1.2), (1, 1, -1))
    fine = [trimesh.Trimesh(p, halves(q)) for p, q in (ground, stalk, hat)]
    whole = trimesh.boolean.union(fine, engine="manifold")
    low = as_low(*box((-1, -1, -1.2), (1, 1, 0.2)))
    result = tell(low, surface(whole.vertices, whole.faces))
    assert not result.unseen.buried.any() and result.unseen.lost.mean() > 0.05
    assert not [n for n in result.notices if n.code == "buried"]
