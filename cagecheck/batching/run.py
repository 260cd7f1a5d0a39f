"""Many assets through `predict` (and `tune`, and `clash`): one table, one page, done work kept.

Each asset runs by itself, and what goes wrong with one stops no other. Its result is kept with a
key: the SHA-256 of everything it depends on (contents of the files, options, version). A batch
that runs again, after an interruption or with more assets, does only what has no result yet.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cagecheck.batching.against import compare_asset, open_accepted
from cagecheck.batching.job import RESULT_NAME, RESULT_VERSION
from cagecheck.batching.manifest import Asset, Manifest
from cagecheck.batching.on_processes import run_locally
from cagecheck.batching.page import is_clean, write_results
from cagecheck.errors import InputError, takes
from cagecheck.files import Stamp, read_plain, replace_file, sha256_of, stamp
from cagecheck.formats.references import data_files
from cagecheck.formats.stored import parse_json
from cagecheck.locks import alone
from cagecheck.progress import Progress, silent
from cagecheck.report.valid import fault_of
from cagecheck.staging import recover
from cagecheck.version import __version__

MARKER = "cagecheck-batch.json"
ASSETS = "assets"
LOCK = ".cagecheck-batch.lock"

Job = dict[str, Any]
Row = dict[str, Any]
Runner = Callable[[Sequence[Job]], Iterator[Row]]


@dataclass(frozen=True)
class BatchResult:
    """What a batch found, and the files that tell it.

    Attributes
    ----------
    rows : tuple[Row, ...]
        In the manifest's order. A row is what `run_job` returns, with ``slug``, ``reused`` (the
        result was there already) and ``breaches`` (sentences, see `Gate`); against an accepted run
        also ``compared`` (see `compare_asset`).
    files : tuple[Path, ...]
        The files with the table.
    is_gate : bool
        Whether any asset has thresholds, or the run is held against an accepted one.
    """

    rows: tuple[Row, ...]
    files: tuple[Path, ...]
    is_gate: bool

    def __repr__(self) -> str:
        return (
            f"<BatchResult: {len(self.rows)} assets, {'passed' if self.passed else 'not passed'}>"
        )

    @property
    def failed(self) -> tuple[Row, ...]:
        """The assets that could not be checked."""
        return tuple(row for row in self.rows if row["status"] == "failed")

    @property
    def passed(self) -> bool:
        """Whether all ran and, with a gate, kept to it, without one, are clean."""
        if self.failed:
            return False
        if self.is_gate:
            return not any(row["breaches"] for row in self.rows)
        return all(is_clean(row) for row in self.rows)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return _document(list(self.rows), self.is_gate, self.passed)


def _document(rows: list[Row], is_gate: bool, passed: bool) -> dict[str, Any]:
    return {
        "document": "cagecheck batch",
        "version": RESULT_VERSION,
        "tool_version": __version__,
        "gate": is_gate,
        "passed": passed,
        "assets": rows,
    }


@takes(manifest=Manifest)
def run_batch(
    manifest: Manifest,
    out: str | os.PathLike[str],
    *,
    workers: int = 1,
    memory_gb: float | None = None,
    scheduler: str | None = None,
    again: bool = False,
    against: str | os.PathLike[str] | None = None,
    progress: Progress = silent,
) -> BatchResult:
    """Check all assets of a manifest; write tables, index page and one folder per asset.

    Parameters
    ----------
    manifest : Manifest
        What `read_manifest` returns.
    out : str | os.PathLike[str]
        Folder for the results; an earlier batch's folder is continued.
    workers : int, optional
        Local processes, each with one asset at a time.
    memory_gb : float, optional
        Private memory that all local processes together may hold; each gets its share, and an
        asset that needs more fails for itself.
    scheduler : str, optional
        Address of a dask.distributed scheduler whose workers see the same files.
    again : bool, optional
        Run assets too that have a result.
    against : str | os.PathLike[str], optional
        Folder of an accepted run: an asset passes when none of its places is worse than there.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Raises
    ------
    InputError
        `out` holds other things, `against` is no batch, a number is out of range, or the
        scheduler cannot be reached.
    """
    if workers < 1:
        raise InputError("`workers` must be at least 1.")
    if memory_gb is not None and not memory_gb > 0:
        raise InputError("`memory_gb` must be above zero.")
    accepted = None
    if against is not None:
        accepted = Accepted(open_accepted(Path(against).absolute(), Path(out).absolute(), MARKER))
    folder = Path(out).absolute()
    with _alone_in(folder):
        asked = (workers, memory_gb, scheduler, again)
        return _run(manifest, folder, *asked, accepted, progress)


def _run(
    manifest: Manifest,
    folder: Path,
    workers: int,
    memory_gb: float | None,
    scheduler: str | None,
    again: bool,
    accepted: Accepted | None,
    progress: Progress,
) -> BatchResult:
    rows: dict[str, Row] = {}
    jobs: list[Job] = []
    hashes: dict[Path, str] = {}
    for asset in manifest.assets:
        job = _job(asset, folder, hashes, None if memory_gb is None else memory_gb / workers)
        done = None if again else _earlier_result(job)
        if done is None:
            jobs.append(job)
        else:
            rows[asset.name] = done | {"reused": True}
    progress("checking assets", len(rows), len(manifest.assets))
    if jobs:
        job_of = {job["name"]: job for job in jobs}
        before = {name: _stamp(job) for name, job in job_of.items()}
        for told in _runner(workers, scheduler)(jobs):
            row, job = told, job_of[told["name"]]
            if row["status"] == "failed" and _stamp(job) != before[row["name"]]:
                # Who was to tell went away, but the asset was done before that.
                row = _earlier_result(job) or row
            rows[row["name"]] = row | {"reused": False}
            progress("checking assets", len(rows), len(manifest.assets))
            # The table is kept up to date, so that an interrupted night shows what it did.
            _finish(manifest, rows, folder, accepted)
    return _finish(manifest, rows, folder, accepted)


def asset_key(asset: Asset, hashes: dict[Path, str]) -> str:
    """Return the SHA-256 of everything an asset's result depends on.

    `hashes` remembers contents of files within one run. A file that cannot be read counts as
    missing; its asset then fails when it runs.
    """
    parts = {
        "version": [__version__, RESULT_VERSION],
        "files": {kind: _content(path, hashes) for kind, path in sorted(asset.files.items())},
        "options": dict(sorted(asset.options.items())),
    }
    if asset.clash is not None:
        parts["clash"] = asset.clash.to_dict()
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def _content(path: Path, hashes: dict[Path, str]) -> str:
    if path not in hashes:
        try:
            found = [sha256_of(path), *(sha256_of(other) for other in data_files(path))]
            hashes[path] = " ".join(found)
        except OSError:
            hashes[path] = "missing"
    return hashes[path]


def _job(asset: Asset, folder: Path, hashes: dict[Path, str], memory_gb: float | None) -> Job:
    return {
        "name": asset.name,
        "folder": str(folder / ASSETS / asset.slug),
        "files": {kind: str(path) for kind, path in asset.files.items()},
        "options": dict(asset.options),
        "clash": None if asset.clash is None else asset.clash.to_dict(),
        "key": asset_key(asset, hashes),
        "memory_gb": memory_gb,
    }


def _earlier_result(job: Job) -> Row | None:
    """Return the row of an earlier run with the same key, or None."""
    try:
        row = parse_json(read_plain(Path(job["folder"]) / RESULT_NAME))
        if row["key"] != job["key"] or row["version"] != RESULT_VERSION:
            return None
        row = dict(row) | {"name": job["name"]}
        whole = row | {"slug": "", "reused": True, "breaches": []}
        is_sound = fault_of(_document([whole], False, True), "batch") is None
        found = row["summary"] or row.get("clashed")
        return row if is_sound and row["status"] == "done" and found else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _stamp(job: Job) -> Stamp:
    """Return what tells one result of an asset from a later one."""
    return stamp(Path(job["folder"]) / RESULT_NAME)


def _runner(workers: int, scheduler: str | None) -> Runner:
    if scheduler is not None:
        from cagecheck.batching.on_scheduler import run_on_scheduler

        return lambda jobs: run_on_scheduler(jobs, scheduler)
    return lambda jobs: run_locally(jobs, workers)


@dataclass
class Accepted:
    """An earlier batch to compare with, and what is known already by asset."""

    folder: Path
    found: dict[str, dict[str, Any] | None] = field(default_factory=dict)

    def compared(self, asset: Asset, row: Row, folder: Path) -> dict[str, Any] | None:
        """Return how an asset compares, see `compare_asset`."""
        if asset.name not in self.found:
            theirs, mine = (place / ASSETS / asset.slug for place in (self.folder, folder))
            self.found[asset.name] = compare_asset(row, theirs, mine)
        return self.found[asset.name]


def _finish(
    manifest: Manifest, rows: dict[str, Row], folder: Path, accepted: Accepted | None
) -> BatchResult:
    """Write table and page of what is done so far."""
    known = []
    for asset in manifest.assets:
        if asset.name not in rows:
            continue
        row = rows[asset.name]
        done = row["status"] == "done"
        breaches = []
        if asset.gate is not None and done:
            breaches = asset.gate.breaches(row["summary"], row.get("clashed"))
        more: dict[str, Any] = {}
        if accepted is not None:
            found = accepted.compared(asset, row, folder) if done else None
            breaches = [*breaches, *(found["breaches"] if found else [])]
            more = {"compared": found}
        known.append(row | {"slug": asset.slug, "breaches": breaches} | more)
    is_gate = manifest.is_gate or accepted is not None
    result = BatchResult(tuple(known), (), is_gate)
    files = write_results(
        result.to_dict(), folder, manifest.path.stem, len(manifest.assets) - len(known)
    )
    return BatchResult(result.rows, tuple(files), is_gate)


@contextlib.contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """Open the batch's folder and keep other batches out of it."""
    _open_folder(folder)
    busy = InputError(
        "another batch is at work in this folder.",
        file=str(folder),
        cure="Wait until it is done, or name another folder with `out`.",
    )
    with alone(folder / LOCK, busy):
        yield


def _open_folder(folder: Path) -> None:
    """Make the batch's folder, or take it up again; refuse a folder with other things in it."""
    if folder.exists() and not folder.is_dir():
        raise InputError("this is a file, not a folder.", file=str(folder), cure="Name a folder.")
    try:
        recover(folder)
        others = folder.is_dir() and any(path.name != LOCK for path in folder.iterdir())
        if others and not (folder / MARKER).exists():
            raise InputError(
                "this folder holds other things than a batch.",
                file=str(folder),
                cure="Name a new or empty folder with `out`.",
            )
        folder.mkdir(parents=True, exist_ok=True)
        with replace_file(folder / MARKER, force=True) as place:
            place.write_text(json.dumps({"tool_version": __version__}) + "\n", encoding="utf-8")
    except OSError as error:
        raise InputError(f"cannot write here ({error.strerror}).", file=str(folder)) from error
