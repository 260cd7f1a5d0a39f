"""The three kinds of trouble, kept apart.

* `InputError`: the artist's input cannot be used. The command line prints it and exits with 2.
* `Notice`: the input can be used, but something about it deserves a word. Results carry them.
* `AssertionError`: one of our own invariants broke; that is a bug and shows a traceback.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import wraps
from inspect import signature
from typing import Any, ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")


class InputError(Exception):
    """Input that cannot be used, said for an artist.

    Parameters
    ----------
    what : str
        What is wrong, in a sentence without the place.
    file, part : str, optional
        Where it is wrong, as far as known.
    face : int, optional
        The same, counted from 0.
    cure : str, optional
        What to do about it, in a sentence.
    """

    def __init__(
        self,
        what: str,
        *,
        file: str | None = None,
        part: str | None = None,
        face: int | None = None,
        cure: str | None = None,
    ) -> None:
        self.what = what
        self.file = file
        self.part = part
        self.face = face
        self.cure = cure
        super().__init__(str(self))

    def __str__(self) -> str:
        place = [
            f"{name} {value}"
            for name, value in (("part", self.part), ("face", self.face))
            if value is not None
        ]
        head = ", ".join(([str(self.file)] if self.file is not None else []) + place)
        text = f"{head}: {self.what}" if head else self.what
        return f"{text} {self.cure}" if self.cure else text


@dataclass(frozen=True)
class Notice:
    """Something worth knowing about usable input.

    Attributes
    ----------
    code : str
        A stable short name for scripts (``zero-area-faces``).
    text : str
        What was found and where.
    cure : str
        What to do.
    count : int
        How many places it was found in.
    part : str | None
        The part it is about, where it is one part's.
    """

    code: str
    text: str
    cure: str = ""
    count: int = 1
    part: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the notice as plain JSON values."""
        return asdict(self)


class WrongKindError(InputError, TypeError):
    """A function of the library was given another kind of thing than it takes."""


# How a script comes by the things that functions of the library take.
_MAKERS = {
    "BakedMap": "Read one with read_map(path).",
    "Cage": "Make one with cage_from_offset, cage_from_push or cage_from_mesh.",
    "Location": "It is what locate() returns.",
    "LowPoly": "Make one of a mesh with prepare_low(mesh).",
    "Manifest": "Read one with read_manifest(path).",
    "Mesh": "Read one with read_mesh(path), or make one with mesh_from_polygons().",
    "Prediction": "It is what predict() returns.",
    "Surface": "Read one with read_surface(path), or make one of arrays with Surface().",
    "SurfacePoints": "Make some with sample_points().",
    "Tuning": "It is what tune() returns.",
}


def takes(**kinds: type | tuple[type, ...]) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Let a function refuse arguments of the wrong kind in a sentence (`WrongKindError`).

    kinds : by parameter, what it may be; None is allowed where it is the default.
    """

    def wrapped(function: Callable[P, R]) -> Callable[P, R]:
        found = signature(function)

        @wraps(function)
        def run(*args: P.args, **kwargs: P.kwargs) -> R:
            for name, value in found.bind(*args, **kwargs).arguments.items():
                if name in kinds and not (value is None and found.parameters[name].default is None):
                    expect(value, name, kinds[name])
            return function(*args, **kwargs)

        return run

    return wrapped


def expect(value: Any, name: str, kinds: type | tuple[type, ...]) -> None:
    """Raise `WrongKindError` where a value is of none of these kinds."""
    if isinstance(value, kinds):
        return
    wanted = [kind.__name__ for kind in (kinds if isinstance(kinds, tuple) else (kinds,))]
    if isinstance(value, type):
        given = f"the class {value.__name__} itself"
    else:
        given = "None" if value is None else f"a {type(value).__name__}"
    raise WrongKindError(
        f"`{name}` must be a {' or a '.join(wanted)}, not {given}.",
        cure=next((_MAKERS[kind] for kind in wanted if kind in _MAKERS), None),
    )
