"""The compiled loops that take an OBJ file apart.

Two passes over the bytes: `count_lines` finds how much there is (so that nothing is allocated on
the word of the file), `parse_lines` fills the arrays. Both release the GIL and work on any run of
whole lines, so a file is cut into pieces and read on all cores.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.formats.text_numbers import (
    BACKSLASH,
    BAD,
    HASH,
    LONG,
    NEWLINE,
    SLASH,
    is_end,
    parse_integer,
    parse_number,
    skip_blanks,
    skip_line,
    skip_token,
)
from cagecheck.loops import njit

# Kinds of line.
VERTEX, TEXTURE, NORMAL, FACE, OBJECT, GROUP, MATERIAL, SMOOTHING, SKIPPED, NOTHING = range(10)
_USEMTL = (117, 115, 101, 109, 116, 108)
# Slots of the counts: one per line kind, then corners and lines continued by a backslash.
CORNERS, CONTINUED, SLOTS = 10, 11, 12
# Errors of `parse_lines`.
FINE, BAD_NUMBER, TOO_FEW, BAD_CORNER, ZERO_INDEX, BAD_RANGE = range(6)


@njit(nogil=True, cache=True)
def line_kind(data: NDArray[np.uint8], i: int, end: int) -> tuple[int, int]:
    """Return the kind of the line at `i` (blanks already skipped) and where its values begin."""
    if i >= end or is_end(data[i]) or data[i] == HASH:
        return NOTHING, i
    stop = skip_token(data, i, end)
    size = stop - i
    c = data[i]
    if size == 1:
        if c == 118:  # v
            return VERTEX, stop
        if c == 102:  # f
            return FACE, stop
        if c == 111:  # o
            return OBJECT, stop
        if c == 103:  # g
            return GROUP, stop
        if c == 115:  # s
            return SMOOTHING, stop
        return SKIPPED, stop
    if size == 2:
        if c == 118 and data[i + 1] == 116:  # vt
            return TEXTURE, stop
        if c == 118 and data[i + 1] == 110:  # vn
            return NORMAL, stop
        if c == 102 and data[i + 1] == 111:  # fo, the old word for f
            return FACE, stop
        return SKIPPED, stop
    if size != 6:
        return SKIPPED, stop
    for k in range(6):
        if data[i + k] != _USEMTL[k]:
            return SKIPPED, stop
    return MATERIAL, stop


@njit(nogil=True, cache=True)
def count_lines(data: NDArray[np.uint8], begin: int, end: int) -> NDArray[np.int64]:
    """Return how many lines of each kind, face corners and continued lines there are."""
    counts = np.zeros(SLOTS, np.int64)
    i = begin
    while i < end:
        i = skip_blanks(data, i, end)
        kind, i = line_kind(data, i, end)
        counts[kind] += 1
        if kind == FACE:
            while True:
                i = skip_blanks(data, i, end)
                if i >= end or is_end(data[i]) or data[i] == HASH:
                    break
                counts[CORNERS] += 1
                i = skip_token(data, i, end)
        i = skip_line(data, i, end)
        if i > begin and data[i - 1] == BACKSLASH:
            counts[CONTINUED] += 1
        i += 1
    return counts


@njit(nogil=True, cache=True)
def join_continued(data: NDArray[np.uint8]) -> None:
    """Blank out every backslash that stands before a line end, and the line end with it."""
    n = len(data)
    for i in range(n - 1):
        if data[i] == BACKSLASH and is_end(data[i + 1]):
            if data[i + 1] == 13 and i + 2 < n and data[i + 2] == NEWLINE:
                data[i + 2] = 32
            data[i] = 32
            data[i + 1] = 32


@njit(nogil=True, cache=True)
def _row(
    data: NDArray[np.uint8],
    i: int,
    end: int,
    width: int,
    least: int,
    out: NDArray[Any],
    row: int,
    long: NDArray[np.int64],
    long_count: int,
) -> tuple[int, int, int]:
    """Read up to `width` numbers into out[row]; return error, place and the count of long ones."""
    for k in range(width):
        i = skip_blanks(data, i, end)
        if i >= end or is_end(data[i]) or data[i] == HASH:
            if k < least:
                return TOO_FEW, i, long_count
            out[row, k] = 0.0
            continue
        start = i
        value, i, status = parse_number(data, i, end)
        if status == BAD:
            return BAD_NUMBER, start, long_count
        out[row, k] = value
        if status == LONG and long_count < len(long):
            long[long_count, 0] = start
            long[long_count, 1] = row * width + k
            long_count += 1
    return FINE, i, long_count


@njit(nogil=True, cache=True)
def _index(value: int, seen: int, total: int) -> tuple[int, int]:
    """Turn an OBJ index (from 1, or negative from the end) into one from 0, and an error."""
    if value == 0:
        return 0, ZERO_INDEX
    index = value - 1 if value > 0 else seen + value
    if index < 0 or index >= total:
        return 0, BAD_RANGE
    return index, FINE


@njit(nogil=True, cache=True)
def _corner(
    data: NDArray[np.uint8],
    i: int,
    end: int,
    seen: NDArray[np.int64],
    totals: NDArray[np.int64],
    out: NDArray[np.int32],
    corner: int,
    row: tuple[int, int, int],
) -> tuple[int, int]:
    """Read ``v``, ``v/t``, ``v//n`` or ``v/t/n`` into out[row, corner]; return error and place.

    A row below 0 is not wanted.
    """
    value, i, fine = parse_integer(data, i, end)
    if not fine:
        return BAD_CORNER, i
    index, error = _index(value, seen[0], totals[0])
    if error != FINE:
        return error, i
    out[row[0], corner] = index
    if row[1] < 0 and row[2] < 0:
        return FINE, skip_token(data, i, end)
    for slot in range(1, 3):
        if row[slot] >= 0:
            out[row[slot], corner] = -1
    slot = 0
    while i < end and data[i] == SLASH and slot < 2:
        slot += 1
        i += 1
        if i < end and data[i] > 32 and data[i] != SLASH:
            value, i, fine = parse_integer(data, i, end)
            if not fine:
                return BAD_CORNER, i
            if row[slot] < 0:
                continue
            index, error = _index(value, seen[slot], totals[slot])
            if error != FINE:
                return error, i
            out[row[slot], corner] = index
    if i < end and data[i] > 32:
        return BAD_CORNER, i
    return FINE, i


@njit(nogil=True, cache=True)
def parse_lines(
    data: NDArray[np.uint8],
    begin: int,
    end: int,
    base: NDArray[np.int64],
    totals: NDArray[np.int64],
    positions: NDArray[Any],
    textures: NDArray[Any],
    normals: NDArray[Any],
    face_end: NDArray[np.int64],
    corners: NDArray[np.int32],
    events: NDArray[np.int64],
    long_v: NDArray[np.int64],
    long_t: NDArray[np.int64],
    long_n: NDArray[np.int64],
    row: tuple[int, int, int],
) -> tuple[int, int, int, int, int, int]:
    """Fill the arrays from the lines in begin … end.

    `base` (4,) holds how many vertices, texture rows, normals and faces came before these lines,
    then the corners and events before them; `totals` (3,) what the whole file has. `events` rows
    are (kind, place behind the keyword, face number). `row` says which rows of `corners` vertex, UV
    and normal numbers go to; what has a row below 0 is skipped.

    Returns error, its place, the face number reached and the three counts of long numbers.
    """
    seen = base[:3].copy()
    face, corner, event = base[3], base[4], base[5]
    nv, nt, nn = 0, 0, 0
    error = FINE
    i = begin
    while i < end:
        start = skip_blanks(data, i, end)
        kind, i = line_kind(data, start, end)
        if kind == VERTEX:
            error, i, nv = _row(data, i, end, 3, 3, positions, seen[0], long_v, nv)
            seen[0] += 1
        elif kind == FACE:
            while True:
                i = skip_blanks(data, i, end)
                if i >= end or is_end(data[i]) or data[i] == HASH:
                    break
                error, i = _corner(data, i, end, seen, totals, corners, corner, row)
                if error != FINE:
                    break
                corner += 1
            face_end[face] = corner
            face += 1
        elif kind == TEXTURE:
            if row[1] >= 0:
                error, i, nt = _row(data, i, end, 2, 1, textures, seen[1], long_t, nt)
            seen[1] += 1
        elif kind == NORMAL:
            if row[2] >= 0:
                error, i, nn = _row(data, i, end, 3, 3, normals, seen[2], long_n, nn)
            seen[2] += 1
        elif kind in (OBJECT, GROUP, MATERIAL, SMOOTHING):
            events[event, 0] = kind
            events[event, 1] = i
            events[event, 2] = face
            event += 1
        if error != FINE:
            return error, i, face, nv, nt, nn
        i = skip_line(data, i, end) + 1
    return FINE, i, face, nv, nt, nn


@njit(nogil=True, cache=True)
def vertex_spans(data: NDArray[np.uint8], count: int) -> NDArray[np.int64]:
    """Return (count, 2): where the three coordinates of every ``v`` line begin and end."""
    out = np.zeros((count, 2), np.int64)
    row = 0
    i = 0
    end = len(data)
    while i < end and row < count:
        i = skip_blanks(data, i, end)
        kind, i = line_kind(data, i, end)
        if kind == VERTEX:
            i = skip_blanks(data, i, end)
            out[row, 0] = i
            for _ in range(3):
                i = skip_token(data, skip_blanks(data, i, end), end)
            out[row, 1] = i
            row += 1
        i = skip_line(data, i, end) + 1
    return out
