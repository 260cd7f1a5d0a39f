"""Tuning from a cage that is there: what is right stays to the bit, what is wrong is mended."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cagecheck.errors import InputError
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, join_meshes
from cagecheck.predicting.settings import Settings
from cagecheck.rays.cage import Cage, cage_from_mesh, cage_from_push
from cagecheck.tuning.kept_offsets import kept_offsets
from cagecheck.tuning.start import start_of
from cagecheck.tuning.tune import tune
from tests.scenes.tuning import sheet, surface_of
from tests.tuning.test_tune import left

QUICK = Settings(samples=3000, unseen_points=0, depth=0.05, reach=0.3)
HIGH = 0.02


def two_plates() -> tuple[LowPoly, Surface, np.ndarray]:
    """Two flat plates 0.5 apart; the surface of each lies `HIGH` above it."""
    parts = [
        replace(sheet(4, lambda x, y, z=z: 0 * x + z), part_names=(name,))  # type: ignore[misc]
        for name, z in (("a", 0.0), ("b", 0.5))
    ]
    surfaces = [sheet(8, lambda x, y, z=z: 0 * x + z + HIGH) for z in (0.0, 0.5)]  # type: ignore[misc]
    return prepare_low(join_meshes(parts)), surface_of(*surfaces), np.eye(2, dtype=bool)


def of_part(low: LowPoly, name: str) -> np.ndarray:
    out = np.zeros(low.mesh.vertex_count, bool)
    out[low.triangles[low.triangle_part == low.part_names.index(name)]] = True
    return out


def uneven(low: LowPoly, least: float, most: float) -> Cage:
    rng = np.random.default_rng(4)
    return cage_from_push(low, rng.uniform(least, most, low.mesh.vertex_count))


def test_a_cage_that_is_right_comes_back_to_the_bit() -> None:
    low, high, paired = two_plates()
    cage = uneven(low, 0.03, 0.06)
    result = tune(low, high, paired=paired, settings=QUICK, cage=cage, start=cage)
    assert left(result) == 0
    assert result.cage.positions is not None and cage.positions is not None
    assert result.cage.positions.tobytes() == cage.positions.tobytes()
    assert result.cage.displacement.tobytes() == cage.displacement.tobytes()
    notice = next(n for n in result.notices if n.code == "begun-from-cage")
    assert notice.count == 0


def test_a_cage_moved_sideways_comes_back_to_the_bit_too() -> None:
    low, high, paired = two_plates()
    rng = np.random.default_rng(2)
    shift = np.column_stack(
        [*rng.uniform(-0.01, 0.01, (2, low.mesh.vertex_count)), np.full(len(low.positions), 0.04)]
    )
    cage = cage_from_mesh(low, low.mesh.with_positions(low.positions + shift))
    result = tune(low, high, paired=paired, settings=QUICK, start=cage)
    assert result.cage.positions is not None and cage.positions is not None
    assert result.cage.positions.tobytes() == cage.positions.tobytes()
    assert result.offset_out == pytest.approx(np.linalg.norm(shift, axis=1))
    assert any(n.code == "own-directions" for n in result.notices)
    # An artist's direction is kept where the vertex has to go further out as well.
    low_cage = cage_from_mesh(low, low.mesh.with_positions(low.positions + 0.3 * shift))
    risen = tune(low, high, paired=paired, settings=QUICK, start=low_cage)
    assert left(risen) == 0 and risen.cage.positions is not None
    moved = risen.cage.positions - low.positions
    assert np.abs(np.cross(moved, shift)).max() < 1e-12


def test_a_cage_wrong_at_one_part_changes_only_there() -> None:
    low, high, paired = two_plates()
    offsets = np.where(of_part(low, "b"), 0.01, 0.04)
    cage = cage_from_push(low, offsets)
    result = tune(low, high, paired=paired, settings=QUICK, cage=cage, start=cage)
    a, b = of_part(low, "a"), of_part(low, "b")
    assert left(result) == 0
    assert result.cage.positions is not None and cage.positions is not None
    assert result.cage.positions[a].tobytes() == cage.positions[a].tobytes()
    # The least change over a flat surface is up to it, and a margin.
    assert result.offset_out[b] == pytest.approx(HIGH + result.margin, abs=1e-6)


def test_what_is_kept_stays_though_it_is_wrong() -> None:
    low, high, paired = two_plates()
    cage = cage_from_push(low, np.full(low.mesh.vertex_count, 0.01))
    keep = kept_offsets(["part:b"], low, cage)
    assert np.array_equal(np.isfinite(keep), of_part(low, "b"))
    result = tune(low, high, paired=paired, settings=QUICK, start=cage, keep=keep)
    b = of_part(low, "b")
    assert (result.offset_out[b] == 0.01).all() and (result.offset_out[~b] > HIGH).all()
    assert np.array_equal(result.kept, b)


def test_names_that_are_not_there_and_cages_that_crack_are_refused_in_words() -> None:
    low, _, _ = two_plates()
    cage = cage_from_push(low, np.full(low.mesh.vertex_count, 0.01))
    with pytest.raises(InputError, match="no part named 'c'"):
        kept_offsets(["part:c"], low, cage)
    with pytest.raises(InputError, match="no material named 'skin'"):
        kept_offsets(["material:skin"], low, cage)
    with pytest.raises(InputError, match="no cage to keep it at"):
        kept_offsets(["part:a"], low, None)
    # Two quads that weld along a side but have vertices of their own there.
    one = sheet(1, lambda x, y: 0 * x)
    other = replace(one, positions=one.positions + [1.0, 0.0, 0.0])
    joined = prepare_low(join_meshes([one, other]))
    moved = joined.positions + [0, 0, 0.02]
    moved[4:] += [0, 0, 0.01]
    assert joined.position_count < joined.mesh.vertex_count
    with pytest.raises(InputError, match="different ways"):
        start_of(joined, cage_from_mesh(joined, joined.mesh.with_positions(moved)))
