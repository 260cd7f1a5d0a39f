"""Made-up scenes, clean bakes of them, and faults planted into the maps.

A scene is a dented ball in two charts on tile 1001, and on tile 1002 a shell of two walls that
hangs over it and a ring. Everything is drawn from one seed. Faults are planted as they arise: a
patch of a bake with too large an offset, of the wall behind, of slid rays and so on.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from cagecheck.locating.conventions import TURNS, decode_srgb, encode_srgb
from cagecheck.locating.read_maps import BakedMap
from cagecheck.locating.seam_check import seam_samples
from cagecheck.maps.encode import BasisRule, quantised
from cagecheck.maps.pad import padded
from cagecheck.maps.texels import texel_points
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Mesh, Surface, join_meshes, mesh_from_polygons
from cagecheck.predicting.maps.bake import Baker, BakeRule
from cagecheck.rays.cage import cage_from_offset, rays_through
from cagecheck.rays.scene import Scene

OFFSET, DEPTH, SIZE = 0.08, 0.08, 512
PAIRED = np.eye(3, dtype=bool)
TILES = (1001, 1002)
# Distance between ball and shell, and the shell's thickness: more than OFFSET + detail.
HANG, THICK = 0.22, 0.06
# A careless bake on an open mesh: so many times the offset that is right.
FAR_OFFSET = 30.0


@dataclass(frozen=True, eq=False)
class Scenery:
    """A scene, and how it is baked.

    made_up : it is one of `make_scenery`, whose places for wrong layers are known beforehand.
    """

    low: Mesh
    scene: Scene
    seed: int
    offset: float = OFFSET
    depth: float = DEPTH
    tiles: tuple[int, ...] = TILES
    paired: np.ndarray = field(default_factory=lambda: PAIRED)
    made_up: bool = True


def _waves(rng: np.random.Generator) -> Any:
    """Return a smooth random field over space: detail 8 to 20 texels long."""
    k = rng.normal(size=(24, 3))
    k *= (2 * np.pi / rng.uniform(0.12, 0.3, 24) / np.linalg.norm(k, axis=1))[:, None]
    phase = rng.uniform(0, 2 * np.pi, 24)
    size = 0.35 / np.linalg.norm(k, axis=1) / np.sqrt(12)

    def at(p: np.ndarray) -> np.ndarray:
        out = np.zeros(len(p))
        for a, f, s in zip(k, phase, size, strict=True):
            out += s * np.sin(p @ a + f)
        return out

    return at


def _ball(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    lon, lat = 2 * np.pi * u, np.pi * (0.06 + 0.88 * v - 0.5)
    return np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)


def _shell(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    return (1 + HANG) * _ball(0.05 + 0.2 * u, 0.35 + 0.3 * v)


def _ring(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    a, b = 2 * np.pi * u, 2 * np.pi * v
    across = 0.5 + 0.16 * np.cos(b)
    return np.stack([across * np.cos(a) + 2.2, across * np.sin(a), -0.16 * np.sin(b)], axis=-1)


def _grid(n: int, m: int, around: tuple[bool, bool]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return u, v of (n + 1) x (m + 1) lattice points, vertex numbers (wrapped) and quads."""
    i, j = np.meshgrid(np.arange(n + 1), np.arange(m + 1), indexing="ij")
    number = (i % n if around[0] else i) * (m + 1) + (j % m if around[1] else j)
    a, b = number[:-1, :-1].ravel(), number[1:, :-1].ravel()
    c, d = number[1:, 1:].ravel(), number[:-1, 1:].ravel()
    return np.stack([i / n, j / m], axis=-1).reshape(-1, 2), number, np.stack([a, b, c, d], axis=1)


def _low_part(name, shape, n, m, around, place, rng, jitter):  # type: ignore[no-untyped-def]
    uv, number, quads = _grid(n, m, around)
    p = shape(uv[:, 0], uv[:, 1]) + jitter * rng.normal(size=(len(uv), 3))
    lattice = np.arange((n + 1) * (m + 1)).reshape(n + 1, m + 1)
    corner = np.stack(
        [lattice[:-1, :-1], lattice[1:, :-1], lattice[1:, 1:], lattice[:-1, 1:]], axis=-1
    ).reshape(-1, 4)
    corner_uv = place(uv)[corner]
    if name == "ball_low":
        # Two charts with a gap: the right half is moved aside.
        right = (np.arange(len(quads)) // m) >= n // 2
        corner_uv[right] += [0.06, 0]
    used, local = np.unique(number.ravel()[lattice.ravel()][corner], return_inverse=True)
    return mesh_from_polygons(p[used], local.reshape(-1, 4), uv=corner_uv.reshape(-1, 2), part=name)


def _high_part(shape, n, m, around, waves, walls=(0.0,)):  # type: ignore[no-untyped-def]
    uv, _, quads = _grid(n, m, around)
    # Open borders reach beyond the low poly's.
    for k in range(2):
        if not around[k]:
            uv[:, k] = uv[:, k] * 1.1 - 0.05
    p = shape(uv[:, 0], uv[:, 1])
    eps = 1e-4
    du = shape(uv[:, 0] + eps, uv[:, 1]) - shape(uv[:, 0] - eps, uv[:, 1])
    dv = shape(uv[:, 0], uv[:, 1] + eps) - shape(uv[:, 0], uv[:, 1] - eps)
    normal = np.cross(du, dv)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    tris = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    positions, triangles, base = [], [], 0
    for k, depth in enumerate(walls):
        positions.append(p + (waves(p + 3 * k) - depth)[:, None] * normal)
        triangles.append((tris if k == 0 else tris[:, ::-1]) + base)
        base += len(p)
    return np.concatenate(positions), np.concatenate(triangles)


def make_scenery(seed: int) -> Scenery:
    """Make a scene; the same seed gives the same scene."""
    rng = np.random.default_rng([seed, 17])
    waves = _waves(rng)
    ball = (_ball, (True, False))
    low = join_meshes(
        [
            _low_part("ball_low", *ball[:1], 24, 12, ball[1],
                      lambda t: t * [0.84, 0.9] + [0.05, 0.05], rng, 0.012),
            _low_part("shell_low", _shell, 6, 6, (False, False),
                      lambda t: t * [0.4, 0.4] + [1.05, 0.05], rng, 0.01),
            _low_part("ring_low", _ring, 20, 10, (True, True),
                      lambda t: t * [0.8, 0.38] + [1.05, 0.55], rng, 0.006),
        ]
    )  # fmt: skip
    pieces = [
        _high_part(_ball, 360, 200, (True, False), waves),
        _high_part(_shell, 90, 90, (False, False), waves, (0.0, THICK)),
        _high_part(_ring, 260, 110, (True, True), waves),
    ]
    positions = np.concatenate([p for p, _ in pieces])
    base = np.cumsum([0] + [len(p) for p, _ in pieces])
    triangles = np.concatenate([t + b for (_, t), b in zip(pieces, base, strict=False)])
    part = np.repeat(np.arange(3, dtype=np.int32), [len(t) for _, t in pieces])
    high = Surface(
        positions.astype(np.float64), triangles.astype(np.int32), part,
        ("ball_high", "shell_high", "ring_high"),
    )  # fmt: skip
    return Scenery(low, Scene(high), seed)


CONVENTIONS = (
    "green-flipped",
    "channels-swapped",
    "v-flipped",
    "object-space",
    "srgb",
    "rescaled",
    "banding",
    "rotated",
    "wrong-tile",
    "tangent-basis",
    "triangulation",
)
DEFECTS = (
    "recorded another part",
    "recorded another fold",
    "recorded too deep",
    "missed",
    "skew",
    "seam mismatch",
    "padding too thin",
    "noise",
)


@dataclass(eq=False)
class Plan:
    """Maps in the making: vectors per tile, and where defects went.

    planted : per defect (tile, (H, W) bool) of the texels that it changed visibly.
    """

    scenery: Scenery
    rng: np.random.Generator
    space: str
    bake: dict[int, Any]
    vectors: dict[int, np.ndarray]
    padding: float = 16.0
    planted: dict[str, tuple[int, np.ndarray]] = field(default_factory=dict)


def baked_maps(scenery: Scenery, faults: tuple[str, ...], seed: int) -> tuple[list[BakedMap], Plan]:
    """Bake the scene's maps with the faults in them; also tell where they are."""
    rng = np.random.default_rng([seed, scenery.seed, 5])
    quads = "short" if "triangulation" in faults else "first"
    low = prepare_low(scenery.low, quads=quads)  # type: ignore[arg-type]
    basis = BasisRule()
    if "tangent-basis" in faults:
        basis = (BasisRule("face"), BasisRule("face", "texel", True), BasisRule("averaged", "texel",
                 True))[rng.integers(3)]  # fmt: skip
    size = SIZE
    baker = Baker(low, cage_from_offset(low, scenery.offset), scenery.scene,
                  BakeRule(size=size, depth=scenery.depth, basis=basis))  # fmt: skip
    space = "world" if "object-space" in faults else "tangent"
    tiles = {tile: baker.tile(tile) for tile in scenery.tiles}
    plan = Plan(scenery, rng, space, tiles, {t: getattr(b, space).copy() for t, b in tiles.items()})
    for fault in DEFECTS:
        if fault in faults:
            _plant(plan, baker, fault)
    order = {t: t for t in scenery.tiles}
    if "wrong-tile" in faults:
        order |= {1001: 1002, 1002: 1001}
    turn = int(rng.choice([3, 4, 5]))
    maps = []
    for tile in scenery.tiles:
        values = _values(plan, tile, faults, turn)
        maps.append(BakedMap(Path(f"made_normal.{order[tile]}.png"), order[tile], values, None))
    return maps, plan


def _values(plan: Plan, tile: int, faults: tuple[str, ...], turn: int) -> np.ndarray:
    bake, n = plan.bake[tile], plan.vectors[tile]
    flat = np.array([0, 0, 1.0], np.float32)
    hit = (np.abs(n).max(axis=2) > 0) & bake.covered
    n = padded(np.where(hit[..., None], n, flat), hit, plan.padding)
    if "rescaled" in faults:
        half = n.reshape(SIZE // 2, 2, SIZE // 2, 2, 3).mean(axis=(1, 3))
        place = (np.arange(SIZE) + 0.5) / 2 - 0.5
        y, x = np.meshgrid(place, place, indexing="ij")
        n = np.stack(
            [map_coordinates(half[..., k], [y, x], order=1, mode="nearest") for k in range(3)],
            axis=-1,
        )
        n /= np.linalg.norm(n, axis=2, keepdims=True)
    if "green-flipped" in faults:
        n = n * [1, -1, 1]
    if "channels-swapped" in faults:
        n = n[..., [1, 0, 2]]
    share = (n + 1) / 2
    if "srgb" in faults:
        share = encode_srgb(share) if plan.rng.random() < 0.5 else decode_srgb(share)
    values = quantised(share * 2 - 1, 8)
    if "banding" in faults:
        values = values.astype(np.uint16) * 257
    if "v-flipped" in faults:
        values = values[::-1]
    if "rotated" in faults:
        # Turn `turn` is undone by reading; plant its inverse.
        forward = {3: lambda a: a[::-1, ::-1], 4: lambda a: np.rot90(a, -1),
                   5: lambda a: np.rot90(a, 1)}[turn]  # fmt: skip
        assert TURNS[turn].startswith("rotated")
        values = forward(values)
    return np.ascontiguousarray(values)


def _encoded(plan: Plan, baker: Baker, tile: int, world: np.ndarray) -> np.ndarray:
    """World normals of a tile's texels as the maps hold them, in a picture."""
    t = texel_points(baker.low, SIZE, tile)
    out = np.zeros((SIZE, SIZE, 3), np.float32)
    if plan.space == "world":
        out[t.y, t.x] = world
    else:
        out[t.y, t.x] = baker.basis.encode(t.points.triangle, t.points.barycentric, world)
    return out


def _other_layers(plan: Plan, baker: Baker, tile: int, offset: float, skip: int):  # type: ignore[no-untyped-def]
    """What a bake with another offset (or one that looks past `skip` layers) records."""
    t = texel_points(baker.low, SIZE, tile)
    rays = rays_through(baker.low, baker.cage, t.points)
    start = rays.start * offset / plan.scenery.offset
    far = 50 * plan.scenery.depth
    layers = baker.scene.cast(rays.origin, rays.direction, far, np.maximum(start, 0))
    pick = layers.recorded(start, far) - skip
    inside = pick >= layers.first[:-1]
    face = np.where(inside, layers.face[np.maximum(pick, 0)], -1).astype(np.int32)
    depth = np.where(inside, layers.t[np.maximum(pick, 0)], 0.0)
    place = rays.origin + depth[:, None] * rays.direction
    part = np.where(face >= 0, baker.scene.surface.triangle_part[face], -1)
    picture = _encoded(plan, baker, tile, baker.shading.at(face, place))
    numbers = np.full((SIZE, SIZE), -1)
    numbers[t.y, t.x] = part
    return picture, numbers


def _disc(plan: Plan, tile: int, where: np.ndarray, radius: float) -> np.ndarray:
    rows, columns = np.nonzero(where)
    k = plan.rng.integers(len(rows))
    y, x = np.mgrid[:SIZE, :SIZE]
    return np.hypot(y - rows[k], x - columns[k]) <= radius


def _well_inside(mask: np.ndarray, steps: int) -> np.ndarray:
    from scipy.ndimage import binary_erosion

    return binary_erosion(mask, iterations=steps)


def _plant(plan: Plan, baker: Baker, fault: str) -> None:
    rng = plan.rng
    if fault == "padding too thin":
        plan.padding = float(rng.integers(0, 2))
        plan.planted[fault] = (1001, np.zeros((SIZE, SIZE), bool))
        return
    known = {
        "recorded another part": 1001,
        "recorded another fold": 1002,
        "recorded too deep": 1002,
    }
    tile = int(rng.choice(plan.scenery.tiles))
    if plan.scenery.made_up:
        tile = known.get(fault, tile)
    elif fault in known:
        _plant_layer(plan, baker, fault)
        return
    before = plan.vectors[tile].copy()
    free = plan.bake[tile].hit.copy()
    for other_tile, mask in plan.planted.values():
        if other_tile == tile:
            free &= ~_grown(mask, 40)
    radius = float(rng.uniform(14, 26))
    if fault in ("recorded another part", "recorded another fold"):
        part = 0 if tile == 1001 else 2
        picture, numbers = _other_layers(plan, baker, tile, 0.4 if tile == 1001 else 1.4, 0)
        wanted = numbers == 1 if tile == 1001 else numbers == 2
        wanted &= (plan.bake[tile].part == part) & free
        wanted &= np.abs(picture - before).max(axis=2) > 0.1
        patch = _disc(plan, tile, _well_inside(wanted, 8), radius) & wanted
        plan.vectors[tile][patch] = picture[patch]
    elif fault == "recorded too deep":
        picture, _ = _other_layers(plan, baker, tile, OFFSET, 1)
        wanted = (plan.bake[tile].part == 1) & free & (np.abs(picture).max(axis=2) > 0)
        patch = _disc(plan, tile, _well_inside(wanted, 12), radius) & wanted
        plan.vectors[tile][patch] = picture[patch]
    elif fault == "missed":
        patch = _disc(plan, tile, _well_inside(free, 10), radius) & free
        plan.vectors[tile][patch] = 0
    elif fault == "skew":
        patch = _disc(plan, tile, _well_inside(free, 34), radius) & free
        _slide(plan, baker, tile, patch)
    elif fault == "noise":
        patch = _disc(plan, tile, _well_inside(free, 10), radius) & free
        n = plan.vectors[tile][patch] + np.tan(np.radians(12)) * rng.normal(size=(patch.sum(), 3))
        plan.vectors[tile][patch] = n / np.linalg.norm(n, axis=1, keepdims=True)
    else:
        patch = _tilt_at_seam(plan, baker, tile)
    changed = np.abs(plan.vectors[tile] - before).max(axis=2) > 0.08
    plan.planted[fault] = (tile, patch & changed)


def _plant_layer(plan: Plan, baker: Baker, fault: str) -> None:
    """Plant another layer wherever a scene has one: what a bake too far out or in records."""
    far, skip = (plan.scenery.offset, 1) if fault == "recorded too deep" else (FAR_OFFSET, 0)
    found: list[tuple[int, np.ndarray, np.ndarray]] = []
    for tile in plan.rng.permutation(plan.scenery.tiles):
        bake, before = plan.bake[int(tile)], plan.vectors[int(tile)]
        times = far if skip else far * plan.scenery.offset
        picture, numbers = _other_layers(plan, baker, int(tile), times, skip)
        part = texel_points(baker.low, SIZE, int(tile))
        low_part = np.full((SIZE, SIZE), -1)
        low_part[part.y, part.x] = baker.low.triangle_part[part.points.triangle]
        own = plan.scenery.paired[low_part, numbers] & (numbers >= 0) & (low_part >= 0)
        wanted = bake.hit & (numbers >= 0) & (np.abs(picture - before).max(axis=2) > 0.1)
        wanted &= ~own if fault == "recorded another part" else own
        for other_tile, mask in plan.planted.values():
            if other_tile == tile:
                wanted &= ~_grown(mask, 40)
        found.append((int(tile), wanted, picture))
    tile, wanted, picture = max(found, key=lambda f: _well_inside(f[1], 4).sum())
    inside = _well_inside(wanted, 4)
    if inside.sum() < 40:
        raise NowhereError(fault)
    patch = _disc(plan, tile, inside, float(plan.rng.uniform(14, 26))) & wanted
    plan.vectors[tile][patch] = picture[patch]
    plan.planted[fault] = (tile, patch)


class NowhereError(Exception):
    """A scene has no place for a fault."""


def _grown(mask: np.ndarray, steps: int) -> np.ndarray:
    return gaussian_filter(mask.astype(np.float32), steps / 2) > 1e-3


def _slide(plan: Plan, baker: Baker, tile: int, patch: np.ndarray) -> None:
    """Record the neighbourhood's surface: its world normals, a few texels aside."""
    angle = plan.rng.uniform(0, 2 * np.pi)
    step = plan.rng.uniform(3, 7) * np.array([np.sin(angle), np.cos(angle)])
    y, x = np.mgrid[:SIZE, :SIZE].astype(float)
    world = plan.bake[tile].world
    moved = np.stack(
        [map_coordinates(world[..., k], [y - step[0], x - step[1]], order=1) for k in range(3)],
        axis=-1,
    )
    length = np.linalg.norm(moved, axis=2, keepdims=True)
    moved = np.divide(moved, length, out=np.zeros_like(moved), where=length > 0)
    t = texel_points(baker.low, SIZE, tile)
    picture = _encoded(plan, baker, tile, moved[t.y, t.x].astype(float))
    plan.vectors[tile] = np.where(patch[..., None], picture, plan.vectors[tile])


def _tilt_at_seam(plan: Plan, baker: Baker, tile: int) -> np.ndarray:
    """Tilt a strip of texels along one stretch of a seam, on one side of it."""
    samples = seam_samples(baker.low, SIZE)
    rows = np.flatnonzero(samples.tile[:, 0] == tile)
    centre = rows[plan.rng.integers(len(rows))]
    cx, cy = samples.x[centre, 0], samples.y[centre, 0]
    near = rows[np.hypot(samples.x[rows, 0] - cx, samples.y[rows, 0] - cy) < 40]
    marks = np.zeros((SIZE, SIZE), bool)
    marks[samples.y[near, 0], samples.x[near, 0]] = True
    from scipy.ndimage import binary_dilation

    covered = plan.bake[tile].hit
    strip = binary_dilation(marks, iterations=4) & covered
    n = plan.vectors[tile][strip].astype(float)
    axis = plan.rng.normal(size=3) * [1, 1, 0]
    axis /= np.linalg.norm(axis)
    a = np.radians(plan.rng.uniform(18, 30))
    turned = n * np.cos(a) + np.cross(axis, n) * np.sin(a)
    turned += axis * (n @ axis)[:, None] * (1 - np.cos(a))
    plan.vectors[tile][strip] = turned
    return strip
