"""An inspection's result folder: a page, a picture and the whole as JSON."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from cagecheck.errors import InputError, takes
from cagecheck.files import OutputFolder
from cagecheck.inspecting.inspection import Inspection
from cagecheck.inspecting.page import page_of_inspection
from cagecheck.inspecting.picture import write_picture
from cagecheck.meshes.pairs import Pairing
from cagecheck.progress import Progress, silent
from cagecheck.report.page import write_page


@takes(inspection=Inspection)
def write_inspection(
    inspection: Inspection,
    folder: str | os.PathLike[str],
    *,
    pairing: Pairing | None = None,
    force: bool = False,
    progress: Progress = silent,
) -> list[Path]:
    """Write what an inspection found into a folder.

    inspect.html (the places on the model and on its tiles, with what to do), inspect.png (front and
    back with the places numbered) and inspect.json (the whole document). All appear together or
    not at all.

    Parameters
    ----------
    inspection : Inspection
        What `inspect_low` or `inspect_pair` returns.
    folder : str | os.PathLike[str]
        The folder, made if need be.
    pairing : Pairing, optional
        How parts were paired, for the document.
    force : bool, optional
        Replace a file that exists.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        A file exists and `force` is off, the folder cannot be written, or the low poly has no face
        with area that could be shown.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> found = cagecheck.inspect_low(low)
    >>> files = cagecheck.write_inspection(found, "hero-inspected", force=True)
    >>> sorted(path.name for path in files)
    ['inspect.html', 'inspect.json', 'inspect.png']
    """
    low = inspection.low
    if len(low.triangles) == 0:
        raise InputError(
            "the low poly has no face with area: there is nothing to show.",
            file=low.mesh.source.path if low.mesh.source else None,
            cure="Run it without a folder to read what was found.",
        )
    document = inspection_document(inspection, pairing)
    with OutputFolder(folder, force=force) as out:
        content = page_of_inspection(inspection)
        write_page(content, out.add("inspect.html"), progress=progress)
        write_picture(inspection, out.add("inspect.png"))
        text = json.dumps(document, indent=1, allow_nan=False) + "\n"
        out.add("inspect.json").write_text(text, encoding="utf-8")
    return out.paths()


def inspection_document(inspection: Inspection, pairing: Pairing | None = None) -> dict[str, Any]:
    """Return an inspection as plain JSON values, files by their names.

    Parameters
    ----------
    inspection : Inspection
        What `inspect_low` or `inspect_pair` returns.
    pairing : Pairing, optional
        How parts were paired.
    """
    low, surface = inspection.low.mesh.source, inspection.surface
    high = None if surface is None else "in memory"
    if surface is not None and surface.source is not None:
        high = surface.source.name
    rows = None
    if pairing is not None:
        rows = [dict(zip(("low", "high", "rule"), row, strict=True)) for row in pairing.rows()]
    return {
        "low": "in memory" if low is None else low.name,
        "high": high,
        "map_size": inspection.map_size,
        "padding_texels": inspection.padding,
        "pairing": rows,
        **inspection.to_dict(),
    }
