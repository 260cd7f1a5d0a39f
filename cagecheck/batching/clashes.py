"""An asset's clashes found, mended where that is wished, and written into its folder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from cagecheck.batching.clash_changes import FOUND, MENDED
from cagecheck.batching.wish import MESHES, REST, STANDING, mend_settings
from cagecheck.chores.clash.over_frames import ClashFiles, find_clash_frames
from cagecheck.chores.clash.page import clash_verdict
from cagecheck.mending.over_files import mend_found
from cagecheck.mending.page import proposal_verdict
from cagecheck.staging import recover


def look_and_mend(
    wish: Mapping[str, Any], files: Mapping[str, list[Path]], folder: Path
) -> dict[str, Any]:
    """Look at an asset's frames, mend them if that is wished, and write both into its folder.

    wish : `ClashWish.to_dict`; files : paths by list. Returns ``frames``, ``clashes`` (where
    surfaces cross, when all is done) and ``depth``, ``found`` (the same two as they were found),
    ``verdict`` and ``mending`` (None, or its ``outer``, ``gap``, ``over_time``, ``flicker``,
    ``largest_move``, ``largest_stretch`` and ``not_mended``, sentences).
    """
    look, mend = dict(wish["look"]), wish["mend"]
    for name in (FOUND, MENDED):
        recover(folder / name)
    ignore, pieces = look.pop("ignore", None), look.pop("pieces", False)
    scene = ClashFiles(tuple(files[MESHES]), tuple(files.get(STANDING, ())), **look)
    found = find_clash_frames(
        scene, ignore=ignore, pieces=pieces, out=folder / FOUND, keep=mend is not None, force=True
    )
    _drop_others(folder / FOUND, list(found.written))
    passing = [clash for _, clashes in found.results for clash in clashes.passing]
    before = {"clashes": len(passing), "depth": max((c.depth or 0.0 for c in passing), default=0.0)}
    row = {"frames": len(found.results), **before, "found": before,
           "verdict": clash_verdict(found.results), "mending": None}  # fmt: skip
    if mend is None:
        return row
    paths, mended = mend_found(
        found,
        folder / MENDED,
        mend_settings(mend),
        rest=files.get(REST, ()),
        ignore=ignore,
        force=True,
    )
    _drop_others(folder / MENDED, paths)
    told = mended.to_dict()
    frames = mended.frames
    return row | {
        "clashes": sum(len(frame.after) for frame in frames),
        "depth": max(frame.depth_after for frame in frames),
        "verdict": proposal_verdict(mended),
        "mending": {key: told[key] for key in ("outer", "gap", "over_time", "flicker")}
        | {
            "largest_move": max(frame.largest_move for frame in frames),
            "largest_stretch": max((frame.largest_stretch for frame in frames), key=abs),
            "not_mended": [one.reason for frame in frames for one in frame.not_mended],
        },
    }


def _drop_others(folder: Path, written: list[Path]) -> None:
    """Remove files of an earlier run with other frames from a folder that is ours alone."""
    for path in folder.iterdir():
        if path not in written and path.is_file():
            path.unlink()
