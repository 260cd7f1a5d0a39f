"""The demo scene is what it says: geometry checked without our own ray casting or classifier.

Hits come from libigl's ray caster, distances from libigl's closest points, watertightness and
winding from trimesh.
"""

from __future__ import annotations

import json

import igl
import numpy as np
import pytest
import trimesh
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from cagecheck.demo import arms, body, head, legs, make_scene, write_scene
from cagecheck.demo import measures as at
from cagecheck.demo.defects import finger_overshoot_angle
from cagecheck.demo.planted import KINDS, planted_from_dict
from cagecheck.demo.score import format_scores, score_regions, score_samples
from cagecheck.demo.turned_places import point_at, rectangle
from cagecheck.errors import InputError
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.meshes.tiles import udim_of

DETAIL = 0.06


@pytest.fixture(scope="module")
def scene():
    return make_scene(seed=7, detail=DETAIL)


@pytest.fixture(scope="module")
def low(scene):
    return prepare_low(scene.low)


def stem(name: str) -> str:
    for word in ("_low", "_high"):
        name = name.partition(word)[0]
    return name


def high_of(scene, part: str) -> trimesh.Trimesh:
    """All high parts of a part, as one mesh."""
    wanted = [k for k, n in enumerate(scene.high.part_names) if stem(n) == part]
    chosen = np.isin(scene.high.triangle_part, wanted)
    return trimesh.Trimesh(
        scene.high.positions.astype(float), scene.high.triangles[chosen], process=False
    )


def shells(mesh: trimesh.Trimesh) -> list[trimesh.Trimesh]:
    """Connected pieces, whatever the winding of their faces."""
    f = mesh.faces
    n = len(mesh.vertices)
    link = coo_array((np.ones(2 * len(f)), (f[:, [0, 1]].ravel(), f[:, [1, 2]].ravel())), (n, n))
    label = connected_components(link, directed=False)[1][f[:, 0]]
    return [trimesh.Trimesh(mesh.vertices, f[label == k], process=False) for k in np.unique(label)]


def low_part(scene, low, part: str) -> trimesh.Trimesh:
    chosen = low.triangle_part == scene.low.part_names.index(part + "_low")
    return trimesh.Trimesh(scene.low.positions, low.triangles[chosen], process=False)


def hits(mesh: trimesh.Trimesh, origin, direction, back: float = 0.1):
    """Every (t, normal . direction) along a line from t = -`back`, by libigl, by rising t."""
    v, f = np.asarray(mesh.vertices, np.float64), np.asarray(mesh.faces, np.int64)
    start = np.asarray(origin) - back * np.asarray(direction)
    found = igl.ray_mesh_intersect(start, np.asarray(direction, np.float64), v, f) or []
    # libigl gives (face, t, u, v).
    return sorted((hit[1] - back, float(mesh.face_normals[hit[0]] @ direction)) for hit in found)


def places(scene, kind: str, part: str | None = None):
    return [
        p for p in scene.planted if p.kind == kind and (part is None or p.part == part + "_low")
    ]


# --- the meshes ----------------------------------------------------------------------------


def test_size_and_names(scene):
    assert isinstance(scene.low, Mesh)
    assert isinstance(scene.high, Surface)
    assert 0.8 < scene.high.triangle_count / (1_500_000 * DETAIL) < 1.3
    assert scene.low.face_count < 12_000
    low_names, high_names = set(scene.low.part_names), set(scene.high.part_names)
    assert all(n.endswith("_low") for n in low_names)
    assert "pauldron_l_high_bolts" in high_names
    assert {stem(n) for n in low_names} - {stem(n) for n in high_names} == {"key"}
    assert {stem(n) for n in high_names} <= {stem(n) for n in low_names}


def test_faces_are_quads_and_rims(scene):
    sizes = np.diff(scene.low.face_start)
    assert set(np.unique(sizes)) == {4, 8, 20}
    assert (sizes == 4).mean() > 0.99


def test_same_seed_same_bytes_and_other_seed_same_low():
    one, two, other = (make_scene(seed=s, detail=0.01) for s in (3, 3, 4))
    assert one.high.positions.tobytes() == two.high.positions.tobytes()
    assert one.high.triangles.tobytes() == two.high.triangles.tobytes()
    assert one.low.positions.tobytes() == other.low.positions.tobytes()
    assert one.high.positions.tobytes() != other.high.positions.tobytes()
    assert [p.to_dict() for p in one.planted] == [p.to_dict() for p in other.planted]


def test_low_parts_are_closed_and_face_outwards(scene, low):
    for name in scene.low.part_names:
        for shell in shells(low_part(scene, low, stem(name))):
            assert shell.is_winding_consistent, name
            if name == "strap_low":  # the open band
                assert not shell.is_watertight
                continue
            assert shell.is_watertight, name
            assert shell.volume > 0, name


def test_high_parts_are_closed_but_for_the_hole_and_the_flipped_patch(scene):
    for part in sorted({stem(n) for n in scene.high.part_names}):
        for shell in shells(high_of(scene, part)):
            assert shell.is_watertight == (part != "skirt"), part
            assert shell.is_winding_consistent == (part != "hat"), part
            assert shell.volume > 0, part


def test_corner_normals_split_only_at_hard_parts(scene):
    key = np.stack([scene.low.corner_vertex, np.arange(len(scene.low.corner_vertex))])
    order = np.argsort(key[0], kind="stable")
    vertex, normal = key[0][order], scene.low.corner_normal[order]
    same = vertex[1:] == vertex[:-1]
    turned = np.einsum("ij,ij->i", normal[1:], normal[:-1]) < 1 - 1e-9
    part = scene.low.face_part[scene.low.corner_face[order][1:]]
    split = {scene.low.part_names[k] for k in np.unique(part[same & turned])}
    assert split == {"pack_low", "lantern_low", "reel_low"}
    assert np.allclose(np.linalg.norm(scene.low.corner_normal, axis=1), 1)


def test_uv_charts_fill_their_rectangles_and_keep_apart(scene, low):
    """Islands of shared UV corners have one tile, one sign, and boxes that do not touch."""
    corners = low.cut.corners
    uv = np.round(scene.low.corner_uv[corners], 9)
    vertex = low.triangles
    both = np.concatenate([uv.reshape(-1, 2), vertex.reshape(-1, 1)], axis=1)
    _, number = np.unique(both, axis=0, return_inverse=True)
    number = number.reshape(-1, 3)
    n = number.max() + 1
    link = coo_array(
        (np.ones(2 * len(number)), (number[:, :2].ravel(), number[:, 1:].ravel())), (n, n)
    )
    label = connected_components(link, directed=False)[1][number[:, 0]]
    boxes = []
    for k in range(label.max() + 1):
        chosen = label == k
        p = uv[chosen].reshape(-1, 2)
        lower, upper = p.min(axis=0), p.max(axis=0)
        tiles = udim_of(np.stack([lower, upper]))
        assert tiles[0] == tiles[1]
        signed = low.uv_area[chosen]
        assert (signed > 0).all() or (signed < 0).all()
        # An island that fills its box exactly, one sign throughout, cannot lie over itself.
        share = abs(signed.sum()) / np.prod(upper - lower)
        assert share == pytest.approx(1, abs=1e-6) or share < 0.99  # a rim polygon
        boxes.append((tiles[0], *lower, *upper))
    assert {b[0] for b in boxes} == {1001, 1002, 1003, 1011}
    box = np.array(boxes, float)
    for k in range(len(box)):
        rest = box[k + 1 :]
        rest = rest[rest[:, 0] == box[k, 0]]
        gap = np.maximum(rest[:, 1:3] - box[k, 3:5], box[k, 1:3] - rest[:, 3:5]).max(axis=1)
        assert (gap > 0.0059).all()


# --- what the scene promises outside planted places ----------------------------------------


def test_parts_keep_their_clearance(scene):
    allowed = {frozenset(("forearm_l", "strap"))}
    parts = sorted({stem(n) for n in scene.high.part_names})
    meshes = {p: high_of(scene, p) for p in parts}
    for i, a in enumerate(parts):
        for b in parts[:i]:
            near = np.maximum(
                meshes[a].bounds[0] - meshes[b].bounds[1], meshes[b].bounds[0] - meshes[a].bounds[1]
            )
            if (near > at.CLEARANCE).any():
                continue
            used = meshes[a].vertices[np.unique(meshes[a].faces)]
            squared, _, _ = igl.point_mesh_squared_distance(
                np.ascontiguousarray(used), np.asarray(meshes[b].vertices),
                np.asarray(meshes[b].faces, np.int64),
            )  # fmt: skip
            gap = np.sqrt(squared.min())
            if frozenset((a, b)) in allowed:
                assert gap < at.OFFSET
            else:
                assert gap > at.CLEARANCE, (a, b, gap)


def outside_planted(scene, points, part: str, kinds=KINDS):
    keep = np.ones(len(points), bool)
    for place in scene.planted:
        if place.part == part + "_low" and place.kind in kinds:
            keep &= ~place.in_outer(points)
    return keep


def test_detail_stays_close_outside_planted_places(scene, low):
    rng = np.random.default_rng(0)
    for name in scene.low.part_names:
        part = stem(name)
        if part == "key":
            continue
        mesh = low_part(scene, low, part)
        points, _ = trimesh.sample.sample_surface(mesh, 1500, seed=int(rng.integers(1 << 30)))
        kinds = set(KINDS) - {"skew", "split", "unseen high poly"}
        points = points[outside_planted(scene, points, part, kinds)]
        high = high_of(scene, part)
        squared, _, _ = igl.point_mesh_squared_distance(
            np.ascontiguousarray(points), np.asarray(high.vertices),
            np.asarray(high.faces, np.int64),
        )  # fmt: skip
        assert np.sqrt(squared.max(initial=0)) < at.DETAIL, part
        assert min(at.OFFSET, at.DEPTH) > at.DETAIL


def test_averaged_normals_lean_little_outside_hard_parts(scene, low):
    cosine = np.einsum("tkj,tj->tk", low.ray_normals[low.welded], low.face_normals).min(axis=1)
    lean = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    part = np.array([stem(n) for n in scene.low.part_names])[low.triangle_part]
    soft = ~np.isin(part, ["pack", "lantern", "reel", "key"])
    assert lean[soft].max() < at.SLANT_DEG


def test_the_spread_fingers_are_clear_of_each_other(scene):
    """The right hand's fingers are the control for the left's."""
    palm_and_fingers = shells(high_of(scene, "hand_r"))
    for i, a in enumerate(palm_and_fingers):
        for b in palm_and_fingers[:i]:
            used = [m.vertices[np.unique(m.faces)] for m in (a, b)]
            assert cKDTree(used[0]).query(used[1])[0].min() > at.CLEARANCE


# --- what was planted is there -------------------------------------------------------------


def test_every_kind_is_planted_and_places_lie_on_their_parts(scene, low):
    assert {p.kind for p in scene.planted} == set(KINDS)
    assert len({p.name for p in scene.planted}) == len(scene.planted)
    for place in scene.planted:
        assert place.part in scene.low.part_names
        if place.whole_part:
            continue
        assert 0 < place.core_radius < place.outer_radius
        mesh = low_part(scene, low, stem(place.part))
        squared, _, _ = igl.point_mesh_squared_distance(
            np.ascontiguousarray(place.points), np.asarray(mesh.vertices),
            np.asarray(mesh.faces, np.int64),
        )  # fmt: skip
        limit = 0.03 if place.kind == "unseen high poly" else 0.006
        assert np.sqrt(squared.max()) < limit, place.name


def test_bolts_float_above_the_cage(scene):
    mesh = high_of(scene, "pauldron_l")
    for foot, axis in zip(*arms.bolt_places(), strict=True):
        side = np.cross(axis, [0.3, 0.5, 0.8])
        side *= 0.5 * at.BOLT_RADIUS / np.linalg.norm(side)
        for shift in (side, -side):
            t = [h for h in hits(mesh, foot + shift, axis) if -at.DEPTH < h[0] < 0.05]
            front = [x for x, cosine in t if cosine > 0]
            back = [x for x, cosine in t if cosine < 0]
            assert front[-1] == pytest.approx(at.BOLT_TOP, abs=0.006)
            assert front[-1] > at.OFFSET + 0.005
            assert back[-1] > at.OFFSET + 0.004  # a ray from the cage starts below the bolt
            assert abs(front[0]) < at.DETAIL


def test_toe_cap_rises_over_the_cage(scene, low):
    place = places(scene, "miss: cage too tight", "boot_l")[0]
    mesh = low_part(scene, low, "boot_l")
    high = high_of(scene, "boot_l")
    near = np.linalg.norm(high.triangles_center - place.centre, axis=1)
    top = high.triangles_center[near < 0.7 * place.core_radius + at.BUMP_HEIGHT]
    squared, _, _ = igl.point_mesh_squared_distance(
        np.ascontiguousarray(top), np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int64)
    )
    distance = np.sqrt(squared)
    assert distance.max() == pytest.approx(at.BUMP_HEIGHT, abs=0.004)
    assert distance.max() > at.OFFSET + 0.006


def radial(shape, angle: float, height: float):
    """A point on a turned shape and the base normal there, by finite differences."""
    step = 1e-5
    p = point_at(shape, angle, height)
    du = point_at(shape, angle + step, height) - p
    dv = point_at(shape, angle, height + step) - p
    n = np.cross(dv, du)
    return p, n / np.linalg.norm(n)


def test_slot_is_deeper_than_the_rays(scene):
    mesh = high_of(scene, "torso")
    for dy in (-0.03, 0.0, 0.03):
        p, n = radial(body.torso_shape(), at.GROOVE[0], at.GROOVE[1] + dy)
        t = [x for x, cosine in hits(mesh, p, n) if cosine > 0]
        assert t == [pytest.approx(-at.GROOVE_DEPTH, abs=0.002)]


def test_hole_shows_nothing_within_the_rays(scene):
    mesh = high_of(scene, "skirt")
    shape = body.skirt_shape()
    for dy in (-0.02, 0.0, 0.02):
        p, n = radial(shape, at.HOLE[0], at.HOLE[1] + dy)
        assert not [h for h in hits(mesh, p, n, 0.5) if -0.05 < h[0] < 0.05]
    beside = radial(shape, at.HOLE[0] + 0.4, at.HOLE[1])
    assert len([h for h in hits(mesh, *beside) if abs(h[0]) < at.DETAIL]) == 1


def test_flipped_patch_is_seen_from_behind(scene):
    mesh = high_of(scene, "hat")
    shape = head.hat_shape()
    for dy in (-0.015, 0.015):
        p, n = radial(shape, at.FLIPPED[0], at.FLIPPED[1] + dy)
        assert [c < -0.8 for x, c in hits(mesh, p, n) if abs(x) < at.DETAIL] == [True]
        p, n = radial(shape, at.FLIPPED[0] + 1.2, at.FLIPPED[1] + dy)
        assert [c > 0.8 for x, c in hits(mesh, p, n) if abs(x) < at.DETAIL] == [True]


@pytest.mark.parametrize("share", [0.0, 0.5, 0.95, 1.05, 1.15])
def test_fingers_meet_where_the_circles_say(scene, share):
    """Closed form of two circles (law of cosines) against libigl's hits on the sculpted fingers."""
    mesh = high_of(scene, "hand_l")
    (a0, a1), (b0, _) = arms.finger_lines("l")
    ahead = (a1 - a0) / np.linalg.norm(a1 - a0)
    towards = (b0 - a0) / np.linalg.norm(b0 - a0)
    angle = share * finger_overshoot_angle(at.OFFSET)
    n = np.cos(angle) * towards + np.sin(angle) * np.cross(ahead, towards)
    p = a0 + ahead * 0.057 + at.FINGER_RADIUS * n  # between two joints
    c = 2 * at.FINGER_RADIUS + at.FINGER_GAP
    meets = c * np.cos(angle) - np.sqrt(at.FINGER_RADIUS**2 - (c * np.sin(angle)) ** 2)
    t = [x for x, _ in hits(mesh, p, n) if 0.003 < x < 0.05]
    assert t[0] == pytest.approx(meets - at.FINGER_RADIUS, abs=0.0015)
    assert (meets - at.FINGER_RADIUS < at.OFFSET) == (share < 1)


def test_strap_lies_between_forearm_and_cage(scene):
    strap, forearm = high_of(scene, "strap"), high_of(scene, "forearm_l")
    for angle in np.arange(0, 6.2, 0.7):
        p, n = radial(arms.forearm_shape("l"), angle, at.STRAP_AT)
        assert any(abs(x) < at.DETAIL for x, c in hits(forearm, p, n) if c > 0)
        outside = [x for x, c in hits(strap, p, n) if c > 0 and abs(x) < 0.02]
        assert outside == [pytest.approx(at.STRAP_GAP + at.STRAP_THICK, abs=0.002)]
        assert outside[0] < at.OFFSET - 0.002


@pytest.mark.parametrize("kind_of_wall", ["plaque walls", "slot walls"])
def test_walls_are_steep(scene, kind_of_wall):
    place = next(p for p in scene.planted if p.name == kind_of_wall)
    shape, mesh = body.torso_shape(), high_of(scene, "torso")
    leans = []
    for p in place.points[::3]:
        angle = np.arctan2(p[2] / 0.88, p[0] / 1.12)
        _, n = radial(shape, angle, p[1])
        x, cosine = min(hits(mesh, p, n), key=lambda hit: abs(hit[0]))
        assert abs(x) < at.DEPTH
        leans.append(np.degrees(np.arccos(cosine)))
    # One 8-bit step turns normals by more than a degree there, see `Thresholds`.
    assert np.mean(np.array(leans) > 63.3) > 0.9


def test_cage_crosses_in_the_channel(scene, low):
    """Corners pushed along bisectors at 45 degrees cross when offset sqrt(2) exceeds the width."""
    assert at.OFFSET * np.sqrt(2) > at.CHANNEL
    place = places(scene, "fold")[0]
    part = low.triangle_part == scene.low.part_names.index("reel_low")
    p = low.positions[low.triangles]
    floor = part & place.in_core(p.mean(axis=1))
    assert floor.sum() == 2 * 20
    cage = p + at.OFFSET * low.ray_normals[low.welded]
    for before, after in zip(p[floor], cage[floor], strict=True):
        axis = np.array([1.0, 0.0, 0.0])
        k = int(np.argmax(np.abs((np.roll(before, -1, axis=0) - before) @ axis)))
        edge = (before[(k + 1) % 3] - before[k]) @ axis
        pushed = (after[(k + 1) % 3] - after[k]) @ axis
        assert edge * pushed < 0


def test_hard_edges_slant_when_averaged_and_split_when_not(scene, low):
    for part, least in (("pack", 44.0), ("lantern", 22.0)):
        place = places(scene, "skew", part)[0]
        rows = np.flatnonzero(low.triangle_part == scene.low.part_names.index(part + "_low"))
        corner = low.positions[low.triangles[rows]].reshape(-1, 3)
        on_edge = cKDTree(place.points).query(corner)[0] < 1e-6
        averaged = low.ray_normals[low.welded[rows]].reshape(-1, 3)
        faces = np.repeat(low.face_normals[rows], 3, axis=0)
        lean = np.degrees(np.arccos(np.clip(np.einsum("ij,ij->i", averaged, faces), -1, 1)))
        assert lean[on_edge].min() > least
        shading = low.shading_normals[rows].reshape(-1, 3)
        assert np.einsum("ij,ij->i", shading, faces).min() > 0.999
        mesh = high_of(scene, part)
        slides = []
        for k in np.flatnonzero(on_edge)[::3]:
            tri = k // 3
            weight = np.full(3, 0.05)
            weight[k % 3] = 0.9
            ray = weight @ low.ray_normals[low.welded[rows[tri]]]
            ray /= np.linalg.norm(ray)
            p = weight @ low.positions[low.triangles[rows[tri]]]
            t = [x for x, c in hits(mesh, p, ray) if c > 0 and abs(x) < 0.02]
            slides.append(abs(t[-1]) * np.linalg.norm(ray - (ray @ faces[k]) * faces[k]))
        # Two texels of a 2048 map at this scene's scale are about 0.0016.
        assert np.mean(np.array(slides) > 0.0016) > 0.9, part


def test_pocket_behind_the_cuff_is_covered(scene):
    for side in "lr":
        mesh = high_of(scene, f"boot_{side}")
        place = places(scene, "unseen high poly", f"boot_{side}")[-1]
        sign = 1.0 if side == "l" else -1.0
        for p in place.points[::7]:
            n = p - np.array([sign * legs.BOOT_X, p[1], legs.BOOT_Z])
            n /= np.linalg.norm(n)
            t = [x for x, _ in hits(mesh, p, n, 0.005) if x < 0.03]
            assert len(t) == 3  # the shin, the cuff's back, the cuff's outside
            assert t[0] == pytest.approx(0, abs=0.003)
            assert t[2] < 0.018


def test_planted_points_follow_the_stated_rectangles():
    shape = body.skirt_shape()
    p = rectangle(shape, at.HOLE, 0.0, 0.004)
    assert p[:, 1].min() == pytest.approx(at.HOLE[1] - at.HOLE[3], abs=1e-6)
    assert p[:, 1].max() == pytest.approx(at.HOLE[1] + at.HOLE[3], abs=1e-6)


# --- files and scores ----------------------------------------------------------------------


def test_scene_is_written_whole_and_reads_back(tmp_path, scene):
    from cagecheck.formats.read import read_mesh, read_surface

    paths = write_scene(scene, tmp_path / "demo")
    assert [p.name for p in paths] == ["low.obj", "high.glb", "planted.json"]
    mesh, surface = read_mesh(paths[0]), read_surface(paths[1])
    assert mesh.part_names == scene.low.part_names
    assert mesh.face_count == scene.low.face_count
    assert np.allclose(mesh.positions, scene.low.positions, atol=1e-6)
    assert np.allclose(mesh.corner_uv, scene.low.corner_uv, atol=1e-6)
    assert set(surface.part_names) == set(scene.high.part_names)
    assert surface.triangle_count == scene.high.triangle_count
    document = json.loads(paths[2].read_text())
    back = [planted_from_dict(d) for d in document["planted"]]
    assert [p.to_dict() for p in back] == [p.to_dict() for p in scene.planted]
    with pytest.raises(InputError, match="force"):
        write_scene(scene, tmp_path / "demo")
    write_scene(scene, tmp_path / "demo", force=True)


def perfect_regions(scene):
    return [
        {"name": p.kind, "part": p.part, "centroid": p.centre, "texels": 500.0,
         "points": p.points if len(p.points) else p.centre[None]}
        for p in scene.planted
    ]  # fmt: skip


def test_perfect_findings_score_one(scene):
    scores = score_regions(scene.planted, perfect_regions(scene))
    assert [s.recall for s in scores] == [1.0] * len(KINDS)
    assert [s.precision for s in scores] == [1.0] * len(KINDS)
    assert "not found" not in format_scores(scores)


def test_missing_and_invented_findings_cost(scene):
    regions = [r for r in perfect_regions(scene) if r["part"] != "boot_l_low"]
    regions.append(
        {"name": "back-facing", "part": "torso_low", "centroid": (0.0, 1.2, 0.2), "texels": 500.0}
    )
    regions.append(
        {"name": "fold", "part": "torso_low", "centroid": (0.0, 1.2, 0.2), "texels": 3.0}
    )
    by_kind = {s.kind: s for s in score_regions(scene.planted, regions, least_texels=10)}
    assert by_kind["miss: cage too tight"].recall == pytest.approx(5 / 6)
    assert by_kind["miss: cage too tight"].missed == ("toe cap",)
    assert by_kind["back-facing"].precision == 0.5
    assert by_kind["back-facing"].wrong == ("torso_low at 0.000, 1.200, 0.200",)
    assert by_kind["fold"].precision == 1.0  # too small to count
    assert by_kind["fold"].recall == 1.0


def test_a_finding_on_another_part_or_of_another_kind_does_not_count(scene):
    wrong_part = [dict(r, part="torso_low") for r in perfect_regions(scene) if r["name"] == "fold"]
    wrong_kind = [dict(r, name="split") for r in perfect_regions(scene) if r["name"] == "fold"]
    (fold,) = score_regions(scene.planted, wrong_part + wrong_kind, kinds=("fold",))
    assert (fold.recall, fold.precision) == (0.0, 0.0)


def test_samples_are_scored_by_area(scene):
    place = places(scene, "back-facing")[0]
    points = np.concatenate([place.points, place.points + [0, 0.5, 0]])
    part = np.full(len(points), place.part)
    weight = np.ones(len(points))
    half = np.arange(len(points)) % 2 == 0
    (s,) = score_samples(scene.planted, points, part, {"back-facing": half}, weight)
    assert s.recall == pytest.approx(0.5, abs=0.01)
    assert s.precision == pytest.approx(0.5, abs=0.01)
