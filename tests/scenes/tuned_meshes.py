"""Meshes on which offsets are hard to tune: a thin waved cape, a bracket of slivers, a head, scans.

The cape, the bracket and the head are made here; a scan is an open mesh that a registry package
carries (`scripts/fetch_open_meshes.py`). Low polys of the head and the scans are quadric-decimated
copies (package fast-simplification). Everything is drawn from a seed.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh

from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons

Pair = tuple[LowPoly, Surface]

CAPE_SIZE, CAPE_THICKNESS = 1.0, 0.008


def cape(cells: int = 32, finer: int = 5, *, unwrapped: bool = False) -> Pair:
    """A sheet with two sides and a rim, in folds, `CAPE_THICKNESS` thick.

    4,096 low triangles on the two sides with 32 cells. The low poly cuts the folds' crests by about
    the thickness, so the other side of the sheet is never far from where a ray must start.
    """
    return _low(*_sheet(cells, 0.0), unwrapped), _surface(*_sheet(cells * finer, 1.0))


def _sheet(cells: int, wrinkles: float) -> tuple[np.ndarray, np.ndarray]:
    n = cells + 1
    u, v = np.meshgrid(np.linspace(0, 1, n), np.linspace(0, 1, n), indexing="ij")

    def middle(u: np.ndarray, v: np.ndarray) -> np.ndarray:
        # Folds that open downwards, with a thickness of relief on top.
        height = 0.05 * (0.3 + 0.7 * v) * np.sin(2 * np.pi * 5 * u + 1.5 * v) + 0.15 * v * v
        height += wrinkles * 0.3 * CAPE_THICKNESS * np.sin(61 * u + 13 * v) * np.sin(47 * v - 7 * u)
        return np.stack([u, v, height], axis=-1) * CAPE_SIZE

    step = 1e-5
    along = middle(u + step, v) - middle(u - step, v)
    across = middle(u, v + step) - middle(u, v - step)
    normal = np.cross(along, across)
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)
    half = 0.5 * CAPE_THICKNESS * CAPE_SIZE * normal
    p = np.concatenate([(middle(u, v) + half).reshape(-1, 3), (middle(u, v) - half).reshape(-1, 3)])
    i, j = np.meshgrid(np.arange(cells), np.arange(cells), indexing="ij")
    a = (i * n + j).ravel()
    top = np.concatenate([np.stack([a, a + n, a + n + 1], 1), np.stack([a, a + n + 1, a + 1], 1)])
    sides = np.arange(0, cells * n, n), np.arange(cells)
    loop = np.concatenate([sides[0], cells * n + sides[1], n * n - 1 - sides[0], cells - sides[1]])
    after = np.roll(loop, -1)
    under = n * n
    rim = np.concatenate([np.stack([loop, loop + under, after + under], 1),
                          np.stack([loop, after + under, after], 1)])  # fmt: skip
    return p, np.concatenate([top, top[:, ::-1] + under, rim])


def bracket(fine: int = 110, *, unwrapped: bool = False) -> Pair:
    """A hard-surface bracket: two plates at a right angle, bored, with a boss and a rib.

    The low poly is a boolean of coarse solids, as a modeller leaves it: long slivers and triangles
    of next to no area. The high poly is the same solid with its edges rounded, as a level set.
    """
    m = trimesh.creation
    base = m.box((1.0, 0.6, 0.12)).apply_translation((0.5, 0.3, 0.06))
    wall = m.box((0.12, 0.6, 0.7)).apply_translation((0.06, 0.3, 0.35))
    rib = m.box((0.5, 0.08, 0.4)).apply_transform(
        trimesh.transformations.rotation_matrix(np.radians(-38), (0, 1, 0))
    )
    rib.apply_translation((0.24, 0.3, 0.24))
    boss = m.cylinder(0.14, 0.1, sections=13).apply_translation((0.72, 0.3, 0.15))
    bores = [
        m.cylinder(0.07, 1.0, sections=11).apply_translation((0.72, 0.3, 0.1)),
        m.cylinder(0.06, 1.0, sections=9).apply_transform(
            trimesh.transformations.rotation_matrix(np.pi / 2, (0, 1, 0))
        ).apply_translation((0.1, 0.13, 0.55)),
        m.cylinder(0.06, 1.0, sections=9).apply_transform(
            trimesh.transformations.rotation_matrix(np.pi / 2, (0, 1, 0))
        ).apply_translation((0.1, 0.47, 0.55)),
    ]  # fmt: skip
    solid = trimesh.boolean.union([base, wall, rib, boss], engine="manifold")
    solid = trimesh.boolean.difference([solid, *bores], engine="manifold")

    def field(p: np.ndarray) -> np.ndarray:
        def box(centre: tuple, size: tuple, q: np.ndarray = p) -> np.ndarray:
            d = np.abs(q - centre) - np.asarray(size) / 2
            return np.linalg.norm(np.maximum(d, 0), axis=1) + np.minimum(d.max(axis=1), 0)

        def rod(axis: int, centre: tuple, radius: float, half: float) -> np.ndarray:
            others = [k for k in range(3) if k != axis]
            r = np.linalg.norm((p - centre)[:, others], axis=1) - radius
            h = np.abs(p[:, axis] - centre[axis]) - half
            return np.maximum(r, h)

        c, s = np.cos(np.radians(38)), np.sin(np.radians(38))
        q = p - (0.24, 0.3, 0.24)
        # The turn of the low poly's rib, inverted.
        turned = np.stack([c * q[:, 0] + s * q[:, 2], q[:, 1], -s * q[:, 0] + c * q[:, 2]], axis=1)
        out = box((0.5, 0.3, 0.06), (1.0, 0.6, 0.12))
        for other in (
            box((0.06, 0.3, 0.35), (0.12, 0.6, 0.7)),
            box((0, 0, 0), (0.5, 0.08, 0.4), turned),
            rod(2, (0.72, 0.3, 0.15), 0.14, 0.05),
        ):
            out = _smooth_least(out, other, 0.02)
        for bore in (
            rod(2, (0.72, 0.3, 0.1), 0.07, 0.5),
            rod(0, (0.1, 0.13, 0.55), 0.06, 0.5),
            rod(0, (0.1, 0.47, 0.55), 0.06, 0.5),
        ):
            out = -_smooth_least(-out, bore, 0.015)
        return out

    high = _level_set(field, (-0.1, -0.1, -0.1), (1.1, 0.7, 0.8), fine)
    return _low(*_with_slivers(solid, 12), unwrapped), _surface(*high)


def _with_slivers(solid: trimesh.Trimesh, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Put vertices on edges, each cut in on one side only: the other keeps a triangle of no height.

    Rounding leaves such a triangle an area of about 1e-18.
    """
    p, f = np.asarray(solid.vertices), np.asarray(solid.faces)
    longest = np.argsort(-solid.area_faces)[:count]
    share = np.random.default_rng(5).uniform(0.2, 0.8, count)[:, None]
    a, b, c = f[longest].T
    middle = p[a] + share * (p[b] - p[a])
    m = len(p) + np.arange(count)
    cut = [np.stack(x, axis=1) for x in ((a, m, c), (m, b, c), (a, b, m))]
    rest = np.delete(f, longest, axis=0)
    return np.concatenate([p, middle]), np.concatenate([rest, *cut])


def head(triangles: int = 2400, fine: int = 110, *, unwrapped: bool = False) -> Pair:
    """A head-like closed mesh: brow, nose, mouth, sockets, and ears that stand off thinly."""

    def ball(p: np.ndarray, centre: tuple, radii: tuple) -> np.ndarray:
        q = (p - centre) / np.asarray(radii)
        return (np.linalg.norm(q, axis=1) - 1) * min(radii)

    def field(p: np.ndarray) -> np.ndarray:
        p = np.column_stack([np.abs(p[:, 0]), p[:, 1:]])  # two alike halves
        out = ball(p, (0, 0.1, 0.15), (0.62, 0.75, 0.78))
        out = _smooth_least(out, ball(p, (0, -0.35, -0.35), (0.4, 0.4, 0.5)), 0.15)
        out = _smooth_least(out, ball(p, (0, -0.78, -0.12), (0.09, 0.16, 0.2)), 0.05)
        out = _smooth_least(out, ball(p, (0.25, -0.58, 0.2), (0.22, 0.08, 0.06)), 0.08)
        out = _smooth_least(out, ball(p, (0, 0.15, -0.8), (0.3, 0.3, 0.5)), 0.12)
        out = -_smooth_least(-out, ball(p, (0.24, -0.72, 0.05), (0.13, 0.12, 0.09)), 0.04)
        out = -_smooth_least(-out, ball(p, (0, -0.76, -0.5), (0.18, 0.12, 0.02)), 0.02)
        shell = np.maximum(
            np.abs(ball(p, (0.72, 0.15, 0.0), (0.14, 0.2, 0.26))) - 0.018, 0.68 - p[:, 0]
        )
        out = _smooth_least(out, shell, 0.03)
        relief = np.sin(31 * p[:, 0]) * np.sin(29 * p[:, 1] + 1) * np.sin(27 * p[:, 2] + 2)
        return out - 0.004 * relief

    p, f = _level_set(field, (-1.1, -1.2, -1.4), (1.1, 1.1, 1.1), fine)
    return _low(*_decimated(p, f, triangles), unwrapped), _surface(p, f)


def scan(path: Path, triangles: int = 2400, finer: int = 0, *, unwrapped: bool = False) -> Pair:
    """An open mesh as the high poly, cut finer so many times, and its decimated copy as the low."""
    mesh = trimesh.load(path, process=True, force="mesh")
    p, f = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    low = _low(*_decimated(p, f, triangles), unwrapped)
    for _ in range(finer):
        p, f = trimesh.remesh.subdivide(p, f)
    return low, _surface(p, f)


def _smooth_least(a: np.ndarray, b: np.ndarray, width: float) -> np.ndarray:
    """Return the smaller of two distances, blended over a width."""
    h = np.clip(0.5 + 0.5 * (b - a) / width, 0, 1)
    return b + (a - b) * h - width * h * (1 - h)


def _level_set(field, low: tuple, high: tuple, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the zero set of a field over a box, outward where it grows (marching cubes)."""
    import pyvista

    spacing = max(b - a for a, b in zip(low, high, strict=True)) / count
    size = [int(np.ceil((b - a) / spacing)) + 1 for a, b in zip(low, high, strict=True)]
    grid = pyvista.ImageData(dimensions=size, spacing=(spacing,) * 3, origin=low)
    values = field(np.asarray(grid.points, np.float64))
    mesh = grid.contour([0.0], values, method="flying_edges")
    p, f = np.asarray(mesh.points, np.float64), mesh.faces.reshape(-1, 4)[:, 1:]
    whole = trimesh.Trimesh(p, f, process=True)
    whole.update_faces(whole.nondegenerate_faces())
    whole.remove_unreferenced_vertices()
    p, f = np.asarray(whole.vertices), np.asarray(whole.faces)
    return p, f if whole.volume > 0 else f[:, ::-1]


def _decimated(p: np.ndarray, f: np.ndarray, triangles: int) -> tuple[np.ndarray, np.ndarray]:
    import fast_simplification

    q, g = fast_simplification.simplify(
        p.astype(np.float32), f.astype(np.int32), target_count=triangles
    )
    mesh = trimesh.Trimesh(q, g, process=True)
    mesh.update_faces(mesh.nondegenerate_faces())
    mesh.remove_unreferenced_vertices()
    return np.asarray(mesh.vertices, np.float64), np.asarray(mesh.faces, np.int64)


def _low(p: np.ndarray, f: np.ndarray, unwrapped: bool) -> LowPoly:
    """Return a low poly, with UVs by xatlas where wanted."""
    uv = None
    if unwrapped:
        import xatlas

        atlas = xatlas.Atlas()
        atlas.add_mesh(p.astype(np.float32), f.astype(np.uint32))
        pack = xatlas.PackOptions()
        pack.padding, pack.resolution, pack.bilinear = 6, 1024, True
        atlas.generate(pack_options=pack)
        _, index, chart = atlas[0]
        # xatlas keeps the order of the faces and of their corners.
        uv = 0.01 + 0.98 * chart[np.asarray(index, np.int64)].reshape(-1, 2).astype(float)
    return prepare_low(mesh_from_polygons(p, f, uv=uv))


def _surface(p: np.ndarray, f: np.ndarray) -> Surface:
    return Surface(np.asarray(p, np.float64), np.ascontiguousarray(f, np.int32),
                   np.zeros(len(f), np.int32), ("high",))  # fmt: skip
