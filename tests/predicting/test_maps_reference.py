"""The predicted map against an independent path: other rays, other tangents, other algebra.

Texels are placed by solving for their weights in every UV triangle, rays are cast by libigl on the
raw triangles in double precision, vertex normals come from trimesh (angle-weighted), tangents from
the npm package `mikktspace`, and the frame is inverted by `numpy.linalg.solve`.
"""

from __future__ import annotations

from pathlib import Path

import igl
import numpy as np
import pytest
import trimesh

from cagecheck.maps.encode import quantised
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.predicting.maps.bake import Baker, BakeRule
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.scene import Scene
from tests.maps.test_tangent import needs_node, reference

SIZE, OFFSET, DEPTH = 64, 0.1, 0.1


def low_patch(mirrored: bool) -> LowPoly:
    """A bent sheet of quads with a UV seam down the middle, one half mirrored or not."""
    n = 7
    u, v = np.meshgrid(np.linspace(-1, 1, n), np.linspace(-1, 1, n), indexing="ij")
    rng = np.random.default_rng(4)
    p = np.stack([u, v, 0.4 * np.cos(1.2 * u) * np.cos(0.9 * v)], axis=-1)
    p += 0.02 * rng.normal(size=p.shape)
    index = np.arange(n * n).reshape(n, n)
    quads = np.stack(
        [index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]], axis=-1
    ).reshape(-1, 4)
    uv = np.stack([u, v], axis=-1).reshape(-1, 2)[quads] * 0.45 + 0.5
    right = np.repeat(np.arange(n - 1) >= (n - 1) // 2, n - 1)
    if mirrored:
        uv[right, :, 0] = 1.53 - uv[right, :, 0]
    else:
        uv[right, :, 0] += 0.03
    return prepare_low(mesh_from_polygons(p.reshape(-1, 3), quads, uv=uv.reshape(-1, 2)))


def high_sheet() -> trimesh.Trimesh:
    line = np.linspace(-1.15, 1.15, 140)
    u, v = np.meshgrid(line, line, indexing="ij")
    z = 0.4 * np.cos(1.2 * u) * np.cos(0.9 * v) + 0.02 * np.sin(11 * u) * np.sin(9 * v + 1)
    index = np.arange(140 * 140).reshape(140, 140)
    quads = np.stack(
        [index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]], axis=-1
    ).reshape(-1, 4)
    faces = np.concatenate([quads[:, :3], quads[:, [0, 2, 3]]])
    return trimesh.Trimesh(np.stack([u, v, z], axis=-1).reshape(-1, 3), faces, process=False)


def independent_map(low: LowPoly, high: trimesh.Trimesh, folder: Path) -> tuple[np.ndarray, ...]:
    """Return tangent-space normals and a mask of texels that are safely inside a triangle."""
    assert low.uv is not None
    tangents = reference(
        (low.positions[low.triangles], low.shading_normals, low.uv), folder
    ).astype(float)
    normals = np.asarray(high.vertex_normals)
    out, inside = np.zeros((SIZE, SIZE, 3)), np.zeros((SIZE, SIZE), bool)
    directions = low.ray_normals[low.welded]
    vertices, faces = np.asarray(high.vertices, float), np.asarray(high.faces, np.int64)
    for t in range(len(low.triangles)):
        corners = low.uv[t]
        lower = np.floor(corners.min(axis=0) * SIZE).astype(int)
        upper = np.ceil(corners.max(axis=0) * SIZE).astype(int)
        for x in range(lower[0], upper[0] + 1):
            for y in range(SIZE - 1 - upper[1], SIZE - lower[1]):
                if not (0 <= x < SIZE and 0 <= y < SIZE):
                    continue
                place = np.array([(x + 0.5) / SIZE, 1 - (y + 0.5) / SIZE])
                matrix = np.stack([corners[1] - corners[0], corners[2] - corners[0]], axis=1)
                w = np.linalg.solve(matrix, place - corners[0])
                w = np.array([1 - w.sum(), w[0], w[1]])
                if w.min() < 1e-3:
                    continue
                point = w @ low.positions[low.triangles[t]]
                cage = point + OFFSET * (w @ directions[t])
                along = (point - cage) / np.linalg.norm(point - cage)
                hits = igl.ray_mesh_intersect(cage, along, vertices, faces)
                hits = hits[0] if isinstance(hits, tuple) else hits
                if len(hits) == 0:
                    continue
                face, _, b, c = hits[0][:4]
                corner = normals[faces[int(face)]]
                world = (1 - b - c) * corner[0] + b * corner[1] + c * corner[2]
                world /= np.linalg.norm(world)
                tangent = w @ tangents[t, :, :3]
                normal = w @ low.shading_normals[t]
                bitangent = tangents[t, 0, 3] * np.cross(normal, tangent)
                local = np.linalg.solve(np.stack([tangent, bitangent, normal], axis=1), world)
                out[y, x] = local / np.linalg.norm(local)
                inside[y, x] = True
    return out, inside


@needs_node
@pytest.mark.parametrize("mirrored", [pytest.param(False, marks=pytest.mark.long), True])
def test_every_channel_is_within_one_step_of_the_independent_map(
    mirrored: bool, tmp_path: Path
) -> None:
    low, high = low_patch(mirrored), high_sheet()
    surface = Surface(
        np.asarray(high.vertices, float),
        np.asarray(high.faces, np.int32),
        np.zeros(len(high.faces), np.int32),
    )
    cage = cage_from_offset(low, OFFSET)
    rule = BakeRule(size=SIZE, depth=DEPTH)
    mine = Baker(low, cage, Scene(surface), rule).tile(1001)
    theirs, inside = independent_map(low, high, tmp_path)
    assert inside.sum() > 0.6 * SIZE * SIZE
    assert mine.hit[inside].all()
    steps = np.abs(
        quantised(mine.tangent[inside]).astype(int) - quantised(theirs[inside]).astype(int)
    )
    assert steps.max() <= 1
    assert np.abs(mine.tangent[inside] - theirs[inside]).max() < 1 / 255
    # Far tighter than asked: what is left is single precision.
    assert np.median(np.abs(mine.tangent[inside] - theirs[inside])) < 1e-5
