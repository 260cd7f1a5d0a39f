"""The visible error against closed forms, and the choice of the straight ray against drawings."""

import numpy as np
import pytest

from cagecheck.defects.harm import SEEN_DEGREES, WRONG_DEGREES, harm
from cagecheck.defects.kinds import Defect
from cagecheck.defects.visible import (
    HOLE_DEGREES,
    NOTHING_THERE,
    hole_error,
    layer_error,
    rounding_degrees,
)
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.rays.cage import cage_from_mesh, cage_from_offset
from cagecheck.rays.layers import NO_LAYER
from cagecheck.rays.points import PointKind
from tests.scenes.shapes import as_low, grid, halves, plane_high, plane_low, surface

SLANT = 0.5  # how far rays lean to the side, per unit of height
HEIGHT, WAVE, AMPLITUDE = 0.05, 40.0, 0.004


def leaning(low, offset=0.1):
    moved = low.mesh.positions + [SLANT * offset, 0.0, offset]
    return cage_from_mesh(low, low.mesh.with_positions(moved))


def bake(high, low=None, cage=None, **more):
    low = low or plane_low(2, with_uv=True)
    settings = Settings(depth=0.1, reach=0.2, samples=2000, unseen_points=0, **more)
    return predict(low, high, cage=cage or leaning(low), settings=settings)


def wavy(n=400):
    positions, quads = grid(
        n, 1.6, height=lambda x, y: HEIGHT + AMPLITUDE * np.sin(WAVE * x) + 0 * y
    )
    return surface(positions, halves(quads))


def test_sliding_over_flat_ground_does_not_show():
    result = bake(plane_high([HEIGHT], size=2.0))
    assert result.findings.has(Defect.SKEW).all(), "rays lean and slide by many texels"
    assert result.visible_error.max() < 1e-5
    (region,) = result.regions
    assert region.texels > 1e6 and region.texels_seen == 0 and region.harm == 0


def test_a_slide_over_a_sine_turns_the_normal_by_the_difference_of_two_slopes():
    """At x the bake records the sine at x + z tan(lean); both slopes are a w cos(w x).

    Source: the derivative of the sine, any handbook of mathematics.
    """
    result = bake(wavy())
    x = result.positions[:, 0]
    away = np.full(len(x), HEIGHT)
    for _ in range(60):
        away = HEIGHT + AMPLITUDE * np.sin(WAVE * (x + SLANT * away))
    slope = AMPLITUDE * WAVE * np.cos(WAVE * np.stack([x, x + SLANT * away]))
    there, here = np.degrees(np.arctan(slope))
    # The high poly has 36 triangles a wave, so its smooth normals are that of the sine to 0.1.
    assert np.allclose(result.visible_error, np.abs(here - there), atol=0.2)
    assert result.visible_error.max() > 9


def test_what_slides_less_than_half_a_texel_stays_in_it():
    slide = SLANT * (HEIGHT + AMPLITUDE)
    few = bake(wavy(), map_size=int(0.5 / slide))
    assert not few.visible_error.any()
    more = bake(wavy(), map_size=64)
    assert more.visible_error.max() > 9


def test_nothing_there_is_as_wrong_as_can_be():
    positions, quads = grid(8, 1.6)
    triangles = halves(quads)
    kept = positions[triangles].mean(axis=1)[:, 0] < 0
    result = bake(surface(positions + [0, 0, 0.01], triangles[kept]))
    missed = result.findings.recorded == NO_LAYER
    assert 0.3 < missed.mean() < 0.7
    nothing = (result.ideal.normal == 0).all(axis=1)
    assert nothing.any() and (result.visible_error[nothing] == NOTHING_THERE).all()
    # Straight above these there is surface, level as the map is that holds nothing.
    holes = missed & ~nothing
    assert holes.any() and np.allclose(result.visible_error[holes], HOLE_DEGREES)
    # Beside the rim the straight ray still finds the surface that the slanted one slides past.
    assert (result.visible_error[~missed] < 1e-5).all()


@pytest.mark.parametrize("slope", [0.0, 0.1, 0.5])
def test_a_hole_shows_what_a_flat_texel_differs_by_but_never_nothing(slope):
    """Tilted ground above the cage: rays start below it and record nothing, the map is flat."""
    high = plane_high([0.1], size=2.0)
    high.positions[:, 2] += slope * high.positions[:, 0]
    low = plane_low(2, size=0.1, with_uv=True)
    result = bake(high, low, cage_from_offset(low, 0.01))
    assert result.findings.has(Defect.MISS_TIGHT).all()
    expected = max(np.degrees(np.arctan(slope)), HOLE_DEGREES)
    assert np.allclose(result.visible_error, expected, atol=1e-5)
    assert np.allclose(hole_error(low, result.points, result.ideal), expected, atol=1e-5)


def test_a_flipped_patch_shows_the_opposite():
    result = bake(plane_high([0.01], size=2.0, up=[False]))
    assert result.findings.has(Defect.BACK_FACING).all()
    assert np.allclose(result.visible_error, 180.0)


def test_another_layer_shows_by_its_normals_only():
    """A roof above the ground: level it shows no difference, tilted it shows its slope."""
    slope = 0.5
    level, tilted = plane_high([0.0, 0.06], size=3.0), plane_high([0.0, 0.06], size=3.0)
    roof = tilted.positions[:, 2] > 0.03
    tilted.positions[roof, 2] += slope * 0.04 * tilted.positions[roof, 0]
    low = plane_low(2, with_uv=True)
    for high, expected in ((level, 0.0), (tilted, np.degrees(np.arctan(slope * 0.04)))):
        settings = Settings(offset=0.15, depth=0.1, reach=0.3, samples=500, unseen_points=0)
        result = predict(low, high, paired=np.array([[True, False]]), settings=settings)
        assert result.findings.has(Defect.OVERSHOOT_OTHER).all()
        assert np.allclose(result.visible_error, expected, atol=1e-5)


def test_eight_bits_turn_steep_normals():
    """Against numbers: store sin a in steps of 2/255, read back one step less, make up the rest."""
    lean = np.array([65.0, 75.0, 80.0, 85.0, 89.0])
    stored = np.sin(np.radians(lean)) - 2 / 255
    made_up = np.sqrt(1 - stored**2)
    turned = lean - np.degrees(np.arctan2(stored, made_up))
    assert np.allclose(rounding_degrees(lean), turned)
    assert rounding_degrees(np.array([63.3]))[0] == pytest.approx(1.0, abs=0.03)
    # A steep wall that is recorded as it is has this error and no other.
    angle = np.radians(80.0)
    positions, quads = grid(4, 3.0)
    positions[:, 2] = np.tan(angle) * positions[:, 0]
    low = plane_low(2, size=0.02, with_uv=True)
    result = bake(surface(positions, halves(quads)), low, cage_from_offset(low, 0.1))
    assert result.findings.has(Defect.STEEP).all()
    assert np.allclose(result.visible_error, rounding_degrees(np.array([80.0]))[0], atol=1e-6)


def test_edges_look_along_their_averaged_normals():
    """Split normals leave a wedge at the ridge of a roof; straight above it lies a level strip."""
    roof = np.array([[-1, -1, -1], [-1, 1, -1], [0, -1, 0], [0, 1, 0], [1, -1, -1], [1, 1, -1]])
    low = as_low(roof.astype(float), np.array([[0, 2, 3, 1], [2, 4, 5, 3]]))
    result = predict(
        low,
        plane_high([0.01], size=4.0),
        settings=Settings(offset=0.1, depth=2.0, reach=0.5, samples=400, unseen_points=0),
    )
    ridge = (result.points.kind == PointKind.EDGE) & (np.abs(result.positions[:, 0]) < 1e-9)
    assert ridge.any() and result.ideal.straight[ridge].all()


def test_errors_of_crossings_are_those_of_samples():
    """What the viewer shows at the predicted distance is what was predicted."""
    result = bake(wavy())
    recorded = result.findings.recorded
    of_layers = layer_error(result.matcher, result.cast, result.ideal)
    assert (recorded != NO_LAYER).all()
    assert np.allclose(of_layers[recorded], result.visible_error, atol=1e-4)


def test_harm_counts_degrees_that_show():
    error = np.array([0.0, SEEN_DEGREES, SEEN_DEGREES + 2, 180.0])
    expected = 3 * (SEEN_DEGREES + 2) + WRONG_DEGREES
    assert harm(error, np.array([9.0, 9.0, 3.0, 1.0])) == pytest.approx(expected)


@pytest.mark.parametrize("slope", [0.0, 0.2])
def test_unseen_surface_lacks_what_its_own_normal_differs_by(slope):
    """Ground under a level roof: level it has the roof's normal, tilted it has not."""
    low = plane_low(2, with_uv=True)
    high = plane_high([0.0, 0.2], size=1.0)
    high.triangle_part[:] = 0
    ground = high.positions[:, 2] < 0.01
    high.positions[ground, 2] += slope * high.positions[ground, 0]
    settings = Settings(
        offset=0.3, depth=0.2, reach=0.5, samples=2000, unseen_points=4000, map_size=256
    )
    lost = [r for r in predict(low, high, settings=settings).regions if r.defect is Defect.UNSEEN]
    assert lost
    degrees = np.degrees(np.arctan(slope))
    for region in lost:
        assert region.visible_error == pytest.approx(degrees, abs=0.01)
        assert region.texels_seen == (region.texels if degrees > SEEN_DEGREES else 0)
        assert region.harm == pytest.approx(degrees * region.texels, rel=0.01)


# The straight ray --------------------------------------------------------------------------------


def _polygon_drawn(corners, lift, amplitude, waves, rng, views=16, lines=120):
    """Mean angle between a wavy ring and an n-gon below it that shows the ring's normals.

    Seen from many sides: which point of the ring a line of sight meets, and what normal the low
    polygon shows there when that is looked up along its face normal, and along its smooth normal.
    """
    angle = 2 * np.pi * np.arange(corners) / corners
    place = np.stack([np.cos(angle), np.sin(angle)], axis=1)

    def radius(a):
        return 1 + lift + amplitude * np.sin(waves * a)

    def normal(a):
        r, slope = radius(a), amplitude * waves * np.cos(waves * a)
        out = np.stack(
            [r * np.cos(a) + slope * np.sin(a), r * np.sin(a) - slope * np.cos(a)], axis=1
        )
        return out / np.linalg.norm(out, axis=1, keepdims=True)

    def first(origin, way):
        """The ring's normal where lines enter it first, and whether they do."""
        step = np.linspace(0, 3, 1001)  # a hundredth of the finest wave
        at = origin[:, None] + step[None, :, None] * way[:, None]
        a = np.arctan2(at[..., 1], at[..., 0])
        inside = np.linalg.norm(at, axis=2) < radius(a)
        enters = inside[:, 1:] & ~inside[:, :-1]
        return normal(a[np.arange(len(a)), enters.argmax(axis=1) + 1]), enters.any(axis=1)

    found = [[], []]
    for view in rng.uniform(0, 2 * np.pi, views):
        way = -np.array([np.cos(view), np.sin(view)])
        offset = rng.uniform(-0.98, 0.98, lines)
        origin = -1.9 * way + offset[:, None] * np.array([-way[1], way[0]])
        best, face, along = np.full(lines, np.inf), np.zeros(lines, int), np.zeros(lines)
        for f in range(corners):
            a, b = place[f], place[(f + 1) % corners]
            matrix = np.array([way, a - b]).T
            if abs(np.linalg.det(matrix)) < 1e-9:
                continue
            t, u = np.linalg.solve(matrix, (a - origin).T)
            nearer = (u >= 0) & (u <= 1) & (t > 0) & (t < best)
            best[nearer], face[nearer], along[nearer] = t[nearer], f, u[nearer]
        met = np.isfinite(best)
        point = origin[met] + best[met, None] * way
        a, b = place[face[met]], place[(face[met] + 1) % corners]
        straight = np.stack([b[:, 1] - a[:, 1], a[:, 0] - b[:, 0]], axis=1)
        smooth = (1 - along[met])[:, None] * a + along[met][:, None] * b
        true, seen = first(origin[met], np.repeat(way[None], met.sum(), axis=0))
        for k, up in enumerate((straight, smooth)):
            up = up / np.linalg.norm(up, axis=1, keepdims=True)
            shown, hit = first(point + 0.9 * up, -up)
            cosine = np.einsum("ij,ij->i", shown, true)[seen & hit]
            found[k].append(np.degrees(np.arccos(np.clip(cosine, -1, 1))))
    return [float(np.concatenate(x).mean()) for x in found]


@pytest.mark.long
def test_face_normals_come_nearer_to_what_eyes_see_than_smooth_normals():
    """Over rings of several shapes, seen from all sides in their plane.

    The two differ most where the low poly is coarse: with 12 sides they are the same to a percent.
    """
    rng = np.random.default_rng(0)
    rings = ((0.05, 0.02, 24), (0.1, 0.02, 12), (0.1, 0.05, 9))
    drawn = np.array(
        [[_polygon_drawn(corners, *ring, rng) for ring in rings] for corners in (4, 6, 8, 12)]
    )
    by_face, by_smooth = drawn[..., 0], drawn[..., 1]
    assert by_face.mean() < by_smooth.mean()
    assert by_face[0].mean() < 0.98 * by_smooth[0].mean()
    assert by_face[3].mean() == pytest.approx(by_smooth[3].mean(), rel=0.02)
