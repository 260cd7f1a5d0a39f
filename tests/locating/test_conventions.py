"""The pieces of `locate`, each against a value known by construction."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from cagecheck.locating.conventions import (
    TURNS,
    Reading,
    Sampled,
    convention_faults,
    decode_srgb,
    encode_srgb,
    find_reading,
    turned,
)
from cagecheck.locating.finer_conventions import _best_choice
from cagecheck.locating.first_look import _blue_computed
from cagecheck.locating.levels import level_fault
from cagecheck.locating.padding_check import check_padding
from cagecheck.locating.patterns import find_shifts
from cagecheck.locating.read_maps import BakedMap
from cagecheck.locating.seam_check import seam_samples
from cagecheck.maps.encode import BasisRule
from cagecheck.maps.pad import needed_padding
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons

RNG = np.random.default_rng(8)
SIZE = 64


def bumpy(seed: int, size: int = SIZE) -> np.ndarray:
    """Unit normals of a smooth random height field without symmetries, (size, size, 3)."""
    rng = np.random.default_rng(seed)
    lean = np.stack([gaussian_filter(rng.normal(size=(size, size)), 2.5) for _ in range(2)], -1)
    lean *= 0.35 / lean.std()
    n = np.concatenate([lean, np.ones((size, size, 1))], axis=-1)
    return n / np.linalg.norm(n, axis=2, keepdims=True)


def sampled(normals: np.ndarray, tile: int = 1001) -> Sampled:
    size = len(normals)
    y, x = (a.ravel().astype(np.int32) for a in np.indices((size, size)))
    n = normals.reshape(-1, 3)
    # World space is another fixed frame: object-space maps differ from tangent-space ones.
    world = n @ np.linalg.qr(np.random.default_rng(1).normal(size=(3, 3)))[0]
    return Sampled(tile, size, x, y, np.zeros(len(x), np.int32), np.zeros((len(x), 3)), world, n)


def test_turns_undo_what_they_name() -> None:
    picture = RNG.random((5, 5, 3))
    planted = {
        0: picture,
        1: picture[::-1],
        2: picture[:, ::-1],
        3: np.rot90(picture, 2),
        4: np.rot90(picture, -1),
        5: np.rot90(picture, 1),
        6: np.swapaxes(picture, 0, 1),
        7: np.rot90(np.swapaxes(picture, 0, 1), 2),
    }
    assert len(planted) == len(TURNS)
    for turn, stored in planted.items():
        assert np.array_equal(turned(stored, turn), picture), TURNS[turn]


def test_srgb_curve_is_the_standard_one() -> None:
    # IEC 61966-2-1: the two pieces meet at 0.0031308; 0.5 linear is 0.735357 encoded.
    assert encode_srgb(np.array([0.0, 1.0, 0.5])) == pytest.approx([0, 1, 0.735357], abs=1e-6)
    values = np.linspace(0, 1, 300)
    assert np.allclose(decode_srgb(encode_srgb(values)), values, atol=1e-6)


EVERY_WAY = list(
    itertools.product(
        range(8), ("plain", "srgb-encoded", "srgb-decoded"), [(0, 1, 2), (1, 0, 2), (2, 1, 0)],
        [(1, 1, 1), (1, -1, 1), (-1, 1, 1)],
    )
)  # fmt: skip


@pytest.mark.parametrize("number", RNG.choice(len(EVERY_WAY), 14, replace=False))
def test_any_mixture_of_conventions_is_read_back(number: int) -> None:
    turn, transfer, channels, signs = EVERY_WAY[number]
    right, other = sampled(bumpy(1)), sampled(bumpy(2), 1002)
    planted = Reading(1001, turn, transfer, "tangent", channels, signs)  # type: ignore[arg-type]
    stored = np.empty((SIZE, SIZE, 3))
    for k in range(3):
        stored[..., channels[k]] = signs[k] * bumpy(1)[..., k]
    share = (stored + 1) / 2
    if transfer != "plain":
        share = (encode_srgb if transfer == "srgb-encoded" else decode_srgb)(share)
    inverse = {4: 5, 5: 4}.get(turn, turn)
    shares = np.ascontiguousarray(turned(share, inverse)).astype(np.float32)
    found = find_reading(shares, [other, right], None)
    assert (found.tile, found.turn, found.transfer) == (1001, turn, transfer)
    assert (found.space, found.channels, found.signs) == ("tangent", channels, signs)
    assert np.allclose(found.vectors(shares), bumpy(1), atol=1e-4)
    assert planted.oddities == found.oddities


def test_object_space_is_recognised_with_its_axes() -> None:
    right = sampled(bumpy(3))
    world = right.world.reshape(SIZE, SIZE, 3)
    stored = np.stack([world[..., 0], world[..., 2], -world[..., 1]], axis=-1)
    found = find_reading(((stored + 1) / 2).astype(np.float32), [right], 1001)
    assert found.space == "object"
    assert found.channels == (0, 2, 1) and found.signs == (1, -1, 1)


def test_a_flip_and_a_turn_are_one_mirroring() -> None:
    """Why `mirrored` cannot say more: the group of the square has eight members (D4)."""
    picture = RNG.random((5, 5, 3))
    mirrorings = {turn: turned(picture, turn) for turn in (1, 2, 6, 7)}
    for quarter in (3, 4, 5):
        both = turned(turned(picture, 1), quarter)
        same = [turn for turn, other in mirrorings.items() if np.array_equal(both, other)]
        assert len(same) == 1 and same != [1]
        (fault,) = convention_faults(Reading(1001, turn=same[0]), None)
        assert fault.code == "mirrored" and "V flipped and turned by" in fault.text


@pytest.mark.parametrize(
    ("channels", "signs", "more"),
    [
        ((0, 1, 2), (1, 1, 1), []),
        ((0, 2, 1), (1, 1, -1), []),  # z-up against y-up: the axes are turned, not mirrored
        ((1, 2, 0), (1, 1, 1), []),
        ((0, 1, 2), (-1, -1, 1), []),
        ((0, 1, 2), (1, -1, 1), ["green-flipped"]),
        ((0, 1, 2), (-1, 1, 1), ["red-flipped"]),
        ((0, 1, 2), (1, 1, -1), ["blue-flipped"]),
        ((1, 0, 2), (1, 1, 1), ["channels-swapped"]),
        ((0, 2, 1), (1, 1, 1), ["channels-swapped"]),
        ((1, 2, 0), (1, 1, -1), ["mirrored-axes"]),
        ((0, 1, 2), (-1, -1, -1), ["mirrored-axes"]),
    ],
)
def test_object_space_axes_may_turn_but_not_mirror(
    channels: tuple[int, int, int], signs: tuple[int, int, int], more: list[str]
) -> None:
    reading = Reading(1001, space="object", channels=channels, signs=signs)
    assert [f.code for f in convention_faults(reading, None)] == ["object-space", *more]


def test_a_basis_that_differs_at_few_texels_must_fit_them_far_better() -> None:
    n = 5000
    plain = np.tile([0.0, 0, 1], (n, 1))
    for rows, wrong, chosen in ((20, 20.0, 1), (20, 2.0, 0), (5, 20.0, 0), (400, 2.0, 1)):
        other = plain.copy()
        other[:rows] = [0, np.sin(np.radians(wrong)), np.cos(np.radians(wrong))]
        mine = np.full(n, 0.2)
        mine[:rows] = 0.9
        theirs = np.full(n, 0.2)
        theirs[:rows] = wrong
        choices = [
            (Reading(1001), plain, theirs),
            (Reading(1001, basis=BasisRule("face")), other, mine),
        ]
        assert _best_choice(choices) == chosen, (rows, wrong)


def test_a_map_without_blue_gets_it_from_red_and_green() -> None:
    shares = ((bumpy(3) + 1) / 2).astype(np.float32)
    empty = shares.copy()
    empty[..., 2] = 1.0
    fault = _blue_computed(empty)
    assert fault is not None and fault.code == "two-channels"
    assert np.abs(empty - shares).max() < 1e-5
    assert _blue_computed(shares.copy()) is None
    flat = np.tile(np.float32([128, 128, 255]) / 255, (8, 8, 1))
    assert _blue_computed(flat) is None


def test_a_flat_map_is_read_the_plain_way() -> None:
    flat = np.zeros((SIZE, SIZE, 3))
    flat[..., 2] = 1
    found = find_reading(((flat + 1) / 2).astype(np.float32), [sampled(flat)], 1001)
    assert found.oddities == 0 and found.agreement > 0.99


def test_another_pictures_map_agrees_with_nothing() -> None:
    noise = RNG.random((SIZE, SIZE, 3)).astype(np.float32)
    assert find_reading(noise, [sampled(bumpy(1))], 1001).agreement < 0.25


def baked(values: np.ndarray, half: bool = False) -> BakedMap:
    return BakedMap(Path("made.exr"), None, values, None, half)


def smooth(size: int = 256, lean: float = 0.35) -> np.ndarray:
    """Shares of a smooth normal map."""
    n = bumpy(2, size) * [lean / 0.35, lean / 0.35, 1]
    return (n / np.linalg.norm(n, axis=2, keepdims=True) + 1) / 2


def test_levels() -> None:
    fine = RNG.integers(0, 65536, (128, 128, 3)).astype(np.uint16)
    assert level_fault(baked(fine)) is None
    coarse = (RNG.integers(0, 256, (128, 128, 3)) * 257).astype(np.uint16)
    fault = level_fault(baked(coarse))
    assert fault is not None and "16 bits" in fault.text
    assert level_fault(baked((coarse // 257).astype(np.uint8))) is None
    poster = (RNG.integers(0, 32, (128, 128, 3)) * 8).astype(np.uint8)
    fault = level_fault(baked(poster))
    assert fault is not None and "33 steps" in fault.text


STORED = {
    "16 bits": lambda share: baked(np.rint(share * 65535).astype(np.uint16)),
    "16 bits (half float)": lambda share: baked(
        share.astype(np.float16).astype(np.float32), half=True
    ),
    "32 bits (float)": lambda share: baked(share.astype(np.float32)),
}


@pytest.mark.parametrize("depth", STORED)
@pytest.mark.parametrize("signed", [False, True])
def test_eight_bit_steps_are_told_in_every_depth(depth: str, signed: bool) -> None:
    if signed and depth == "16 bits":
        pytest.skip("whole numbers hold no signed components")
    store = STORED[depth]
    share = smooth()
    assert store(share).depth_words == depth

    def kept(values: np.ndarray) -> BakedMap:
        return store(values * 2 - 1 if signed else values)

    assert level_fault(kept(share)) is None
    for steps, middle in ((255, 0.0), (256, 0.0), (254, 0.5)):
        banded = np.rint((share - middle) * steps) / steps + middle
        fault = level_fault(kept(banded))
        assert fault is not None and f"{depth} a channel" in fault.text, (steps, middle)


@pytest.mark.parametrize("depth", STORED)
def test_a_shallow_or_faceted_map_has_fine_steps_all_the_same(depth: str) -> None:
    # Leans of a degree stay within a few 8-bit steps, but use finer ones.
    assert level_fault(STORED[depth](smooth(lean=0.01))) is None
    normals = np.random.default_rng(5).normal(size=(24, 3)) * [0.4, 0.4, 0.1] + [0, 0, 1]
    facets = (normals / np.linalg.norm(normals, axis=1, keepdims=True) + 1) / 2
    assert level_fault(STORED[depth](np.repeat(facets, 1000, axis=0).reshape(150, 160, 3))) is None


def test_steps_are_told_behind_an_srgb_curve() -> None:
    bent = decode_srgb(np.rint(smooth() * 255) / 255)
    fault = level_fault(STORED["16 bits"](bent), "srgb-decoded")
    assert fault is not None and fault.code == "banding"


@pytest.mark.parametrize("shift", [(4, 0), (-3, 5), (0, -7), (1, 1)])
def test_registration_finds_the_planted_shift(shift: tuple[int, int]) -> None:
    expected = bumpy(4, 96).astype(np.float32)
    right, down = shift
    shown = np.roll(expected, (down, right), axis=(0, 1))
    ask = np.zeros((96, 96), bool)
    ask[40:56, 40:56] = True
    moved, found = find_shifts(shown, expected, np.ones((96, 96), bool), ask)
    assert moved[40:56, 40:56].all()
    assert np.all(found[44:52, 44:52] == [right, down])


def test_registration_leaves_unrelated_pictures_alone() -> None:
    ask = np.zeros((96, 96), bool)
    ask[40:56, 40:56] = True
    moved, _ = find_shifts(
        bumpy(5, 96).astype(np.float32), bumpy(6, 96).astype(np.float32),
        np.ones((96, 96), bool), ask,
    )  # fmt: skip
    assert not moved.any()


@pytest.mark.parametrize("width", [0, 1, 3, 8])
def test_padding_is_measured(width: int) -> None:
    from cagecheck.maps.pad import padded

    island = np.zeros((64, 64), bool)
    island[20:44, 20:44] = True
    values = np.where(island[..., None], np.float32([0.8, 0.4, 0.9]), np.float32([0.5, 0.5, 1.0]))
    found = check_padding(padded(values, island, width), island, 4)
    assert found.width == min(width, 4)
    assert found.too_thin == (width < 4)
    assert np.allclose(found.background, [0.5, 0.5, 1.0], atol=1 / 255)
    assert needed_padding(4096) == 16


def test_seam_samples_face_each_other() -> None:
    # Two squares that share an edge in space but lie apart in the UVs.
    p = np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0], [0, 1, 0], [1, 1, 0], [2, 1, 0]], float)
    quads = [[0, 1, 4, 3], [1, 2, 5, 4]]
    uv = np.array(
        [[0.1, 0.1], [0.4, 0.1], [0.4, 0.4], [0.1, 0.4], [0.6, 0.6], [0.9, 0.6], [0.9, 0.9],
         [0.6, 0.9]]
    )  # fmt: skip
    low = prepare_low(mesh_from_polygons(p, quads, uv=uv))
    found = seam_samples(low, 100)
    # 30 texels of seam, a pair every two.
    assert len(found.edge) in (15, 16) and len(np.unique(found.edge)) == 1
    left = found.x[:, 0] < 50
    x = np.where(left[:, None], found.x, found.x[:, ::-1])
    y = np.where(left[:, None], found.y, found.y[:, ::-1])
    # One texel inside the right border of the first square, the left border of the second.
    assert np.all(x[:, 0] == 39) and np.all(x[:, 1] == 60)
    height = np.stack([1 - (y[:, 0] + 0.5) / 100 - 0.1, 1 - (y[:, 1] + 0.5) / 100 - 0.6])
    assert np.abs(height[0] - height[1]).max() < 1.01 / 100
