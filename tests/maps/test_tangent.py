"""Tangents: corner by corner against the npm package `mikktspace`, and closed forms."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import trimesh

from cagecheck.maps.tangent import corner_tangents, mikktspace
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from tests.paths import NODE

needs_node = pytest.mark.skipif(
    shutil.which("node") is None or not (NODE / "node_modules" / "mikktspace").is_dir(),
    reason="the reference tangents need node and `npm ci` in tests/node",
)
# Both sides work in single precision but add up and call arccos in their own way.
TOLERANCE = 2e-5

Corners = tuple[np.ndarray, np.ndarray, np.ndarray]


def reference(corners: Corners, folder: Path) -> np.ndarray:
    """Return the tangents that the npm package gives, (T, 3, 4)."""
    source, result = folder / "in.bin", folder / "out.bin"
    np.concatenate([np.asarray(a, np.float32).ravel() for a in corners]).tofile(source)
    subprocess.run(["node", NODE / "mikktspace.cjs", source, result], check=True, cwd=NODE)
    return np.fromfile(result, np.float32).reshape(-1, 3, 4)


def agree(corners: Corners, folder: Path) -> None:
    mine, theirs = mikktspace(*corners), reference(corners, folder)
    assert np.array_equal(mine[..., 3], theirs[..., 3])
    assert np.abs(mine - theirs).max() < TOLERANCE


def ball(mirrored: bool, split: bool) -> Corners:
    """A latitude-longitude sphere with a seam, poles of collapsed triangles and turned UVs."""
    n, m = 24, 13
    u, v = np.meshgrid(np.linspace(0, 1, n + 1), np.linspace(0, 1, m + 1))
    lon, lat = 2 * np.pi * u, np.pi * (v - 0.5)
    place = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)
    place[:, -1] = place[:, 0]
    place[0], place[-1] = (0, 0, -1), (0, 0, 1)
    if mirrored:
        u = np.abs(u - 0.5)
    cell = (np.arange(m)[:, None] * (n + 1) + np.arange(n)).ravel()
    tri = np.concatenate(
        [
            np.stack([cell, cell + 1, cell + n + 2], axis=1),
            np.stack([cell, cell + n + 2, cell + n + 1], axis=1),
        ]
    )
    p = place.reshape(-1, 3)[tri]
    normal = p.copy()
    if split:
        face = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
        length = np.linalg.norm(face, axis=1, keepdims=True)
        face = np.divide(face, length, out=np.tile([0.0, 0, 1], (len(face), 1)), where=length > 0)
        hard = p.mean(axis=1)[:, 2] > 0
        normal[hard] = face[hard][:, None]
    return p, normal, np.stack([u, v], axis=-1).reshape(-1, 2)[tri]


@needs_node
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("split", [False, True])
def test_sphere_with_seam_poles_mirror_and_split_normals(
    mirrored: bool, split: bool, tmp_path: Path
) -> None:
    agree(ball(mirrored, split), tmp_path)


def soup(seed: int, vertices: int, triangles: int) -> tuple[Corners, np.ndarray]:
    """Random triangles, with collapsed ones, UVs on a coarse grid and edges of many triangles."""
    rng = np.random.default_rng(seed)
    p, n = rng.normal(size=(2, vertices, 3))
    n /= np.linalg.norm(n, axis=1, keepdims=True)
    t = np.round(rng.random((vertices, 2)) * 8) / 8
    pick = rng.integers(0, vertices, (triangles, 3))
    return (p[pick], n[pick], t[pick]), pick


@needs_node
@pytest.mark.parametrize("seed", range(6))
def test_soup_with_collapsed_triangles_and_flat_uvs(seed: int, tmp_path: Path) -> None:
    agree(soup(seed, 40 + 20 * seed, 300)[0], tmp_path)


@needs_node
def test_crowded_edges_differ_at_most_at_the_last_of_them(tmp_path: Path) -> None:
    # Which two of many triangles at one edge are neighbours is not part of the description. The
    # reference leaves the last run of its edge list unsorted; ours goes by triangle order.
    differing = 0
    for seed in range(8):
        corners, pick = soup(seed, 15, 400)
        gap = np.abs(mikktspace(*corners) - reference(corners, tmp_path)).max(axis=2)
        ends = np.sort(np.stack([pick, np.roll(pick, -1, axis=1)], axis=-1).reshape(-1, 2), axis=1)
        edges, count = np.unique(ends, axis=0, return_counts=True)
        crowded = np.unique(edges[count > 2])
        assert np.isin(pick[gap > TOLERANCE], crowded).all()
        differing += int((gap > TOLERANCE).sum())
    assert differing < 0.02 * 8 * 1200


@needs_node
@pytest.mark.parametrize("profile", ["generic-trigger-squeeze-thumbstick", "generic-hand"])
def test_open_models_with_their_own_normals_and_mirrored_faces(
    profile: str, tmp_path: Path
) -> None:
    # npm @webxr-input-profiles/assets 1.0.20, generic profiles, MIT licence.
    folder = NODE / "node_modules/@webxr-input-profiles/assets/dist/profiles" / profile
    scene = trimesh.load(folder / "left.glb", process=False)
    compared = 0
    for mesh in scene.geometry.values():
        uv = getattr(mesh.visual, "uv", None)
        if uv is None:
            continue
        f = mesh.faces
        agree((mesh.vertices[f], mesh.vertex_normals[f], np.asarray(uv)[f]), tmp_path)
        compared += len(f)
    assert compared > 1000


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("rule", ["mikktspace", "averaged", "face"])
def test_flat_square_gives_the_uv_axes(mirrored: bool, rule: str) -> None:
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float)
    uv = square[:, :2] * [-1 if mirrored else 1, 1] + [1 if mirrored else 0, 0]
    low = prepare_low(mesh_from_polygons(square, [[0, 1, 2, 3]], uv=uv))
    tangent = corner_tangents(low, rule)  # type: ignore[arg-type]
    x = -1 if mirrored else 1
    assert np.allclose(tangent[..., :3], [x, 0, 0], atol=1e-7)
    assert np.all(tangent[..., 3] == x)
    bitangent = tangent[..., 3:] * np.cross(low.shading_normals, tangent[..., :3])
    assert np.allclose(bitangent, [0, 1, 0], atol=1e-7)


def test_flipping_v_turns_the_sign_and_leaves_the_tangent() -> None:
    p, n, t = ball(False, False)
    up, down = mikktspace(p, n, t), mikktspace(p, n, t * [1, -1])
    solid = np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1) > 1e-9
    assert np.allclose(up[solid, :, :3], down[solid, :, :3], atol=1e-5)
    assert np.all(up[solid, :, 3] == -down[solid, :, 3])


def test_order_of_triangles_does_not_matter() -> None:
    p, n, t = ball(True, True)
    order = np.random.default_rng(1).permutation(len(p))
    moved = mikktspace(p[order], n[order], t[order])
    # Collapsed triangles at the poles borrow from whichever neighbour comes first.
    solid = (np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1) > 1e-9)[order]
    assert np.allclose(moved[solid], mikktspace(p, n, t)[order][solid], atol=1e-5)


def test_rules_agree_where_all_triangles_agree_and_differ_on_a_curved_mesh() -> None:
    p, _, t = ball(False, False)
    mesh = mesh_from_polygons(
        p.reshape(-1, 3), np.arange(3 * len(p)).reshape(-1, 3), uv=t.reshape(-1, 2)
    )
    low = prepare_low(mesh)
    standard = corner_tangents(low)
    for rule in ("averaged", "face"):
        other = corner_tangents(low, rule)  # type: ignore[arg-type]
        cosine = np.einsum("tci,tci->tc", standard[..., :3], other[..., :3])
        solid = low.area > 1e-9
        assert np.median(cosine[solid]) > 0.99
        assert cosine[solid].min() < 0.9999
