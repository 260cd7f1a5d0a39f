"""Double-sided cards: single, crossing, stacked; sides share their vertices or have their own."""

from __future__ import annotations

import numpy as np

from tests.scenes.families.plants import maybe
from tests.scenes.families.scene import Builder, FamilyScene, Height, posed, waves
from tests.scenes.families.shapes import card, placed


def flat(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    return np.stack([u - 0.5, 1.4 * (v - 0.5), 0 * u], axis=-1)


def bent(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    return np.stack([u - 0.5, 1.4 * (v - 0.5), 0.15 * np.cos(2 * u - 1)], axis=-1)


def _hair(rng: np.random.Generator, detail: float) -> Height:
    wave = waves(rng, 0.3)

    def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
        # Never zero, so that the two sides stay apart.
        return detail * (0.55 + 0.45 * wave(p + 3.0 * group[:, None]))

    return height


def _about_y(angle: float) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])


def _cards(family: str, seed: int, stream: int, places: list, shared: bool) -> FamilyScene:
    rng = np.random.default_rng([seed, stream, 1])
    builder = Builder(family, seed)
    detail = rng.uniform(0.005, 0.02)
    surface = bent if len(places) == 1 and rng.random() < 0.5 else flat
    for turn, shift in places:
        piece = placed(card(surface, 4, 6, shared), turn, shift)
        ones = np.ones(len(piece.positions))
        cuts = int(rng.integers(4, 7))
        builder.add(piece, cuts, _hair(rng, detail), window=ones, apart=True)
    distance = detail * rng.uniform(1.1, 2.2)
    return posed(maybe(builder.scene(distance, distance), rng, "flipped", "hole", "tight"), rng)


def single_card(seed: int) -> FamilyScene:
    rng = np.random.default_rng([seed, 4])
    return _cards("card", seed, 4, [(np.eye(3), np.zeros(3))], bool(rng.random() < 0.5))


def crossing_cards(seed: int) -> FamilyScene:
    rng = np.random.default_rng([seed, 5])
    count = int(rng.integers(2, 4))
    angles = np.arange(count) * np.pi / count + rng.uniform(-0.15, 0.15, count)
    places = [(_about_y(a), rng.uniform(-0.1, 0.1, 3)) for a in angles]
    return _cards("crossing cards", seed, 5, places, bool(rng.random() < 0.5))


def stacked_cards(seed: int) -> FamilyScene:
    """Cards on top of each other, some nearer than the cage is far."""
    rng = np.random.default_rng([seed, 6])
    height = np.cumsum(rng.uniform(0.03, 0.08, int(rng.integers(2, 5))))
    places = [(np.eye(3), np.array([*rng.uniform(-0.2, 0.2, 2), z])) for z in height]
    return _cards("stacked cards", seed, 6, places, bool(rng.random() < 0.5))
