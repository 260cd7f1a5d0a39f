"""The demo scene's planted hole, flipped patch and lone part are known before a ray is cast."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.demo.scene import make_scene
from cagecheck.inspecting import inspect_pair
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.pairs import pair_parts
from tests.scenes.sound_lows import the


@pytest.fixture(scope="module")
def inspected():
    scene = make_scene(detail=0.15)
    low = prepare_low(scene.low)
    pairing = pair_parts(low.part_names, scene.high.part_names)
    return scene, inspect_pair(low, scene.high, pairing.matrix(), map_size=2048, padding=4)


@pytest.mark.parametrize(
    ("kind", "cause", "code"),
    [
        ("back-facing", "flipped", "high-flipped"),
        ("miss: nothing there", "hole", "high-open-borders"),
    ],
)
def test_planted_faults_of_the_high_are_found_in_place(inspected, kind, cause, code):
    scene, inspection = inspected
    planted = [p for p in scene.planted if p.kind == kind and cause in p.cause]
    assert planted, [(p.kind, p.cause) for p in scene.planted]
    finding = the(inspection, code)
    assert finding.count == len(planted)
    for place in planted:
        gaps = [np.linalg.norm(np.array(f.position) - place.centre) for f in finding.places]
        assert min(gaps) < max(place.outer_radius, 0.1)


def test_the_part_without_a_partner_is_named(inspected):
    scene, inspection = inspected
    lone = {p.part for p in scene.planted if p.whole_part}
    assert set(the(inspection, "unpaired-low").by_part) == lone


def test_the_uvs_of_the_demo_are_sound(inspected):
    found = {f.check.code for f in inspected[1].findings}
    wrong = {"uv-overlap", "uv-overlap-inside", "uv-missing", "uv-off-grid", "uv-crosses-tile"}
    assert not found & (wrong | {"uv-zero-area", "inverted-shell", "inconsistent-winding"})
