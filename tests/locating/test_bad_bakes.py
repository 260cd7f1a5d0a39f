"""Bad bakes by a baker that shares no code with the package: the first cause told is the right one.

The hard-surface kit only, at a small size; `scripts/bad_bakes.py` runs all causes on three models.
"""

from __future__ import annotations

from copy import copy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cagecheck.locating.beside_maps import BesideMap, beside_map
from cagecheck.locating.locate import LocateSettings, Location, locate
from cagecheck.meshes.mesh import Mesh
from cagecheck.rays.scene import Scene
from scripts.bad_bakes import Bench, as_inputs, as_maps, overlap, strays_of_bake
from tests.bad_bakes.beside import BESIDE
from tests.bad_bakes.combined import COMBINED
from tests.bad_bakes.faults import CAUSES, CLEAN, Kitchen, Picture
from tests.bad_bakes.known_settings import KNOWN
from tests.bad_bakes.models import hard_surface
from tests.bad_bakes.pieces import Model

pytestmark = pytest.mark.long

SIZE, SEED = 256, 0
# All of them, on three kinds of mesh, are in docs/evidence_locate.md.
CHOSEN = (
    "strength halved", "shifted", "rays along faces", "depth too small", "hole", "flipped patch",
    "part left out", "baked together", "offset too small",
)  # fmt: skip
CAUSE = {cause.name: cause for cause in CAUSES}


@pytest.fixture(scope="module")
def model() -> Model:
    return hard_surface(SEED)


@pytest.fixture(scope="module")
def inputs(model: Model) -> tuple[Mesh, Scene]:
    return as_inputs(model)


@pytest.fixture(scope="module")
def kitchen(model: Model) -> Kitchen:
    return Kitchen(model, SIZE, np.random.default_rng(SEED))


def located(
    model: Model,
    inputs: tuple[Mesh, Scene],
    pictures: list[Picture],
    beside: tuple[BesideMap, ...] = (),
) -> Location:
    settings = LocateSettings(offset=model.offset, depth=model.depth, apart=True)
    low, scene = inputs
    return locate(
        as_maps(pictures), low, scene, paired=np.eye(2, dtype=bool), beside=beside,
        settings=settings,
    )  # fmt: skip


@pytest.mark.parametrize("name", CHOSEN)
def test_the_first_cause_is_the_right_one(
    model: Model, inputs: tuple[Mesh, Scene], kitchen: Kitchen, name: str
) -> None:
    kitchen.rng = np.random.default_rng([SEED, len(name)])
    trial = CAUSE[name].make(kitchen)
    result = located(model, inputs, trial.pictures)
    assert result.causes, name
    assert result.causes[0].code in CAUSE[name].codes, [c.code for c in result.causes]
    share = overlap(result, trial)
    assert CAUSE[name].everywhere or np.isnan(share) or share >= 0.8


def test_only_what_the_clean_bake_missed_counts_as_its_miss(
    model: Model, inputs: tuple[Mesh, Scene], kitchen: Kitchen
) -> None:
    kitchen.rng = np.random.default_rng([SEED, len("hole")])
    trial = CAUSE["hole"].make(kitchen)
    result = located(model, inputs, trial.pictures)
    region = result.regions[0]
    settings = LocateSettings(offset=model.offset, depth=model.depth, apart=True)
    assert not strays_of_bake(Bench(kitchen, *inputs, settings), result, region)
    # A bake that met nothing in six of ten of the region's texels.
    rows = region.samples[: int(0.6 * len(region.samples))]
    clean = kitchen.clean[region.tile]
    hit = clean.hit.copy()
    hit[result.texels.y[rows], result.texels.x[rows]] = False
    holed = copy(kitchen)
    holed.clean = {**kitchen.clean, region.tile: replace(clean, hit=hit)}
    assert strays_of_bake(Bench(holed, *inputs, settings), result, region)


def test_rays_that_begin_inside_another_fold_go_astray(kitchen: Kitchen) -> None:
    """The clean bake records what lies nearest to the low poly everywhere.

    Baked with the drum from 0.15 out, rays under it begin inside and record its inner side.
    """
    clean = kitchen.clean[1001]
    y, x = np.nonzero(clean.covered)
    assert not kitchen.oven.strays(kitchen.settings, clean, x, y).any()
    settings = replace(kitchen.settings, apart=False, offset=2.5 * kitchen.model.gap)
    together = kitchen.oven.bake(settings, 1001)
    astray = kitchen.oven.strays(settings, together, x, y)
    drum = together.part[y, x] == 1
    assert drum.sum() > 200
    assert np.array_equal(astray, drum)


def test_a_high_poly_that_moved_is_told_with_how_far(
    model: Model, inputs: tuple[Mesh, Scene], kitchen: Kitchen
) -> None:
    """The trial's step is 0.012 units; a tenth of a texel of 256 is 0.0005 of the kit."""
    cause = CAUSE["high poly moved"]
    kitchen.rng = np.random.default_rng([SEED, len(cause.name)])
    trial = cause.make(kitchen)
    result = located(model, inputs, trial.pictures)
    assert result.causes[0].code == "high-moved"
    assert overlap(result, trial) >= 0.8
    told = [r.why.values.gap for r in result.regions if r.why.code.code == "high-moved"]
    assert told == pytest.approx([0.012] * len(told), abs=0.0005)
    assert {r.part for r in result.regions if r.why.code.code == "high-moved"} == {"main", "second"}


@pytest.mark.parametrize("name", ["plain", "mip-filtered"])
def test_nothing_is_found_on_a_clean_bake(
    model: Model, inputs: tuple[Mesh, Scene], kitchen: Kitchen, name: str
) -> None:
    assert located(model, inputs, CLEAN[name](kitchen)).clean


def test_conventions_come_before_the_places_that_they_hide(
    model: Model, inputs: tuple[Mesh, Scene], kitchen: Kitchen
) -> None:
    """Half the strength on one channel turned over, beside a flipped patch and paint."""
    combined = COMBINED[1]
    kitchen.rng = np.random.default_rng([SEED, len(combined.name)])
    trial = combined.make(kitchen)
    codes = [cause.code for cause in located(model, inputs, trial.pictures).causes]
    first = [next(k for k in names if k in codes) for names in combined.conventions]
    then = [next(k for k in names if k in codes) for names in combined.places]
    assert max(map(codes.index, first)) < min(map(codes.index, then)), codes


@pytest.mark.parametrize("name", ["2 x 2 samples", "corner normals"])
def test_settings_of_a_bake_are_told(
    model: Model, inputs: tuple[Mesh, Scene], kitchen: Kitchen, name: str
) -> None:
    known = next(k for k in KNOWN if k.name == name)
    told = {s.name: s for s in located(model, inputs, known.make(kitchen)).bake}
    for setting, wanted in known.told:
        assert wanted in told[setting].value
        assert told[setting].sure in ("certain", "likely")


@pytest.mark.parametrize(
    "name", ["clean, all maps beside", "baked together, parts beside", "height clipped"]
)
def test_other_maps_of_the_bake_settle_what_was_recorded(
    model: Model, inputs: tuple[Mesh, Scene], kitchen: Kitchen, name: str
) -> None:
    wanted = next(b for b in BESIDE if b.name == name)
    trial, others = wanted.make(kitchen)
    maps = tuple(
        beside_map(kind, Path(f"m_{kind}.{tile}.png"), tile, texels)  # type: ignore[arg-type]
        for kind, tile, texels in others
    )
    result = located(model, inputs, trial.pictures, maps)
    assert [cause.code for cause in result.causes][:1] == list(wanted.codes)
    share = overlap(result, trial)
    assert np.isnan(share) or share >= 0.98


def test_a_flipped_patch_of_the_high_poly_in_hand_is_told(model: Model) -> None:
    """Faces turned over within 0.2 of a place on the block, in the bake and in hand alike."""
    piece = model.pieces[0]
    middle = piece.high_positions[piece.high_faces].mean(axis=1)
    near = np.linalg.norm(middle - [1.0, 0.2, 0.1], axis=1) < 0.2
    faces = piece.high_faces.copy()
    faces[near] = faces[near][:, ::-1]
    turned = replace(model, pieces=(replace(piece, high_faces=faces), model.pieces[1]))
    kitchen = Kitchen(turned, SIZE, np.random.default_rng(SEED))
    result = located(turned, as_inputs(turned), kitchen.pictures())
    assert result.causes[0].code == "looks-inward"
    (region,) = [r for r in result.regions if r.name == "back-facing"]
    # The patch is a disc, but for half a face along its border.
    assert region.area == pytest.approx(np.pi * 0.2**2, rel=0.1)
