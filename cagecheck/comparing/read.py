"""Results as `compare` takes them: folders, files, JSON documents, predictions in memory."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.comparing.placed import (
    Placed,
    PlacedRegion,
    Surroundings,
    place_ball,
    place_region,
    point_harms,
)
from cagecheck.defects.kinds import Defect
from cagecheck.defects.unseen import SEEN_SPACINGS
from cagecheck.errors import InputError
from cagecheck.meshes.normals import normalised
from cagecheck.predicting.read_back import check_ranges, read_arrays, read_heat, read_json
from cagecheck.predicting.record import region_members, unseen_positions
from cagecheck.predicting.record_fields import PLACED, SAMPLES, VIEW
from cagecheck.predicting.result import DOCUMENT_VERSION, Prediction, prediction_document

PREDICTED, LOCATED, TUNED = "regions.json", "location.json", "tuning.json"
_SAMPLES = PLACED | {name: SAMPLES[name] for name in ("origin", "triangle", "area")}
_VIEW = {
    name: VIEW[name]
    for name in ("low_positions", "low_triangles", "low_part", "region_first", "region_sample",
                 "unseen_position")
}  # fmt: skip
# What a result may be given as.
Result = Prediction | str | os.PathLike[str]


def read_placed(result: Result) -> Placed:
    """Return a result with its regions in their places.

    Parameters
    ----------
    result : Prediction | str | os.PathLike[str]
        What `predict` returns; a folder that `predict`, `tune` or `locate` wrote, or one of the
        JSON files in it; or the document that one of them printed (`--json`), of which only the
        middle and radius of each region is known.

    Raises
    ------
    InputError
        It is no result, or a file of it is damaged.
    """
    if isinstance(result, Prediction):
        return _of_prediction(result)
    path = Path(result)
    if path.is_dir():
        return _of_folder(path)
    if not path.is_file():
        raise InputError(
            "there is no such folder or file.",
            file=str(path),
            cure="Name a folder that cagecheck predict, tune or locate wrote (--out).",
        )
    if path.name in (PREDICTED, TUNED) and (path.parent / PREDICTED).is_file():
        return _of_folder(path.parent)
    if path.name == LOCATED:
        return _of_location(path)
    document = checked_document(read_json(path), path)
    return _of_document(document, str(path))


def checked_document(document: dict[str, Any], path: Path) -> dict[str, Any]:
    """Return a document with regions; raise `InputError` for any other."""
    kind = document.get("kind", document.get("document"))
    if kind == "cagecheck tuning":
        raise InputError(
            "this says what was tuned, but not where what is left lies.",
            file=str(path),
            cure="Give the whole folder that cagecheck tune wrote (--out).",
        )
    if kind not in ("cagecheck prediction", "location"):
        raise InputError(
            "this is no result of predict, tune or locate.",
            file=str(path),
            cure="Name a folder that one of them wrote (--out), or a document that it printed "
            "(--json).",
        )
    if document.get("version") != DOCUMENT_VERSION or not _sound(document):
        raise InputError(
            f"this result (version {document.get('version')}) cannot be read by this cagecheck.",
            file=str(path),
            cure="Make it again with this version.",
        )
    return document


_NEEDED = ("number", "name", "part", "centroid", "radius", "area", "texels", "harm",
           "texels_seen", "area_seen", "sample_count", "tile")  # fmt: skip


def _sound(document: dict[str, Any]) -> bool:
    rows = document.get("regions")
    return isinstance(rows, list) and all(
        isinstance(row, dict) and all(row.get(key) is not None for key in _NEEDED) for row in rows
    )


def is_location(document: dict[str, Any]) -> bool:
    """Tell whether a document is of `locate`, else of a prediction."""
    return document.get("kind") == "location"


# Predictions --------------------------------------------------------------------------------------


def _of_prediction(prediction: Prediction) -> Placed:
    low, points = prediction.low, prediction.points
    first, members = region_members(prediction.regions)
    around = Surroundings(
        points=prediction.positions,
        normals=normalised(low.face_normals[points.triangle]),
        part=low.triangle_part[points.triangle],
        triangle=points.triangle,
        # As the files hold them, so that a result compares alike with and without them.
        barycentric=points.barycentric.astype(np.float32),
        low_triangles=low.triangles,
    )
    document = prediction_document(prediction)
    source = low.mesh.source
    return _placed(
        source.name if source else "in memory", document, first, members, around,
        points.area, prediction.texel_area, prediction.visible_error,
        unseen_positions(prediction).astype(np.float64),
    )  # fmt: skip


def _of_folder(folder: Path) -> Placed:
    if not (folder / PREDICTED).is_file() and (folder / LOCATED).is_file():
        return _of_location(folder / LOCATED)
    lacking = [n for n in (PREDICTED, "samples.npz", "view.npz") if not (folder / n).is_file()]
    if lacking:
        raise InputError(
            f"this is not a whole result folder: it lacks {', '.join(lacking)}.",
            file=str(folder),
            cure="Run cagecheck predict, tune or locate again with --out.",
        )
    document = checked_document(read_json(folder / PREDICTED), folder / PREDICTED)
    lengths = {"low parts": len(document["low"]["parts"]), "R": len(document["regions"])}
    samples = read_arrays(folder / "samples.npz", _SAMPLES, lengths)
    view = read_arrays(folder / "view.npz", _VIEW, lengths)
    check_ranges(folder, samples | view, _SAMPLES | _VIEW, lengths)
    try:
        corners = view["low_positions"][view["low_triangles"]].astype(np.float64)
        normals = normalised(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
        triangle = samples["triangle"]
        around = Surroundings(
            points=samples["origin"].astype(np.float64),
            normals=normals[triangle],
            part=view["low_part"][triangle],
            triangle=triangle,
            barycentric=samples["barycentric"],
            low_triangles=view["low_triangles"],
        )
        placed = _placed(
            str(folder), document, view["region_first"], view["region_sample"], around,
            samples["area"].astype(np.float64), samples["texels"].astype(np.float64),
            samples["visible_error"].astype(np.float64),
            view["unseen_position"].astype(np.float64),
        )  # fmt: skip
        return replace(placed, folder=folder)
    except IndexError:
        raise InputError(
            "the files of this folder are not from one run.",
            file=str(folder),
            cure="Predict again with `force`.",
        ) from None


def _placed(
    label: str,
    document: dict[str, Any],
    first: NDArray[np.integer],
    members: NDArray[np.integer],
    around: Surroundings,
    area: Floats,
    texels: Floats,
    error: Floats,
    unseen: Floats,
) -> Placed:
    rows = document["regions"]
    if len(first) != len(rows) + 1 or int(first[-1]) != len(members):
        raise IndexError("regions of another run")
    # Samples on edges and vertices stand for no area; they lie as close as the others.
    typical = float(np.sqrt(np.median(area[area > 0]))) if (area > 0).any() else 0.0
    regions = []
    for k, row in enumerate(rows):
        mine = members[first[k] : first[k + 1]].astype(np.int64)
        if row["name"] == Defect.UNSEEN.title:
            regions.append(_unseen_region(row, unseen[mine], mine, typical))
            continue
        spacing_of = np.where(area[mine] > 0, np.sqrt(area[mine]), typical)
        regions.append(
            place_region(
                row, around.points[mine], around.normals[mine], spacing_of, area=area[mine],
                harms=point_harms(error[mine], texels[mine], area[mine]), samples=mine,
            )
        )  # fmt: skip
    return Placed(
        label, document, tuple(regions), tuple(document["low"]["parts"]),
        exact=document["settings"].get("texels") is not None, around=around,
        spacing=typical,
    )  # fmt: skip


def _unseen_region(
    row: dict[str, Any], points: Floats, samples: NDArray[np.int64], ray_spacing: float
) -> PlacedRegion:
    """Place lost surface of the high poly, which is what no ray's hit lies near.

    Points that share those hits are lost together, so only as many count as there are such
    neighbourhoods; and the outermost of them are not lost, as hits on sound surface lie near.
    """
    near = SEEN_SPACINGS * ray_spacing
    area = float(row["area"])
    spacing = np.full(len(points), np.sqrt(area / max(len(points), 1)))
    hoods = area / (np.pi * near**2) if near > 0 else float(len(points))
    return place_region(
        row, points, np.zeros((len(points), 3)), spacing, samples=samples,
        counted=float(np.clip(hoods, 1.0, max(len(points), 1))), lost=True,
    )  # fmt: skip


# Baked maps ---------------------------------------------------------------------------------------


def _of_location(path: Path) -> Placed:
    """Take the places of faults from the heat map, whose vertices name their region."""
    document = checked_document(read_json(path), path)
    heat = path.parent / "heatmap.ply"
    if not heat.is_file():
        return _of_document(document, str(path.parent))
    points, normals, region = _heat_vertices(heat)
    regions = []
    for row in document["regions"]:
        mine = np.flatnonzero(region == row["number"])
        if len(mine) == 0:
            regions.append(place_ball(row))
            continue
        spacing = np.full(len(mine), np.sqrt(float(row["area"]) / len(mine)))
        regions.append(place_region(row, points[mine], normals[mine], spacing))
    return Placed(
        str(path.parent),
        document,
        tuple(regions),
        _parts_of(document, regions),
        exact=True,
        folder=path.parent,
    )


def _heat_vertices(path: Path) -> tuple[Floats, Floats, Ints]:
    """Return places, normals and region numbers of a heat map's vertices."""
    rows, triangles = read_heat(path)
    if "region" not in (rows.dtype.names or ()):
        raise InputError(
            "this heat map names no regions.", file=str(path), cure="Run cagecheck locate again."
        )
    points = np.stack([rows[axis] for axis in "xyz"], axis=1).astype(np.float64)
    a, b, c = (points[triangles[:, k]] for k in range(3))
    normals, across = np.zeros_like(points), np.cross(b - a, c - a)
    for k in range(3):
        np.add.at(normals, triangles[:, k], across)
    return points, normalised(normals), rows["region"].astype(np.int64)


# Documents alone ----------------------------------------------------------------------------------


def _of_document(document: dict[str, Any], label: str) -> Placed:
    regions = [place_ball(row) for row in document["regions"]]
    exact = is_location(document) or document["settings"].get("texels") is not None
    return Placed(label, document, tuple(regions), _parts_of(document, regions), exact=exact)


def _parts_of(document: dict[str, Any], regions: list[PlacedRegion]) -> tuple[str, ...]:
    """Return the names of the low parts; a document of `locate` names only those with faults."""
    if not is_location(document):
        return tuple(document["low"]["parts"])
    return tuple(sorted({region.part for region in regions}))
