"""The drawings of the manual show what they say, because cagecheck itself found it."""

from __future__ import annotations

import importlib.util
import sys
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from cagecheck.defects.kinds import KINDS, Defect
from cagecheck.report.colours import hex_colour
from tests.paths import ROOT


@pytest.fixture(scope="module")
def drawings():
    path = ROOT / "scripts" / "draw_defects.py"
    spec = importlib.util.spec_from_file_location("draw_defects", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["draw_defects"] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules["draw_defects"]


@pytest.mark.parametrize("defect", [d for d in Defect if d != Defect.UNSEEN])
def test_a_scene_shows_its_defect_and_no_stronger_one(drawings, defect):
    result = drawings.run(drawings.SCENES[defect][0]())
    has = result.findings.has(defect)
    assert 0 < np.count_nonzero(has) < len(has)
    assert np.all(result.findings.main[has] == defect)


def test_every_defect_has_its_drawing(drawings):
    page = (ROOT / "docs" / "ray-model.md").read_text(encoding="utf-8")
    assert set(drawings.SCENES) == set(Defect)
    for defect in Defect:
        name = drawings.file_name(defect)
        assert (ROOT / "docs" / "drawings" / name).is_file()
        assert f"drawings/{name}" in page and KINDS[defect].title in page.lower()


@pytest.mark.parametrize("defect", list(Defect))
def test_drawings_are_well_formed_and_use_the_reports_colours(drawings, defect):
    svg = drawings.draw_defect(defect)
    root = ElementTree.fromstring(svg)
    assert root.find("{http://www.w3.org/2000/svg}title").text == KINDS[defect].title
    assert hex_colour(defect) in svg


def test_the_unseen_scene_marks_surface(drawings):
    svg = drawings.draw_defect(Defect.UNSEEN)
    # Its colour is in the legend once, and at every lost place.
    assert svg.count(hex_colour(Defect.UNSEEN)) > 5
