"""Lengths in words: four figures, rounding as 0."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.meshes.mesh import SourceFile, scale_of
from cagecheck.tuning.words import nought, plain_length, range_words
from cagecheck.words.lengths import length_words, unit_note, units_words


@pytest.mark.parametrize(
    ("value", "nothing", "said"),
    [
        (0.0123456, 0.0, "0.01235"),
        (3e-19, 1e-9, "0"),
        (-3e-19, 1e-9, "0"),
        (-0.0, 0.0, "0"),
        (3e-19, 0.0, "3e-19"),
        (float("nan"), 1.0, "unknown"),
        (float("inf"), 1.0, "inf"),
        (-0.25, 1e-3, "-0.25"),
    ],
)
def test_lengths_have_four_figures_and_rounding_is_0(
    value: float, nothing: float, said: str
) -> None:
    assert length_words(value, nothing) == said


def test_of_a_tuning_a_thousandth_of_the_margin_is_nothing() -> None:
    margin = 1e-4
    assert plain_length(0.9e-7, margin) == "0" and plain_length(1.1e-7, margin) == "1.1e-07"
    assert nought(-3e-19, margin) == 0.0 and nought(0.02, margin) == 0.02
    assert range_words(np.array([3e-19, 0.02, 0.01]), margin) == "0 to 0.02, median 0.01"
    assert range_words(np.zeros(0), margin) == "none"


@pytest.mark.parametrize(
    ("value", "metres", "said"),
    [
        (0.0213, 1.0, "0.0213 units (2.13 cm)"),
        (0.00213, 1.0, "0.00213 units (2.13 mm)"),
        (2.5, 1.0, "2.5 units (2.5 m)"),
        (2.5, 0.01, "2.5 units (2.5 cm)"),
        (-0.05, 0.01, "-0.05 units (-0.5 mm)"),
        (2.5, None, "2.5 units"),
        (0.0, 1.0, "0 units"),
        (float("inf"), 1.0, "inf units"),
        (None, 1.0, "unknown units"),
    ],
)
def test_lengths_are_hinted_in_metres_where_the_file_says_so(
    value: float | None, metres: float | None, said: str
) -> None:
    assert units_words(value, metres) == said


@pytest.mark.parametrize(
    ("kind", "note"),
    [
        # glTF 2.0, 3.4: "the units for all linear distances are meters". USD and FBX scenes are
        # brought to centimetres when they are read, see their readers.
        ("glb", "file units; 1 is 1 m"),
        ("gltf", "file units; 1 is 1 m"),
        ("usda", "file units; 1 is 1 cm"),
        ("usdz", "file units; 1 is 1 cm"),
        ("fbx", "file units; 1 is 1 cm"),
        ("obj", "file units"),
        ("ply", "file units"),
        ("stl", "file units"),
    ],
)
def test_formats_say_how_long_a_unit_is_or_do_not(kind: str, note: str) -> None:
    assert unit_note(scale_of(SourceFile(f"low.{kind}", kind, ""))) == note
    assert scale_of(None) is None
