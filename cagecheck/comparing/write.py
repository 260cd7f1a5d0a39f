"""What a comparison writes: its document, and the page with both models."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

from cagecheck.comparing.compare import Comparison
from cagecheck.comparing.page import comparison_html
from cagecheck.errors import InputError, Notice, takes
from cagecheck.files import OutputFolder
from cagecheck.progress import Progress, silent

DOCUMENT, PAGE = "comparison.json", "compare.html"


@takes(comparison=Comparison)
def write_comparison(
    comparison: Comparison,
    folder: str | os.PathLike[str],
    *,
    force: bool = False,
    progress: Progress = silent,
) -> tuple[list[Path], Comparison]:
    """Write comparison.json and, where both results have a report page, compare.html.

    Parameters
    ----------
    comparison : Comparison
        What `compare` returns.
    folder : str | os.PathLike[str]
        The folder, made if need be.
    force : bool, optional
        Replace files that exist.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Returns
    -------
    list of Path, Comparison
        The files written, and the comparison with a notice where there is no page.

    Raises
    ------
    InputError
        A file exists and `force` is off, or the folder cannot be written.
    """
    progress("drawing both models", 0, 1)
    page = None
    try:
        page = comparison_html(comparison)
    except InputError as error:
        note = Notice("no-page", f"there is no page with both models: {error}")
        comparison = replace(comparison, notices=(*comparison.notices, note))
    with OutputFolder(folder, force=force) as out:
        text = json.dumps(comparison.to_dict(), indent=1, allow_nan=False) + "\n"
        out.add(DOCUMENT).write_text(text, encoding="utf-8")
        if page is not None:
            out.add(PAGE).write_text(page, encoding="utf-8")
    progress("drawing both models", 1, 1)
    return out.paths(), comparison
