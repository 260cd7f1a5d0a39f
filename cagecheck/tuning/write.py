"""A tuning's result folder."""

from __future__ import annotations

import json
import os
from dataclasses import asdict
from pathlib import Path
from typing import Any, Literal

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.errors import InputError, Notice, takes
from cagecheck.files import OutputFolder
from cagecheck.formats.push_file import PushRecord, push_csv, push_json
from cagecheck.formats.usd import ENDINGS as USD_ENDINGS
from cagecheck.formats.write_cage import write_cage
from cagecheck.maps.texels import tiles_touched
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import SourceFile
from cagecheck.predicting.lit import lit_of
from cagecheck.predicting.write import add_prediction
from cagecheck.progress import Progress, silent
from cagecheck.report.colours import cividis
from cagecheck.report.heatmap import HeatMap, write_heat_glb, write_heat_ply
from cagecheck.report.json_values import plain, source_row
from cagecheck.report.page import write_page
from cagecheck.tuning.conflicts import Conflict
from cagecheck.tuning.field_maps import PADDING, TOP, write_field_map
from cagecheck.tuning.needles import crossings_at_needles
from cagecheck.tuning.page import page_of_tuning
from cagecheck.tuning.single import SingleNumber, curve_rows, draw_curve
from cagecheck.tuning.straighten.straighten import Straightening
from cagecheck.tuning.tune import Tuning
from cagecheck.version import __version__
from cagecheck.words.cells import Table
from cagecheck.words.sentences import count_words

# Raised when a field changes its meaning or goes away; new fields do not raise it.
DOCUMENT_VERSION = 1
# Bytes must depend on the offsets alone, not on the last bits of a sum: this many digits are
# more than float32 holds.
DIGITS = 9

# Fields per vertex that can be drawn as maps, and what they are called in files.
FieldKind = Literal["offset", "depth"]
FIELD_KINDS: tuple[FieldKind, ...] = ("offset", "depth")
FIELD_NAMES = {"offset": "offset_out", "depth": "offset_in", "straighten": "straightening"}


def push_record(tuning: Tuning) -> PushRecord:
    """Return the push distances as they are written, rounded to nine significant digits."""
    low, high = tuning.low.mesh.source, tuning.scene.surface.source
    return PushRecord(
        offset_out=significant(tuning.offset_out),
        offset_in=significant(tuning.offset_in),
        lower=significant(tuning.lower),
        upper=significant(tuning.upper),
        conflict=tuning.conflict,
        low=_named(low),
        high=_named(high),
    )


def _named(source: SourceFile | None) -> dict[str, Any] | None:
    """Return a source without its folder: the same files give the same bytes anywhere."""
    row = source_row(source)
    return None if row is None else row | {"path": Path(row["path"]).name}


def significant(values: Floats) -> Floats:
    """Return the values rounded to `DIGITS` significant digits; infinities stay."""
    out = np.array(values, dtype=np.float64)
    finite = np.isfinite(out) & (out != 0)
    with np.errstate(over="ignore"):
        power = DIGITS - 1 - np.floor(np.log10(np.abs(out[finite])))
        out[finite] = np.round(out[finite] * 10.0**power) / 10.0**power
    return out


def tuning_document(
    tuning: Tuning,
    numbers: list[SingleNumber],
    notices: tuple[Notice, ...] = (),
    straightening: Straightening | None = None,
    conflicts: tuple[Conflict, ...] = (),
) -> dict[str, Any]:
    """Return what a tuning found, as plain JSON values (offsets are in the push file).

    Parameters
    ----------
    tuning : Tuning
        What `tune` returns.
    numbers : list[SingleNumber]
        What `single_numbers` returns.
    notices : tuple[Notice, ...], optional
        What the artist should know besides.
    straightening : Straightening, optional
        What `straighten` returns, None for none.
    conflicts : tuple[Conflict, ...], optional
        What `explain_conflicts` returns.
    """
    used = np.unique(tuning.low.triangles)
    offsets = tuning.offset_out[used] if len(used) else np.zeros(1)
    document = {
        "document": "cagecheck tuning",
        "version": DOCUMENT_VERSION,
        "tool_version": __version__,
        "low": _named(tuning.low.mesh.source),
        "high": _named(tuning.scene.surface.source),
        "settings": asdict(tuning.settings),
        "margin": tuning.margin,
        "limit": tuning.limit,
        "limit_given": tuning.limit_given,
        "depth": tuning.depth,
        "depths": asdict(tuning.depths),
        "offset_out": {
            "least": float(offsets.min()),
            "median": float(np.median(offsets)),
            "largest": float(offsets.max()),
        },
        "kept_vertices": int(tuning.kept.sum()),
        "conflict_vertices": int(tuning.conflict.sum()),
        "folded_triangles": int(tuning.shell.folded.sum()),
        "least_fold_ratio": _least(tuning.shell.ratio),
        "cage_crossings": int(tuning.crossings.same_part.sum()),
        "cage_crossings_at_needles": crossings_at_needles(tuning.low, tuning.crossings),
        "low_poly_crossings": tuning.low_crossings,
        "cage_crossings_between_parts": int((~tuning.crossings.same_part).sum()),
        "table": tuning.table(),
        "places": [change.to_dict() for change in tuning.changes],
        "assurance": asdict(tuning.assurance),
        "texels": None if tuning.texels is None else asdict(tuning.texels),
        "rounds": [asdict(r) for r in tuning.rounds],
        "steadiness": asdict(tuning.steadiness),
        "harm": asdict(tuning.harm),
        "smooth_curve": [asdict(p) for p in tuning.smooth_curve],
        "solver": tuning.solver,
        "solver_gap": tuning.gap,
        "single_numbers": [n.to_dict() for n in numbers],
        "conflicts": [c.to_dict() for c in conflicts],
        "straightening": None if straightening is None else straightening.to_dict(),
        "notices": [n.to_dict() for n in (*notices, *tuning.notices)],
    }
    out: dict[str, Any] = plain(document)
    return out


def _least(values: Floats) -> float | None:
    finite = values[np.isfinite(values)]
    return float(finite.min()) if len(finite) else None


@takes(tuning=Tuning)
def write_tuning(
    tuning: Tuning,
    numbers: list[SingleNumber],
    folder: str | os.PathLike[str],
    *,
    straightening: Straightening | None = None,
    conflicts: tuple[Conflict, ...] = (),
    maps: tuple[FieldKind, ...] = (),
    copy_cage: bool = False,
    force: bool = False,
    notices: tuple[Notice, ...] = (),
    progress: Progress = silent,
) -> list[Path]:
    """Write the results of a tuning into a folder. All are written or none.

    The cage in the low poly's own format, push.json, push.csv, offsets.ply and offsets.glb (the
    low poly coloured by offset), tuning.json, single.csv, curve.csv, curve.png, and for every one
    of `maps` a greyscale map per tile, with maps.json for their scale. With `straightening` also
    straighten.csv, its maps, and the moved cage where casting shows less skew. Besides, the last
    check as `write_prediction` writes it, and report.html with before and after.

    Parameters
    ----------
    tuning : Tuning
        What `tune` returns.
    numbers : list[SingleNumber]
        What `single_numbers` returns.
    folder : str | os.PathLike[str]
        The folder, made if need be.
    straightening : Straightening, optional
        What `straighten` returns, None for none.
    conflicts : tuple[Conflict, ...], optional
        What `explain_conflicts` returns.
    maps : tuple[FieldKind, ...], optional
        The greyscale maps to write, of `FIELD_KINDS`.
    copy_cage : bool, optional
        Write the cage of a USD scene as a copy, see `write_cage`.
    force : bool, optional
        Replace a file that exists.
    notices : tuple[Notice, ...], optional
        What the artist should know besides.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        A file exists and `force` is off, or the folder cannot be written.
    """
    with OutputFolder(folder, force=force) as out:
        progress("writing", 0, 3)
        more = _write_cage(tuning, out, copy_cage)
        record = push_record(tuning)
        out.add("push.json").write_text(push_json(record), encoding="utf-8")
        out.add("push.csv").write_text(push_csv(record), encoding="utf-8")
        heat = offset_colours(tuning)
        write_heat_ply(heat, out.add("offsets.ply"))
        write_heat_glb(heat, out.add("offsets.glb"))
        progress("writing", 1, 3)
        _write_numbers(numbers, out)
        if straightening is not None:
            more = (*more, *_write_straightening(tuning, straightening, out, copy_cage))
        document = tuning_document(tuning, numbers, (*notices, *more), straightening, conflicts)
        text = json.dumps(document, indent=1, allow_nan=False) + "\n"
        out.add("tuning.json").write_text(text, encoding="utf-8")
        progress("writing", 2, 3)
        if tuning.low.uv is not None:
            _write_maps(tuning, straightening, maps, out)
        lit = lit_of(tuning.after, before=tuning.before, progress=progress)
        add_prediction(tuning.after, out, page=False, lit=lit, progress=progress)
        page = page_of_tuning(tuning, numbers, straightening, conflicts, lit=lit)
        write_page(page, out.add("report.html"), progress=progress)
        progress("writing", 3, 3)
    return out.paths()


def cage_name(tuning: Tuning) -> str:
    """Return the name of the cage file: the low poly's own format, OBJ where it has none."""
    source = tuning.low.mesh.source
    suffix = Path(source.path).suffix.lower() if source else ".obj"
    kept = (".obj", ".ply", ".stl", ".glb", ".gltf", *USD_ENDINGS)
    return f"cage{suffix if suffix in kept else '.obj'}"


def _write_cage(tuning: Tuning, out: OutputFolder, copy: bool) -> tuple[Notice, ...]:
    positions = tuning.cage.positions
    if positions is None:
        return (
            Notice(
                "no-cage-mesh",
                "split directions have no cage mesh: one vertex would go several ways.",
                "Use the push distances, or --directions averaged.",
            ),
        )
    written = _placed_cage(tuning, positions, out, cage_name(tuning), copy)
    return (*written, *_shared_notice(tuning.low))


def _shared_notice(low: LowPoly) -> tuple[Notice, ...]:
    """Say where the cage mesh cannot follow: one vertex, two sides of a sheet."""
    shared = np.unique(low.triangles[np.any(low.sheet_normals != 0, axis=2)])
    if len(shared) == 0:
        return ()
    return (
        Notice(
            "cage-leaves-sheets",
            f"the cage mesh leaves {count_words(len(shared), 'vertex', 'vertices')} in place: both "
            "sides of a card share them, and one vertex cannot go two ways.",
            "Use the push distances, or give the two sides vertices of their own.",
            count=len(shared),
        ),
    )


def offset_colours(tuning: Tuning) -> HeatMap:
    """Return the low poly with its offsets as vertex colour (cividis, 0 to the largest)."""
    low = tuning.low
    top = float(tuning.offset_out.max(initial=0.0)) or 1.0
    colours = cividis(tuning.offset_out / top)

    def single(values: Floats) -> np.ndarray:
        return values.astype(np.float32)

    return HeatMap(
        positions=low.positions,
        triangles=low.triangles,
        low_triangle=np.arange(len(low.triangles), dtype=np.int32),
        sample=np.zeros(len(low.positions), np.int64),
        colours=colours,
        fields={
            "offset_out": single(tuning.offset_out),
            "offset_in": single(tuning.offset_in),
            "lower": single(tuning.lower),
            "upper": single(tuning.upper),
            "conflict": tuning.conflict.astype(np.uint8),
            "kept": tuning.kept.astype(np.uint8),
        },
        vertex_of_sample=np.zeros(0, np.int32),
    )


def _write_numbers(numbers: list[SingleNumber], out: OutputFolder) -> None:
    with out.add("single.csv").open("w", newline="", encoding="utf-8") as stream:
        rows = [plain(n.to_dict()) for n in numbers]
        Table(stream).named(list(rows[0]) if rows else ["scope"], rows)
    with out.add("curve.csv").open("w", newline="", encoding="utf-8") as stream:
        lines = Table(stream)
        lines.row(["scope", "name", "distance", "missed_percent", "overshot_percent", "harm"])
        lines.rows(curve_rows(numbers))
    if numbers:
        draw_curve(numbers[0], out.add("curve.png"))


def _write_straightening(
    tuning: Tuning, straightening: Straightening, out: OutputFolder, copy: bool
) -> tuple[Notice, ...]:
    """Write the field per vertex, and the moved cage where casting shows less skew."""
    with out.add("straighten.csv").open("w", newline="", encoding="utf-8") as stream:
        lines = Table(stream)
        lines.row(["vertex", "share"])
        lines.rows([v, float(s)] for v, s in enumerate(significant(straightening.share)))
    positions = straightening.cage.cage.positions
    if positions is None or not straightening.lessens("cage"):
        return (
            Notice(
                "no-straightened-cage",
                "a cage with vertices moved sideways has no less skew here, so none was written.",
                "Use the straightening map, or add an edge loop near the hard change.",
            ),
        )
    return _placed_cage(tuning, positions, out, f"straightened-{cage_name(tuning)}", copy)


def _placed_cage(
    tuning: Tuning, positions: Floats, out: OutputFolder, name: str, copy: bool
) -> tuple[Notice, ...]:
    """Write a cage mesh; as OBJ where a layer of USD cannot hold it."""
    try:
        return write_cage(
            tuning.low.mesh, positions, out.add(name), place=out.folder / name, copy=copy
        )
    except InputError as error:
        if Path(name).suffix not in USD_ENDINGS:
            raise
        out.names.remove(name)
        told = Notice("cage-no-layer", f"the cage was written as OBJ: {error.what}")
        return (told, *write_cage(tuning.low.mesh, positions, out.add(f"{Path(name).stem}.obj")))


def _write_maps(
    tuning: Tuning,
    straightening: Straightening | None,
    maps: tuple[FieldKind, ...],
    out: OutputFolder,
) -> None:
    """Write the maps asked for, and the straightening map where there is one."""
    low, size = tuning.low, tuning.settings.map_size
    values = {"offset": tuning.offset_out, "depth": tuning.offset_in}
    fields: list[tuple[str, LowPoly, Floats, float]] = [
        (kind, low, values[kind], _scale(values[kind])) for kind in FIELD_KINDS if kind in maps
    ]
    if straightening is not None:
        field = straightening.field
        fields.append(("straighten", field.refined.low, field.share, 1.0))
    if not fields:
        return
    rows = []
    for kind, drawn, numbers, top in fields:
        for tile in tiles_touched(low):
            name = f"maps/{kind}.{tile}.png"
            write_field_map(drawn, numbers, top, tile, size, out.add(name))
            rows.append({"file": name, "tile": tile, "field": FIELD_NAMES[kind], "scale": top})
    document = {
        "document": "cagecheck field maps",
        "version": DOCUMENT_VERSION,
        "encoding": f"field = value / {TOP} * scale; distances in the low-poly file's units",
        "size": size,
        "padding_texels": PADDING,
        "maps": rows,
    }
    text = json.dumps(document, indent=1, allow_nan=False) + "\n"
    out.add("maps/maps.json").write_text(text, encoding="utf-8")


def _scale(values: Floats) -> float:
    return float(significant(np.array([values.max(initial=0.0)]))[0]) or 1.0
