"""Options are declared once, and every way in holds to the same declaration."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import pytest

from cagecheck.errors import InputError
from cagecheck.options import (
    FLAGS,
    again,
    build,
    check_options,
    flag_of,
    nested,
    option,
    options_of,
    plain_kind,
    with_flags,
)


@dataclass(frozen=True)
class Salt:
    grains: int = option(3, "Taste", "How many.", least=0, most=9)
    kind: Literal["sea", "rock"] = option("sea", "Taste", "Which.")


@dataclass(frozen=True)
class Soup(Salt):
    salt_free: bool = option(False, "Taste", "None at all.")
    heat: float | None = option(None, "Fire", "How hot.", above=0)
    cook: str = "nobody"


@dataclass(frozen=True)
class Meal:
    soup: Soup = nested(Soup)
    grains: int = 0
    course: int = again(Salt, "grains", default=1, help="Which course.")


def test_fields_of_groups_are_found_in_order_and_within_each_other() -> None:
    assert [d.key for d in options_of(Soup)] == ["grains", "kind", "salt_free", "heat"]
    assert [d.path for d in options_of(Meal)][-2:] == [("soup", "heat"), ("course",)]
    assert options_of(Soup)[2].flag == "--salt-free"
    course = options_of(Meal)[-1]
    assert (course.default, course.option.help, course.option.most) == (1, "Which course.", 9)


def test_groups_are_built_from_names_and_keep_their_defaults() -> None:
    meal = build(Meal, {"grains": 5, "heat": 2.0, "course": 2, "other": "left alone"})
    assert meal == Meal(Soup(grains=5, heat=2.0), course=2)
    assert build(Meal, {}) == Meal()


@pytest.mark.parametrize(
    ("soup", "said"),
    [
        (Soup(grains=10), "`grains` must be between 0 and 9, not 10."),
        (Soup(heat=0.0), "`heat` must be above zero, not 0."),
        (Soup(heat=float("nan")), "`heat` must be above zero, not nan."),
        (Soup(heat="hot"), "`heat` must be a number, not 'hot'."),  # type: ignore[arg-type]
        (Soup(heat=True), "`heat` must be a number, not True."),
    ],
)
def test_numbers_out_of_range_are_named(soup: Soup, said: str) -> None:
    with pytest.raises(InputError) as error:
        check_options(soup)
    assert str(error.value) == said


def test_what_is_in_range_or_not_given_passes() -> None:
    for soup in (Soup(), Soup(grains=0), Soup(grains=9, heat=1e-9)):
        assert check_options(soup) is soup


def test_kinds_are_told_plainly() -> None:
    assert plain_kind(float | None) == (float, ())
    assert plain_kind(list[str] | None) == (list, ())
    assert plain_kind(Literal["a", "b"]) == (str, ("a", "b"))
    assert plain_kind(float | str | None) == (str, ())


def test_messages_name_settings_in_the_library_and_flags_in_a_shell() -> None:
    text = "`map_size` and `no_pairing` differ, see `cagecheck tune`."
    assert with_flags(text) == "--size and --no-pairing differ, see `cagecheck tune`."


def test_flags_that_are_named_otherwise_belong_to_settings() -> None:
    """The table names no setting that there is none of."""
    from inspect import signature

    from cagecheck.batching.run import run_batch
    from cagecheck.chores.materials.per_tile import write_tile_materials
    from cagecheck.commands.options import Output
    from cagecheck.predicting.inputs import MeshOptions
    from cagecheck.predicting.maps.write_maps import MapFormat
    from cagecheck.predicting.settings import Settings

    names = {d.path[-1] for group in (Output, MeshOptions, Settings, MapFormat)
             for d in options_of(group)}  # fmt: skip
    names |= {*signature(run_batch).parameters, *signature(write_tile_materials).parameters}
    names |= {"kinds"}  # of `MapFormat`; on the command line it is text
    assert set(FLAGS) <= names
    assert flag_of("high_axes") == "--high-axes"
