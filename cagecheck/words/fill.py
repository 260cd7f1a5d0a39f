"""Sentences from a text with named gaps and the values that fill them."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from cagecheck.words.lengths import length_words
from cagecheck.words.numbers import count_text, decimals, degrees_text
from cagecheck.words.sentences import count_words


def _name(value: float | str) -> str:
    return str(value)


def _with(form: Callable[[float], str]) -> Callable[[float | str], str]:
    def said(value: float | str) -> str:
        assert not isinstance(value, str), "a number is wanted here"
        return form(value)

    return said


# How a value reads follows from its unit, and the unit from the value's name.
_FORMS: dict[str, Callable[[float | str], str]] = {
    "part": _name,
    "other_part": _name,
    "degrees": _with(degrees_text),
    "slide": _with(lambda texels: f"{decimals(texels, 1)} texels"),
    "texels": _with(lambda texels: count_words(texels, "texel")),
    "count": _with(count_text),
}
_LENGTH = _with(length_words)


def filled(text: str, values: Mapping[str, float | str]) -> str:
    """Return a text with its gaps filled: ``{need}`` by the value of that name, in its own form.

    Names, angles and counts are told by their names (see `_FORMS`); all others are lengths.
    """
    return text.format_map({name: _FORMS.get(name, _LENGTH)(v) for name, v in values.items()})
