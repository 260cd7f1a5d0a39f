"""By which conventions was a map written? Found by trying them against the predicted bake.

A handful of texels per tile is read in every way that a map can be turned, its channels swapped
and flipped, its values bent by an sRGB curve, in tangent and in object space and on every tile. The
way that agrees best with what the rays would record wins; the plain way wins ties. Then the
finer choices are tried the same way: another tangent basis, another cut of the quads, face
normals on the high poly.

Agreement is the weighted mean of ``exp(-(angle / 6 deg)^2)`` between map and prediction: texels
that are wrong for other reasons count as zero and no further, so defects do not hide a convention.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.loops import njit
from cagecheck.maps.encode import BasisRule
from cagecheck.maps.high_normals import HighNormals
from cagecheck.meshes.triangulate import QuadSplit
from cagecheck.rays.cage import Directions
from cagecheck.rays.points import SurfacePoints

Space = Literal["tangent", "object"]
# Shading normals of the low poly: its own, one a triangle, or smooth everywhere.
LowShading = Literal["own", "face", "smooth"]
Transfer = Literal["plain", "srgb-encoded", "srgb-decoded"]
TRANSFERS: tuple[Transfer, ...] = ("plain", "srgb-encoded", "srgb-decoded")

# How a stored picture is turned, and how to say it. Turn k undoes the fault k.
TURNS = (
    "upright",
    "V flipped",
    "U flipped",
    "rotated by 180 degrees",
    "rotated by 90 degrees clockwise",
    "rotated by 90 degrees counter-clockwise",
    "mirrored along the diagonal from the upper left",
    "mirrored along the diagonal from the upper right",
)

# Wide enough for filtering and sub-texel shifts, narrow enough that a flipped bump disagrees.
AGREEMENT_DEGREES = 6.0
# Leaning normals tell conventions apart, flat ones do not: what a flat one weighs beside the lean
# of a leaning one. Above nothing, so that a map without detail still agrees.
FLAT_WEIGHT = 0.02
# A reading must agree better than the plain one by this much before it is called a fault, and
# each further oddity of a reading must pay for itself. Chance agreement of unrelated maps moves by
# less than 0.02 at a few thousand texels.
LEAST_GAIN = 0.04
PRICE_OF_ODDITY = 0.012
# Below this nothing fits: the map belongs to something else, or is wrong nearly everywhere.
LEAST_AGREEMENT = 0.25
# From here on it is not worth asking whether the high poly was shaded with other normals.
SURE_AGREEMENT = 0.6
# Texels for the first look at every reading, for the search among the better ones, and for the
# decision between the best few.
ROUGH_TEXELS, SEARCH_TEXELS, DECIDE_TEXELS = 1000, 4000, 30_000
SEARCHED, DECIDED = 200, 24
# A finer choice replaces a plainer one when it brings the median angle, where the two differ most,
# below this share.
FINER_SHARE = 0.6
# What 8-bit rounding alone can turn a normal by: sqrt(2) half steps of 1 / 127.5.
ROUNDING_DEGREES = 0.45


@dataclass(frozen=True)
class Reading:
    """How to read a map: what undoes its conventions.

    turn : index into `TURNS`; transfer : curve that bent the values; space : of the vectors;
    channels, signs : component k of a normal is ``signs[k]`` times stored channel
    ``channels[k]``; tile : the tile that the map shows; agreement : from 0 to 1.
    basis, quads, normals, shading, directions : the finer choices (directions None: as assumed).
    """

    tile: int
    turn: int = 0
    transfer: Transfer = "plain"
    space: Space = "tangent"
    channels: tuple[int, int, int] = (0, 1, 2)
    signs: tuple[int, int, int] = (1, 1, 1)
    agreement: float = 0.0
    basis: BasisRule = field(default_factory=BasisRule)
    quads: QuadSplit = "first"
    normals: HighNormals = "file"
    shading: LowShading = "own"
    directions: Directions | None = None

    @property
    def oddities(self) -> int:
        """In how many ways the reading differs from the plain one."""
        return (
            (self.turn != 0)
            + (self.transfer != "plain")
            + (self.space != "tangent")
            + (self.channels != (0, 1, 2))
            + sum(s < 0 for s in self.signs)
        )

    def vectors(self, shares: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return (H, W, 3) unit normals of a map's values (0 to 1), turned upright."""
        return self.straight(turned(shares, self.turn))

    def straight(self, shares: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return (..., 3) unit normals of values that are upright already."""
        picked = np.ascontiguousarray(shares[..., list(self.channels)])
        out = picked if self.transfer == "plain" else straightened(picked, self.transfer)
        out = out * np.float32(2) - np.float32(1)
        out *= np.array(self.signs, np.float32)
        length = np.sqrt(np.einsum("...i,...i->...", out, out))[..., None]
        return np.divide(out, length, out=np.zeros_like(out), where=length > 0)

    def to_dict(self) -> dict[str, Any]:
        """Return the reading as plain JSON values."""
        return {
            "tile": self.tile,
            "turned": TURNS[self.turn],
            "transfer": self.transfer,
            "space": self.space,
            "channels": "".join("RGB"[c] for c in self.channels),
            "signs": list(self.signs),
            "agreement": round(self.agreement, 4),
            "basis": self.basis.describe(),
            "quads": self.quads,
            "high_normals": self.normals,
            "low_normals": self.shading,
        }


@dataclass(frozen=True, eq=False)
class Sampled:
    """Some texels of one tile and what the bake would give there.

    x, y : (M,) int32; triangle, barycentric : where on the low poly; world : (M, 3) predicted
    world normals, unit length; tangent : (M, 3) the same in tangent space; highest : how far above
    the low poly the highest surface lies that belongs to one of them (infinity where none does);
    points : the same places once more, for casting.
    """

    tile: int
    size: int
    x: Ints
    y: Ints
    triangle: Ints
    barycentric: Floats
    world: Floats
    tangent: Floats
    highest: float = np.inf
    points: SurfacePoints | None = None

    def __len__(self) -> int:
        return len(self.x)

    def some(self, count: int) -> Sampled:
        """Return about `count` of the texels, evenly picked."""
        step = max(len(self) // max(count, 1), 1)
        arrays = {
            name: getattr(self, name)[::step]
            for name in ("x", "y", "triangle", "barycentric", "world", "tangent")
        }
        points = None if self.points is None else self.points.take(np.arange(len(self))[::step])
        return replace(self, **arrays, points=points)


def turned(image: NDArray[Any], turn: int) -> NDArray[Any]:
    """Return a picture with turn `turn` undone (a view)."""
    undo = {
        0: lambda a: a,
        1: lambda a: a[::-1],
        2: lambda a: a[:, ::-1],
        3: lambda a: a[::-1, ::-1],
        4: lambda a: np.rot90(a, 1),
        5: lambda a: np.rot90(a, -1),
        6: lambda a: np.swapaxes(a, 0, 1),
        7: lambda a: np.swapaxes(a[::-1, ::-1], 0, 1),
    }
    out: NDArray[Any] = undo[turn](image)
    return out


def encode_srgb(linear: NDArray[Any]) -> NDArray[Any]:
    """Apply the sRGB curve (IEC 61966-2-1) to values from 0 to 1."""
    x = np.clip(linear, 0, 1)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


def decode_srgb(encoded: NDArray[Any]) -> NDArray[Any]:
    """Undo the sRGB curve."""
    x = np.clip(encoded, 0, 1)
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)


def straightened(shares: NDArray[np.float32], transfer: Transfer) -> NDArray[np.float32]:
    """Undo a curve that was wrongly applied to the values."""
    return unbent(shares, transfer).astype(np.float32, copy=False)


def unbent(shares: NDArray[Any], transfer: Transfer) -> NDArray[Any]:
    """Undo a curve in the precision of the values."""
    if transfer == "plain":
        return shares
    return (decode_srgb if transfer == "srgb-encoded" else encode_srgb)(shares)


def find_reading(shares: NDArray[np.float32], tiles: list[Sampled], said: int | None) -> Reading:
    """Return the best reading of one map against all tiles.

    shares : (H, W, 3) values from 0 to 1; tiles : texels of every tile at the map's own size;
    said : the tile that the file's name carries: among equals it wins.
    """
    rough = [r for tile in tiles for r in _search(shares, tile.some(ROUGH_TEXELS))]
    rough = sorted(rough, key=lambda r: -_value(r, said))[:SEARCHED]
    some = {tile.tile: tile.some(SEARCH_TEXELS) for tile in tiles}
    ranked = sorted(
        (replace(r, agreement=_agreement_of(shares, some[r.tile], r)) for r in rough),
        key=lambda r: -_value(r, said),
    )
    by_tile = {tile.tile: tile.some(DECIDE_TEXELS) for tile in tiles}
    wanted = said if said in by_tile else tiles[0].tile
    finalists = [*ranked[:DECIDED], Reading(tile=wanted)]
    judged = [replace(r, agreement=_agreement_of(shares, by_tile[r.tile], r)) for r in finalists]
    best = max(judged, key=lambda r: _value(r, said))
    plain = judged[-1]
    return best if best.agreement > plain.agreement + LEAST_GAIN else plain


def _value(reading: Reading, said: int | None) -> float:
    oddities = reading.oddities + (said is not None and reading.tile != said)
    return reading.agreement - PRICE_OF_ODDITY * oddities


def _search(shares: NDArray[np.float32], tile: Sampled) -> list[Reading]:
    """Return every reading of the map on one tile, with its agreement on some texels."""
    found = []
    ways = list(channel_ways())
    for turn in range(len(TURNS)):
        picture = turned(shares, turn)
        if picture.shape[:2] != (tile.size, tile.size):
            continue
        values = picture[tile.y, tile.x]
        for transfer in TRANSFERS:
            stored = straightened(values, transfer).astype(np.float64) * 2 - 1
            for space, channels, signs in ways:
                target = tile.tangent if space == "tangent" else tile.world
                a = _agreement(
                    stored, np.array(channels), np.array(signs, np.float64), target,
                    space == "tangent",
                )  # fmt: skip
                found.append(Reading(tile.tile, turn, transfer, space, channels, signs, a))
    return found


def channel_ways() -> Any:
    """Yield every space, order of channels and choice of signs."""
    for channels in itertools.permutations(range(3)):
        for signs in itertools.product((1, -1), repeat=3):
            # Tangent-space normals never point into the surface: where all do, blue is flipped.
            yield "tangent", channels, signs
            yield "object", channels, signs


def _agreement_of(shares: NDArray[np.float32], tile: Sampled, reading: Reading) -> float:
    return agreement_at(turned(shares, reading.turn)[tile.y, tile.x], tile, reading)


def agreement_at(shares: NDArray[np.float32], tile: Sampled, reading: Reading) -> float:
    """Return the agreement (0 to 1) of the values (M, 3) that a map has at a tile's texels."""
    values = straightened(shares, reading.transfer).astype(np.float64) * 2 - 1
    target = tile.tangent if reading.space == "tangent" else tile.world
    channels, signs = np.array(reading.channels), np.array(reading.signs, np.float64)
    return float(_agreement(values, channels, signs, target, reading.space == "tangent"))


@njit(cache=True, nogil=True)
def _agreement(
    stored: Floats, channels: NDArray[np.int64], signs: Floats, target: Floats, tangent: bool
) -> float:
    """Weighted mean agreement; in tangent space leaning normals weigh more than flat ones."""
    width = np.radians(AGREEMENT_DEGREES)
    total, weight = 0.0, 1e-12
    for i in range(len(stored)):
        dot = square = 0.0
        for k in range(3):
            v = signs[k] * stored[i, channels[k]]
            dot += v * target[i, k]
            square += v * v
        w = 1.0
        if tangent:
            w = FLAT_WEIGHT + np.sqrt(target[i, 0] ** 2 + target[i, 1] ** 2)
        weight += w
        if square > 0.0:
            angle = np.arccos(min(max(dot / np.sqrt(square), -1.0), 1.0))
            total += w * np.exp(-((angle / width) ** 2))
    return total / weight


BASES = tuple(
    BasisRule(tangents, bitangent, unit)  # type: ignore[arg-type]
    for tangents in ("mikktspace", "averaged", "face")
    for bitangent, unit in (("texel", False), ("texel", True), ("corner", False))
)


@dataclass(frozen=True)
class ConventionFault:
    """A convention that differs from ours: code for scripts, what it is, what to do."""

    code: str
    text: str
    cure: str

    def to_dict(self) -> dict[str, str]:
        """Return plain JSON values."""
        return {"code": self.code, "text": self.text, "cure": self.cure}


def convention_faults(reading: Reading, said: int | None) -> list[ConventionFault]:
    """Put a reading's oddities into words."""
    out: list[ConventionFault] = []

    def add(code: str, text: str, cure: str) -> None:
        out.append(ConventionFault(code, text, cure))

    if said is not None and reading.tile != said:
        add(
            "wrong-tile",
            f"the file's name says tile {said}, but the picture shows tile {reading.tile}",
            "rename the map (`cagecheck tiles rename` does that by content)",
        )
    if reading.turn == 1:
        add("v-flipped", "V is flipped: the picture stands on its head",
            "export the map or the UVs with v upwards")  # fmt: skip
    elif 3 <= reading.turn <= 5:
        add("rotated", f"the picture is {TURNS[reading.turn]}", "turn it back, or bake again")
    elif reading.turn:
        # Flips and quarter turns of a square form a group of eight: V flipped and then turned is
        # one of its other mirrorings, texel by texel, so nothing in the picture tells which it was.
        angle = 180 if reading.turn == 2 else 90
        add("mirrored", f"the picture is {TURNS[reading.turn]} (V flipped and turned by {angle} "
            "degrees looks the same)", "turn it back, or bake again")  # fmt: skip
    if reading.transfer == "srgb-encoded":
        add("srgb", "the values went through the sRGB curve as if they were colours",
            "save the map as linear (raw, non-colour) data")  # fmt: skip
    elif reading.transfer == "srgb-decoded":
        add("srgb", "the values were taken for sRGB colours and made linear",
            "load the map as linear (raw, non-colour) data")  # fmt: skip
    if reading.space == "object":
        axes = ", ".join(
            f"{'XYZ'[k]} in {'-' if s < 0 else ''}{'RGB'[c]}"
            for k, (c, s) in enumerate(zip(reading.channels, reading.signs, strict=True))
        )
        add("object-space", f"the normals are in object space ({axes}), not in tangent space",
            "bake in tangent space, or tell the material that it is object space")  # fmt: skip
        if _left_handed(reading):
            _add_mirrored_axes(reading, add)
        return out
    if reading.channels != (0, 1, 2):
        order = "".join("RGB"[c] for c in reading.channels)
        add("channels-swapped", f"channels are swapped: X, Y, Z are stored in {order}",
            "put the channels back in the order R, G, B")  # fmt: skip
    if reading.signs[1] < 0:
        add("green-flipped", "green points down (Y-), glTF's convention is up (Y+)",
            "flip the green channel, or tell the material that it points down")  # fmt: skip
    if reading.signs[2] < 0:
        add("blue-flipped", "blue is flipped: all normals point into the surface",
            "flip the blue channel, or bake again")  # fmt: skip
    if reading.signs[0] < 0:
        add("red-flipped", "red is flipped: it points to the left",
            "flip the red channel, or bake again")  # fmt: skip
    return out


def _left_handed(reading: Reading) -> bool:
    """Tell whether the channels make up a mirrored frame, which no choice of axes does."""
    frame = np.zeros((3, 3))
    frame[range(3), reading.channels] = reading.signs
    return bool(np.linalg.det(frame) < 0)


def _add_mirrored_axes(reading: Reading, add: Callable[[str, str, str], None]) -> None:
    """Name the flip or swap of an object-space map; axes that are only turned have none.

    A y-up map of a z-up scene is a rotation of the axes. A mirrored frame is not: a channel was
    flipped or two were swapped. Which of them is told where one alone explains it all.
    """
    flipped = [k for k, sign in enumerate(reading.signs) if sign < 0]
    if reading.channels == (0, 1, 2) and len(flipped) == 1:
        name = ("red", "green", "blue")[flipped[0]]
        add(f"{name}-flipped", f"{name} is flipped: the axes of the map are mirrored",
            f"flip the {name} channel, or bake again")  # fmt: skip
    elif not flipped:
        order = "".join("RGB"[c] for c in reading.channels)
        add("channels-swapped", f"channels are swapped: X, Y, Z are stored in {order}",
            "put the channels back in the order R, G, B")  # fmt: skip
    else:
        add("mirrored-axes", "the axes of the map are mirrored: a channel is flipped, or two are "
            "swapped", "bake again with right-handed axes")  # fmt: skip
