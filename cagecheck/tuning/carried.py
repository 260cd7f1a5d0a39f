"""The cage of an earlier tuning, carried over to a low poly that has changed since.

A position that was there before keeps its offset, digit for digit. A new one gets what the old cage
has at the nearest place that faces the same way. Tuning then begins from that cage and changes only
what the check finds wrong, whether the low poly or the high poly is another.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np

from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.nearest import NearestPaired
from cagecheck.errors import InputError, Notice
from cagecheck.formats.push_file import read_push
from cagecheck.meshes.barycentric import barycentric_of
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh
from cagecheck.predicting.read_back import check_ranges, read_arrays, read_json
from cagecheck.predicting.record_fields import VIEW
from cagecheck.rays.cage import Cage, Directions, cage_from_push
from cagecheck.words.numbers import count_text
from cagecheck.words.sentences import count_words

_VIEW = {name: VIEW[name] for name in ("low_positions", "low_triangles", "low_part")}
_FILES = ("push.json", "view.npz", "regions.json")
# Result folders keep places in single precision; within a few roundings of that they are the same.
_SAME = 4 * float(np.finfo(np.float32).eps)


def carried_cage(
    low: LowPoly, folder: str | os.PathLike[str], directions: Directions = "averaged"
) -> tuple[Cage, tuple[Notice, ...]]:
    """Return the cage of a folder that `tune` wrote, for a low poly that may have changed.

    Parameters
    ----------
    low : LowPoly
        The low poly as it is now.
    folder : str | os.PathLike[str]
        What `tune` wrote.
    directions : Directions, optional
        See `cage_from_offset`.

    Returns
    -------
    Cage, tuple of Notice
        How many positions kept their offsets, and how many lie farther from the old low poly than
        its triangle there is long: these begin with their part's median.

    Raises
    ------
    InputError
        It is no such folder, or a file of it is damaged.
    """
    old, offsets = _read_tuned(Path(folder))
    part = np.zeros(low.position_count, np.int32)
    part[low.welded] = low.triangle_part[:, None]
    found, place, distance = NearestPaired(old, _paired(old.part_names, low.part_names)).find(
        low.places, part, low.ray_normals
    )
    near = found >= 0
    corners = old.triangles[np.maximum(found, 0)]
    corner = old.positions[corners]
    weights = barycentric_of(np.where(near[:, None], place, corner[:, 0]), corner)
    # At a corner the other two must not blur its own digits.
    whole = weights.max(axis=1) > 1 - _SAME
    exact = offsets[corners[np.arange(len(corners)), np.argmax(weights, axis=1)]]
    out = np.where(whole, exact, np.einsum("ij,ij->i", weights, offsets[corners]))
    size = float(np.abs(old.positions).max(initial=0.0))
    same = near & whole & (distance <= _SAME * size)
    edge = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).max(axis=1)
    far = ~near | (distance > edge)
    out[far] = _median_of_parts(out, part, ~far, len(low.part_names))[part[far]]
    used = np.zeros(low.position_count, bool)
    used[low.welded] = True
    cage = cage_from_push(low, out[low.position_id], directions)
    return cage, (_notice(Path(folder), used & same, used & far, int(used.sum())),)


def _read_tuned(folder: Path) -> tuple[LowPoly, Floats]:
    """Return the low poly of a tuning and its offsets per vertex."""
    lacking = [name for name in _FILES if not (folder / name).is_file()]
    if lacking:
        raise InputError(
            f"this is no folder that tune wrote: it lacks {', '.join(lacking)}.",
            file=str(folder),
            cure="Name the folder that cagecheck tune wrote (--out).",
        )
    offsets, _ = read_push(folder / "push.json")
    names = _part_names(read_json(folder / "regions.json"))
    lengths = {"low parts": len(names)}
    view = read_arrays(folder / "view.npz", _VIEW, lengths)
    check_ranges(folder, view, _VIEW, lengths)
    positions, triangles = view["low_positions"].astype(np.float64), view["low_triangles"]
    part: Ints = view["low_part"]
    if len(positions) != len(offsets):
        raise InputError(
            "the files of this folder are not from one run.",
            file=str(folder),
            cure="Run cagecheck tune again with --force.",
        )
    mesh = Mesh(
        positions=positions,
        face_start=np.arange(len(triangles) + 1, dtype=np.int64) * 3,
        corner_vertex=np.ascontiguousarray(triangles.ravel(), np.int32),
        face_part=part.astype(np.int32),
        part_names=tuple(names),
    )
    return prepare_low(mesh), offsets


def _part_names(document: dict[str, Any]) -> list[str]:
    low = document.get("low")
    names = low.get("parts") if isinstance(low, dict) else None
    return [str(name) for name in names] if isinstance(names, list) else []


def _paired(old: tuple[str, ...], new: tuple[str, ...]) -> np.ndarray:
    """Return (old parts, new parts): those of one name; a part of a new name may follow any."""
    same = np.array([[a == b for b in new] for a in old], bool)
    same[:, ~same.any(axis=0)] = True
    return same


def _median_of_parts(offsets: Floats, part: Ints, known: np.ndarray, parts: int) -> Floats:
    """Return the median known offset of every part, that of all where a part has none."""
    everywhere = float(np.median(offsets[known])) if known.any() else 0.0
    out = np.full(parts, everywhere)
    for k in np.unique(part[known]):
        out[k] = np.median(offsets[known & (part == k)])
    return out


def _notice(folder: Path, same: np.ndarray, far: np.ndarray, count: int) -> Notice:
    kept, lost = int(same.sum()), int(far.sum())
    said = (
        f"the cage of {folder.name}: {count_text(kept)} of {count_text(count)} positions are where "
        f"they were and keep their offsets, {count_text(count - kept - lost)} take that of the "
        "nearest place"
    )
    if lost:
        said += (
            f"; {count_words(lost, 'position')} lie too far from the old low poly and begin with "
            "their part's median"
        )
    return Notice("carried-cage", f"{said}.", "Nothing to mend if the check is clean.", count=kept)
