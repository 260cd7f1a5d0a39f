"""Low-poly pieces: sheets, shells, boxes, balls, rings, cards."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.scenes.families.scene import Piece, as_piece, unit

Surface = Callable[[np.ndarray, np.ndarray], np.ndarray]


def lattice(n: int, m: int, wrap: bool = False) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """u, v in 0..1 of (n + 1) x (m + 1) points ((n x (m + 1) if u wraps), and triangles."""
    columns = n if wrap else n + 1
    u, v = np.meshgrid(np.arange(columns) / n, np.linspace(0, 1, m + 1), indexing="ij")
    i, j = np.meshgrid(np.arange(n), np.arange(m), indexing="ij")
    a, b = i * (m + 1) + j, ((i + 1) % columns) * (m + 1) + j
    quads = np.stack([a, b, b + 1, a + 1], axis=-1).reshape(-1, 4)
    return u.ravel(), v.ravel(), np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])


def surface_normals(surface: Surface, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Unit normals by central differences."""
    eps = 1e-5
    du = surface(u + eps, v) - surface(u - eps, v)
    dv = surface(u, v + eps) - surface(u, v - eps)
    return unit(np.cross(du, dv))


def sheet(surface: Surface, n: int, m: int, wrap: bool = False) -> Piece:
    """An open sheet."""
    u, v, triangles = lattice(n, m, wrap)
    return as_piece(surface(u, v), triangles, closed=False)


def shell(surface: Surface, thickness: float, n: int, m: int, wrap: bool = False) -> Piece:
    """Cloth of a thickness: groups are the outer skin 0, the inner skin 1, the rims 2 and up."""
    u, v, triangles = lattice(n, m, wrap)
    middle, normal = surface(u, v), surface_normals(surface, u, v)
    count = len(u)
    positions = np.concatenate([middle + thickness / 2 * normal, middle - thickness / 2 * normal])
    grid = np.arange(count).reshape(-1, m + 1)
    around = np.append(grid[:, 0], grid[0, 0]) if wrap else grid[:, 0]
    other = np.append(grid[:, -1], grid[0, -1]) if wrap else grid[:, -1]
    rims = [around, other[::-1]]
    if not wrap:
        rims += [grid[-1], grid[0][::-1]]
    faces, group = [triangles, triangles[:, ::-1] + count], [0, 1]
    for k, rim in enumerate(rims):
        a, b = rim[:-1], rim[1:]
        faces.append(np.concatenate([
            np.stack([b, a, a + count], axis=1), np.stack([b, a + count, b + count], axis=1)
        ]))  # fmt: skip
        group.append(2 + k)
    label = np.repeat(group, [len(f) for f in faces])
    field = np.concatenate([middle, middle])
    return as_piece(positions, np.concatenate(faces), label, field=field)


def card(surface: Surface, n: int, m: int, shared: bool) -> Piece:
    """A double-sided card: side 0 faces up, side 1 down, over the same places.

    shared: both sides use the same vertices, so that averaged normals cancel.
    """
    u, v, triangles = lattice(n, m)
    positions = surface(u, v)
    back = triangles[:, ::-1] + (0 if shared else len(positions))
    if not shared:
        positions = np.concatenate([positions, positions])
    label = np.repeat([0, 1], len(triangles))
    return as_piece(
        positions, np.concatenate([triangles, back]), label, closed=False, by_group=True
    )


def box(n: tuple[int, int, int], size: tuple[float, float, float]) -> Piece:
    """A closed box around the origin, one group a side."""
    positions, faces, label, base = [], [], [], 0
    for axis in range(3):
        for side in (-1, 1):
            p, q = ((axis + 1) % 3, (axis + 2) % 3)[::side]
            u, v, triangles = lattice(n[p], n[q])
            place = np.empty((len(u), 3))
            place[:, axis], place[:, p], place[:, q] = side / 2, u - 0.5, v - 0.5
            positions.append(place)
            faces.append(triangles + base)
            label.append(np.full(len(triangles), len(label)))
            base += len(place)
    everywhere = np.concatenate(positions)
    key = np.round(everywhere * 1e9).astype(np.int64)
    _, first, vertex = np.unique(key, axis=0, return_index=True, return_inverse=True)
    return as_piece(
        everywhere[first] * np.asarray(size), vertex.ravel()[np.concatenate(faces)],
        np.concatenate(label),
    )  # fmt: skip


def ball(n: int, radii: tuple[float, float, float] = (0.5, 0.5, 0.5)) -> Piece:
    """A closed ellipsoid: a box of n x n squares a side, blown up; one group."""
    cube = box((n, n, n), (2.0, 2.0, 2.0))
    # Evenly in angle (the tangent of equal angles), so that squares come out about alike.
    positions = unit(np.tan(cube.positions * np.pi / 4)) * np.asarray(radii)
    return as_piece(positions, cube.triangles)


def ring(n: int, m: int, radius: float = 0.4, tube: float = 0.12) -> Piece:
    """A closed torus around z."""
    i, j = np.meshgrid(np.arange(n), np.arange(m), indexing="ij")
    a, b = 2 * np.pi * i.ravel() / n, 2 * np.pi * j.ravel() / m
    across = radius + tube * np.cos(b)
    positions = np.stack([across * np.cos(a), across * np.sin(a), tube * np.sin(b)], axis=1)
    p, q = (i * m + j).ravel(), (((i + 1) % n) * m + j).ravel()
    r, s = (((i + 1) % n) * m + (j + 1) % m).ravel(), (i * m + (j + 1) % m).ravel()
    return as_piece(
        positions, np.concatenate([np.stack([p, q, r], axis=1), np.stack([p, r, s], axis=1)])
    )


def placed(piece: Piece, turn: np.ndarray, shift: np.ndarray) -> Piece:
    """The piece turned and shifted."""
    return Piece(
        piece.positions @ turn.T + shift, piece.triangles, piece.group,
        piece.field @ turn.T + shift, piece.directions @ turn.T, piece.closed,
    )  # fmt: skip
