"""A prediction's result folder."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from cagecheck.errors import takes
from cagecheck.files import OutputFolder
from cagecheck.maps.high_normals import HighNormals
from cagecheck.predicting.document import write_samples
from cagecheck.predicting.heat import build_heat_map
from cagecheck.predicting.lit import lit_of
from cagecheck.predicting.lit_record import write_lit_record
from cagecheck.predicting.maps.predicted import add_maps_of
from cagecheck.predicting.maps.write_maps import MapFormat
from cagecheck.predicting.page import page_of_prediction
from cagecheck.predicting.record import write_view_record
from cagecheck.predicting.result import Prediction, prediction_document
from cagecheck.progress import Progress, silent
from cagecheck.report.heatmap import write_heat_glb, write_heat_ply
from cagecheck.report.lit import Lit
from cagecheck.report.page import write_page
from cagecheck.report.region_table import write_region_csv
from cagecheck.report.thin import Thin, thin_surface


@takes(prediction=Prediction, maps=MapFormat)
def write_prediction(
    prediction: Prediction,
    folder: str | os.PathLike[str],
    *,
    page: bool = True,
    maps: MapFormat | None = None,
    supersample: int = 1,
    high_normals: HighNormals = "file",
    force: bool = False,
    thin: Thin = thin_surface,
    home: str | os.PathLike[str] | None = None,
    progress: Progress = silent,
) -> list[Path]:
    """Write heat map, regions and raw record into a folder.

    heatmap.ply and heatmap.glb, regions.json (the whole document), regions.csv, samples.npz and
    view.npz (what `cagecheck view` needs), with `page` report.html and lit.npz (the model lit with
    the bake's normal maps, for the viewer), and with `maps` the maps that
    the bake would give and maps.json. All appear together or not at all.

    Parameters
    ----------
    prediction : Prediction
        What `predict` returns.
    folder : str | os.PathLike[str]
        The folder, made if need be.
    page : bool, optional
        Write report.html and lit.npz, too.
    maps : MapFormat, optional
        How the maps are written, see `MapFormat`; None for no maps.
    supersample : int, optional
        Rays per texel of the maps: 1, 4 or 16.
    high_normals : HighNormals, optional
        What the high poly is shaded with in the maps.
    force : bool, optional
        Replace a file that exists.
    thin : Thin, optional
        What makes the high poly of the page; `KeptThin` where pages of the same one follow.
    home : str | os.PathLike[str], optional
        Where the folder will lie, for who moves it there afterwards.
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

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> high = cagecheck.read_surface("hero_high.ply")
    >>> few = cagecheck.Settings(offset=0.05, depth=0.05, samples=500)
    >>> result = cagecheck.predict(low, high, settings=few)
    >>> files = cagecheck.write_prediction(result, "hero-check", page=False, force=True)
    >>> sorted(path.name for path in files)[:2]
    ['heatmap.glb', 'heatmap.ply']
    """
    with OutputFolder(folder, force=force) as out:
        add_prediction(prediction, out, page=page, thin=thin, home=home, progress=progress)
        if maps is not None:
            add_maps_of(
                prediction, out, maps, supersample=supersample, high_normals=high_normals,
                progress=progress,
            )  # fmt: skip
    return out.paths()


def _kept(prediction: Prediction, folder: Path) -> dict[str, Any]:
    """Return the document of a result that lies in a folder, which finds its meshes from anywhere.

    Their paths are kept from the root and from the folder: the result may be opened from another
    place, and the two may have moved together.
    """
    document = prediction_document(prediction)
    for mesh in ("low", "high"):
        source = document[mesh]["source"]
        if source is not None:
            path = Path(source["path"]).resolve()
            source["path"] = str(path)
            source["from_here"] = _way_to(path, folder.resolve())
    return document


def _way_to(path: Path, folder: Path) -> str | None:
    """Return the way from a folder to a file; None where there is none (another drive)."""
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:
        return None


def add_prediction(
    prediction: Prediction,
    out: OutputFolder,
    *,
    page: bool = True,
    lit: Lit | None = None,
    thin: Thin = thin_surface,
    home: str | os.PathLike[str] | None = None,
    progress: Progress = silent,
) -> None:
    """Add a prediction's files to an output folder that is open.

    lit : the bake lit (see `lit_of`), for the viewer; made here where there is a page. thin, home :
    see `write_prediction`.
    """
    if lit is None and page:
        lit = lit_of(prediction, progress=progress)
    progress("writing", 0, 4)
    heat = build_heat_map(prediction)
    write_heat_ply(heat, out.add("heatmap.ply"))
    write_heat_glb(heat, out.add("heatmap.glb"))
    progress("writing", 1, 4)
    document = json.dumps(_kept(prediction, Path(home or out.folder)), indent=1, allow_nan=False)
    out.add("regions.json").write_text(document + "\n", encoding="utf-8")
    progress("writing", 2, 4)
    write_region_csv(prediction.regions, out.add("regions.csv"))
    write_samples(prediction, out.add("samples.npz"))
    write_view_record(prediction, heat, out.add("view.npz"))
    if lit is not None:
        write_lit_record(prediction.low, lit, out.add("lit.npz"))
    if page:
        content = page_of_prediction(prediction, lit=lit)
        write_page(content, out.add("report.html"), thin=thin, progress=progress)
    progress("writing", 4, 4)
