"""Flags made from groups of options, and the help that shows them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import pytest
import typer
from typer.testing import CliRunner

from cagecheck.batching.manifest import OPTIONS
from cagecheck.commands.options import HEADINGS, JsonFlag, LowPath, Output, add_command
from cagecheck.errors import InputError
from cagecheck.options import MAPS, SAMPLING, option, options_of
from cagecheck.predicting.inputs import MeshOptions
from cagecheck.predicting.settings import Settings
from tests.documents.test_docs import COMMANDS


@dataclass(frozen=True)
class Rays:
    count: int = option(4, SAMPLING, "How many.", metavar="N", least=1, in_help=True)
    most: float | None = option(None, SAMPLING, "How far.", metavar="LENGTH", above=0)
    way: Literal["in", "out"] = option("in", SAMPLING, "Which way.")
    names: list[str] | None = option(None, MAPS, "Whose.", metavar="NAME")
    suffix: str = option("png", MAPS, "What.", metavar="KIND", parse=str.upper)
    bare: bool = option(False, MAPS, "Nothing else.")


def invoke(*words: str, seen: list | None = None):
    app = typer.Typer(rich_markup_mode=None)
    app.callback()(lambda: None)

    def look(low: LowPath, *, rays: Rays, tail: int = 7, as_json: JsonFlag = False) -> int:
        """Look.

        Example:
          cagecheck look a_rather_long_name_low.obj a_rather_long_name_high.ply --out x
        """
        (seen if seen is not None else []).append((low, rays, tail, as_json))
        if rays.count == 13:
            raise InputError("`map_size` is unlucky.", cure="Change `count`.")
        return 1

    add_command(app, "look", look)
    return CliRunner().invoke(app, ["look", *words], terminal_width=80)


def test_a_group_arrives_as_one_object() -> None:
    seen: list = []
    words = ("l.obj", "--count", "9", "--most", "0.5", "--way", "out", "--names", "a",
             "--names", "b", "--suffix", "tif", "--bare", "--json", "--tail", "2")  # fmt: skip
    assert invoke(*words, seen=seen).exit_code == 1
    ((low, rays, tail, as_json),) = seen
    assert (str(low), tail, as_json) == ("l.obj", 2, True)
    assert rays == Rays(9, 0.5, "out", ["a", "b"], "TIF", True)


def test_what_is_not_given_is_the_default() -> None:
    seen: list = []
    assert invoke("l.obj", seen=seen).exit_code == 1
    assert seen[0][1] == Rays(suffix="PNG") and seen[0][2] == 7


def test_ranges_and_words_are_held_to() -> None:
    for words in (("--count", "0"), ("--way", "up"), ("--most", "far")):
        result = invoke("l.obj", *words)
        assert result.exit_code == 2 and words[0] in result.output


def test_errors_of_the_library_speak_of_flags_in_a_shell() -> None:
    result = invoke("l.obj", "--count", "13")
    assert result.exit_code == 2
    assert "--size is unlucky. Change --count." in " ".join(result.output.split())


def test_help_has_headings_value_names_and_whole_examples() -> None:
    text = invoke("--help").output
    heads = [line for line in text.splitlines() if line.endswith(":") and line[:1].strip()]
    assert heads == ["Arguments:", "Options:", "Sampling:", "Maps:", "Output:"]
    for shown in ("look [OPTIONS] LOW", "--count N", "--most LENGTH", "--way in|out",
                  "--names NAME", "[default: 4; x>=1]"):  # fmt: skip
        assert shown in text
    assert "a_rather_long_name_low.obj a_rather_long_name_high.ply --out x\n" in text


@pytest.mark.parametrize("names", COMMANDS, ids=" ".join)
def test_every_help_fits_80_columns_and_names_no_types(names: tuple[str, ...]) -> None:
    from cagecheck.cli import app

    result = CliRunner().invoke(app, [*names, "--help"], terminal_width=80, env={"COLUMNS": "80"})
    assert result.exit_code == 0
    assert max(map(len, result.output.splitlines())) <= 80
    assert not re.search(r"<[a-z]+( range)?>|list\[|\bTEXT\b|\bINTEGER\b", result.output)
    # The example stands on lines of its own, each a whole command.
    after = result.output.split("Example")[1].split("\n\n")[0].splitlines()[1:]
    assert after and all(line.strip().startswith("cagecheck ") for line in after)


def test_headings_are_those_that_options_stand_under() -> None:
    panels = {
        getattr(param, "rich_help_panel", None) for c in COMMANDS.values() for param in c.params
    }
    assert panels - {None} == set(HEADINGS)


def test_commands_and_manifests_take_the_same_options() -> None:
    """What a manifest names is a flag of `predict` or `tune`, with the same default and help."""
    flags = {p.opts[0]: p for name in ("tune", "predict") for p in COMMANDS[name,].params}
    for key, declared in OPTIONS.items():
        if key == "tune":
            continue
        param = flags[declared.flag]
        assert param.help == declared.option.help
        assert param.default == declared.default or (param.default, declared.default) == ((), None)
    assert {d.key for group in (Settings, MeshOptions) for d in options_of(group)} <= set(OPTIONS)


def test_two_options_of_one_name_are_a_mistake_of_ours() -> None:
    def twice(*, rays: Rays, count: int = 0, output: Output) -> int:
        return 0

    with pytest.raises(AssertionError, match="twice has two count"):
        add_command(typer.Typer(), "twice", twice)
