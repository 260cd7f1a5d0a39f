"""What a mild filter makes of the borders of a layer that was recorded over the right one.

In a crease, rays less than a texel apart may record the other side of it. Filters, mip levels and
several samples a texel mix what they recorded, and the mixture is neither the surface that belongs
to the texel nor any layer along its ray. It is told by casting the assumed bake's own rays there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.mask_boxes import SQUARE, dilated
from cagecheck.arrays.types import Floats, Ints
from cagecheck.locating.compare import (
    Fault,
    TileView,
    chosen_points,
    fault_of_layer,
    is_known,
)
from cagecheck.locating.enlarging import explains, nearest_mixture, softened_at
from cagecheck.maps.encode import TangentBasis
from cagecheck.meshes.normals import degrees_between
from cagecheck.predicting.maps.bake import Baker

# A map of which more is unexplained is wrong for other reasons than the borders of layers.
MOST_ASKED = 250_000
# A mixture may agree with a layer below by chance.
MIXED_AS = (Fault.UNEXPLAINED, Fault.TOO_DEEP)
# Pictures hold heights as float32, so those of one crossing differ by this share at most.
SAME_HEIGHT = 1e-6


def mark_smeared(
    view: TileView,
    baker: Baker,
    basis: TangentBasis | None,
    wanted: NDArray[np.float32],
    stored: NDArray[np.float32],
    base_degrees: float,
) -> None:
    """Tell texels that show a mixture of what the assumed bake records around them.

    Those are asked that nothing explains, and those that a layer below does. Where the bake
    recorded the right surface at the texel itself it is clean, since only what lies beside it bled
    in; elsewhere it has the fault of the layer that was recorded. wanted, stored : (H, W, 3) unit
    normals as the map should hold them and as it does. The rule is that of
    `explains`.
    """
    asked = (view.fault == MIXED_AS[0]) | (view.fault == MIXED_AS[1])
    y, x = np.nonzero(asked)
    if not 0 < len(y) <= MOST_ASKED:
        return
    bake = _bake_around(view, baker, basis, asked)
    own = bake.stored[y, x].astype(np.float64)
    mild = softened_at(bake.stored, y, x)
    shown, right = (p[y, x].astype(np.float64) for p in (stored, wanted))
    mixed = nearest_mixture(shown, own, mild)
    explained = is_known(own) & bake.beside_wrong[y, x]
    explained &= explains(shown, right, mixed, degrees_between(mild, own), base_degrees)
    clean = explained & ~bake.wrong[y, x]
    view.fault[y[clean], x[clean]] = Fault.CLEAN
    part = baker.scene.surface.triangle_part
    for at in zip(y[explained & ~clean], x[explained & ~clean], strict=True):
        seen = part[bake.face[bake.row[at]]]
        paired = baker.matcher.paired[baker.low.triangle_part[view.triangle[at]], seen]
        found = fault_of_layer(bake.t[bake.row[at]], view.target[at], paired)
        view.fault[at], view.gap[at] = found
        view.other[at] = seen


@dataclass(frozen=True, eq=False)
class _Around:
    """What the assumed bake records in and around some texels, and nowhere else.

    stored : (H, W, 3) unit normals as a map holds them, zero for nothing; wrong : (H, W) bool,
    another surface than belongs there; beside_wrong : at such a texel or beside it; row : (H, W)
    int32 into face, t : (N,), what was recorded, where anything was.
    """

    stored: NDArray[np.float32]
    wrong: NDArray[np.bool_]
    beside_wrong: NDArray[np.bool_]
    row: NDArray[np.int32]
    face: Ints
    t: Floats


def _bake_around(
    view: TileView, baker: Baker, basis: TangentBasis | None, asked: NDArray[np.bool_]
) -> _Around:
    # A filter reaches one texel far, and padding there comes from the next.
    near = dilated(asked, 2, SQUARE) & (view.triangle >= 0)
    points, x, y = chosen_points(baker.low, view.tile, near)
    _, seen = baker.record(points)
    normal = seen.normal
    if basis is not None:
        normal = basis.encode(points.triangle, points.barycentric, normal)
    target = view.target[y, x].astype(np.float64)
    same = np.abs(seen.t - target) <= SAME_HEIGHT * np.maximum(np.abs(target), view.start[y, x])
    shape = view.fault.shape
    # Pages of zeros that nothing is written to cost nothing.
    stored, row = np.zeros((*shape, 3), np.float32), np.zeros(shape, np.int32)
    wrong = np.zeros(shape, bool)
    stored[y, x], row[y, x], wrong[y, x] = normal, np.arange(len(y)), seen.hit & ~same
    return _Around(stored, wrong, dilated(wrong, 1, SQUARE), row, seen.face, seen.t)
