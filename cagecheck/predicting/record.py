"""What the viewer needs beside the raw record: ``view.npz`` of a result folder.

It holds the low poly and the cage as they are drawn, which heat-map vertex shows which sample, and
per sample and per crossing the few numbers from which every defect at another cage distance
follows without a cast (see `cagecheck.defects.recolour`).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.npz import write_npz
from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import angle_degrees, blend, corners, row, unit
from cagecheck.defects.fold import fold_factor
from cagecheck.defects.regions import Region
from cagecheck.defects.rule import skew_scale
from cagecheck.defects.split import split_slope, wedge_slope
from cagecheck.defects.visible import hole_error, layer_error
from cagecheck.loops import njit
from cagecheck.meshes.edges import polygon_edges
from cagecheck.meshes.facets import unit_normal
from cagecheck.predicting.result import Prediction
from cagecheck.report.heatmap import HeatMap

# Four vertices off a plane fix a linear map; many more make sure of four such.
PROBED = 64


def view_arrays(prediction: Prediction, heat: HeatMap) -> dict[str, NDArray[Any]]:
    """Return the arrays of ``view.npz``.

    Heat map (K vertices): ``heat_sample`` (K,) int32, the sample each vertex shows;
    ``vertex_of_sample`` (N,) int32, the vertex nearest to each sample.
    Low poly (V vertices, T triangles, F faces): ``low_positions`` (V, 3), ``low_triangles``
    (T, 3), ``low_face`` (T,) the face of each triangle, ``low_part`` (T,), ``low_tile`` (T,),
    ``low_edges`` (E, 2) the edges of its polygons.
    Cage: ``cage_corners`` (T, 3, 3), where each triangle corner's ray starts.
    Per sample: ``fold_from``, the factor on the cage's distance from which the shell folds;
    ``split_slope``, the wedge per unit of height in texels (world units without UVs);
    ``skew_scale``, the slide times this is above 1 where it is a defect.
    Per crossing: ``layer_own`` bool, on a paired part; ``layer_part`` int32; ``layer_lean``
    float32, degrees between the shading normal and the crossing's normal; ``layer_error`` float32,
    degrees between the crossing's shading normal and what the ray should record; per sample
    ``hole_error`` float32, the same where nothing is recorded.
    Regions: ``region_first`` (R + 1,) and ``region_sample``: region number k holds
    ``region_sample[region_first[k - 1]:region_first[k]]``; regions of unseen high poly index
    ``unseen_position`` (M, 3) instead of the samples.
    The high poly as used: ``high_probe`` some vertex numbers and ``high_probe_position`` their
    places, from which a file that was scaled or turned on reading is brought here again.
    """
    first, members = region_members(prediction.regions)
    low, points, layers = prediction.low, prediction.points, prediction.layers
    ray = layers.ray
    part = prediction.scene.surface.triangle_part[layers.face]
    own = prediction.paired[low.triangle_part[points.triangle[ray]], part]
    probe = np.unique(
        np.linspace(0, len(prediction.scene.surface.positions) - 1, PROBED).astype(np.int64)
    )
    cage = low.positions[low.triangles] + prediction.cage.displacement
    texels = low.texels_per_unit(map_size_of(prediction))[points.triangle]
    return {
        "heat_sample": heat.sample.astype(np.int32),
        "vertex_of_sample": heat.vertex_of_sample,
        "low_positions": low.positions.astype(np.float32),
        "low_triangles": low.triangles,
        "low_face": low.cut.face,
        "low_part": low.triangle_part,
        "low_tile": low.tile,
        "low_edges": polygon_edges(low.mesh),
        "cage_corners": cage.astype(np.float32),
        "fold_from": single(fold_factor(low, prediction.cage, points)),
        "split_slope": single(
            split_slope(wedge_slope(low, prediction.cage, points), texels)
        ),
        "skew_scale": single(
            skew_scale(low, points.triangle, texels, prediction.settings.thresholds)
        ),
        "layer_own": own,
        "layer_part": part.astype(np.int32),
        "layer_lean": layer_lean(prediction),
        "layer_error": layer_error(prediction.matcher, prediction.cast, prediction.ideal),
        "hole_error": hole_error(low, prediction.points, prediction.ideal).astype(np.float32),
        "region_first": first,
        "region_sample": members,
        "unseen_position": unseen_positions(prediction),
        "high_probe": probe,
        "high_probe_position": prediction.scene.surface.positions[probe].astype(np.float64),
    }  # fmt: skip


def write_view_record(prediction: Prediction, heat: HeatMap, path: Path) -> None:
    """Write ``view.npz``."""
    write_npz(path, view_arrays(prediction, heat))


def single(values: Floats) -> NDArray[np.float32]:
    """Return float32; what is too large for it becomes infinite."""
    with np.errstate(over="ignore"):
        return values.astype(np.float32)


def region_members(
    regions: list[Region],
) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Return (R + 1,) starts and the sample numbers of all regions, in the regions' order."""
    counts = [len(region.samples) for region in regions]
    first = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    members = [region.samples.astype(np.int32) for region in regions]
    return first, np.concatenate([np.zeros(0, np.int32), *members])


def unseen_positions(prediction: Prediction) -> NDArray[np.float32]:
    """Return (M, 3) the high-poly points that were looked at (none when that was left out)."""
    if prediction.unseen is None:
        return np.zeros((0, 3), np.float32)
    return prediction.unseen.points.position.astype(np.float32)


def map_size_of(prediction: Prediction) -> int:
    """Return the side of the maps that texel numbers are for."""
    return prediction.settings.texels or prediction.settings.map_size


def layer_lean(
    prediction: Prediction, wanted: NDArray[np.int64] | None = None
) -> NDArray[np.float32]:
    """Return (L,) degrees between the shading normal and the normal of every crossing.

    wanted : (n,) numbers of the crossings that matter; (n,) degrees are returned then.
    """
    low, points, layers = prediction.low, prediction.points, prediction.layers
    ray = layers.ray if wanted is None else layers.ray[wanted]
    face = layers.face if wanted is None else layers.face[wanted]
    surface, out = prediction.scene.surface, np.empty(len(ray), np.float32)

    def work(begin: int, end: int) -> None:
        here = slice(begin, end)
        _leans(
            surface.positions, surface.triangles, low.shading_normals, points.triangle,
            points.barycentric, ray[here], face[here], out[here],
        )  # fmt: skip

    in_blocks(len(out), work)
    return out


@njit(cache=True, nogil=True, makes_arrays=False)
def _leans(
    positions: NDArray[Any], triangles: NDArray[Any], shading: Floats, triangle: Ints,
    barycentric: Floats, ray: Ints, face: Ints, out: NDArray[np.float32],
) -> None:  # fmt: skip
    for m in range(len(out)):
        i = ray[m]
        smooth = unit(blend(*corners(shading, triangle[i]), row(barycentric, i)))
        out[m] = angle_degrees(smooth, unit_normal(positions, triangles, face[m]))
