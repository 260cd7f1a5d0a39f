"""What a right bake shows in creases and on doubled triangles is no fault of the map.

Scenes small enough to know by hand which texel recorded what; the bakes are made with rays that
stand still in the file, the filters by NumPy.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from cagecheck.locating.compare import Fault
from cagecheck.locating.enlarging import softened_at
from cagecheck.locating.locate import LocateSettings, Location, locate
from cagecheck.locating.read_maps import BakedMap
from cagecheck.locating.undetermined import undetermined
from cagecheck.maps.encode import quantised
from cagecheck.maps.pad import padded
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh, mesh_from_polygons
from cagecheck.predicting.maps.bake import Baker, BakeRule
from cagecheck.rays.cage import Cage, cage_from_mesh, cage_from_offset
from cagecheck.rays.scene import Scene
from tests.locating.test_goals import low_square, scene_of, sheet, waves

OFFSET, SIZE = 0.05, 128
TENT = np.array([1, 2, 1]) / 4


def located(
    normals: np.ndarray, low: LowPoly, scene: Scene, paired: np.ndarray | None = None
) -> Location:
    baked = BakedMap(Path("m_normal.1001.png"), 1001, quantised(normals, 8), None)
    settings = LocateSettings(offset=OFFSET, depth=OFFSET)
    return locate([baked], low.mesh, scene, paired=paired, settings=settings)


def ribbon(steep: float) -> tuple[np.ndarray, np.ndarray]:
    """A strip over the square, 6 texels wide, that rises aslant across its width."""
    x0, x1 = 0.3, 0.3 + 6 / SIZE
    corners = [[x, y, 0.015 + steep * (x - x0)] for x in (x0, x1) for y in (0.2, 0.8)]
    return np.array(corners), np.array([[0, 2, 3], [0, 3, 1]])


def tent(picture: np.ndarray) -> np.ndarray:
    """A tent over 3 x 3 texels, the borders drawn out, made unit again."""
    for axis in (0, 1):
        wide = np.pad(picture, [(1, 1) if a == axis else (0, 0) for a in range(3)], mode="edge")
        n = picture.shape[axis]
        parts = [np.take(wide, np.arange(n) + k, axis=axis) for k in range(3)]
        picture = sum(w * p for w, p in zip(TENT, parts, strict=True))
    return picture / np.linalg.norm(picture, axis=2, keepdims=True)


def test_a_filter_over_the_border_of_a_layer_is_the_layers_doing() -> None:
    """Texels whose own ray met the strip show another part, those beside it are right."""
    low, scene = low_square(), scene_of(sheet(waves), ribbon(0.7))
    baker = Baker(low, cage_from_offset(low, OFFSET), scene, BakeRule(SIZE, depth=OFFSET))
    bake = baker.tile(1001, what=("tangent", "height"))
    assert bake.tangent is not None and bake.height is not None
    strip = bake.height > 0.012
    assert 6 * 70 < strip.sum() < 6 * 80
    result = located(tent(bake.tangent), low, scene, np.array([[True, False]]))
    fault = result.maps[0].fault
    assert fault is not None
    assert set(np.unique(fault)) <= {Fault.OTHER_PART, Fault.CLEAN}
    assert not (fault[~strip] != Fault.CLEAN).any()
    assert (fault[strip] == Fault.OTHER_PART).mean() > 0.95


def fin() -> Mesh:
    """The square with two triangles back to back that stand on it in one vertex of their own."""
    p = np.array(
        [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [0.3, 0.5, 0], [0.7, 0.5, 0], [0.5, 0.5, 0.02]]
    )
    faces = np.array([[0, 1, 2], [0, 2, 3], [4, 5, 6], [4, 6, 5]])
    corner = p[faces][..., :2] * [0.4, 0.45] + 0.03
    # Turned by a quarter, so that tangent space is no object space.
    corner[1] = p[faces[1]][:, [1, 0]] * [0.4, -0.45] + [0.55, 0.48]
    corner[2] = [[0.05, 0.55], [0.45, 0.55], [0.25, 0.95]]
    corner[3] = [[0.55, 0.55], [0.75, 0.95], [0.95, 0.55]]
    return mesh_from_polygons(p, faces, uv=corner.reshape(-1, 2))


def test_only_rays_that_a_cage_cannot_tell_are_undetermined() -> None:
    mesh = fin()
    low = prepare_low(mesh)
    assert undetermined(low, cage_from_offset(low, OFFSET)).tolist() == [False, False, True, True]
    assert not undetermined(low, cage_from_offset(low, OFFSET, "corner")).any()
    moved = cage_from_mesh(low, mesh.with_positions(mesh.positions + [0, 0, OFFSET]))
    assert not undetermined(low, moved).any()


@pytest.mark.parametrize("painted", [False, True])
def test_doubled_triangles_are_not_judged_but_all_others_are(painted: bool) -> None:
    """The bake moved the fin's vertices nowhere, while both of its sides look aslant."""
    low, scene = prepare_low(fin()), scene_of(sheet(waves))
    pushed = cage_from_offset(low, OFFSET)
    still = pushed.displacement * ~undetermined(low, pushed)[:, None, None]
    still[2:] = [0.0, 0.0, OFFSET]
    cage = Cage(still, pushed.normals, "as baked")
    bake = Baker(low, cage, scene, BakeRule(SIZE, depth=OFFSET)).tile(1001, what=("tangent",))
    normals = bake.tangent
    assert normals is not None
    normals[~bake.hit] = (0, 0, 1)
    normals = padded(normals, bake.hit, 8)
    if painted:
        normals[100:118, 20:48] = (0.6, 0, 0.8)
    result = located(normals, low, scene)
    assert [n.code for n in result.notices] == ["not-judged"]
    assert "2 triangles" in result.notices[0].text
    assert [c.code for c in result.causes] == (["painted-over"] if painted else [])


def test_padding_between_islands_a_texel_apart_is_of_both() -> None:
    """One island all A, the other all B: the gap holds their mean, and a tent a quarter of that."""
    one, other = np.array([0.6, 0, 0.8]), np.array([0, -0.6, 0.8])
    picture = np.zeros((9, 9, 3), np.float32)
    picture[:, :4], picture[:, 5:] = one, other
    gap = (one + other) / np.linalg.norm(one + other)
    wanted = 0.75 * one + 0.25 * gap
    found = softened_at(picture, np.array([4]), np.array([3]))[0]
    assert found == pytest.approx(wanted / np.linalg.norm(wanted), abs=1e-6)
