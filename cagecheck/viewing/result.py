"""Read a result folder back: the document, the heat map, the samples, the layer table."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.defects.kinds import Defect, Thresholds
from cagecheck.defects.recolour import Recolourer, Table
from cagecheck.errors import InputError, Notice
from cagecheck.formats.read import read_surface
from cagecheck.formats.stored import check_ranges, check_starts, shortened
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.pose import pose_of
from cagecheck.predicting.read_back import read_arrays, read_heat, read_json
from cagecheck.predicting.record_fields import SAMPLES, VIEW
from cagecheck.progress import Progress, silent
from cagecheck.report.valid import fault_of
from cagecheck.staging import recover
from cagecheck.viewing.lit_record import LitRecord, read_lit

# Vertices of a file that lie within this share of the model's size of where they were are the same.
FIT = 1e-5
SHOWN = ("cagecheck prediction",)
FILES = ("regions.json", "heatmap.ply", "samples.npz", "view.npz")


@dataclass(frozen=True, eq=False)
class Result:
    """A result folder in memory.

    folder : where it lies; document : ``regions.json``; positions : (K, 3) float32 and triangles :
    (M, 3) int32 of the heat map; samples, view : the arrays of ``samples.npz`` and ``view.npz``;
    lit : the model lit with normal maps, None where the folder has none.
    """

    folder: Path
    document: dict[str, Any]
    positions: NDArray[np.float32]
    triangles: NDArray[np.int32]
    samples: dict[str, NDArray[Any]]
    view: dict[str, NDArray[Any]]
    lit: LitRecord | None = None

    @property
    def regions(self) -> list[dict[str, Any]]:
        """The regions of the document, most harmful first."""
        out: list[dict[str, Any]] = self.document["regions"]
        return out

    @property
    def low_parts(self) -> list[str]:
        """Names of the low poly's parts."""
        out: list[str] = self.document["low"]["parts"]
        return out

    @property
    def high_parts(self) -> list[str]:
        """Names of the high poly's parts."""
        out: list[str] = self.document["high"]["parts"]
        return out

    @property
    def depth(self) -> float:
        """How far rays look below the low poly, world units."""
        return float(self.document["settings"]["depth"])

    @property
    def thresholds(self) -> Thresholds:
        """Where measures become defects."""
        known = {f.name for f in fields(Thresholds)}
        given = self.document["settings"]["thresholds"]
        return Thresholds(**{k: v for k, v in given.items() if k in known})

    @property
    def diagonal(self) -> float:
        """Length of the heat map's bounding box diagonal."""
        size = self.positions.max(axis=0) - self.positions.min(axis=0)
        return float(np.linalg.norm(size)) or 1.0

    def recolourer(self) -> Recolourer:
        """Return what reclassifies the samples at other cage distances."""
        s, v = self.samples, self.view
        table = Table(
            s["start"], s["layer_first"], s["layer_t"], s["layer_front"], v["layer_own"],
            v["layer_lean"], s["target_layer"], s["slant_degrees"], v["skew_scale"],
            v["fold_from"], v["split_slope"], v["vertex_of_sample"], v["heat_sample"], s["area"],
        )  # fmt: skip
        return Recolourer(table, self.depth, self.thresholds)


def read_result(folder: str | os.PathLike[str]) -> Result:
    """Read a result folder that `predict` wrote.

    Parameters
    ----------
    folder : str | os.PathLike[str]
        The folder.

    Raises
    ------
    InputError
        It is not one, a file is missing or damaged, or the files are not from one run.
    """
    place = Path(folder)
    recover(place)
    if not place.is_dir():
        raise InputError(
            "there is no such folder.",
            file=str(place),
            cure="Name the folder that cagecheck predict wrote (--out).",
        )
    if (place / "location.json").is_file() and not (place / "view.npz").is_file():
        raise InputError(
            "this is what cagecheck locate found; the viewer shows predictions.",
            file=str(place),
            cure=f"Open {place / 'report.html'} in a browser: it has the model, the maps and the "
            "regions.",
        )
    lacking = [name for name in FILES if not (place / name).is_file()]
    if lacking:
        raise InputError(
            f"this is not a whole result folder: it lacks {', '.join(lacking)}.",
            file=str(place),
            cure="Run cagecheck predict again with --out.",
        )
    positions, triangles = read_heat_ply(place / "heatmap.ply")
    document = _read_document(place / "regions.json")
    lengths = {
        "low parts": len(document["low"]["parts"]),
        "high parts": len(document["high"]["parts"]),
        "R": len(document["regions"]),
    }
    samples = read_arrays(place / "samples.npz", SAMPLES, lengths)
    view = read_arrays(place / "view.npz", VIEW, lengths)
    result = Result(place, document, positions, triangles, samples, view, read_lit(place))
    _check_one_run(result, lengths)
    return result


def read_heat_ply(path: Path) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
    """Return positions (K, 3) and triangles (M, 3) of a heat map that cagecheck wrote."""
    rows, triangles = read_heat(path)
    return np.stack([rows[axis] for axis in "xyz"], axis=1), triangles


def read_high(result: Result, progress: Progress = silent) -> tuple[Surface | None, Notice | None]:
    """Return the high poly that the result names, or why it cannot be shown.

    Parameters
    ----------
    result : Result
        What `read_result` returns.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Returns
    -------
    Surface or None, Notice or None
        One of the two.
    """
    source = result.document["high"]["source"]
    if source is None:
        return None, Notice("no-high-file", "this result was made from meshes in memory.")
    path = _found(result.folder, source)
    if path is None:
        return None, Notice(
            "high-unreadable",
            f"the high poly cannot be shown: there is no {source['path']}.",
            "Put the file back there, or where it lay as seen from the result folder.",
        )
    try:
        surface = read_surface(
            path, normals=False, pose=pose_of(source.get("pose")), progress=progress
        )
    except InputError as error:
        return None, Notice(
            "high-unreadable", f"the high poly cannot be shown: {error}",
            "Put the file back where it was when the result was made.",
        )  # fmt: skip
    placed = _place_as_used(surface, result.view["high_probe"], result.view["high_probe_position"])
    if placed is None:
        return None, Notice(
            "high-changed", f"{path} is no longer the mesh that the result was made from.",
            "Run cagecheck predict again to see what is wrong now.",
        )  # fmt: skip
    return placed, None


def _found(folder: Path, source: dict[str, Any]) -> Path | None:
    """Return where a source lies: where it lay, or there as seen from the result folder."""
    places = [Path(source["path"]), folder / source["path"]]
    if source.get("from_here"):
        places.insert(1, folder / source["from_here"])
    there = list(dict.fromkeys(place.resolve() for place in places if place.is_file()))
    # A file that is still the same one is taken before another of its name.
    same = (p for p in there if hashlib.sha256(p.read_bytes()).hexdigest() == source["sha256"])
    return next(same, there[0]) if len(there) > 1 else next(iter(there), None)


def _place_as_used(
    surface: Surface, index: NDArray[np.int64], used: NDArray[np.float64]
) -> Surface | None:
    """Return the surface scaled and turned as the result used it, None where it does not fit."""
    if len(index) == 0 or index.min() < 0 or int(index.max()) >= len(surface.positions):
        return None
    here = surface.positions[index].astype(np.float64)
    size = float(np.ptp(used, axis=0).max()) or 1.0
    if np.abs(here - used).max() <= FIT * size:
        return surface
    columns = np.column_stack([here, np.ones(len(here))])
    way = np.linalg.lstsq(columns, used, rcond=None)[0]
    if np.abs(columns @ way - used).max() > FIT * size:
        return None
    moved = surface.positions.astype(np.float64) @ way[:3] + way[3]
    return replace(surface, positions=moved.astype(np.float32))


def _read_document(path: Path) -> dict[str, Any]:
    document = read_json(path)
    kind, version = document.get("document"), document.get("version")
    if kind is None or version is None:
        raise InputError("this is not a document that cagecheck wrote.", file=str(path))
    if kind not in SHOWN or version != 1 or "regions" not in document:
        raise InputError(
            f"this is a “{shortened(kind)}”, version {shortened(version)}, which this cagecheck "
            "cannot show.",
            file=str(path),
            cure="Run cagecheck predict again with this version.",
        )
    fault = fault_of(document, "prediction") or _fault_of_document(document)
    if fault is not None:
        raise InputError(
            f"this document is damaged or was edited: {fault}.",
            file=str(path),
            cure="Predict again with `force`.",
        )
    return document


def _fault_of_document(document: dict[str, Any]) -> str | None:
    """Return what the schema cannot say: what must agree with what."""
    settings, regions = document["settings"], document["regions"]
    low, high = document["low"]["parts"], document["high"]["parts"]
    named = [row["low"] for row in document["pairing"]] + [region["part"] for region in regions]
    if settings["depth"] is None or settings["reach"] is None:
        return "settings lacks depth or reach"
    if [region["number"] for region in regions] != list(range(1, len(regions) + 1)):
        return "the regions are not numbered one after another"
    if not set(named) <= set(low):
        return "it names a part that the low poly has not"
    if not {name for row in document["pairing"] for name in row["high"]} <= set(high):
        return "it names a part that the high poly has not"
    numbers = {n for row in document["entries"] for n in row["regions"]}
    if not numbers <= set(range(1, len(regions) + 1)):
        return "its entries name regions that it has not"
    return None


def _check_one_run(result: Result, lengths: dict[str, int]) -> None:
    """Refuse files that do not fit together: they would be indexed into each other."""
    s, v = result.samples, result.view
    try:
        check_ranges(s, SAMPLES, lengths)
        check_ranges(v, VIEW, lengths)
        check_starts("layer_first", s["layer_first"], lengths["L"])
        check_starts("region_first", v["region_first"], lengths["M"])
        _check_members(result)
        if result.document["samples"] != lengths["N"] or lengths["K"] != len(result.positions):
            raise ValueError("the counts differ")
    except ValueError as error:
        raise InputError(
            f"the files of this folder are not from one run, or one is damaged ({error}).",
            file=str(result.folder),
            cure="Predict again with `force`.",
        ) from None


def _check_members(result: Result) -> None:
    """Members of a region are samples, or points of the high poly where that is unseen."""
    first, members = result.view["region_first"], result.view["region_sample"]
    for k, region in enumerate(result.regions):
        mine = members[first[k] : first[k + 1]]
        is_unseen = region["name"] == Defect.UNSEEN.title
        most = len(result.view["unseen_position"] if is_unseen else result.samples["start"])
        if len(mine) and not 0 <= mine.min() <= mine.max() < most:
            raise ValueError("region_sample holds numbers out of range")
