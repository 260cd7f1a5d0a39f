"""Options declared once, in the dataclass that holds them.

A group of options is a frozen dataclass whose fields are made with `option`. The library takes the
dataclass, the command line makes flags of its fields (`cagecheck.commands.options`), manifests of
batches take them by name, and `check_options` holds all of them to the same ranges.

Messages of the library write a setting as a script does, between backticks (`map_size`);
`with_flags` makes of that what is typed in a shell (--size).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import MISSING, Field, dataclass, field, fields, replace
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from cagecheck.errors import InputError

T = TypeVar("T")

# Headings that options stand under, in the order of --help.
CAGE = "Cage and rays"
OFFSETS = "Offsets"
SAMPLING = "Sampling"
MESHES = "Meshes and pairing"
MAPS = "Maps"
MENDING = "Mending"
LIMITS = "Limits for automated checks"
OUTPUT = "Output"

_KEY = "option"
# Settings whose flags are not their own names with dashes; the tests hold this to the dataclasses.
FLAGS = {
    "as_json": "json",
    "ending": "map-file",
    "hardness_deg": "hardness",
    "kinds": "maps",
    "map_size": "size",
    "memory_gb": "memory",
    "source": "normals",
    "to_first_tile": "first-tile",
}
_SETTING = re.compile(r"`([a-z][a-z_]*)`")


@dataclass(frozen=True)
class Option:
    """What there is to say of an option besides its type and default.

    Attributes
    ----------
    help : a sentence or two. group : the heading that it stands under.
    metavar : stands for the value, as FILE or LENGTH; None for switches and for one of some words.
    least, most : smallest and largest value allowed. above : values must be larger.
    in_help : the command line shows the range and holds to it before anything is read.
    typed : the type on the command line, where it is not the field's. parse : makes the value of
        what was typed.
    """

    help: str
    group: str
    metavar: str | None = None
    least: float | None = None
    most: float | None = None
    above: float | None = None
    in_help: bool = False
    typed: Any = None
    parse: Callable[[str], Any] | None = None

    def allows(self, value: float) -> bool:
        """Whether a number is in range."""
        return (
            math.isfinite(value)
            and (self.least is None or value >= self.least)
            and (self.most is None or value <= self.most)
            and (self.above is None or value > self.above)
        )

    @property
    def range_words(self) -> str:
        """The range as it stands after “must be”."""
        if self.least is not None and self.most is not None:
            return f"between {self.least:g} and {self.most:g}"
        if self.above is not None:
            return "above zero" if self.above == 0 else f"above {self.above:g}"
        return "zero or more" if self.least == 0 else f"at least {self.least:g}"


@dataclass(frozen=True)
class Declared:
    """A field that is an option. `path`: its name after those of the fields it lies within."""

    path: tuple[str, ...]
    kind: Any
    default: Any
    option: Option

    @property
    def flag(self) -> str:
        """What is typed in a shell, with dashes."""
        return flag_of(self.path[-1])

    @property
    def key(self) -> str:
        """The name in a manifest, and of the command line's parameter."""
        return self.flag.removeprefix("--").replace("-", "_")


def option(default: Any, group: str, help: str, **more: Any) -> Any:
    """Declare a field of a dataclass as an option (see `Option` for `more`)."""
    return field(default=default, metadata={_KEY: Option(help, group, **more)})


def nested(kind: type[T]) -> Any:
    """Declare a field as a group of options within this one."""
    return field(default_factory=kind, metadata={_KEY: kind})


def again(owner: type, name: str, *, default: Any = MISSING, **changes: Any) -> Any:
    """Declare a field as the option of that name elsewhere, but for what is given here."""
    found = _field_of(owner, name)
    return field(
        default=found.default if default is MISSING else default,
        metadata={_KEY: replace(found.metadata[_KEY], **changes)},
    )


def options_of(owner: type) -> tuple[Declared, ...]:
    """Return the options that a dataclass declares, in order; fields without one are left out."""
    return _options_of(owner)


@cache
def _options_of(owner: type) -> tuple[Declared, ...]:
    hints = get_type_hints(owner)
    out: list[Declared] = []
    for one in fields(owner):
        found = one.metadata.get(_KEY)
        if isinstance(found, Option):
            out.append(Declared((one.name,), hints[one.name], one.default, found))
        elif found is not None:
            out += [replace(inner, path=(one.name, *inner.path)) for inner in options_of(found)]
    return tuple(out)


def build(owner: type[T], values: Mapping[str, Any]) -> T:
    """Make a group from options by key; what is not there keeps its default."""
    given: dict[str, Any] = {}
    for one in fields(owner):  # type: ignore[arg-type]
        found = one.metadata.get(_KEY)
        key = flag_of(one.name).removeprefix("--").replace("-", "_")
        if isinstance(found, type):
            given[one.name] = build(found, values)
        elif found is not None and key in values:
            given[one.name] = values[key]
    return owner(**given)


def check_options(settings: T) -> T:
    """Return a group of options; raise `InputError` for a number out of its range."""
    for declared in options_of(type(settings)):
        value: Any = settings
        for name in declared.path:
            value = getattr(value, name)
        if _is_ranged(declared.option) and value is not None:
            check_number(declared.path[-1], value, declared.option)
    return settings


def check_number(name: str, value: Any, rule: Option) -> None:
    """Raise `InputError` for what is no number, or out of range."""
    if isinstance(value, bool) or (not isinstance(value, int | float) and not _is_scalar(value)):
        raise InputError(f"`{name}` must be a number, not {value!r}.")
    if not rule.allows(float(value)):
        raise InputError(f"`{name}` must be {rule.range_words}, not {value:g}.")


def flag_of(name: str) -> str:
    """Return the flag of a setting."""
    return "--" + FLAGS.get(name, name.replace("_", "-"))


def flags_given(group: Any) -> list[str]:
    """Return what is typed in a shell for the options of a group that are not at their defaults."""
    words: list[str] = []
    for declared in options_of(type(group)):
        value = group
        for name in declared.path:
            value = getattr(value, name)
        if value == declared.default or value is None:
            continue
        if isinstance(value, bool):
            words.append(declared.flag)
            continue
        for one in value if isinstance(value, list | tuple) else [value]:
            words += [declared.flag, f"{one:g}" if isinstance(one, float) else str(one)]
    return words


def with_flags(text: str) -> str:
    """Return a message of the library with its settings as they are typed in a shell."""
    return _SETTING.sub(lambda found: flag_of(found[1]), text)


def plain_kind(kind: Any) -> tuple[type, tuple[Any, ...]]:
    """Return the one type that values of an option have, and the words or numbers to choose among.

    What may be left out (None) counts as what it is where it is given; a length that may be text
    counts as text.
    """
    parts = [part for part in get_args(kind) if part is not NoneType] if _is_union(kind) else [kind]
    if get_origin(parts[0]) is Literal:
        words = get_args(parts[0])
        return type(words[0]), words
    found = str if str in parts else get_origin(parts[0]) or parts[0]
    return found, ()


def _is_union(kind: Any) -> bool:
    return get_origin(kind) in (Union, UnionType)


def _is_ranged(rule: Option) -> bool:
    return any(bound is not None for bound in (rule.least, rule.most, rule.above))


def _is_scalar(value: Any) -> bool:
    """Whether this is a number of NumPy's, which nothing here needs to import."""
    return getattr(value, "shape", None) == () and getattr(value.dtype, "kind", "") in "iuf"


def _field_of(owner: type, name: str) -> Field[Any]:
    return next(one for one in fields(owner) if one.name == name)
