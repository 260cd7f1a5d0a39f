"""One asset of a batch, from files to files. Runs in a process of its own.

A job is a dictionary of plain values, so that it travels as JSON to another process or machine:
``name``, ``folder`` (absolute, for the results), ``files`` (absolute paths by kind), ``options``,
``clash`` (see `ClashWish`, or None), ``key`` and ``memory_gb``. The answer is a result row (see
`run_job`).

``python -m cagecheck.batching.job`` reads a job from standard input and writes the row to
standard output.
"""

from __future__ import annotations

import contextlib
import json
import sys
import time
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cagecheck.errors import InputError
from cagecheck.files import replace_file
from cagecheck.memory import keep_freed_memory
from cagecheck.options import build, with_flags
from cagecheck.staging import recover
from cagecheck.version import __version__

if TYPE_CHECKING:
    from cagecheck.predicting.inputs import Inputs
    from cagecheck.predicting.result import Prediction
    from cagecheck.predicting.settings import Settings
    from cagecheck.rays.cage import Cage
    from cagecheck.tuning.tune import TuneSettings

RESULT_NAME = "result.json"
RESULT_VERSION = 1


def run_job(job: dict[str, Any]) -> dict[str, Any]:
    """Check (and tune) one asset and write its results; return its row.

    Returns ``name``, ``key``, ``status`` (``done`` or ``failed``), ``error`` (a sentence, or
    None), ``summary`` and ``predicted`` (see `summary_of`; the first is after tuning where the
    asset was tuned; None where there is no low poly), ``tuned``, ``clashed`` (see
    `look_and_mend`, or None), ``seconds`` and ``peak_mb``. Never raises for a fault of the asset:
    one bad file must not stop a batch.
    """
    start = time.perf_counter()
    row: dict[str, Any] = {
        "version": RESULT_VERSION,
        "tool_version": __version__,
        "name": job["name"],
        "key": job["key"],
        "status": "failed",
        "error": None,
        "summary": None,
        "predicted": None,
        "tuned": False,
        "clashed": None,
    }
    try:
        if "low" in job["files"]:
            row |= _check(job)
        if job.get("clash") is not None:
            row["clashed"] = _look(job)
        row["status"] = "done"
    except InputError as error:
        row["error"] = _named(with_flags(str(error)), job["files"].values())
    except MemoryError:
        row["error"] = "this asset needs more memory than it may have; raise --memory."
    row["seconds"] = round(time.perf_counter() - start, 3)
    row["peak_mb"] = _peak_mb()
    if row["status"] == "done":
        # Written last: its presence says that everything else is complete.
        with replace_file(Path(job["folder"]) / RESULT_NAME, force=True) as place:
            place.write_text(json.dumps(row, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    return row


def _named(text: str, paths: Iterable[str]) -> str:
    """Return an error with its files by name: tables and pages are passed on."""
    for path in sorted(paths, key=len, reverse=True):
        text = text.replace(path, Path(path).name)
    return text


def _look(job: dict[str, Any]) -> dict[str, Any]:
    from cagecheck.batching.clashes import look_and_mend

    files: dict[str, list[Path]] = {}
    for kind, path in job["files"].items():
        files.setdefault(kind.partition(" ")[0], []).append(Path(path))
    return look_and_mend(job["clash"], files, Path(job["folder"]))


def _check(job: dict[str, Any]) -> dict[str, Any]:
    # Imported late, so that a scheduler's client can send jobs without loading the engines.
    from cagecheck.predicting.inputs import MeshOptions, read_cage, read_inputs
    from cagecheck.predicting.predict import predict
    from cagecheck.predicting.settings import Settings
    from cagecheck.predicting.write import write_prediction
    from cagecheck.tuning.tune import TuneSettings

    folder, options = Path(job["folder"]), dict(job["options"])
    files = {kind: Path(path) for kind, path in job["files"].items()}
    recover(folder / "predicted")
    settings, reading = build(Settings, options), build(MeshOptions, options)
    scene = read_inputs(files["low"], files["high"], reading)
    cage, more = read_cage(
        scene.low,
        offset=settings.offset,
        push=files.get("push"),
        cage=files.get("cage"),
        directions=settings.directions,
    )
    paired = scene.pairing.matrix()
    result = predict(scene.low, scene.high, cage=cage, paired=paired, settings=settings)
    result = replace(result, notices=(*scene.notices, *more, *result.notices))
    write_prediction(result, folder / "predicted", force=True)
    found = summary_of(result)
    if not options.get("tune"):
        return {"summary": found, "predicted": found}
    wishes = build(TuneSettings, options)
    tuned = _tune(scene, result, cage, settings, wishes, folder)
    return {"summary": tuned, "predicted": found, "tuned": True}


def _tune(
    scene: Inputs,
    result: Prediction,
    cage: Cage | None,
    settings: Settings,
    wishes: TuneSettings,
    folder: Path,
) -> dict[str, Any]:
    from cagecheck.tuning.single import single_numbers, uniform_prediction
    from cagecheck.tuning.tune import tune
    from cagecheck.tuning.write import write_tuning

    tuned = tune(
        scene.low,
        result.scene,
        paired=result.paired,
        settings=settings,
        tuning=wishes,
        cage=cage,
    )
    numbers = single_numbers(uniform_prediction(tuned.before), tuned.margin, tuned.limit)
    write_tuning(tuned, numbers, folder / "tuned", force=True)
    return summary_of(tuned.after)


def summary_of(prediction: Prediction) -> dict[str, Any]:
    """Return what a table needs of a prediction, as plain values.

    ``clean``, ``regions``, ``texels``, ``percent`` (of the area), ``texels_seen`` and ``harm`` with
    any defect (the last two with what of the high poly is lost), ``samples``,
    ``low_vertices``, ``high_triangles``, ``defects`` (see `Prediction.totals`), ``worst`` (the
    most harmful region, or None) and ``notices``.
    """
    from cagecheck.defects.harm import seen_of
    from cagecheck.defects.kinds import Defect
    from cagecheck.report.json_values import plain

    flagged = prediction.findings.flags != 0
    area = prediction.points.area
    seen = seen_of(prediction.visible_error[flagged], prediction.texel_area[flagged], area[flagged])
    # What stands for other surface than its samples' own.
    beside = [r for r in prediction.regions if r.defect in (Defect.UNSEEN, Defect.SPLIT)]
    regions = [plain(region.to_dict()) for region in prediction.regions[:1]]
    found: dict[str, Any] = plain(
        {
            "clean": prediction.clean,
            "regions": len(prediction.regions),
            "texels": float(prediction.texel_area[flagged].sum()),
            "texels_seen": seen.texels + sum(region.texels_seen for region in beside),
            "harm": seen.harm + sum(region.harm for region in beside),
            "percent": 100 * float(area[flagged].sum()) / (float(area.sum()) or 1.0),
            "samples": len(prediction.points),
            "low_vertices": prediction.low.mesh.vertex_count,
            "high_triangles": prediction.scene.surface.triangle_count,
            "defects": prediction.totals(),
            "worst": regions[0] if regions else None,
            "notices": [notice.to_dict() for notice in prediction.notices],
        }
    )
    return found


def _limit_memory(gigabytes: float) -> None:
    """Let this process hold no more private memory than that (where the system can do it)."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        limit = int(gigabytes * 2**30)
        resource.setrlimit(resource.RLIMIT_DATA, (limit, limit))


def _peak_mb() -> float | None:
    """Return this process's largest resident memory so far, in MiB."""
    with contextlib.suppress(ImportError):
        import resource

        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return round(peak / (2**20 if sys.platform == "darwin" else 2**10), 1)
    return None


def main() -> None:
    """Run a job from standard input, under its limit of memory."""
    job = json.loads(sys.stdin.read())
    if job.get("memory_gb") is None:
        keep_freed_memory()
    else:
        _limit_memory(job["memory_gb"])
    with contextlib.redirect_stdout(sys.stderr):
        row = run_job(job)
    sys.stdout.write(json.dumps(row, allow_nan=False))


if __name__ == "__main__":
    main()
