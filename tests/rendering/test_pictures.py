"""Our own pictures against closed forms of light and geometry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from cagecheck.maps.encode import quantised, unquantised
from cagecheck.maps.normal_maps import NormalMaps
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Surface, SurfaceNormals, mesh_from_polygons
from cagecheck.rendering.camera import Camera
from cagecheck.rendering.pictures import (
    HighModel,
    LowModel,
    Rendered,
    render_high,
    render_low_with_map,
)
from cagecheck.rendering.shading import Light, Look, light_of, srgb
from cagecheck.rendering.view import View, see
from tests.scenes.maps import SQUARE, plate

# Only the light that moves, on a dull surface: what Lambert's law is about.
DULL = Look(albedo=(1.0, 0.5, 0.25), key=0.8, sky=0, ground=0, gloss=0, background=(0, 0, 0))


def ball(rings: int = 120, around: int = 240) -> Surface:
    """The unit sphere with its exact normals."""
    lat, lon = np.meshgrid(
        np.linspace(0, np.pi, rings), np.linspace(0, 2 * np.pi, around, endpoint=False),
        indexing="ij",
    )  # fmt: skip
    p = np.stack([np.sin(lat) * np.cos(lon), np.sin(lat) * np.sin(lon), np.cos(lat)], axis=-1)
    i, j = np.meshgrid(np.arange(rings - 1), np.arange(around), indexing="ij")
    a, b = (i * around + j).ravel(), (i * around + (j + 1) % around).ravel()
    faces = np.concatenate(
        [np.stack([a, a + around, b + around], 1), np.stack([a, b + around, b], 1)]
    ).astype(np.int32)
    rows = p.reshape(-1, 3)
    return Surface(
        rows, faces, np.zeros(len(faces), np.int32),
        normals=SurfaceNormals(rows.astype(np.float32)),
    )  # fmt: skip


def front_view(size: int = 64, distance: float = 3.0) -> View:
    """From above, x to the right and y up."""
    camera = Camera((0.5, 0.5, distance), (0.5, 0.5, 0.0), (0.0, 1.0, 0.0))
    return View(camera, size, size)


def middle(rendered: Rendered) -> np.ndarray:
    rows, columns = rendered.covered.shape
    return rendered.images[0, rows // 2, columns // 2]


def test_a_ball_follows_lamberts_law() -> None:
    """Radiance is albedo x light x cosine (Lambert 1760), at each ray's own hit of the sphere."""
    view = View(Camera((0.3, -4.0, 0.8), (0, 0, 0), (0, 0, 1)), 90, 60)
    way = np.array([0.5, -0.6, 0.7])
    light = Light((0.5, -0.6, 0.7))
    shown = render_high(HighModel(ball()), view, [light], look=DULL, across=1)
    eye, direction = np.array(view.camera.eye), view.rays()
    along = direction @ eye
    root = along**2 - (eye @ eye - 1)
    inside = root > 0.01  # the mesh ends a little inside of the sphere's rim
    t = -along - np.sqrt(np.where(inside, root, 0))
    normal = eye + t[:, None] * direction
    cosine = np.maximum(normal @ (way / np.linalg.norm(way)), 0)
    expected = cosine[:, None] * np.array(DULL.albedo) * DULL.key
    got = shown.images[0].reshape(-1, 3)
    assert inside.sum() > 500
    np.testing.assert_allclose(got[inside], expected[inside], atol=2e-3)
    missed = root < -0.01
    assert (got[missed] == 0).all() and (shown.covered.reshape(-1)[missed] == 0).all()


def test_the_highlight_stands_where_the_normal_halves_light_and_eye() -> None:
    """Blinn 1977: full strength where n is the bisector, cos^s away from it."""
    gloss = Look(albedo=(0, 0, 0), gloss=0.5, shininess=10, background=(0, 0, 0))
    view = front_view(9)
    model = LowModel(plate())
    flat = NormalMaps({1001: np.full((8, 8, 3), (128, 128, 255), np.uint8)})
    for tilt in (0.0, 0.3, 0.8):
        light = Light((np.sin(tilt), 0.0, np.cos(tilt)))
        shown = render_low_with_map(model, flat, view, [light], look=gloss, across=1)
        expected = 0.5 * np.cos(tilt / 2) ** 10
        # 128 stands for 1/255, not for 0: the flat normal leans by 0.3 degrees.
        assert middle(shown)[0] == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("mirrored", [False, True])
def test_mirrored_uvs_turn_red_round(mirrored: bool) -> None:
    """On the plate T is +x, or -x where u runs back; B is +y both times (see its UVs)."""
    local = np.array([0.6, 0.3, np.sqrt(1 - 0.45)])
    texels = np.broadcast_to(quantised(local), (16, 16, 3)).copy()
    world = local * [-1 if mirrored else 1, 1, 1]
    model, view = LowModel(plate(mirrored)), front_view()
    for way in ((1, 0, 0.2), (0, 1, 0.2), (-0.3, 0.2, 1)):
        shown = render_low_with_map(
            model, NormalMaps({1001: texels}), view, [Light(way)], look=DULL
        )
        cosine = max(float(world @ way) / np.linalg.norm(way), 0)
        np.testing.assert_allclose(
            middle(shown), cosine * np.array(DULL.albedo) * DULL.key, atol=0.006
        )


def test_surface_seen_from_behind_is_lit_on_that_side() -> None:
    view = replace(front_view(), camera=Camera((0.5, 0.5, -3), (0.5, 0.5, 0), (0, 1, 0)))
    shown = render_low_with_map(LowModel(plate()), NormalMaps({}), view, [Light((0, 0, -1))],
                                look=DULL)  # fmt: skip
    np.testing.assert_allclose(middle(shown), np.array(DULL.albedo) * DULL.key)


def test_without_a_map_the_low_poly_shows_its_own_normals() -> None:
    bare = prepare_low(mesh_from_polygons(SQUARE, [[0, 1, 2, 3]]))
    shown = render_low_with_map(LowModel(bare), NormalMaps({}), front_view(), [Light((0, 0, 1))],
                                look=DULL)  # fmt: skip
    np.testing.assert_allclose(middle(shown), np.array(DULL.albedo) * DULL.key)


def test_every_tile_has_its_own_map() -> None:
    """Two squares side by side, the right one on the next tile, its border on u = 1."""
    positions = np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0], [0, 1, 0], [1, 1, 0], [2, 1, 0]], float)
    quads = [[0, 1, 4, 3], [1, 2, 5, 4]]
    low = prepare_low(mesh_from_polygons(positions, quads, uv=positions[np.ravel(quads), :2]))
    left = np.broadcast_to(quantised(np.array([0.6, 0, 0.8])), (8, 8, 3)).copy()
    right = np.broadcast_to(quantised(np.array([-0.6, 0, 0.8])), (8, 8, 3)).copy()
    view = View(Camera((1, 0.5, 6), (1, 0.5, 0), (0, 1, 0)), 80, 40)
    shown = render_low_with_map(
        LowModel(low), NormalMaps({1001: left, 1002: right}), view, [Light((1, 0, 0))],
        look=DULL, across=1,
    )  # fmt: skip
    seen = shown.triangle >= 0
    on_left = np.isin(shown.triangle, [0, 1])
    assert np.allclose(shown.images[0][seen & on_left][:, 0], 0.6 * DULL.key, atol=0.004)
    assert np.allclose(shown.images[0][seen & ~on_left], 0.0)


def test_maps_are_read_between_texels_as_scipy_does() -> None:
    rng = np.random.default_rng(3)
    texels = rng.integers(0, 256, (16, 16, 3), dtype=np.uint8)
    uv = rng.uniform(0, 1, (500, 2))
    got = NormalMaps({1012: texels}).sample(uv + [1, 1], np.full(500, 1012, np.int32))
    at = [(1 - uv[:, 1]) * 16 - 0.5, uv[:, 0] * 16 - 0.5]
    for k in range(3):
        expected = map_coordinates(unquantised(texels)[:, :, k], at, order=1, mode="nearest")
        np.testing.assert_allclose(got[:, k], expected, atol=1e-12)


def test_pixels_know_the_triangle_and_place_that_they_show() -> None:
    view, model = front_view(33), LowModel(plate())
    shown = render_low_with_map(model, NormalMaps({}), view, [Light((0, 0, 1))])
    rows, columns = np.nonzero(shown.triangle >= 0)
    corners = model.low.positions[model.low.triangles[shown.triangle[rows, columns]]]
    place = np.einsum("ij,ijk->ik", shown.barycentric[rows, columns], corners)
    # Projected back through the camera they are the pixels' centres.
    right, up, toward = view.axes()
    way = place - np.array(view.camera.eye)
    depth, slope = -way @ toward, np.tan(np.radians(view.fov_degrees / 2))
    x = (way @ right / depth / slope + 1) / 2 * view.width - 0.5
    y = (1 - way @ up / depth / slope) / 2 * view.height - 0.5
    np.testing.assert_allclose(x, columns, atol=1e-6)
    np.testing.assert_allclose(y, rows, atol=1e-6)
    assert 0 < shown.covered.mean() < 1 and len(rows) > 200


def test_rays_past_the_box_would_have_met_nothing() -> None:
    model = HighModel(ball(30, 60))
    view = View(Camera((0.5, 3.0, 0.2), (0.4, 0, 0), (0, 0, 1)), 60, 40)
    way = -view.rays()
    origin = np.broadcast_to(np.array(view.camera.eye), way.shape)
    hits = model.scene.first_hits(origin, way, np.zeros(len(way)), 10.0)
    sight = see(model.scene, view)
    np.testing.assert_array_equal(sight.ray, np.flatnonzero(hits.face >= 0))


def test_edges_are_mixed_in_linear_light_and_bytes_repeat() -> None:
    view, model, light = front_view(31), LowModel(plate()), Light((0, 0, 1))
    shown = render_low_with_map(model, NormalMaps({}), view, [light], look=DULL, across=4)
    full = np.array(DULL.albedo) * DULL.key
    np.testing.assert_allclose(shown.images[0], shown.covered[:, :, None] * full, atol=1e-12)
    again = render_low_with_map(model, NormalMaps({}), view, [light], look=DULL, across=4)
    assert again.images.tobytes() == shown.images.tobytes()


def test_srgb_follows_the_standard() -> None:
    """Values worked out from IEC 61966-2-1; 0.2140 is its middle grey of 0.5."""
    linear = np.array([-1, 0, 0.0031308, 0.2140411, 1.0, 7.0])
    np.testing.assert_allclose(srgb(linear), [0, 0, 0.0404499, 0.5, 1, 1], atol=1e-6)


def test_a_light_goes_with_the_camera() -> None:
    view = View(Camera((0, -5, 0), (0, 0, 0), (0, 0, 1)), 10, 10)
    np.testing.assert_allclose(light_of(view, 0, 0).direction, [0, -1, 0], atol=1e-12)
    np.testing.assert_allclose(light_of(view, 90, 0).direction, [1, 0, 0], atol=1e-12)
    np.testing.assert_allclose(light_of(view, 0, 90).direction, [0, 0, 1], atol=1e-12)
