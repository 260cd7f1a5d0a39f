"""Numbers in text, read straight from bytes by compiled loops.

A number of at most 15 or so digits is exact: an integer below 2**53 times or divided by a power
of ten up to 10**22 rounds once (Clinger, "How to Read Floating Point Numbers Accurately", PLDI
1990). Longer ones are off by a few units in the last place here; readers that promise the exact
value hand those to Python (`refine`).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.loops import njit

NEWLINE, RETURN, SPACE = 10, 13, 32
HASH, MINUS, PLUS, DOT, ZERO, NINE, SLASH, BACKSLASH = 35, 45, 43, 46, 48, 57, 47, 92
UPPER_E, LOWER_E = 69, 101

EXACT, LONG, BAD = 0, 1, 2
_MOST_DIGITS = 18  # below 2**63
_EXACT_INTEGER = 1 << 53
_EXACT_POWER = 22
_LARGEST_EXPONENT = 400  # far outside float64; keeps the exponent counter from overflowing
_POWERS = np.array([float(f"1e{k}") for k in range(309)])


@njit(nogil=True, cache=True)
def is_end(byte: int) -> bool:
    """Tell whether a byte ends a line."""
    return byte in (NEWLINE, RETURN)


@njit(nogil=True, cache=True)
def skip_blanks(data: NDArray[np.uint8], i: int, end: int) -> int:
    """Return the first place from `i` that is a line end or no blank.

    Every byte up to the space is a blank or a line end, as in `skip_token`: a stray control
    character must not stop both.
    """
    while i < end and data[i] <= SPACE and data[i] != NEWLINE and data[i] != RETURN:
        i += 1
    return i


@njit(nogil=True, cache=True)
def skip_space(data: NDArray[np.uint8], i: int, end: int) -> int:
    """Return the first place from `i` that is neither blank nor a line end."""
    while i < end and data[i] <= SPACE:
        i += 1
    return i


@njit(nogil=True, cache=True)
def skip_line(data: NDArray[np.uint8], i: int, end: int) -> int:
    """Return the place of the line end at or after `i`, or `end`."""
    while i < end and data[i] != NEWLINE and data[i] != RETURN:
        i += 1
    return i


@njit(nogil=True, cache=True)
def skip_token(data: NDArray[np.uint8], i: int, end: int) -> int:
    """Return the place just behind the token at `i`."""
    while i < end and data[i] > SPACE:
        i += 1
    return i


@njit(nogil=True, cache=True)
def parse_number(data: NDArray[np.uint8], i: int, end: int) -> tuple[float, int, int]:
    """Read the number at `i`; return its value, the place behind it, and EXACT, LONG or BAD."""
    negative = False
    if i < end and (data[i] == MINUS or data[i] == PLUS):
        negative = data[i] == MINUS
        i += 1
    mantissa = np.int64(0)
    digits = 0
    exponent = 0
    seen = False
    after_dot = False
    long = False
    while i < end:
        c = data[i]
        if ZERO <= c <= NINE:
            seen = True
            if digits < _MOST_DIGITS:
                mantissa = mantissa * 10 + np.int64(c - ZERO)
                if mantissa > 0:
                    digits += 1
                if after_dot:
                    exponent -= 1
            else:
                long = True
                if not after_dot:
                    exponent += 1
        elif c == DOT and not after_dot:
            after_dot = True
        else:
            break
        i += 1
    if not seen:
        return 0.0, skip_token(data, i, end), BAD
    if i < end and (data[i] == LOWER_E or data[i] == UPPER_E):
        i += 1
        down = False
        if i < end and (data[i] == MINUS or data[i] == PLUS):
            down = data[i] == MINUS
            i += 1
        if i >= end or not (ZERO <= data[i] <= NINE):
            return 0.0, skip_token(data, i, end), BAD
        power = 0
        while i < end and ZERO <= data[i] <= NINE:
            if power < _LARGEST_EXPONENT:
                power = power * 10 + (data[i] - ZERO)
            i += 1
        exponent += -power if down else power
    if i < end and data[i] > SPACE:
        return 0.0, skip_token(data, i, end), BAD
    value = float(mantissa)
    status = EXACT
    if mantissa != 0:
        if long or mantissa >= _EXACT_INTEGER or exponent > _EXACT_POWER or exponent < -22:
            status = LONG
        if exponent > 0:
            value = value * _POWERS[exponent] if exponent < 309 else np.inf
        elif exponent < 0:
            if exponent > -309:
                value = value / _POWERS[-exponent]
            elif exponent > -617:
                value = value / _POWERS[308] / _POWERS[-exponent - 308]
            else:
                value = 0.0
    if value == np.inf:
        status = BAD
    return (-value if negative else value), i, status


@njit(nogil=True, cache=True)
def parse_integer(data: NDArray[np.uint8], i: int, end: int) -> tuple[Any, int, bool]:
    """Read the whole number at `i`; return it, the place behind its digits, and if it was one.

    Numbers beyond +-2**53 saturate, so that an absurd one is out of range rather than wrapped.
    """
    negative = False
    if i < end and (data[i] == MINUS or data[i] == PLUS):
        negative = data[i] == MINUS
        i += 1
    start = i
    value = np.int64(0)
    while i < end and ZERO <= data[i] <= NINE:
        if value < _EXACT_INTEGER:
            value = value * 10 + np.int64(data[i] - ZERO)
        i += 1
    return (-value if negative else value), i, i > start


@njit(nogil=True, cache=True)
def line_number(data: NDArray[np.uint8], place: int) -> int:
    """Return the number, from 1, of the line that holds byte `place`."""
    line = 1
    for i in range(min(place, len(data))):
        if data[i] == NEWLINE or (data[i] == RETURN and i + 1 < len(data) and data[i + 1] != 10):
            line += 1
    return line


def token_at(data: NDArray[np.uint8], place: int) -> str:
    """Return the text of the token at `place`, shortened, for messages and for `float`."""
    piece = data[place : place + 400].tobytes().split(None, 1)
    return piece[0].decode("latin-1") if piece else ""


def refine(data: NDArray[np.uint8], places: NDArray[np.int64], values: NDArray[Any]) -> None:
    """Put the exactly rounded number at byte ``places[k, 0]`` into ``values.flat[places[k, 1]]``.

    `values` is contiguous; the numbers were found well formed before.
    """
    begins, text = places[:, 0], np.ascontiguousarray(data).data
    ends = _token_ends(data, begins)
    exact = [float(text[i:end]) for i, end in zip(begins.tolist(), ends.tolist(), strict=True)]
    values.reshape(-1)[places[:, 1]] = exact


@njit(nogil=True, cache=True)
def _token_ends(data: NDArray[np.uint8], begins: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the places just behind the tokens that begin at some places."""
    out = np.empty(len(begins), np.int64)
    for k in range(len(begins)):
        out[k] = skip_token(data, begins[k], len(data))
    return out


def decode_name(raw: bytes) -> str:
    """Return a name as text: UTF-8, or Latin-1 where it is not; control characters dropped."""
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
