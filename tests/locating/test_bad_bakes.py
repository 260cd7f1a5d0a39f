"""Bad bakes by a baker that shares no code with the package: the first cause told is the right one.

The hard-surface kit only, at a small size; `scripts/bad_bakes.py` runs all causes on three models.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cagecheck.locating.locate import LocateSettings, Location, locate
from cagecheck.meshes.mesh import Mesh
from cagecheck.rays.scene import Scene
from scripts.bad_bakes import as_inputs, as_maps, overlap
from tests.bad_bakes.faults import CAUSES, CLEAN, Kitchen, Picture
from tests.bad_bakes.models import Model, hard_surface

SIZE, SEED = 256, 0
CHOSEN = (
    "blue flipped", "strength halved", "X in alpha", "shifted", "flat", "lossy blocks",
    "low poly faceted", "depth too small", "hole", "flipped patch", "part left out",
    "baked together",
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


def located(model: Model, inputs: tuple[Mesh, Scene], pictures: list[Picture]) -> Location:
    settings = LocateSettings(offset=model.offset, depth=model.depth, apart=True)
    low, scene = inputs
    return locate(as_maps(pictures), low, scene, paired=np.eye(2, dtype=bool), settings=settings)


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
    assert np.isnan(share) or share >= 0.8


@pytest.mark.parametrize("name", ["plain", "2 x 2 samples", "mip-filtered", "dithered"])
def test_nothing_is_found_on_a_clean_bake(
    model: Model, inputs: tuple[Mesh, Scene], kitchen: Kitchen, name: str
) -> None:
    assert located(model, inputs, CLEAN[name](kitchen)).clean


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
