"""Crossings and targets of two casts as one, against the same put together ray by ray."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.defects.splice import of_rays, splice
from cagecheck.defects.targets import Targets
from cagecheck.rays.layers import NO_LAYER, Layers

Cast = tuple[Layers, Targets]


def random_cast(rng: np.random.Generator, rays: int) -> Cast:
    """Rays with 0 to 4 crossings, and some targets."""
    count = rng.integers(0, 5, rays)
    first = np.concatenate([[0], np.cumsum(count)])
    n = int(first[-1])
    layers = Layers(
        first, rng.random(n), rng.integers(0, 99, n).astype(np.int32), rng.random(n) < 0.5,
        rng.random(rays), rng.random(rays),
    )  # fmt: skip
    some = (count > 0) & (rng.random(rays) < 0.7)
    at = first[:-1] + rng.integers(0, 5, rays) % np.maximum(count, 1)
    layer = np.where(some, at, NO_LAYER)
    targets = Targets(layers, layer, rng.random(n) < 0.5, rng.random(rays) < 0.5)
    return layers, targets


def of_ray(cast: Cast, ray: int) -> list[object]:
    """All that is known of one ray; crossings counted from its own first."""
    layers, t = cast
    a, b = layers.first[ray], layers.first[ray + 1]

    def own(at: int) -> int:
        return int(at if at == NO_LAYER else at - a)

    return [
        layers.t[a:b].tolist(), layers.face[a:b].tolist(), layers.front[a:b].tolist(),
        t.belongs[a:b].tolist(), layers.depth[ray], layers.reach[ray], own(t.layer[ray]),
        bool(t.doubtful[ray]),
    ]  # fmt: skip


@pytest.mark.parametrize("old, new", [(0, 40), (40, 0), (50, 30), (90_000, 70_000)])
def test_every_ray_is_that_of_its_cast(old: int, new: int) -> None:
    rng = np.random.default_rng([old, new])
    casts = random_cast(rng, old), random_cast(rng, new)
    source = rng.integers(0, old + new, old + new)
    both = splice(*casts, source)
    assert len(both[0]) == len(source) and both[1].layers is both[0]
    for ray in rng.choice(len(source), 40, replace=False):
        asked = source[ray]
        cast, k = (casts[0], asked) if asked < old else (casts[1], asked - old)
        assert of_ray(both, int(ray)) == of_ray(cast, int(k))


def test_some_rays_of_a_cast_in_any_order() -> None:
    rng = np.random.default_rng(4)
    cast = random_cast(rng, 60)
    rays = np.array([7, 3, 3, 59, 0])
    some = of_rays(cast, rays)
    assert [of_ray(some, k) for k in range(5)] == [of_ray(cast, int(k)) for k in rays]
    none = of_rays(cast, rays[:0])
    assert len(none[0]) == 0 and len(none[1].belongs) == 0
