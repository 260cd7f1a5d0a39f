"""What a model is made of, and a stock of models in a file, with the tangents of their low polys.

A machine that has neither the packages that make the models nor the reference of tangents bakes
from the stock.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

Array = np.ndarray
FIELDS = (
    "positions", "faces", "corner_uv", "corner_normal", "high_positions", "high_faces",
)  # fmt: skip
DISTANCES = ("offset", "depth", "gap")


@dataclass(frozen=True, eq=False)
class Piece:
    """One part, low and high.

    positions (V, 3), faces (F, 3 or 4), corner_uv and corner_normal per face corner (F * k, 2 or
    3): the low poly; high_positions (W, 3), high_faces (T, 3): the high poly.
    """

    positions: Array
    faces: Array
    corner_uv: Array
    corner_normal: Array
    high_positions: Array
    high_faces: Array


@dataclass(frozen=True, eq=False)
class Model:
    """Two pieces of one asset, and distances (world units) that bake both rightly."""

    name: str
    pieces: tuple[Piece, Piece]
    offset: float
    depth: float
    gap: float


def smooth_normals(positions: Array, faces: Array) -> Array:
    """Area-weighted vertex normals (Gouraud 1971), (V, 3)."""
    a, b, c = (positions[faces[:, k]] for k in range(3))
    area = np.cross(b - a, c - a)
    out = np.zeros_like(positions)
    for k in range(3):
        np.add.at(out, faces[:, k], area)
    length = np.linalg.norm(out, axis=1, keepdims=True)
    return np.divide(out, length, out=np.zeros_like(out), where=length > 0)


# Tangents that are known already, by the digest of the triangles that they are of.
_KNOWN: dict[str, Array] = {}


def digest(arrays: Iterable[Array]) -> str:
    """Return a name for some arrays' bytes as float32."""
    total = hashlib.sha256()
    for array in arrays:
        total.update(np.asarray(array, np.float32).tobytes())
    return total.hexdigest()[:32]


def known_tangents(key: str) -> Array | None:
    """Return tangents that were worked out before, or None."""
    return _KNOWN.get(key)


def keep_tangents(key: str, tangents: Array) -> None:
    """Keep tangents for later."""
    _KNOWN[key] = tangents


def write_stock(file: Path, models: dict[str, Model]) -> None:
    """Write models, and all tangents that are known, as one file."""
    arrays: dict[str, Array] = {f"tangents/{key}": t for key, t in _KNOWN.items()}
    for key, model in models.items():
        arrays[f"model/{key}/name"] = np.array(model.name)
        arrays[f"model/{key}/distances"] = np.array([getattr(model, d) for d in DISTANCES])
        for number, piece in enumerate(model.pieces):
            for name in FIELDS:
                arrays[f"model/{key}/{number}/{name}"] = getattr(piece, name)
    np.savez_compressed(file, **arrays)  # type: ignore[arg-type]


def read_stock(file: Path) -> dict[str, Model]:
    """Return the models of a stock, and know its tangents from now on."""
    with np.load(file) as stock:
        arrays = {name: stock[name] for name in stock.files}
    models = {}
    for name, array in arrays.items():
        group, key, *rest = name.split("/")
        if group == "tangents":
            _KNOWN[key] = array
        elif rest == ["name"]:
            pieces = tuple(
                Piece(*(arrays[f"model/{key}/{k}/{field}"] for field in FIELDS)) for k in range(2)
            )
            distances = arrays[f"model/{key}/distances"].tolist()
            models[key] = Model(str(array), pieces, *distances)  # type: ignore[arg-type]
    return models
