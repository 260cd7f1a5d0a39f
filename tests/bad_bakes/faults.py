"""What goes wrong with bakes: one function a cause, each as it happens to an artist.

Every fault gives the maps that an artist would then have in hand, and where they differ visibly
from the clean bake. Faults of the bake (distances, parts, meshes) are baked; faults of the picture
(channels, curves, sizes, files) are done to the clean bake's numbers.

A map that was scaled up by 2 and back is no fault here: what that leaves is the same mild blur as
the clean variant "mip-filtered", which must have no finding.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from PIL import Image
from scipy.ndimage import convolve1d, gaussian_filter, label, map_coordinates

from tests.bad_bakes.bake import (
    TILES,
    Bake,
    HighSet,
    Oven,
    Settings,
    eight_bits,
    filled,
    low_set,
    texels_of,
)
from tests.bad_bakes.pieces import Model, smooth_normals

Array = np.ndarray
# Two normals this far apart are told by eye in a lit render (common practice, no source).
VISIBLE_DEGREES = 5.0
# Below this, rounding to 8 bits and the bend of a surface within a texel are all that is left.
# Between the two a difference may be told or not.
FAINT_DEGREES = 1.0


@dataclass(eq=False)
class Picture:
    """A map in hand: tile as its name says, values (H, W, 3), alpha (H, W) or None."""

    tile: int
    values: Array
    alpha: Array | None = None


@dataclass(eq=False)
class Kitchen:
    """A model, its clean bake, and a source of chance, made once per model and size."""

    model: Model
    size: int
    rng: np.random.Generator
    oven: Oven = field(init=False)
    settings: Settings = field(init=False)
    clean: dict[int, Bake] = field(init=False)

    def __post_init__(self) -> None:
        self.oven = Oven(self.model)
        padding = max(4, self.size // 64)
        self.settings = Settings(self.size, self.model.offset, self.model.depth, padding=padding)
        self.clean = {tile: self.oven.bake(self.settings, tile) for tile in TILES}

    def vectors(self) -> dict[int, Array]:
        """Copies of the clean vectors."""
        return {tile: bake.vector.copy() for tile, bake in self.clean.items()}

    def pictures(
        self, vectors: dict[int, Array] | None = None, hits: dict[int, Array] | None = None
    ) -> list[Picture]:
        """Return padded 8-bit pictures of vectors, the clean ones by default."""
        out = []
        for tile in TILES:
            vector = (vectors or self.vectors())[tile]
            hit = self.clean[tile].hit if hits is None else hits[tile]
            out.append(Picture(tile, eight_bits(filled(vector, hit, self.settings.padding))))
        return out

    def differs(self, tile: int, vector: Array, hit: Array) -> Array:
        """Return (H, W) degrees by which pictures, as padding left them, differ from the clean.

        Only where the clean bake recorded something: what belongs elsewhere nobody knows.
        """
        clean, padding = self.clean[tile], self.settings.padding
        a, b = filled(vector, hit, padding), filled(clean.vector, clean.hit, padding)
        return np.where(clean.hit, degrees(a, b), 0.0)

    def baked(self, oven: Oven | None = None, **changes: object) -> dict[int, Bake]:
        """Bake both tiles with some settings changed."""
        settings = replace(self.settings, **changes)  # type: ignore[arg-type]
        return {tile: (oven or self.oven).bake(settings, tile) for tile in TILES}


@dataclass(eq=False)
class Trial:
    """Pictures with one fault, and (tile → (H, W) degrees) by how much they differ from clean."""

    pictures: list[Picture]
    off: dict[int, Array]

    @property
    def place(self) -> dict[int, Array]:
        """(H, W) bool by tile, where they visibly differ."""
        return {tile: off > VISIBLE_DEGREES for tile, off in self.off.items()}

    @property
    def faint(self) -> dict[int, Array]:
        """(H, W) bool by tile, where they differ by less than is visible."""
        return {
            tile: (off > FAINT_DEGREES) & (off <= VISIBLE_DEGREES) for tile, off in self.off.items()
        }


def degrees(a: Array, b: Array) -> Array:
    """Angles between unit vectors; 180 where one of them is missing."""
    cosine = np.clip((a * b).sum(axis=-1), -1, 1)
    lost = (np.abs(a).max(axis=-1) == 0) | (np.abs(b).max(axis=-1) == 0)
    return np.where(lost, 180.0, np.degrees(np.arccos(cosine)))


def of_bakes(kitchen: Kitchen, bakes: dict[int, Bake], changed: tuple[int, ...] = TILES) -> Trial:
    """Return the trial of another bake of some tiles."""
    vectors, hits, place = kitchen.vectors(), {}, {}
    for tile in TILES:
        clean = kitchen.clean[tile]
        hits[tile] = clean.hit
        place[tile] = np.zeros(clean.covered.shape)
        if tile in changed:
            bake = bakes[tile]
            vectors[tile], hits[tile] = bake.vector, bake.hit
            place[tile] = kitchen.differs(tile, bake.vector, bake.hit)
    return Trial(kitchen.pictures(vectors, hits), place)


def of_vectors(kitchen: Kitchen, vectors: dict[int, Array]) -> Trial:
    """Return the trial of changed vectors."""
    place = {tile: kitchen.differs(tile, vectors[tile], kitchen.clean[tile].hit) for tile in TILES}
    return Trial(kitchen.pictures(vectors), place)


def of_values(kitchen: Kitchen, change: Callable[[Array], Array]) -> Trial:
    """Return the trial of a change that befalls the numbers of every picture."""
    pictures = [replace_values(p, change(p.values)) for p in kitchen.pictures()]
    nowhere = {tile: np.zeros(kitchen.clean[tile].hit.shape) for tile in TILES}
    return Trial(pictures, nowhere)


def replace_values(picture: Picture, values: Array) -> Picture:
    return Picture(picture.tile, np.ascontiguousarray(values), picture.alpha)


# --- the picture --------------------------------------------------------------------------------


def inverted(channel: int) -> Callable[[Array], Array]:
    """Return what turns a channel over."""

    def change(values: Array) -> Array:
        out = values.copy()
        out[..., channel] = 255 - out[..., channel]
        return out

    return change


def linear_to_srgb(x: Array) -> Array:
    """The curve of IEC 61966-2-1."""
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.power(x, 1 / 2.4) - 0.055)


def _srgb_to_linear(x: Array) -> Array:
    return np.where(x <= 0.04045, x / 12.92, np.power((x + 0.055) / 1.055, 2.4))


def bent(curve: Callable[[Array], Array]) -> Callable[[Array], Array]:
    """Return what sends values through a curve."""
    return lambda values: np.rint(255 * curve(values / 255.0)).astype(np.uint8)


def _geometry(change: Callable[[Array], Array]) -> Callable[[Kitchen], Trial]:
    return lambda kitchen: of_values(kitchen, change)


def _resized(values: Array, size: int, how: Image.Resampling) -> Array:
    return np.asarray(Image.fromarray(values).resize((size, size), how))


def _there_and_back(share: float) -> Callable[[Kitchen], Trial]:
    def change(values: Array) -> Array:
        size = values.shape[0]
        there = _resized(values, round(size * share), Image.Resampling.BILINEAR)
        return _resized(there, size, Image.Resampling.BILINEAR)

    return _geometry(change)


def strength(factor: float) -> Callable[[Array], Array]:
    """Red and green about the middle times a factor, blue left alone: as a slider does it."""

    def change(values: Array) -> Array:
        out = values.astype(float)
        out[..., :2] = 127.5 + factor * (out[..., :2] - 127.5)
        return np.clip(np.rint(out), 0, 255).astype(np.uint8)

    return change


def _x_in_alpha(kitchen: Kitchen) -> Trial:
    """Y in green, X in alpha, as some compressed formats pack it; red and blue full."""
    trial = of_values(kitchen, lambda v: v)
    for picture in trial.pictures:
        picture.alpha = picture.values[..., 0].copy()
        packed = np.full_like(picture.values, 255)
        packed[..., 1] = picture.values[..., 1]
        picture.values = packed
    return trial


def _premultiplied(kitchen: Kitchen) -> Trial:
    """Soft alpha at the islands' borders, and colours multiplied by it."""
    trial = of_values(kitchen, lambda v: v)
    for picture in trial.pictures:
        hit = kitchen.clean[picture.tile].hit.astype(float)
        alpha = np.clip(2 * gaussian_filter(hit, 2.0) - 0.5, 0, 1)
        picture.alpha = np.rint(255 * alpha).astype(np.uint8)
        picture.values = np.rint(picture.values * alpha[..., None]).astype(np.uint8)
    return trial


def _jpeg(kitchen: Kitchen) -> Trial:
    def change(values: Array) -> Array:
        memory = io.BytesIO()
        Image.fromarray(values).save(memory, "JPEG", quality=30, subsampling=2)
        return np.asarray(Image.open(memory).convert("RGB"))

    return of_values(kitchen, change)


def _flat(values: Array) -> Array:
    return np.broadcast_to(np.array([128, 128, 255], np.uint8), values.shape)


def _few_bits(values: Array) -> Array:
    return ((values >> 3).astype(float) * 255 / 31).round().astype(np.uint8)


def _sixteen_of_eight(values: Array) -> Array:
    return values.astype(np.uint16) * 257


def _no_blue(values: Array) -> Array:
    out = values.copy()
    out[..., 2] = 0
    return out


def tiles_swapped(kitchen: Kitchen) -> Trial:
    trial = of_values(kitchen, lambda v: v)
    for picture in trial.pictures:
        picture.tile = {1001: 1002, 1002: 1001}[picture.tile]
    return trial


def _shifted(kitchen: Kitchen) -> Trial:
    return of_values(kitchen, lambda v: np.roll(v, (3, 0), axis=(1, 0)))


def _thin_padding(kitchen: Kitchen) -> Trial:
    kept = kitchen.settings
    kitchen.settings = replace(kept, padding=0)
    trial = of_values(kitchen, lambda v: v)
    kitchen.settings = kept
    return trial


# --- the bake -----------------------------------------------------------------------------------


def _together_too_far(kitchen: Kitchen) -> Trial:
    """All parts in one go with an offset that reaches across the gap."""
    far = 2.5 * kitchen.model.gap
    return of_bakes(kitchen, kitchen.baked(apart=False, offset=far))


def _offset_small(kitchen: Kitchen) -> Trial:
    return of_bakes(kitchen, kitchen.baked(offset=0.0015))


def _offset_large(kitchen: Kitchen) -> Trial:
    """Part by part, but so far out that the part's own far side comes in the way."""
    return of_bakes(kitchen, kitchen.baked(offset=0.6))


def _depth_small(kitchen: Kitchen) -> Trial:
    return of_bakes(kitchen, kitchen.baked(depth=0.0008))


def _object_space(kitchen: Kitchen) -> Trial:
    return of_bakes_everywhere(kitchen, kitchen.baked(space="object"))


def of_bakes_everywhere(kitchen: Kitchen, bakes: dict[int, Bake]) -> Trial:
    """Return the trial of a bake that differs all over by convention."""
    vectors = {tile: bake.vector for tile, bake in bakes.items()}
    hits = {tile: bake.hit for tile, bake in bakes.items()}
    nowhere = {tile: np.zeros(hits[tile].shape) for tile in TILES}
    return Trial(kitchen.pictures(vectors, hits), nowhere)


def _face_rays(kitchen: Kitchen) -> Trial:
    """Rays along the faces' normals, so that they part at edges and jump."""
    return of_bakes(kitchen, kitchen.baked(along="face"))


def _low_hard(kitchen: Kitchen) -> Trial:
    return of_bakes_everywhere(kitchen, kitchen.baked(low_normals="face"))


def _other_diagonals(kitchen: Kitchen) -> Trial:
    return of_bakes_everywhere(kitchen, kitchen.baked(diagonal="short"))


def _place_on(kitchen: Kitchen, part: int) -> tuple[Array, Array]:
    """Return a place on a part that shows in the map, and the distances of high vertices to it."""
    bake = kitchen.clean[1001 + part]
    low = low_set(kitchen.model, kitchen.settings)
    texels = texels_of(low, kitchen.size, bake.tile)
    k = int(kitchen.rng.integers(len(texels.x)))
    corner = low.position[texels.triangle[k]]
    place = texels.weight[k] @ corner
    return place, np.linalg.norm(kitchen.oven.high.position - place, axis=1)


def _with_high(kitchen: Kitchen, high: HighSet) -> Trial:
    oven = Oven(kitchen.model, high)
    return of_bakes(kitchen, {tile: oven.bake(kitchen.settings, tile) for tile in TILES})


def hole(kitchen: Kitchen, high: HighSet) -> HighSet:
    """Return a high poly with a hole about a twelfth of the model wide."""
    _, away = _place_on(kitchen, 0)
    near = (away[high.face] < 0.12).any(axis=1) & (high.part == 0)
    return replace(high, face=high.face[~near], part=high.part[~near])


def flipped_patch(kitchen: Kitchen, high: HighSet) -> HighSet:
    """Return a high poly with a patch whose faces were turned: its normals point inwards."""
    _, away = _place_on(kitchen, 0)
    near = (away < 0.15)[:, None]
    own = np.zeros(len(high.position), bool)
    own[high.face[high.part == 0].ravel()] = True
    normal = np.where(near & own[:, None], -high.normal, high.normal)
    return replace(high, normal=normal)


def _sculpt_changed(kitchen: Kitchen) -> Trial:
    """A place of the sculpt got other detail after the bake."""
    high = kitchen.oven.high
    place, away = _place_on(kitchen, 0)
    own = np.zeros(len(high.position), bool)
    own[high.face[high.part == 0].ravel()] = True
    reach = 0.22
    fade = np.where(own, np.clip(1 - away / reach, 0, 1) ** 2, 0.0)
    phase = 2 * np.pi * (high.position - place) @ kitchen.rng.normal(size=3) / 0.12
    moved = high.position + (0.012 * fade * np.sin(phase))[:, None] * high.normal
    changed = replace(high, position=moved, normal=smooth_normals(moved, high.face))
    return _with_high(kitchen, changed)


def _part_left_out(kitchen: Kitchen) -> Trial:
    """The second part's high poly was hidden when the map was baked."""
    high = kitchen.oven.high
    main = high.part == 0
    trial_high = replace(high, face=high.face[main], part=high.part[main])
    oven = Oven(kitchen.model, trial_high)
    settings = replace(kitchen.settings, apart=False)
    bakes = {1001: kitchen.clean[1001], 1002: oven.bake(settings, 1002)}
    return of_bakes(kitchen, bakes, (1002,))


def _high_moved(kitchen: Kitchen) -> Trial:
    """The high poly was moved a little aside since."""
    high = kitchen.oven.high
    direction = kitchen.rng.normal(size=3)
    step = 0.012 * direction / np.linalg.norm(direction)
    return _with_high(kitchen, replace(high, position=high.position + step))


def _disc(kitchen: Kitchen, tile: int, radius: float, around: Array | None = None) -> Array:
    """Return a disc of recorded texels; around : where its middle may lie, anywhere by default."""
    hit = kitchen.clean[tile].hit
    y, x = np.nonzero(hit if around is None else around)
    k = int(kitchen.rng.integers(len(y)))
    gy, gx = np.mgrid[: kitchen.size, : kitchen.size]
    return (np.hypot(gy - y[k], gx - x[k]) <= radius * kitchen.size) & hit


def paint_over(kitchen: Kitchen, vectors: dict[int, Array]) -> None:
    """Paint one colour over a place, as somebody did."""
    lean = np.array([0.4, -0.3, 0.0])
    lean[2] = np.sqrt(1 - lean @ lean)
    vectors[1001][_disc(kitchen, 1001, 0.08)] = lean


def _painted(kitchen: Kitchen) -> Trial:
    vectors = kitchen.vectors()
    paint_over(kitchen, vectors)
    return of_vectors(kitchen, vectors)


def _noisy(kitchen: Kitchen) -> Trial:
    """Scatter from texel to texel, as random samples that are too few leave."""
    vectors = kitchen.vectors()
    for tile in TILES:
        scattered = vectors[tile] + 0.16 * kitchen.rng.normal(size=vectors[tile].shape)
        scattered /= np.linalg.norm(scattered, axis=2, keepdims=True)
        vectors[tile] = np.where(kitchen.clean[tile].hit[..., None], scattered, 0)
    return of_vectors(kitchen, vectors)


def _slid(kitchen: Kitchen) -> Trial:
    """Rays that all lean one way over a place: its detail slides by some texels.

    A place within the largest island. Where whole islands slide, the picture is one of islands
    that were moved, and nothing in it tells which it was.
    """
    vectors = kitchen.vectors()
    hit = kitchen.clean[1001].hit
    names, _ = label(hit)
    island = names == int(np.bincount(names[hit]).argmax())
    patch = _disc(kitchen, 1001, 0.12, island) & island
    gy, gx = np.mgrid[: kitchen.size, : kitchen.size].astype(float)
    at = [gy, gx - 0.012 * kitchen.size]
    world = kitchen.clean[1001].world
    moved = np.stack(
        [map_coordinates(world[..., k], at, order=1, mode="nearest") for k in range(3)], axis=-1
    )
    # The surface slides, so its normals are put into the frames of where they end up.
    length = np.linalg.norm(moved, axis=2)
    patch &= length > 0.9
    low = low_set(kitchen.model, kitchen.settings)
    t = texels_of(low, kitchen.size, 1001)
    held = kitchen.oven.encode(low, t, moved[t.y, t.x])
    rows = patch[t.y, t.x]
    vectors[1001][t.y[rows], t.x[rows]] = held[rows]
    return of_vectors(kitchen, vectors)


def _island_moved(kitchen: Kitchen) -> Trial:
    """One island was moved by nine texels after the bake: of the tiles' largest the one that shows.

    The map still has it where it was, so the map's picture is moved back under it.
    """
    trials = [_moved_on(kitchen, tile) for tile in TILES]
    return max(trials, key=lambda trial: sum(int(p.sum()) for p in trial.place.values()))


def _moved_on(kitchen: Kitchen, tile: int) -> Trial:
    vector, hit = kitchen.clean[tile].vector, kitchen.clean[tile].hit
    names, _ = label(hit)
    island = names == int(np.bincount(names[hit]).argmax())
    moved_vector = np.roll(vector * island[..., None], (-9, 0), axis=(1, 0))
    moved_island = np.roll(island, (-9, 0), axis=(1, 0))
    out = np.where(moved_island[..., None], moved_vector, np.where(island[..., None], 0, vector))
    vectors = kitchen.vectors()
    vectors[tile] = out
    hits = {t: kitchen.clean[t].hit for t in TILES}
    hits[tile] = moved_island | (hit & ~island)
    place = {t: np.zeros(hit.shape) for t in TILES}
    place[tile] = kitchen.differs(tile, out, hits[tile])
    return Trial(kitchen.pictures(vectors, hits), place)


def tilt_island(kitchen: Kitchen, vectors: dict[int, Array]) -> None:
    """Shade one island by a frame that was turned, so that its seams show."""
    hit = kitchen.clean[1001].hit
    names, _ = label(hit)
    island = names == int(np.bincount(names[hit]).argmax())
    c, s = np.cos(np.radians(8.0)), np.sin(np.radians(8.0))
    turn = np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])
    vectors[1001][island] = vectors[1001][island] @ turn.T


def _seam_tilted(kitchen: Kitchen) -> Trial:
    vectors = kitchen.vectors()
    tilt_island(kitchen, vectors)
    return of_vectors(kitchen, vectors)


@dataclass(frozen=True)
class Cause:
    """A cause: its name, the codes that name it rightly, how it is made.

    everywhere : it befalls the whole map, so that no place is asked for. not_on : models on which
    it changes nothing: the low polys of the open meshes have no quads to cut, and on the kit no
    other fold of a part comes in the way of a ray.
    """

    name: str
    codes: tuple[str, ...]
    make: Callable[[Kitchen], Trial]
    everywhere: bool = False
    not_on: tuple[str, ...] = ()


CAUSES = (
    Cause("green flipped", ("green-flipped",), _geometry(inverted(1)), True),
    Cause("red flipped", ("red-flipped",), _geometry(inverted(0)), True),
    Cause("blue flipped", ("blue-flipped",), _geometry(inverted(2)), True),
    Cause("channels swapped", ("channels-swapped",), _geometry(lambda v: v[..., [1, 0, 2]]), True),
    Cause("no blue", ("two-channels",), _geometry(_no_blue), True),
    Cause("X in alpha", ("x-in-alpha",), _x_in_alpha, True),
    Cause("premultiplied alpha", ("premultiplied-alpha",), _premultiplied, True),
    Cause("taken for a colour", ("srgb",), _geometry(bent(linear_to_srgb)), True),
    Cause("made linear", ("srgb",), _geometry(bent(_srgb_to_linear)), True),
    Cause("strength doubled", ("strength",), _geometry(strength(2.0)), True),
    Cause("strength halved", ("strength",), _geometry(strength(0.5)), True),
    Cause("flat", ("flat",), _geometry(_flat), True),
    Cause("five bits", ("banding",), _geometry(_few_bits), True),
    Cause("8 bits in 16", ("banding",), _geometry(_sixteen_of_eight), True),
    Cause("lossy blocks", ("lossy-blocks",), _jpeg, True),
    Cause("halved and back", ("rescaled",), _there_and_back(0.5), True),
    Cause("0.7 and back", ("rescaled",), _there_and_back(0.7), True),
    Cause("V flipped", ("v-flipped",), _geometry(lambda v: v[::-1]), True),
    Cause("turned by 90", ("rotated",), _geometry(lambda v: np.rot90(v)), True),
    Cause("mirrored", ("mirrored",), _geometry(lambda v: v[:, ::-1]), True),
    Cause("shifted", ("shifted",), _shifted, True),
    Cause("tiles swapped", ("wrong-tile",), tiles_swapped, True),
    Cause("object space", ("object-space",), _object_space, True),
    Cause("low poly faceted", ("low-normals",), _low_hard, True),
    Cause("other diagonals", ("triangulation",), _other_diagonals, True, ("organic", "scan")),
    Cause("padding missing", ("bare",), _thin_padding, True),
    Cause("noise", ("scatter",), _noisy, True),
    Cause("baked together", ("shows-part",), _together_too_far),
    Cause(
        "offset too small", ("missed-tight", "missed-under-cage", "started-beneath"), _offset_small
    ),
    Cause(
        "offset too large", ("shows-layer", "shows-part"), _offset_large, not_on=("hard surface",)
    ),
    Cause("depth too small", ("missed-deep",), _depth_small),
    Cause("rays along faces", ("ray-directions",), _face_rays, True),
    Cause(
        "hole",
        ("missed-in-reach", "missed-within-depth", "missed-nothing"),
        lambda kitchen: _with_high(kitchen, hole(kitchen, kitchen.oven.high)),
    ),
    Cause(
        "flipped patch",
        ("turned-inward",),
        lambda kitchen: _with_high(kitchen, flipped_patch(kitchen, kitchen.oven.high)),
    ),
    Cause("sculpt changed", ("differs",), _sculpt_changed),
    Cause("part left out", ("part-left-out",), _part_left_out),
    Cause("high poly moved", ("high-moved",), _high_moved),
    Cause("painted over", ("painted-over",), _painted),
    Cause("slid", ("slid",), _slid),
    Cause("island moved", ("island-moved",), _island_moved),
    Cause("seam", ("seam-apart", "frame-turned"), _seam_tilted),
)


# --- clean variants -----------------------------------------------------------------------------


def _supersampled(k: int) -> Callable[[Kitchen], list[Picture]]:
    def make(kitchen: Kitchen) -> list[Picture]:
        bakes = kitchen.baked(samples=k)
        return kitchen.pictures(
            {t: b.vector for t, b in bakes.items()}, {t: b.hit for t, b in bakes.items()}
        )

    return make


def _dithered(kitchen: Kitchen) -> list[Picture]:
    out = []
    for tile in TILES:
        vector = filled(kitchen.clean[tile].vector, kitchen.clean[tile].hit, 16)
        noise = kitchen.rng.random(vector.shape) - 0.5
        values = np.clip(np.rint((vector + 1) / 2 * 255 + noise), 0, 255).astype(np.uint8)
        out.append(Picture(tile, values))
    return out


def _filtered(change: Callable[[Array], Array]) -> Callable[[Kitchen], list[Picture]]:
    """A filter over the vectors, padding included, made unit again."""

    def make(kitchen: Kitchen) -> list[Picture]:
        out = []
        for tile in TILES:
            vector = filled(kitchen.clean[tile].vector, kitchen.clean[tile].hit, 16)
            vector = change(vector)
            vector = vector / np.linalg.norm(vector, axis=2, keepdims=True)
            out.append(Picture(tile, eight_bits(vector)))
        return out

    return make


def _mip(vector: Array) -> Array:
    """A box over 2 x 2 of twice the size would be supersampling; here a tent over 3 x 3."""
    kernel = np.array([1.0, 2.0, 1.0]) / 4
    for axis in (0, 1):
        vector = convolve1d(vector, kernel, axis=axis, mode="nearest")
    return vector


def _widely_padded(kitchen: Kitchen) -> list[Picture]:
    kept = kitchen.settings
    kitchen.settings = replace(kept, padding=kitchen.size)
    out = kitchen.pictures()
    kitchen.settings = kept
    return out


def _sixteen(kitchen: Kitchen) -> list[Picture]:
    return [
        Picture(
            tile,
            np.rint(
                (filled(kitchen.clean[tile].vector, kitchen.clean[tile].hit, 16) + 1) / 2 * 65535
            ).astype(np.uint16),
        )
        for tile in TILES
    ]


CLEAN = {
    "plain": lambda kitchen: kitchen.pictures(),
    "16 bits": _sixteen,
    "2 x 2 samples": _supersampled(2),
    "4 x 4 samples": _supersampled(4),
    "dithered": _dithered,
    "mip-filtered": _filtered(_mip),
    "denoised": _filtered(lambda v: gaussian_filter(v, (0.6, 0.6, 0))),
    "padded to the rim": _widely_padded,
}

# Variants whose texels mix what was recorded beside them.
MIXED = ("2 x 2 samples", "4 x 4 samples", "mip-filtered", "denoised")

__all__ = ["CAUSES", "CLEAN", "MIXED", "Cause", "Kitchen", "Picture", "Trial"]
