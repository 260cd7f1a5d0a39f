"""By which rule a map's rays ran is told only where the map speaks against the one assumed."""

import numpy as np
import pytest

from cagecheck.locating.ray_directions import LEAST_TEXELS, RULES, choose, directions_fault

MANY = 3 * LEAST_TEXELS


def normals(seed):
    out = np.random.default_rng(seed).normal(size=(MANY, 3)) * 0.05 + [0, 0, 1]
    return out / np.linalg.norm(out, axis=1, keepdims=True)


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("assumed", RULES)
def test_the_rule_that_a_map_was_made_by_is_told_surely(rule, assumed):
    wanted = {one: normals(seed) for seed, one in enumerate(RULES)}
    told = choose(wanted[rule], wanted, assumed)
    assert (told.rule, told.alike, told.sure) == (rule, (), True)
    fault = directions_fault(told, assumed)
    assert (fault is None) == (rule == assumed)


def test_a_map_halfway_between_the_rules_tells_none():
    wanted = {one: normals(seed) for seed, one in enumerate(RULES)}
    halfway = sum(wanted.values())
    halfway /= np.linalg.norm(halfway, axis=1, keepdims=True)
    assert choose(halfway, wanted, "averaged") is None


def test_a_rule_that_no_texel_tells_from_the_assumed_one_is_not_told_instead():
    """Rays of two rules record different texels each, so that nothing compares the two; the map
    fits the one where it records something, and nothing where the other does (it was lost)."""
    wanted = {one: normals(seed) for seed, one in enumerate(RULES)}
    half = MANY // 2
    shown = wanted["corner"].copy()
    shown[half:] = (wanted["averaged"] + wanted["face"])[half:] / 2
    wanted["averaged"][:half] = np.nan
    wanted["corner"][half:] = np.nan
    assert choose(shown, wanted, "averaged") is None
    assert choose(shown, wanted, "corner").rule == "corner"
