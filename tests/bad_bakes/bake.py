"""A baker of its own: texels, rays, normals and tangent frames share no code with the package.

Texel centres are placed by solving for their weights in every UV triangle, rays are cast by
embreex's own classes (float32; the hit's weights are computed again in float64), vertex normals are
area-weighted means, tangents come from the npm package `mikktspace` (its author's reference code),
and the frame is inverted as MikkTSpace asks: interpolated, not made orthogonal.
"""

from __future__ import annotations

import subprocess
import tempfile
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
from embreex import rtcore_scene
from embreex.mesh_construction import TriangleMesh
from scipy.ndimage import distance_transform_edt

from tests.bad_bakes.pieces import Model, digest, keep_tangents, known_tangents, smooth_normals
from tests.paths import NODE

Array = np.ndarray
TILES = (1001, 1002)
FLAT = np.array([0.0, 0.0, 1.0])
OCCLUSION_RAYS = 24
# Surface belongs within so many offsets of the low poly; the next crossing of a line is looked for
# so far below the last, as a share of the scene (float32 rounds places in it to 6e-8).
STRAY_REACH, STRAY_STEP = 3.0, 1e-6


@dataclass(frozen=True, eq=False)
class LowSet:
    """The low poly as triangles: corners (T, 3, ...) of positions, UVs, normals, ray directions."""

    position: Array
    uv: Array
    normal: Array
    direction: Array
    part: Array

    @cached_property
    def tangent(self) -> Array:
        """(T, 3, 4) tangents and handedness of the reference, unless they are known."""
        key = digest((self.position, self.normal, self.uv))
        if (known := known_tangents(key)) is not None:
            return known
        with tempfile.TemporaryDirectory() as folder:
            source, result = Path(folder) / "in.bin", Path(folder) / "out.bin"
            arrays = (self.position, self.normal, self.uv)
            np.concatenate([np.asarray(a, np.float32).ravel() for a in arrays]).tofile(source)
            command = ["node", NODE / "mikktspace.cjs", source, result]
            subprocess.run(command, check=True, cwd=NODE)
            found = np.fromfile(result, np.float32).reshape(-1, 3, 4).astype(float)
        keep_tangents(key, found)
        return found


@dataclass(frozen=True, eq=False)
class HighSet:
    """The high poly as triangles: vertices (V, 3), faces (T, 3), normals per vertex, part."""

    position: Array
    face: Array
    normal: Array
    part: Array


@dataclass(frozen=True)
class Settings:
    """How a map is baked.

    offset, depth : world units. along : rays start at the averaged directions ("averaged"), at the
    corner normals ("corner") or at the face's normal ("face"). apart : each part sees its own high
    poly only. samples : per texel and axis. padding : texels. diagonal : how quads are cut,
    from the "first" corner or the "short" way across. space :
    "tangent" or "object". low_normals : "own" or "face" (hard edges everywhere).
    """

    size: int = 512
    offset: float = 0.03
    depth: float = 0.05
    along: str = "averaged"
    apart: bool = True
    samples: int = 1
    padding: int = 16
    diagonal: str = "first"
    space: str = "tangent"
    low_normals: str = "own"


def low_set(model: Model, settings: Settings) -> LowSet:
    """Cut the low poly's polygons and work out its corners."""
    parts = []
    for number, piece in enumerate(model.pieces):
        k = piece.faces.shape[1]
        corner = np.arange(piece.faces.size).reshape(-1, k)
        if k == 4:
            first = np.array([[0, 1, 2], [0, 2, 3]])
            cut = np.repeat(first[None], len(corner), axis=0)
            if settings.diagonal == "short":
                p = piece.positions[piece.faces]
                across = np.linalg.norm(p[:, [2, 3]] - p[:, [0, 1]], axis=2)
                cut[across[:, 1] < across[:, 0]] = [[0, 1, 3], [1, 2, 3]]
            corner = corner[np.arange(len(corner))[:, None, None], cut].reshape(-1, 3)
        vertex = piece.faces.ravel()[corner]
        position = piece.positions[vertex]
        normal = piece.corner_normal[corner]
        face = np.cross(position[:, 1] - position[:, 0], position[:, 2] - position[:, 0])
        face /= np.linalg.norm(face, axis=1, keepdims=True)
        if settings.low_normals == "face":
            normal = np.repeat(face[:, None], 3, axis=1)
        if settings.along == "averaged":
            direction = _averaged(position, vertex, len(piece.positions))
        elif settings.along == "corner":
            direction = normal
        else:
            direction = np.repeat(face[:, None], 3, axis=1)
        parts.append(
            (position, piece.corner_uv[corner], normal, direction, np.full(len(corner), number))
        )
    return LowSet(*(np.concatenate(a) for a in zip(*parts, strict=True)))


def _averaged(position: Array, vertex: Array, count: int) -> Array:
    """Unit directions, one a place: means of the faces' normals by the angle of their corners.

    Thürmer and Wüthrich, "Computing Vertex Normals from Polygonal Facets", JGT 3(1), 1998.
    """
    total = np.zeros((count, 3))
    for k in range(3):
        a, b, c = position[:, k], position[:, (k + 1) % 3], position[:, (k + 2) % 3]
        u, v = b - a, c - a
        normal = np.cross(u, v)
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        cosine = np.einsum("ij,ij->i", u, v)
        cosine /= np.linalg.norm(u, axis=1) * np.linalg.norm(v, axis=1)
        np.add.at(total, vertex[:, k], np.arccos(np.clip(cosine, -1, 1))[:, None] * normal)
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return np.divide(total, length, out=total, where=length > 0)[vertex]


def high_set(model: Model) -> HighSet:
    """Join the high polys of a model."""
    positions, faces, normals, parts, base = [], [], [], [], 0
    for number, piece in enumerate(model.pieces):
        positions.append(piece.high_positions)
        faces.append(piece.high_faces + base)
        normals.append(smooth_normals(piece.high_positions, piece.high_faces))
        parts.append(np.full(len(piece.high_faces), number))
        base += len(piece.high_positions)
    return HighSet(*(np.concatenate(a) for a in (positions, faces, normals, parts)))


class Target:
    """A high poly to shoot at, in its own unit box."""

    def __init__(self, high: HighSet) -> None:
        self.high = high
        self.centre = (high.position.min(axis=0) + high.position.max(axis=0)) / 2
        self.scale = float(np.ptp(high.position, axis=0).max())
        self._scene = rtcore_scene.EmbreeScene(robust=True)
        unit = ((high.position - self.centre) / self.scale).astype(np.float32)
        self._mesh = TriangleMesh(self._scene, unit, high.face.astype(np.int32))

    def first(self, origin: Array, direction: Array, length: Array) -> tuple[Array, Array]:
        """Return the first face on each ray (-1 for none) and its distance (world units)."""
        hit = self._scene.run(
            ((origin - self.centre) / self.scale).astype(np.float32),
            direction.astype(np.float32),
            dists=(length / self.scale).astype(np.float32),
            output=True,
        )
        face = hit["primID"].astype(np.int64)
        distance = np.where(face >= 0, hit["tfar"].astype(float) * self.scale, np.inf)
        return face, distance

    def normal(self, face: Array, place: Array) -> Array:
        """Return unit normals, interpolated over the faces."""
        corner = self.high.position[self.high.face[face]]
        u, v, w = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0], place - corner[:, 0]
        uu, uv, vv = ((a * b).sum(axis=1) for a, b in ((u, u), (u, v), (v, v)))
        wu, wv = (w * u).sum(axis=1), (w * v).sum(axis=1)
        det = np.maximum(uu * vv - uv * uv, 1e-300)
        b, c = (vv * wu - uv * wv) / det, (uu * wv - uv * wu) / det
        weight = np.clip(np.stack([1 - b - c, b, c], axis=1), 0, 1)
        out = (weight[:, :, None] * self.high.normal[self.high.face[face]]).sum(axis=1)
        return out / np.linalg.norm(out, axis=1, keepdims=True)


@dataclass(frozen=True, eq=False)
class Texels:
    """Texel centres of a tile on the low poly: x, y (row 0 on top), triangle, weights."""

    x: Array
    y: Array
    triangle: Array
    weight: Array


def texels_of(low: LowSet, size: int, tile: int, at: tuple[float, float] = (0.5, 0.5)) -> Texels:
    """Place one point of every texel of a tile; of two triangles the first takes a shared edge.

    at : the point, in texels from the lower left corner (the middle by default).
    """
    taken = np.full((size, size), -1, np.int64)
    weights = np.zeros((size, size, 3))
    origin = np.array([(tile - 1001) % 10, (tile - 1001) // 10], float)
    for t in np.flatnonzero(low.part == tile - 1001):
        corner = (low.uv[t] - origin) * size
        lower = np.maximum(np.floor(corner.min(axis=0) - 1).astype(int), 0)
        upper = np.minimum(np.ceil(corner.max(axis=0) + 1).astype(int), size)
        if (upper <= lower).any():
            continue
        gx, gy = np.meshgrid(np.arange(lower[0], upper[0]), np.arange(lower[1], upper[1]))
        place = np.stack([gx.ravel() + at[0], gy.ravel() + at[1]], axis=1)
        edge = np.stack([corner[1] - corner[0], corner[2] - corner[0]], axis=1)
        if abs(np.linalg.det(edge)) < 1e-12:
            continue
        bc = np.linalg.solve(edge, (place - corner[0]).T).T
        w = np.column_stack([1 - bc.sum(axis=1), bc])
        inside = (w >= -1e-9).all(axis=1)
        x, y = gx.ravel()[inside], size - 1 - gy.ravel()[inside]
        free = taken[y, x] < 0
        taken[y[free], x[free]] = t
        weights[y[free], x[free]] = w[inside][free]
    y, x = np.nonzero(taken >= 0)
    return Texels(x, y, taken[y, x], weights[y, x])


@dataclass(eq=False)
class Bake:
    """A baked tile: world normals (H, W, 3), zero where nothing was recorded; covered, hit, part.

    height : what was recorded, world units above the low poly, place : (H, W, 3) where that was;
    NaN for nothing.
    """

    tile: int
    world: Array
    vector: Array
    covered: Array
    hit: Array
    part: Array
    height: Array
    place: Array


class Oven:
    """Bakes a model. `high` may be another high poly than the model's own."""

    def __init__(self, model: Model, high: HighSet | None = None) -> None:
        self.model = model
        self.high = high or high_set(model)
        self._targets: dict[int, Target] = {}
        self._placed: dict[tuple, Texels] = {}

    def target(self, part: int) -> Target:
        """The high poly that rays meet; part -1 : all of it."""
        if part not in self._targets:
            chosen = self.high.part == part if part >= 0 else np.ones(len(self.high.part), bool)
            self._targets[part] = Target(
                replace(self.high, face=self.high.face[chosen], part=self.high.part[chosen])
            )
        return self._targets[part]

    def bake(self, settings: Settings, tile: int) -> Bake:
        """Bake one tile: one sample in the middle of every texel, or an even lattice of them."""
        k = settings.samples
        at = [(np.arange(k)[i] + 0.5) / k for i in range(k)]
        middle = k // 2
        out: Bake | None = None
        for column in range(k):
            for row in range(k):
                one = self._bake_at(settings, tile, (at[column], at[row]))
                out = _added(out, one, (column, row) == (middle, middle))
        assert out is not None
        return out if k == 1 else _mean(out)

    def _bake_at(self, settings: Settings, tile: int, at: tuple[float, float]) -> Bake:
        low, size = low_set(self.model, settings), settings.size
        key = (settings.diagonal, size, tile, at)
        t = self._placed.get(key)
        if t is None:
            t = texels_of(low, size, tile, at)
            if at == (0.5, 0.5):
                self._placed[key] = t
        w = t.weight[:, :, None]
        place = (w * low.position[t.triangle]).sum(axis=1)
        push = (w * low.direction[t.triangle]).sum(axis=1) * settings.offset
        reach = np.linalg.norm(push, axis=1)
        inward = -push / np.maximum(reach, 1e-300)[:, None]
        target = self.target(tile - 1001 if settings.apart else -1)
        face, distance = target.first(place + push, inward, reach + settings.depth)
        hit = face >= 0
        world = np.zeros_like(place)
        at = (place + push)[hit] + distance[hit, None] * inward[hit]
        world[hit] = target.normal(face[hit], at)
        vector = world.copy()
        if settings.space == "tangent":
            vector[hit] = self.encode(low, t, world)[hit]
        shape = (size, size)
        out = Bake(
            tile, np.zeros((*shape, 3)), np.zeros((*shape, 3)), np.zeros(shape, bool),
            np.zeros(shape, bool), np.full(shape, -1), np.full(shape, np.nan),
            np.full((*shape, 3), np.nan),
        )  # fmt: skip
        out.world[t.y, t.x], out.vector[t.y, t.x] = world, vector
        out.covered[t.y, t.x], out.hit[t.y, t.x] = True, hit
        part = np.full(len(face), -1)
        part[hit] = target.high.part[face[hit]]
        out.part[t.y, t.x] = part
        out.height[t.y, t.x] = np.where(hit, reach - distance, np.nan)
        out.place[t.y[hit], t.x[hit]] = at
        return out

    def strays(self, settings: Settings, bake: Bake, x: Array, y: Array) -> Array:
        """Tell (N,) which texels recorded nothing, or not the front nearest to the low poly.

        bake : of one sample a texel; x, y : (N,) covered texels. Every crossing of the texel's line
        counts, from `STRAY_REACH` offsets above the low poly to as far below it.
        """
        low = low_set(self.model, settings)
        t = texels_of(low, settings.size, bake.tile)
        row = np.full((settings.size, settings.size), -1)
        row[t.y, t.x] = np.arange(len(t.x))
        mine = row[y, x]
        w = t.weight[mine][:, :, None]
        place = (w * low.position[t.triangle[mine]]).sum(axis=1)
        outward = (w * low.direction[t.triangle[mine]]).sum(axis=1)
        outward /= np.maximum(np.linalg.norm(outward, axis=1), 1e-300)[:, None]
        target = self.target(bake.tile - 1001 if settings.apart else -1)
        reach = STRAY_REACH * settings.offset
        step = STRAY_STEP * target.scale
        at, nearest = np.full(len(x), reach), np.full(len(x), np.inf)
        going = np.arange(len(x))
        while len(going):
            start = place[going] + at[going, None] * outward[going]
            face, distance = target.first(start, -outward[going], at[going] + reach)
            going, face, distance = (a[face >= 0] for a in (going, face, distance))
            height = at[going] - distance
            p = target.high.position[target.high.face[face]]
            front = (np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]) * outward[going]).sum(
                axis=1
            ) > 0
            nearer = front & (np.abs(height) < np.abs(nearest[going]))
            nearest[going[nearer]] = height[nearer]
            at[going] = height - step
        # Heights of one crossing from two starts differ by float32 rounding of the unit box.
        same = np.abs(bake.height[y, x] - nearest) <= step
        return ~(bake.hit[y, x] & same)

    def occlusion(self, bake: Bake, reach: float, rng: np.random.Generator, apart: bool) -> Array:
        """Return (H, W) how much of the sky over what was recorded is open, weighted by cosine.

        reach : farther surface keeps no light off, world units. apart : only the part's own does.
        """
        out = np.zeros(bake.hit.shape)
        y, x = np.nonzero(bake.hit)
        normal, place = bake.world[y, x], bake.place[y, x]
        aside = np.cross(
            normal, np.where(np.abs(normal[:, :1]) < 0.9, [[1.0, 0, 0]], [[0, 1.0, 0]])
        )
        aside /= np.linalg.norm(aside, axis=1, keepdims=True)
        across = np.cross(normal, aside)
        target = self.target(bake.tile - 1001 if apart else -1)
        open_sky = np.zeros(len(y))
        for _ in range(OCCLUSION_RAYS):
            # Malley's method: a disc lifted to the hemisphere is weighted by cosine.
            r, a = np.sqrt(rng.random(len(y))), 2 * np.pi * rng.random(len(y))
            up = np.sqrt(1 - r * r)
            away = (r * np.cos(a))[:, None] * aside + (r * np.sin(a))[:, None] * across
            away += up[:, None] * normal
            start = place + 1e-4 * target.scale * normal
            face, _ = target.first(start, away, np.full(len(y), reach))
            open_sky += face < 0
        out[y, x] = open_sky / OCCLUSION_RAYS
        return out

    def encode(self, low: LowSet, t: Texels, world: Array) -> Array:
        """Take world normals into the interpolated frames of the texels; unit vectors."""
        w = t.weight[:, :, None]
        tangent = low.tangent[t.triangle]
        along = (w * tangent[..., :3]).sum(axis=1)
        normal = (w * low.normal[t.triangle]).sum(axis=1)
        across = tangent[:, 0, 3:] * np.cross(normal, along)
        frame = np.stack([along, across, normal], axis=2)
        bad = np.abs(np.linalg.det(frame)) < 1e-9
        frame[bad] = np.eye(3)
        local = np.linalg.solve(frame, world[..., None])[..., 0]
        length = np.linalg.norm(local, axis=1, keepdims=True)
        return np.divide(local, length, out=np.zeros_like(local), where=length > 0)


def _added(total: Bake | None, one: Bake, middle: bool) -> Bake:
    """Add one sample of every texel to those before; middle : its part and height are kept."""
    if total is None:
        return one
    total.world += one.world
    total.vector += one.vector
    total.covered |= one.covered
    total.hit |= one.hit
    if middle:
        total.part, total.height = one.part, one.height
    return total


def _mean(total: Bake) -> Bake:
    """Make sums of unit vectors unit length: the mean over the samples that recorded something."""
    for vectors in (total.world, total.vector):
        length = np.linalg.norm(vectors, axis=2, keepdims=True)
        np.divide(vectors, length, out=vectors, where=length > 0)
    return total


def filled(vector: Array, hit: Array, padding: float) -> Array:
    """Return vectors with everything within `padding` of a recorded texel filled, else flat."""
    out = np.where(hit[..., None], vector, FLAT)
    distance, (y, x) = distance_transform_edt(~hit, return_indices=True)
    near = (distance <= padding) & ~hit
    out[near] = vector[y[near], x[near]]
    return out


def eight_bits(vector: Array) -> Array:
    """Return (…, 3) uint8: a component from -1 to 1 as 0 to 255, to the nearest."""
    return np.rint(np.clip((vector + 1) / 2, 0, 1) * 255).astype(np.uint8)
