"""Damage with a form: files that still look like what they were, with single things wrong in them.

Every function draws from the generator that it is given and nothing else. `damaged` of
`tests.formats.test_hostile_files` is the damage without a form.
"""

from __future__ import annotations

import io
import json
import random
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.formats.test_hostile_files import damaged, with_odd_values

DIGITS = "9" * 400
CELLS = [
    "", "-1", "nan", "inf", "1e999", DIGITS, "x", "0x10", "1_000", "\0", "\x1b[31m", "=1+1", "1,2",
    '"', "'", "-0", "é", "x" * 140_000, "99999999", "true", "null", "[]", " ", "\n", "\r",
]  # fmt: skip
_DTYPES = ["<f8", "<f4", "<i8", "<i4", "u1", "?", "<U3", "S2", "<c16", ">i4", "<u2", "<M8[s]"]
_TEXTS = [
    "", "\x1b[2J", "\x00", "x" * 5000, "…", "../..", "/etc/passwd", "=1+1", "a\nb", "\u202e",
]  # fmt: skip


def odd_arrays(arrays: dict[str, NDArray[Any]], rng: random.Random) -> dict[str, NDArray[Any]]:
    """Return arrays with one to three changes: gone, another kind, shape or number."""
    out = dict(arrays)
    for _ in range(rng.choice([1, 1, 2, 3])):
        name = rng.choice(sorted(out))
        out[name] = _odd(out[name], rng)
        if rng.random() < 0.15:
            del out[name]
    return out


def _odd(data: NDArray[Any], rng: random.Random) -> NDArray[Any]:
    kind = rng.randrange(7)
    if kind == 0:
        with np.errstate(all="ignore"):
            try:
                return data.astype(rng.choice(_DTYPES))
            except (ValueError, TypeError):
                return np.zeros(data.shape)
    if kind == 1:
        return data[: rng.randrange(len(data) + 1)] if data.ndim else data.reshape(1)
    if kind == 2:
        return data.reshape(-1) if data.ndim > 1 else data[None]
    if kind == 3:
        return np.concatenate([data, data[:1]]) if data.ndim else np.zeros((0, 3))
    if kind == 4:
        return np.zeros(rng.choice([(0,), (), (1,), (0, 3), (2, 2, 2)]), data.dtype)
    if not data.size:
        return data
    changed = data.copy()
    at = rng.randrange(data.size)
    if data.dtype.kind == "f":
        changed.flat[at] = rng.choice([np.nan, np.inf, -np.inf, 3e38, -1.0])
    elif data.dtype.kind in "iu":
        bounds = np.iinfo(data.dtype)
        changed.flat[at] = rng.choice([bounds.max, bounds.min, min(data.size, bounds.max), 0])
    elif data.dtype.kind == "U":
        changed = changed.astype("<U9")
        changed.flat[at] = rng.choice(["", "zzz", "\x1b[31m"])
    return changed


def npz_bytes(arrays: dict[str, NDArray[Any]]) -> bytes:
    """Return arrays as an NPZ file."""
    stream = io.BytesIO()
    np.savez(stream, **arrays)  # type: ignore[arg-type]
    return stream.getvalue()


def odd_npz(arrays: dict[str, NDArray[Any]], rng: random.Random) -> bytes:
    """Return an NPZ file with odd arrays, or a damaged one."""
    if rng.random() < 0.3:
        return damaged(npz_bytes(arrays), rng.getrandbits(32))
    return npz_bytes(odd_arrays(arrays, rng))


def odd_json(document: Any, rng: random.Random) -> bytes:
    """Return a JSON document with odd values, texts or numbers, or a damaged text."""
    text = json.dumps(document)
    kind = rng.randrange(10)
    if kind == 0:
        return damaged(text.encode(), rng.getrandbits(32))
    if kind == 1:
        return b"[" * 100_000
    tree = json.loads(text)
    for _ in range(rng.choice([1, 1, 2, 4])):
        tree = with_odd_values(json.loads(json.dumps(tree)), rng)
    said = json.dumps(tree)
    if kind == 2:
        said = _with_number(
            said, rng.choice([DIGITS, "1e999", "-" + DIGITS, "NaN", "Infinity"]), rng
        )
    if kind == 3:
        said = said.replace('": "', '": ' + json.dumps(rng.choice(_TEXTS))[:-1], 1)
    return said.encode(errors="replace")


def _with_number(text: str, number: str, rng: random.Random) -> str:
    places = [k for k, c in enumerate(text) if c in ":[," and text[k + 1 : k + 3].strip().isdigit()]
    if not places:
        return number
    at = rng.choice(places) + 1
    end = at
    while end < len(text) and text[end] in " 0123456789.eE+-":
        end += 1
    return text[:at] + " " + number + text[end:]


def odd_table(text: str, rng: random.Random) -> bytes:
    """Return a CSV text with odd cells, lines or separators, or a damaged one."""
    if rng.random() < 0.2:
        return damaged(text.encode(), rng.getrandbits(32))
    rows = [line.split(",") for line in text.splitlines()]
    for _ in range(rng.choice([1, 1, 2, 5])):
        row = rng.choice(rows)
        kind = rng.randrange(5)
        if kind <= 1 and row:
            row[rng.randrange(len(row))] = rng.choice(CELLS)
        elif kind == 2:
            row.append(rng.choice(CELLS))
        elif kind == 3:
            row.clear()
        elif row:
            row.pop()
    return "\n".join(",".join(row) for row in rows).encode()
