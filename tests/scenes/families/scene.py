"""A scene whose truth is known because of how it was made.

The high poly is the low poly cut finely and moved along the low poly's own directions:

    high(p) = p + h(p) D(p)

for p on the low poly, D the blend of its corner normals. The ray through p runs along D(p), so the
surface that belongs to p is crossed at h(p) |D(p)| and nowhere else, however thin the shell,
whatever lies around it. Every corner of a high triangle remembers its p (its *home*), every high
triangle the face group of the low poly that it was made from. Nothing here comes from `cagecheck`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

# height(place, group, window): place (M, 3) where fields are asked, group (M,), window (M,) in
# 0..1, zero on borders between groups. Returns (M,) heights.
Height = Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray]
# Groups whose faces look this far apart over a shared edge are the two sides of one card.
OPPOSITE = -0.9
# A mean this short is nothing but rounding.
NOUGHT = 1e-9
# A group that belongs to no low poly.
NO_GROUP = -1


@dataclass(frozen=True, eq=False)
class Piece:
    """A connected piece of low poly.

    positions (V, 3), triangles (T, 3), group (T,) of faces that form one side; field (V, 3) places
    that heights are asked at, so that both skins of a cloth can be moved alike; directions
    (T, 3, 3) of the corners; closed: it bounds a volume.
    """

    positions: np.ndarray
    triangles: np.ndarray
    group: np.ndarray
    field: np.ndarray
    directions: np.ndarray
    closed: bool


@dataclass(frozen=True, eq=False)
class FamilyScene:
    """A low and a high poly with labels, and how they are baked.

    low_group (T,), high_group (H,): the label of every triangle; `NO_GROUP` belongs to none.
    akin (G, G) bool: groups that meet at an edge of the low poly (the two sides of a card do not).
    low_piece (T,), high_piece (H,): pieces; closed (pieces,) bool.
    home (H, 3, 3): the low-poly places that the corners of every high triangle were made from.
    cell: length of a high-poly cell on the low poly; slack: how far noise moves corners sideways.
    blame: "low" or "high" where one of them is inside out as a whole.
    whole: the same scene without its planted hole, dirt or turned patch.
    fault: what was planted, in a word.
    """

    family: str
    seed: int
    low_positions: np.ndarray
    low_triangles: np.ndarray
    low_part: np.ndarray
    low_group: np.ndarray
    low_piece: np.ndarray
    high_positions: np.ndarray
    high_triangles: np.ndarray
    high_part: np.ndarray
    high_group: np.ndarray
    high_piece: np.ndarray
    home: np.ndarray
    akin: np.ndarray
    closed: np.ndarray
    low_names: tuple[str, ...]
    high_names: tuple[str, ...]
    paired: np.ndarray
    offset: float
    depth: float
    cell: float
    slack: float = 0.0
    blame: str = ""
    fault: str = "none"
    whole: FamilyScene | None = None

    def size(self) -> float:
        """Diagonal of the low poly's box."""
        return float(np.linalg.norm(np.ptp(self.low_positions, axis=0)))


def unit(vectors: np.ndarray) -> np.ndarray:
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return vectors / np.where(length > 0, length, 1)


def face_normals(positions: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    p = positions[triangles]
    return unit(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]))


def angle_weighted(
    positions: np.ndarray, triangles: np.ndarray, group: np.ndarray | None = None
) -> np.ndarray:
    """(T, 3, 3) unit corner normals: angle-weighted means over each vertex.

    Thuermer and Wuethrich, "Computing vertex normals from polygonal facets", 1998. With `group`
    only faces of the corner's own group count. Zero where they cancel.
    """
    p = positions[triangles]
    normal = face_normals(positions, triangles)
    key = triangles if group is None else triangles + len(positions) * group[:, None]
    total, angles = np.zeros((int(key.max()) + 1, 3)), np.zeros(int(key.max()) + 1)
    for k in range(3):
        u, v = unit(p[:, (k + 1) % 3] - p[:, k]), unit(p[:, (k + 2) % 3] - p[:, k])
        angle = np.arccos(np.clip(np.einsum("ij,ij->i", u, v), -1, 1))
        np.add.at(total, key[:, k], angle[:, None] * normal)
        np.add.at(angles, key[:, k], angle)
    total[np.linalg.norm(total, axis=1) < NOUGHT * angles] = 0
    return unit(total)[key]


def as_piece(
    positions: np.ndarray,
    triangles: np.ndarray,
    group: np.ndarray | None = None,
    *,
    field: np.ndarray | None = None,
    closed: bool = True,
    by_group: bool = False,
) -> Piece:
    """Make a piece. by_group: every group has directions of its own (the sides of a card)."""
    triangles = np.asarray(triangles, np.int64)
    group = np.zeros(len(triangles), np.int64) if group is None else np.asarray(group, np.int64)
    directions = angle_weighted(positions, triangles, group if by_group else None)
    return Piece(
        positions, triangles, group, positions if field is None else field, directions, closed
    )


def border_window(piece: Piece) -> np.ndarray:
    """(V,) 0 at vertices where groups meet or the piece ends, else 1."""
    window = np.ones(len(piece.positions))
    least = np.full(len(piece.positions), np.iinfo(np.int64).max)
    most = np.full(len(piece.positions), -1)
    for k in range(3):
        np.minimum.at(least, piece.triangles[:, k], piece.group)
        np.maximum.at(most, piece.triangles[:, k], piece.group)
    window[least != most] = 0
    ends = np.sort(piece.triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    edges, count = np.unique(ends, axis=0, return_counts=True)
    window[edges[count == 1].ravel()] = 0
    return window


@dataclass(frozen=True, eq=False)
class Raised:
    """A high poly made from a piece: positions, triangles, group, home (H, 3, 3)."""

    positions: np.ndarray
    triangles: np.ndarray
    group: np.ndarray
    home: np.ndarray


def raised(
    piece: Piece,
    cuts: int,
    height: Height,
    *,
    window: np.ndarray | None = None,
    apart: bool = False,
) -> Raised:
    """Cut every triangle into `cuts` squared and move the corners by `height`.

    apart: groups share no vertices (the sides of a card).
    """
    lattice = [(i, j, cuts - i - j) for i in range(cuts + 1) for j in range(cuts + 1 - i)]
    number = {ij[:2]: k for k, ij in enumerate(lattice)}
    small = []
    for i in range(cuts):
        for j in range(cuts - i):
            a, b, c = number[i, j], number[i + 1, j], number[i, j + 1]
            small.append((a, b, c))
            if i + j < cuts - 1:
                small.append((b, number[i + 1, j + 1], c))
    weights = np.array(lattice)
    count, per = len(piece.triangles), len(lattice)
    key = np.zeros((count, per, 5), np.int64)
    key[..., 4] = piece.group[:, None] if apart else 0
    for m, w in enumerate(weights):
        used = np.flatnonzero(w)
        corner = piece.triangles[:, used]
        if len(used) == 1:
            key[:, m, 1] = corner[:, 0]
        elif len(used) == 2:
            first = corner[:, 0] < corner[:, 1]
            key[:, m, 0] = 1
            key[:, m, 1], key[:, m, 2] = corner.min(axis=1), corner.max(axis=1)
            key[:, m, 3] = np.where(first, w[used[0]], w[used[1]])
        else:
            key[:, m, 0], key[:, m, 1], key[:, m, 2] = 2, np.arange(count), m
    _, first, vertex = np.unique(key.reshape(-1, 5), axis=0, return_index=True, return_inverse=True)
    vertex = vertex.reshape(count, per)
    of, at = np.divmod(first, per)
    share = weights[at] / cuts
    corner = piece.triangles[of]

    def blend(values: np.ndarray) -> np.ndarray:
        return np.einsum("mk,mk...->m...", share, values)

    window = border_window(piece) if window is None else window
    home = blend(piece.positions[corner])
    inside = blend(window[corner])
    inside = inside * inside * (3 - 2 * inside)
    h = height(blend(piece.field[corner]), piece.group[of], inside)
    positions = home + h[:, None] * blend(piece.directions[of])
    triangles = vertex[:, small].reshape(-1, 3)
    return Raised(positions, triangles, np.repeat(piece.group, len(small)), home[triangles])


@dataclass
class Builder:
    """Collects pieces into a scene."""

    family: str
    seed: int
    rows: list[tuple[Piece | None, Raised | None, int, int, bool]] = field(default_factory=list)
    cells: list[float] = field(default_factory=list)

    def add(
        self,
        piece: Piece,
        cuts: int,
        height: Height,
        *,
        part: int = 0,
        low: bool = True,
        high: bool = True,
        window: np.ndarray | None = None,
        apart: bool = False,
    ) -> None:
        """Add a piece; low, high: it is in that mesh. Without its low it belongs to nothing."""
        up = raised(piece, cuts, height, window=window, apart=apart) if high else None
        self.rows.append((piece if low else None, up, part, int(piece.group.max()) + 1,
                          piece.closed))  # fmt: skip
        p = piece.positions[piece.triangles]
        self.cells.append(float(np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2).max()) / cuts)

    def scene(
        self,
        offset: float,
        depth: float,
        *,
        names: tuple[str, ...] = ("body",),
        paired: np.ndarray | None = None,
        slack: float = 0.0,
    ) -> FamilyScene:
        lows: list[list[np.ndarray]] = [[] for _ in range(5)]
        highs: list[list[np.ndarray]] = [[] for _ in range(6)]
        low_base = high_base = group_base = 0
        for number, (piece, up, part, groups, _) in enumerate(self.rows):
            if piece is not None:
                n = len(piece.triangles)
                for into, value in zip(
                    lows,
                    (piece.positions, piece.triangles + low_base, np.full(n, part),
                     piece.group + group_base, np.full(n, number)),
                    strict=True,
                ):  # fmt: skip
                    into.append(value)
                low_base += len(piece.positions)
            if up is not None:
                n = len(up.triangles)
                label = up.group + group_base if piece is not None else np.full(n, NO_GROUP)
                for into, value in zip(
                    highs,
                    (up.positions, up.triangles + high_base, np.full(n, part), label,
                     np.full(n, number), up.home),
                    strict=True,
                ):  # fmt: skip
                    into.append(value)
                high_base += len(up.positions)
            group_base += groups
        low = [np.concatenate(x) for x in lows]
        high = [np.concatenate(x) for x in highs]
        return FamilyScene(
            self.family, self.seed, low[0], low[1], low[2], low[3], low[4],
            high[0], high[1], high[2], high[3], high[4], high[5],
            akin_groups(low[0], low[1], low[3], group_base),
            np.array([row[4] for row in self.rows]),
            tuple(f"{name}_low" for name in names), tuple(f"{name}_high" for name in names),
            np.eye(len(names), dtype=bool) if paired is None else paired,
            offset, depth, max(self.cells), slack,
        )  # fmt: skip


def akin_groups(
    positions: np.ndarray, triangles: np.ndarray, group: np.ndarray, count: int
) -> np.ndarray:
    """(count, count) bool: the same group, or groups that meet at an edge without turning back."""
    akin = np.eye(count, dtype=bool)
    normal = face_normals(positions, triangles)
    ends = np.sort(triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    face = np.repeat(np.arange(len(triangles)), 3)
    order = np.lexsort(ends.T)
    ends, face = ends[order], face[order]
    same = np.flatnonzero((ends[1:] == ends[:-1]).all(axis=1))
    a, b = face[same], face[same + 1]
    meets = np.einsum("ij,ij->i", normal[a], normal[b]) > OPPOSITE
    akin[group[a[meets]], group[b[meets]]] = True
    return akin | akin.T


def rotation(rng: np.random.Generator) -> np.ndarray:
    """A turn drawn evenly: the unit quaternion of four normal numbers (Muller 1959)."""
    w, x, y, z = unit(rng.normal(size=4))
    return np.array([
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ])  # fmt: skip


def moved(scene: FamilyScene, turn: np.ndarray, scale: float, shift: np.ndarray) -> FamilyScene:
    """The scene turned, scaled and shifted; its lengths follow."""

    def place(p: np.ndarray) -> np.ndarray:
        return scale * (p @ turn.T) + shift

    return replace(
        scene,
        low_positions=place(scene.low_positions),
        high_positions=place(scene.high_positions),
        home=place(scene.home),
        offset=scale * scene.offset,
        depth=scale * scene.depth,
        cell=scale * scene.cell,
        slack=scale * scene.slack,
        whole=None if scene.whole is None else moved(scene.whole, turn, scale, shift),
    )


def posed(scene: FamilyScene, rng: np.random.Generator) -> FamilyScene:
    """The scene in a drawn pose: any turn, 1/100 to 100 times the size, some sizes away."""
    scale = 10 ** rng.uniform(-2, 2)
    return moved(scene, rotation(rng), scale, scale * rng.uniform(-3, 3, 3))


def waves(rng: np.random.Generator, length: float, count: int = 6) -> Callable:
    """A smooth field over space within -1..1, with waves about `length` long."""
    k = unit(rng.normal(size=(count, 3))) * (2 * np.pi / length / rng.uniform(0.8, 1.4, (count, 1)))
    phase, share = rng.uniform(0, 2 * np.pi, count), rng.dirichlet(np.full(count, 4.0))

    def at(p: np.ndarray) -> np.ndarray:
        return np.clip(1.6 * np.sin(p @ k.T + phase) @ share, -1, 1)

    return at
