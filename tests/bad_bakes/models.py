"""The models that are baked badly: an organic body, a scan, and a hard-surface kit.

Each has a main part on tile 1001 and a second part close to it on tile 1002, both as a dense high
poly and a light low poly with UVs. Low polys of the open meshes are quadric-decimated copies
(package fast-simplification) unwrapped by xatlas; the kit is made here, with hard edges and with
half of its islands mirrored. Everything is drawn from a seed.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import fast_simplification
import numpy as np
import trimesh
import xatlas
from scipy.spatial import cKDTree

from tests.bad_bakes.pieces import Model, Piece, smooth_normals

Array = np.ndarray


def waves(rng: np.random.Generator, size: float, height: float) -> Callable[[Array], Array]:
    """Return a smooth random field over space of RMS `height`, its detail about `size` long."""
    k = rng.normal(size=(32, 3))
    k *= (2 * np.pi / (size * rng.uniform(0.8, 1.6, 32)) / np.linalg.norm(k, axis=1))[:, None]
    phase = rng.uniform(0, 2 * np.pi, 32)

    def at(p: Array) -> Array:
        out = np.zeros(len(p))
        for a, f in zip(k, phase, strict=True):
            out += np.sin(p @ a + f)
        return height * out / 4.0

    return at


def _refined(mesh: trimesh.Trimesh, times: int, relief: Callable[[Array], Array]) -> tuple:
    for _ in range(times):
        mesh = mesh.subdivide()
    p, f = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    return p + relief(p)[:, None] * smooth_normals(p, f), f


def _unwrapped(positions: Array, faces: Array, margin: float, left: float) -> tuple[Array, Array]:
    """Unwrap with xatlas; return corner UVs (F * 3, 2) on the tile that begins at u = `left`."""
    atlas = xatlas.Atlas()
    atlas.add_mesh(positions.astype(np.float32), faces.astype(np.uint32))
    pack = xatlas.PackOptions()
    pack.padding, pack.resolution, pack.bilinear = 6, 512, True
    atlas.generate(pack_options=pack)
    _, index, uv = atlas[0]
    # xatlas keeps the order of the faces and of their corners.
    assert len(index) == len(faces)
    corner = uv[np.asarray(index, np.int64)].reshape(-1, 2).astype(float)
    corner = margin + (1 - 2 * margin) * corner
    return corner + [left, 0.0], corner


def _decimated(positions: Array, faces: Array, target: int) -> tuple[Array, Array]:
    p, f = fast_simplification.simplify(
        positions.astype(np.float32), faces.astype(np.int32), target_count=target
    )
    mesh = trimesh.Trimesh(p, f, process=True)
    mesh.update_faces(mesh.nondegenerate_faces())
    mesh.remove_unreferenced_vertices()
    return np.asarray(mesh.vertices, float), np.asarray(mesh.faces, np.int64)


def _piece(high: tuple[Array, Array], target: int, left: float) -> Piece:
    p, f = _decimated(*high, target)
    uv, _ = _unwrapped(p, f, 0.02, left)
    normal = smooth_normals(p, f)[f].reshape(-1, 3)
    return Piece(p, f, uv, normal, *high)


def _pebble(centre: Array, radius: float, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return a rounded stone: the second part that lies close to the first."""
    ball = trimesh.creation.icosphere(subdivisions=5)
    p = np.asarray(ball.vertices) * [1.0, 0.8, 1.2]
    p += waves(rng, 0.6, 0.025)(p)[:, None] * np.asarray(ball.vertices)
    return centre + radius * p, np.asarray(ball.faces)


def _with_stone(
    name: str, high: tuple[Array, Array], target: int, rng: np.random.Generator
) -> Model:
    """Put a stone beside a mesh of size 2, `gap` away from it."""
    p, _ = high
    gap = 0.06
    radius = 0.22
    # On the side that sticks out most along x, pushed off until the gap is clear.
    tip = p[np.argmax(p[:, 0])]
    stone = _pebble(tip, radius, rng)
    near = cKDTree(p)
    stone = stone[0] + [radius, 0, 0], stone[1]
    # Vertices are far denser than the gap is wide.
    while (short := gap - float(near.query(stone[0])[0].min())) > 1e-3:
        stone = stone[0] + [max(short, 2e-3), 0, 0], stone[1]
    main = _piece(high, target, 0.0)
    other = _piece(stone, 700, 1.0)
    return Model(name, (main, other), 0.035, 0.05, gap)


def _normalised(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    mesh = trimesh.Trimesh(mesh.vertices, mesh.faces, process=True)
    low, high = mesh.bounds
    mesh.apply_translation(-(low + high) / 2)
    mesh.apply_scale(2.0 / float((high - low).max()))
    return mesh


def organic(file: Path, seed: int) -> Model:
    """A smooth animal of Debian's libcgal-demo, subdivided and given a relief."""
    rng = np.random.default_rng([seed, 1])
    high = _refined(_normalised(read_off(file)), 1, waves(rng, 0.09, 0.0022))
    return _with_stone("organic", high, 3000, rng)


def scan(file: Path, seed: int) -> Model:
    """A scanned mesh of Debian's libcgal-demo, as it is."""
    rng = np.random.default_rng([seed, 2])
    mesh = _normalised(read_off(file))
    return _with_stone("scan", (np.asarray(mesh.vertices), np.asarray(mesh.faces)), 3500, rng)


def read_off(file: Path) -> trimesh.Trimesh:
    """Read a mesh in the Object File Format of triangles."""
    tokens = [line.split("#")[0] for line in file.read_text().splitlines()]
    words = " ".join(tokens).split()
    assert words[0] == "OFF", file
    vertices, faces = int(words[1]), int(words[2])
    begin = 4
    p = np.array(words[begin : begin + 3 * vertices], float).reshape(-1, 3)
    rows = np.array(words[begin + 3 * vertices :], np.int64)[: 4 * faces].reshape(-1, 4)
    assert (rows[:, 0] == 3).all(), "triangles only"
    return trimesh.Trimesh(p, rows[:, 1:], process=False)


# The six sides of the kit's block: normal, and the two directions that its UVs run along.
SIDES = [
    ((1, 0, 0), (0, 1, 0), (0, 0, 1)), ((-1, 0, 0), (0, 0, 1), (0, 1, 0)),
    ((0, 1, 0), (0, 0, 1), (1, 0, 0)), ((0, -1, 0), (1, 0, 0), (0, 0, 1)),
    ((0, 0, 1), (1, 0, 0), (0, 1, 0)), ((0, 0, -1), (0, 1, 0), (1, 0, 0)),
]  # fmt: skip
HALF = np.array([1.0, 0.7, 0.5])
ROUND = 0.03


def _block_side(side: int, n: int) -> tuple[Array, Array, Array]:
    """Return (n + 1)^2 places on a side of the unit block, their lattice (0 to 1), and quads."""
    normal, right, up = (np.array(v, float) for v in SIDES[side])
    i, j = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
    lattice = np.stack([i, j], axis=-1).reshape(-1, 2) / n
    p = normal + (2 * lattice[:, :1] - 1) * right + (2 * lattice[:, 1:] - 1) * up
    k = np.arange((n + 1) ** 2).reshape(n + 1, n + 1)
    quads = np.stack([k[:-1, :-1], k[1:, :-1], k[1:, 1:], k[:-1, 1:]], axis=-1).reshape(-1, 4)
    return p, lattice, quads


# Sides of the kit's block whose quads are bent, and by how much (RMS, units): the low poly of a
# panel that bulges. Their normals are smooth within the side, so that it shows how quads are cut.
BENT_SIDES, BEND = (0, 3, 4), 0.012


def _bent(
    rng: np.random.Generator, side: int, p: Array, lattice: Array, quads: Array
) -> tuple[Array, Array]:
    """Move the places within a side in and out; return them and smooth normals (V, 3)."""
    normal = np.array(SIDES[side][0], float)
    within = ((lattice > 1e-9) & (lattice < 1 - 1e-9)).all(axis=1)
    p = p + (within * BEND * rng.normal(size=len(p)))[:, None] * normal
    tris = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    smooth = smooth_normals(p, tris)
    return p, np.where(within[:, None], smooth, normal)


def _kit_block(rng: np.random.Generator) -> Piece:
    positions, faces, uvs, normals, base = [], [], [], [], 0
    n = 5
    bends = np.random.default_rng([int(rng.integers(1 << 31)), 7])
    for side in range(6):
        p, lattice, quads = _block_side(side, n)
        corner = lattice[quads].reshape(-1, 2)
        if side % 2:
            corner = corner * [-1, 1] + [1, 0]  # a mirrored island
        column, row = side % 3, side // 3
        uvs.append(corner * [0.28, 0.42] + [0.03 + 0.325 * column, 0.04 + 0.49 * row])
        p, shade = p * HALF, np.tile(np.array(SIDES[side][0], float), (len(p), 1))
        if side in BENT_SIDES:
            p, shade = _bent(bends, side, p, lattice, quads)
        normals.append(shade[quads].reshape(-1, 3))
        positions.append(p)
        faces.append(quads + base)
        base += len(p)
    p, f = np.concatenate(positions), np.concatenate(faces)
    # One vertex a place: the hard edges are in the normals, as exporters write them.
    _, first, inverse = np.unique(np.round(p, 9), axis=0, return_index=True, return_inverse=True)
    high = _rounded_block(rng)
    return Piece(p[first], inverse.ravel()[f], np.concatenate(uvs), np.concatenate(normals), *high)


def _rounded_block(rng: np.random.Generator) -> tuple[Array, Array]:
    """The block with rounded edges, ribs and rivets, one closed grid of triangles."""
    positions, triangles, base = [], [], 0
    n = 150
    for side in range(6):
        p, _, quads = _block_side(side, n)
        positions.append(p * HALF)
        triangles.append(np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]) + base)
        base += len(p)
    p, f = np.concatenate(positions), np.concatenate(triangles)
    _, first, inverse = np.unique(np.round(p, 9), axis=0, return_index=True, return_inverse=True)
    p, f = p[first], inverse.ravel()[f]
    core = np.clip(p, -(HALF - ROUND), HALF - ROUND)
    out = p - core
    direction = out / np.linalg.norm(out, axis=1, keepdims=True)
    flat = np.isclose(np.abs(direction).max(axis=1), 1.0)
    relief = 0.006 * np.cos(np.pi * np.clip(p[:, 0] * 6, -3, 3)) ** 2
    relief += waves(rng, 0.25, 0.002)(p)
    inner = np.sort(HALF - np.abs(core), axis=1)[:, 1]
    fade = np.clip((inner - ROUND) / 0.05, 0, 1) * flat
    return core + (ROUND + relief * fade)[:, None] * direction, f


def _kit_knob() -> Piece:
    """A drum with a hard rim over the block's top, its cap and wall islands of their own."""
    sides, top, gap, height, radius = 24, float(HALF[2]), 0.06, 0.2, 0.3
    angle = 2 * np.pi * np.arange(sides) / sides
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1) * radius
    z0, z1 = top + gap, top + gap + height
    p = np.concatenate(
        [np.column_stack([ring, np.full(sides, z)]) for z in (z0, z1)] + [[[0, 0, z0], [0, 0, z1]]]
    )
    faces, uvs, normals = [], [], []
    for k in range(sides):
        m = (k + 1) % sides
        for corner in ((k, m, sides + m), (k, sides + m, sides + k)):
            faces.append(corner)
            for c in corner:
                column = k if c % sides == k else k + 1
                uvs.append([1.05 + 0.9 * column / sides, 0.05 + 0.25 * (c >= sides)])
                normals.append([*ring[c % sides] / radius, 0.0])
        for middle, corner, up in (
            (2 * sides, (m, k), -1.0),
            (2 * sides + 1, (sides + k, sides + m), 1.0),
        ):
            faces.append((*corner, middle))
            for c in (*corner, middle):
                at = ring[c % sides] / radius if c < 2 * sides else np.zeros(2)
                # The lower cap is a mirrored copy of the upper one's outline.
                uvs.append(np.array([1.27 if up > 0 else 1.73, 0.65]) + 0.2 * at)
                normals.append([0, 0, up])
    return Piece(
        p, np.array(faces), np.array(uvs, float), np.array(normals, float),
        *_rounded_drum(radius, z0, z1),
    )  # fmt: skip


def _rounded_drum(radius: float, z0: float, z1: float) -> tuple[Array, Array]:
    """The drum turned from a profile with round rims and two grooves in its cap."""
    arc = np.linspace(0, np.pi / 2, 10)
    wall = np.stack([np.full(60, radius), np.linspace(z0 + ROUND, z1 - ROUND, 60)], axis=1)
    cap = np.linspace(radius - ROUND, 0.0, 90)
    dent = 0.006 * (np.cos(12 * np.pi * cap / radius) - 1) / 2
    rim = np.stack([radius - ROUND + ROUND * np.cos(arc), z1 - ROUND + ROUND * np.sin(arc)], axis=1)
    upper = np.stack([cap, z1 + dent * (cap < radius - 2 * ROUND)], axis=1)
    foot = np.stack(
        [radius - ROUND + ROUND * np.cos(arc), z0 + ROUND - ROUND * np.sin(arc)], axis=1
    )[::-1]
    lower = np.stack([cap, np.full(90, z0)], axis=1)[::-1]
    profile = np.concatenate([lower, foot[1:], wall[1:-1], rim, upper[1:]])
    around = 200
    a = 2 * np.pi * np.arange(around) / around
    p = np.stack(
        [
            profile[:, 0][:, None] * np.cos(a),
            profile[:, 0][:, None] * np.sin(a),
            np.repeat(profile[:, 1][:, None], around, axis=1),
        ],
        axis=-1,
    )
    k = np.arange(len(profile) * around).reshape(len(profile), around)
    right = np.roll(k, -1, axis=1)
    quads = np.stack([k[:-1], right[:-1], right[1:], k[1:]], axis=-1).reshape(-1, 4)
    faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    mesh = trimesh.Trimesh(p.reshape(-1, 3), faces, process=True)
    mesh.update_faces(mesh.nondegenerate_faces())
    mesh.remove_unreferenced_vertices()
    return np.asarray(mesh.vertices, float), np.asarray(mesh.faces, np.int64)


def hard_surface(seed: int) -> Model:
    """A block with rounded edges and ribs, and a drum that hovers over it."""
    rng = np.random.default_rng([seed, 3])
    return Model("hard surface", (_kit_block(rng), _kit_knob()), 0.04, 0.05, 0.06)
