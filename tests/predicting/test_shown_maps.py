"""The maps that are shown: as a bake will give them, and as it should."""

from __future__ import annotations

import imagecodecs
import numpy as np
import pytest

from cagecheck.files import OutputFolder
from cagecheck.maps.encode import tangent_basis, unquantised
from cagecheck.maps.texels import texel_points
from cagecheck.meshes.normals import normalised
from cagecheck.predicting.maps.predicted import add_maps_of
from cagecheck.predicting.maps.shown import ideal_maps, predicted_maps
from cagecheck.predicting.maps.write_maps import MapFormat
from cagecheck.predicting.predict import predict, texel_tiles
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import Settings
from cagecheck.rays.layers import NO_LAYER
from tests.scenes.maps import plate, sheet

SIZE = 64


def waves(height: float = 0.02) -> Prediction:
    """A waved sheet on the unit square, sampled at texel centres."""
    high = sheet(lambda x, y: height * np.sin(14 * x) * np.cos(11 * y), n=129)
    settings = Settings(offset=0.1, depth=0.1, reach=0.3, texels=SIZE)
    return predict(plate(), high, settings=settings)


def test_the_predicted_map_is_the_map_that_is_written(tmp_path) -> None:
    prediction = waves()
    with OutputFolder(tmp_path / "maps") as out:
        document = add_maps_of(prediction, out, MapFormat(asset="a"))
    (row,) = document["maps"]
    written = imagecodecs.png_decode((tmp_path / "maps" / row["file"]).read_bytes())
    assert (predicted_maps(prediction, SIZE).tiles[1001] == written).all()


def test_straight_rays_on_a_plane_bake_what_they_should() -> None:
    """Cage rays of a plane are straight: both maps hold the height field's own normals."""
    prediction = waves()
    baked, ideal = (make(prediction, SIZE).tiles[1001] for make in (predicted_maps, ideal_maps))
    assert (np.abs(baked.astype(int) - ideal) <= 1).all()
    texels = texel_points(prediction.low, SIZE, 1001)
    x, y = texels.points.positions(prediction.low)[:, :2].T
    slope = 0.02 * np.stack(
        [14 * np.cos(14 * x) * np.cos(11 * y), -11 * np.sin(14 * x) * np.sin(11 * y)], axis=1
    )
    normal = normalised(np.concatenate([-slope, np.ones((len(x), 1))], axis=1))
    # The plate's T, B and N are x, y and z.
    got = unquantised(ideal[texels.y, texels.x])
    assert np.abs(got - normal).max() < 0.02


def test_maps_and_visible_error_tell_one_story(demo_prediction: Prediction) -> None:
    """At texel centres the two maps' normals are as far apart as `visible_error` says."""
    low, size = demo_prediction.low, 256
    settings = Settings(offset=0.006, depth=0.024, reach=0.03, texels=size, unseen_points=0)
    prediction = predict(low, demo_prediction.scene, paired=demo_prediction.paired,
                         settings=settings)  # fmt: skip
    basis, points, first = tangent_basis(low), prediction.points, 0
    apart = np.empty(len(points))
    for tile in texel_tiles(low):
        texels = texel_points(low, size, tile)
        rows = slice(first, first + len(texels))
        first = rows.stop
        np.testing.assert_array_equal(points.triangle[rows], texels.points.triangle)
        normals = []
        for make in (predicted_maps, ideal_maps):
            texel = make(prediction, size, tiles=[tile]).tiles[tile][texels.y, texels.x]
            normals.append(
                basis.decode(points.triangle[rows], points.barycentric[rows], unquantised(texel))
            )
        cosine = np.einsum("ij,ij->i", *normals)
        apart[rows] = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    error = prediction.visible_error
    both = (prediction.findings.recorded != NO_LAYER) & (prediction.ideal.normal != 0).any(axis=1)
    assert first == len(points) and (both & (error > 5)).sum() > 500
    # 8 bits round both maps: by up to half a degree where normals lean little.
    near = np.abs(apart - error) < 2
    assert near[both].mean() > 0.99
    assert near[both & (error > 5)].mean() > 0.9


def test_texels_without_a_record_are_flat() -> None:
    high = sheet(lambda x, y: 0 * x, n=17, margin=-0.25)
    prediction = predict(
        plate(), high, settings=Settings(offset=0.1, depth=0.1, reach=0.3, samples=400)
    )
    for make in (predicted_maps, ideal_maps):
        texels = make(prediction, SIZE).tiles[1001]
        assert (texels[2, 2] == (128, 128, 255)).all()


@pytest.mark.parametrize("tiles", [[1001], []])
def test_only_the_tiles_asked_for(tiles: list[int]) -> None:
    assert list(predicted_maps(waves(), SIZE, tiles=tiles).tiles) == tiles
