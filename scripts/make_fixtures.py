"""Write fixtures/: small low and high polys, some with a cage and a map, and their truth in JSON.

    python scripts/make_fixtures.py [FOLDER]

Nothing is taken from `cagecheck`, so that the files can check it, or any other tool. The truth of
plane scenes is worked out by hand here; that of the families' smallest cases comes from their
labels (tests/scenes/families, tests/family_oracle.py). The same bytes come out every time.
"""

from __future__ import annotations

import json
import struct
import sys
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from tests.family_oracle import own_rays, truth  # noqa: E402
from tests.scenes.families.cards import flat  # noqa: E402
from tests.scenes.families.coincident import doubled_below  # noqa: E402
from tests.scenes.families.degenerate import sprinkled_high, sprinkled_low  # noqa: E402
from tests.scenes.families.plants import turned  # noqa: E402
from tests.scenes.families.scene import Builder, FamilyScene, Height, unit  # noqa: E402
from tests.scenes.families.shapes import ball, box, card, placed, sheet, shell  # noqa: E402
from tests.scenes.families.shells import plate  # noqa: E402

TITLES = (
    "miss: cage too tight",
    "miss: nothing there",
    "miss: too deep",
    "overshoot: own part",
    "overshoot: other part",
    "back-facing",
)
CLEAN = "clean"
UNDECIDED = "undecided"
# Points whose truth is listed, and points that area shares are taken from.
LISTED, COUNTED = 24, 6000
MAP_SIZE = 16
# Positions of unit size keep so many decimals: a few thousand roundings of double precision.
DECIMALS = 12
# Maps of faceted squares: cells a side, texels a side of each, and how steep a cell may be.
FACETS, CELL_TEXELS, STEEPEST = 8, 8, 0.25


@dataclass(frozen=True)
class Fixture:
    """A scene with its truth in words. shares: defect to share of the low poly's area.

    normals : what a map holds, (3,) everywhere or (H, W, 3) with row 0 on top. map_shows : what is
    wrong with it, and on which share of its texels. map_green : where green points, up or down.
    """

    what: str
    scene: FamilyScene
    shares: dict[str, float] | None = None
    within: float = 0.01
    normals: np.ndarray | None = None
    map_shows: dict[str, float] | None = None
    map_green: str = "up"


# Closed forms: a square of side 1 in z = 0, rays straight up, one high-poly plane over it.


def square(heights: Callable[[np.ndarray], np.ndarray], cells: int, **bake: Any) -> FamilyScene:
    """A low square and a high poly of separate flat cells: heights(middle of cell) -> z or NaN."""
    line = (np.arange(cells) + 0.5) / cells - 0.5
    x, y = (a.ravel() for a in np.meshgrid(line, line, indexing="ij"))
    middle = np.stack([x, y], axis=1)
    z, half = heights(middle), 0.5 / cells
    kept = np.isfinite(z)
    corner = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    flat_corners = (middle[kept][:, None] + corner).reshape(-1, 2)
    positions = np.column_stack([flat_corners, np.repeat(z[kept], 4)])
    first = 4 * np.arange(kept.sum())[:, None]
    triangles = np.concatenate([first + [0, 1, 2], first + [0, 2, 3]], axis=1).reshape(-1, 3)
    return plane_scene(positions, triangles, **bake)


def plane_scene(
    positions: np.ndarray, triangles: np.ndarray, offset: float = 0.1, depth: float = 0.1
) -> FamilyScene:
    low = np.array([[-0.5, -0.5, 0], [0.5, -0.5, 0], [0.5, 0.5, 0], [-0.5, 0.5, 0]])
    count = len(triangles)
    home = positions[triangles] * [1.0, 1.0, 0.0]
    nought, two = np.zeros(count, np.int64), np.zeros(2, np.int64)
    return FamilyScene(
        "closed form", 0, low, np.array([[0, 1, 2], [0, 2, 3]]), two, two, two,
        positions, triangles, nought, nought, nought, home, np.ones((1, 1), bool),
        np.zeros(1, bool), ("plane_low",), ("plane_high",), np.ones((1, 1), bool),
        offset, depth, 1e-3,
    )  # fmt: skip


def tilted() -> Fixture:
    corners = np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])
    slope = np.array([0.1, 0.05])
    positions = np.column_stack([corners, corners @ slope])
    scene = plane_scene(positions, np.array([[0, 1, 2], [0, 2, 3]]))
    normal = unit(np.array([-0.1, -0.05, 1.0]))
    what = "z = 0.1 x + 0.05 y: every ray from (x, y) records that height; the map has one colour"
    return Fixture(what, scene, {}, normals=normal, map_shows={})


def too_tight() -> Fixture:
    scene = square(lambda p: np.where(p[:, 0] > 0, 0.2, 0.02), 4)
    return Fixture("half of the plane lies 0.2 high, rays start at 0.1", scene, {TITLES[0]: 0.5})


def too_deep() -> Fixture:
    scene = square(lambda p: np.where((p > 0).all(axis=1), -0.9, 0.0), 4)
    return Fixture(
        "a quarter of the plane lies 0.9 deep, nine times as deep as rays look", scene,
        {TITLES[2]: 0.25},
    )  # fmt: skip


def hole() -> Fixture:
    scene = square(lambda p: np.where((np.abs(p) < 0.1).all(axis=1), np.nan, 0.02), 8)
    return Fixture("a hole of 2 x 2 of 8 x 8 cells", scene, {TITLES[1]: 4 / 64})


def flipped() -> Fixture:
    scene = square(lambda p: np.full(len(p), 0.02), 4)
    which = scene.home[:, :, 0].mean(axis=1) < -0.25
    return Fixture("one column of four shows its backs", turned(scene, which), {TITLES[5]: 0.25})


def with_second_part(
    below: FamilyScene, positions: np.ndarray, triangles: np.ndarray
) -> FamilyScene:
    """Put another high part over a plane that the low poly is not paired with."""
    n = len(triangles)
    return replace(
        below,
        high_positions=np.concatenate([below.high_positions, positions]),
        high_triangles=np.concatenate(
            [below.high_triangles, triangles + len(below.high_positions)]
        ),
        high_part=np.concatenate([below.high_part, np.ones(n, np.int64)]),
        high_group=np.concatenate([below.high_group, np.full(n, -1)]),
        high_piece=np.concatenate([below.high_piece, np.ones(n, np.int64)]),
        home=np.concatenate([below.home, positions[triangles] * [1.0, 1.0, 0.0]]),
        high_names=("plane_high", "cover_high"),
        paired=np.array([[True, False]]),
        closed=np.zeros(2, bool),
    )


def covered() -> Fixture:
    """A second part, 0.06 over half of the first."""
    below = square(lambda p: np.zeros(len(p)), 4)
    above = square(lambda p: np.where(p[:, 1] > 0, 0.06, np.nan), 4)
    scene = with_second_part(below, above.high_positions, above.high_triangles)
    return Fixture("another part lies 0.06 over half of it, rays start at 0.1", scene,
                   {TITLES[4]: 0.5})  # fmt: skip


# Closed forms with a map: every cell of a square is a facet with a slope of its own. The low poly's
# UVs are (x, y) + 0.5, so tangent space is the world, and the map holds the facets' normals.


def facets(seed: int, lift: float, kept: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Flat cells that touch nowhere: positions, triangles, and (cells x, cells y, 3) normals."""
    rng = np.random.default_rng(seed)
    n, half = FACETS, 0.5 / FACETS
    slope = rng.uniform(-STEEPEST, STEEPEST, (n, n, 2))
    line = (np.arange(n) + 0.5) / n - 0.5
    middle = np.stack(np.meshgrid(line, line, indexing="ij"), axis=2)
    around = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    rise = np.einsum("xyk,ck->xyc", slope, around) + lift
    flat_corners = middle[:, :, None] + around
    corners = np.concatenate([flat_corners, rise[..., None]], axis=3)[kept].reshape(-1, 3)
    first = 4 * np.arange(kept.sum())[:, None]
    triangles = np.concatenate([first + [0, 1, 2], first + [0, 2, 3]], axis=1).reshape(-1, 3)
    normals = unit(np.concatenate([-slope, np.ones((n, n, 1))], axis=2))
    return corners, triangles, normals


def on_texels(cells: np.ndarray) -> np.ndarray:
    """(H, W, ...) values of the texels, row 0 on top, from (cells x, cells y, ...)."""
    turned_up = np.swapaxes(cells, 0, 1)[::-1]
    return turned_up.repeat(CELL_TEXELS, axis=0).repeat(CELL_TEXELS, axis=1)


def green_down() -> Fixture:
    everywhere = np.ones((FACETS, FACETS), bool)
    positions, triangles, normals = facets(1, 0.0, everywhere)
    return Fixture(
        "a square of 8 x 8 facets; its map is right but for green, which points down",
        plane_scene(positions, triangles), {}, normals=on_texels(normals), map_shows={},
        map_green="down",
    )  # fmt: skip


def overshot_map() -> Fixture:
    """A second part over 2 x 3 cells, lower than rays start; the bake was not told to leave it."""
    over = np.zeros((FACETS, FACETS), bool)
    over[4:6, 2:5] = True
    positions, triangles, normals = facets(1, 0.0, ~np.zeros_like(over))
    cover, cover_triangles, cover_normals = facets(2, 0.06, over)
    scene = with_second_part(plane_scene(positions, triangles), cover, cover_triangles)
    shown = np.where(over[..., None], cover_normals, normals)
    share = float(over.mean())
    return Fixture(
        "8 x 8 facets, and another part 0.06 over 6 of them: the map shows the other part there",
        scene, {TITLES[4]: share}, normals=on_texels(shown), map_shows={TITLES[4]: share},
    )  # fmt: skip


# The smallest case of each family: plain poses, few triangles.


def bumps(detail: float, both: bool = False) -> Height:
    """Low waves; both: the inner skin follows the outer one."""

    def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
        wave = np.sin(7 * p[:, 0] + 1) * np.cos(6 * p[:, 1] + 2 * p[:, 2])
        return detail * window * wave * (np.where(group == 0, 1, -1) if both else 1)

    return height


def sided(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
    return 0.012 + 0.006 * np.sin(6 * p[:, 0] + 2 * group)


def thin_shell() -> Fixture:
    builder = Builder("thin shell", 0)
    builder.add(shell(plate, 0.02, 4, 4), 4, bumps(0.05, both=True))
    return Fixture("cloth 0.02 thick with wrinkles 0.05 high", builder.scene(0.08, 0.08))


def runs() -> Fixture:
    builder = Builder("runs", 0)
    builder.add(box((3, 3, 3), (0.8, 0.5, 0.5)), 3, bumps(0.01))
    cross = placed(box((3, 3, 3), (0.4, 0.4, 1.1)), np.eye(3), np.array([0.07, 0.03, 0.02]))
    builder.add(cross, 3, bumps(0.01))
    return Fixture("two boxes of one part cut through each other", builder.scene(0.02, 0.02))


def inside() -> Fixture:
    builder = Builder("inside", 0)
    builder.add(ball(4), 3, bumps(0.01))
    eye = placed(ball(2, (0.12, 0.12, 0.12)), np.eye(3), np.array([0.1, 0.05, 0.1]))
    builder.add(eye, 3, bumps(0.0), low=False)
    return Fixture("a ball of high poly wholly inside another: no lost detail",
                   builder.scene(0.02, 0.02))  # fmt: skip


def _cards(what: str, *places: tuple[np.ndarray, np.ndarray], shared: bool) -> Fixture:
    builder = Builder("cards", 0)
    for turn, shift in places:
        piece = placed(card(flat, 3, 3, shared), turn, shift)
        builder.add(piece, 3, sided, window=np.ones(len(piece.positions)), apart=True)
    return Fixture(what, builder.scene(0.03, 0.03))


def one_card() -> Fixture:
    return _cards("a card of two sides on the same vertices", (np.eye(3), np.zeros(3)),
                  shared=True)  # fmt: skip


def crossing_cards() -> Fixture:
    c, s = np.cos(1.1), np.sin(1.1)
    turn = np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])
    return _cards("two cards that cross at 63 degrees: rays start beyond the other card's skin",
                  (np.eye(3), np.zeros(3)), (turn, np.array([0.05, 0, 0.01])),
                  shared=False)  # fmt: skip


def stacked_cards() -> Fixture:
    up = np.array([0.1, 0.05, 0.025])
    return _cards("two cards 0.025 apart, rays start at 0.03", (np.eye(3), np.zeros(3)),
                  (np.eye(3), up), shared=False)  # fmt: skip


def _plain_box() -> FamilyScene:
    builder = Builder("box", 0)
    builder.add(box((3, 3, 3), (0.9, 0.7, 0.6)), 3, bumps(0.01))
    return builder.scene(0.02, 0.02)


def sound() -> Fixture:
    return Fixture("a sound box: nothing to find", _plain_box())


def low_inside_out() -> Fixture:
    scene = _plain_box()
    scene = replace(scene, low_triangles=scene.low_triangles[:, ::-1].copy(), blame="low")
    return Fixture("the low poly is inside out", scene)


def high_inside_out() -> Fixture:
    scene = _plain_box()
    scene = turned(scene, np.ones(len(scene.high_triangles), bool))
    return Fixture("the high poly is inside out", replace(scene, blame="high"))


def pit() -> Fixture:
    def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
        down = np.clip((0.2 - np.hypot(p[:, 0], p[:, 1])) / 0.05, 0, 1)
        return np.where(p[:, 2] > 0.39, -0.3 * down, 0.0)

    builder = Builder("pit", 0)
    builder.add(box((4, 4, 2), (1.0, 1.0, 0.8)), 5, height)
    return Fixture("a pit 0.3 deep, rays look 0.05", builder.scene(0.02, 0.05))


def scan() -> Fixture:
    builder = Builder("scan", 0)
    builder.add(ball(3), 6, bumps(0.01))
    scene = builder.scene(0.05, 0.05, slack=0.03)
    noise = np.random.Generator(np.random.PCG64(7)).uniform(-1, 1, scene.high_positions.shape)
    positions = scene.high_positions + 0.008 * noise
    return Fixture("noise in all directions", replace(scene, high_positions=positions))


def coincident() -> Fixture:
    builder = Builder("coincident", 0)
    piece = sheet(plate, 4, 4)
    builder.add(piece, 3, bumps(0.02), window=np.ones(len(piece.positions)))
    scene = doubled_below(builder.scene(0.04, 0.04), turned=True)
    return Fixture("every face has a back 1e-6 of the size below it", scene)


def degenerate() -> Fixture:
    rng = np.random.Generator(np.random.PCG64(3))
    scene = sprinkled_high(sprinkled_low(_plain_box(), rng, 0.06), rng, 0.02)
    return Fixture("faces without area and doubled faces in both meshes", scene)


FIXTURES: dict[str, Callable[[], Fixture]] = {
    "plane-tilted": tilted,
    "plane-too-tight": too_tight,
    "plane-too-deep": too_deep,
    "plane-hole": hole,
    "plane-flipped": flipped,
    "plane-covered": covered,
    "map-green-down": green_down,
    "map-overshot": overshot_map,
    "sound-box": sound,
    "thin-shell": thin_shell,
    "runs-together": runs,
    "wholly-inside": inside,
    "card": one_card,
    "cards-crossing": crossing_cards,
    "cards-stacked": stacked_cards,
    "low-inside-out": low_inside_out,
    "high-inside-out": high_inside_out,
    "deep-pit": pit,
    "noisy-scan": scan,
    "coincident-pairs": coincident,
    "degenerate-faces": degenerate,
}


def rounded(scene: FamilyScene) -> FamilyScene:
    """The scene as its files hold it: low to nine digits, high in single precision.

    What should be 0 is, whatever the last bits of a processor's sines.
    """
    low = scene.low_positions.round(DECIMALS) + 0.0
    low = np.array([[float(f"{x:.9g}") for x in p] for p in low])
    high = (scene.high_positions.round(DECIMALS) + 0.0).astype(np.float32).astype(np.float64)
    return replace(scene, low_positions=low, high_positions=high)


def spread(scene: FamilyScene, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Points by area: triangles (count,) and barycentric (count, 3), always the same ones.

    Within triangles they follow the plane's additive sequence with the plastic number's powers
    (Roberts, "The unreasonable effectiveness of quasirandom sequences", 2018), spread evenly.
    """
    p = scene.low_positions[scene.low_triangles]
    area = np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)
    total = np.cumsum(area)
    k = np.arange(count)
    at = (k + 0.5) / count * total[-1]
    triangle = np.minimum(np.searchsorted(total, at), len(area) - 1)
    u, v = (0.5 + k * 0.7548776662466927) % 1.0, (0.5 + k * 0.5698402909980532) % 1.0
    root = np.sqrt(u)
    return triangle, np.stack([1 - root, root * (1 - v), root * v], axis=1)


def name_of(allowed: int, known: bool) -> str:
    if not known:
        return UNDECIDED
    words = [TITLES[bit] for bit in range(len(TITLES)) if allowed >> bit & 1]
    return " | ".join(words) or CLEAN


def truth_document(fixture: Fixture, scene: FamilyScene) -> dict[str, Any]:
    triangle, weights = spread(scene, COUNTED)
    answer = truth(scene, triangle, weights)
    names = np.array([name_of(int(a), bool(k)) for a, k in zip(answer.allowed, answer.known,
                                                              strict=True)])  # fmt: skip
    shares = fixture.shares
    if shares is None:
        found, count = np.unique(names, return_counts=True)
        shares = {str(n): c / COUNTED for n, c in zip(found, count, strict=True) if n != CLEAN}
    origin, direction, start = own_rays(scene, triangle, weights)
    listed = np.linspace(0, COUNTED - 1, LISTED).astype(int)
    points = [
        {
            "origin": digits(origin[k]),
            "direction": digits(direction[k]),
            "start": digits(start[k]),
            "recorded": recorded_distance(scene, origin[k], direction[k], answer.recorded[k]),
            "is": str(names[k]),
        }
        for k in listed
    ]
    out: dict[str, Any] = {
        "what": fixture.what,
        "bake": {"offset": scene.offset, "depth": scene.depth},
        "pairs": [
            [scene.low_names[a], scene.high_names[b]] for a, b in np.argwhere(scene.paired).tolist()
        ],
        "shares": {name: round(share, 4) for name, share in sorted(shares.items())},
        "shares_within": fixture.within,
        "points": points,
    }
    if scene.blame:
        out["inside_out"] = scene.blame
    if fixture.normals is not None:
        out["map_shows"] = fixture.map_shows
        out["map_green"] = fixture.map_green
    if fixture.normals is not None and fixture.normals.ndim == 1:
        out["map_normal"] = digits(fixture.normals)
    return out


def digits(value: Any) -> Any:
    """Nine digits, so that the last bit of another processor is not seen."""
    if np.ndim(value):
        return [digits(x) for x in value]
    return float(f"{float(value):.9g}") + 0.0


def recorded_distance(scene, origin, direction, face) -> float | None:
    """Distance from the low poly to the recorded triangle's plane along the ray."""
    if face < 0:
        return None
    a, b, c = scene.high_positions[scene.high_triangles[face]]
    normal = np.cross(b - a, c - a)
    return float(f"{np.dot(a - origin, normal) / np.dot(direction, normal):.6g}") + 0.0


def obj_bytes(scene: FamilyScene, positions: np.ndarray) -> bytes:
    """A low poly or its cage, with UVs: the square fills its tile, else every face has a cell."""
    lines = [f"v {x:.9g} {y:.9g} {z:.9g}" for x, y, z in positions + 0.0]
    count = len(scene.low_triangles)
    across = int(np.ceil(np.sqrt(count)))
    corner = np.array([[0.1, 0.1], [0.8, 0.1], [0.1, 0.8]])
    for f in range(count):
        uv = (np.array(divmod(f, across)) + corner) / across
        if scene.family == "closed form":
            uv = scene.low_positions[scene.low_triangles[f]][:, :2] + 0.5
        lines += [f"vt {u:.6g} {v:.6g}" for u, v in uv]
    for part, name in enumerate(scene.low_names):
        lines.append(f"o {name}")
        for f in np.flatnonzero(scene.low_part == part):
            ends = [f"{v + 1}/{3 * f + k + 1}" for k, v in enumerate(scene.low_triangles[f])]
            lines.append("f " + " ".join(ends))
    return ("\n".join(lines) + "\n").encode()


def high_bytes(scene: FamilyScene) -> bytes:
    """A high poly: binary PLY in single precision, or OBJ where it has several parts."""
    if len(scene.high_names) > 1:
        lines = [f"v {x:.9g} {y:.9g} {z:.9g}" for x, y, z in scene.high_positions + 0.0]
        for part, name in enumerate(scene.high_names):
            lines.append(f"o {name}")
            for face in scene.high_triangles[scene.high_part == part] + 1:
                lines.append("f {} {} {}".format(*face))
        return ("\n".join(lines) + "\n").encode()
    head = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(scene.high_positions)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(scene.high_triangles)}\n"
        "property list uchar int vertex_indices\nend_header\n"
    )
    faces = np.empty(len(scene.high_triangles), np.dtype([("n", "u1"), ("v", "<i4", 3)]))
    faces["n"], faces["v"] = 3, scene.high_triangles
    return head.encode() + scene.high_positions.astype("<f4").tobytes() + faces.tobytes()


def png_bytes(colours: np.ndarray) -> bytes:
    """A picture (H, W, 3), 8 bits, RGB; stored, not packed, so that no library's taste shows.

    PNG (W3C Recommendation, second edition 2003), sections 5 and 11.
    """
    height, width = colours.shape[:2]
    lines = colours.astype(np.uint8).reshape(height, -1)
    rows = np.pad(lines, ((0, 0), (1, 0))).tobytes()  # each begins with 0: not filtered
    stored = b"\x78\x01"
    for at in range(0, len(rows), 0xFFFF):
        piece = rows[at : at + 0xFFFF]
        last = at + len(piece) == len(rows)
        stored += struct.pack("<BHH", last, len(piece), len(piece) ^ 0xFFFF) + piece
    stored += struct.pack(">I", zlib.adler32(rows))

    def chunk(kind: bytes, data: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(kind + data))
        return struct.pack(">I", len(data)) + kind + data + check

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", stored)
            + chunk(b"IEND", b""))  # fmt: skip


def cage_positions(scene: FamilyScene) -> np.ndarray:
    """Where the low poly's vertices start their rays."""
    corners = scene.low_triangles.ravel()
    triangle, corner = np.divmod(np.arange(len(corners)), 3)
    origin, direction, start = own_rays(scene, triangle, np.eye(3)[corner])
    out = scene.low_positions.copy()
    out[corners] = origin + start[:, None] * direction
    return out


def files_of(name: str) -> dict[str, bytes]:
    """All files of a fixture by name."""
    fixture = FIXTURES[name]()
    scene = rounded(fixture.scene)
    suffix = "obj" if len(scene.high_names) > 1 else "ply"
    out = {
        "low.obj": obj_bytes(scene, scene.low_positions),
        f"high.{suffix}": high_bytes(scene),
        "truth.json": (json.dumps(truth_document(fixture, scene), indent=1) + "\n").encode(),
    }
    if scene.family == "closed form" or name == "sound-box":
        out["cage.obj"] = obj_bytes(scene, cage_positions(scene))
    if fixture.normals is not None:
        # 8 bits: v = (n + 1) / 2 * 255, rounded (common practice, no source).
        stored = fixture.normals * [1, -1 if fixture.map_green == "down" else 1, 1]
        colours = np.rint((stored + 1) / 2 * 255)
        if colours.ndim == 1:
            colours = np.broadcast_to(colours, (MAP_SIZE, MAP_SIZE, 3))
        out["normal.1001.png"] = png_bytes(colours)
    return out


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "fixtures"
    total = 0
    for name in FIXTURES:
        (folder / name).mkdir(parents=True, exist_ok=True)
        for file, data in files_of(name).items():
            (folder / name / file).write_bytes(data)
            total += len(data)
    print(f"{len(FIXTURES)} fixtures, {total / 1000:.0f} kB, in {folder}")


if __name__ == "__main__":
    main()
