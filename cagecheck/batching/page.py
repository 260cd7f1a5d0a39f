"""The files that show a batch: results.csv, results.json, index.html and junit.xml."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from cagecheck.batching.gate import junit_xml
from cagecheck.files import replace_file
from cagecheck.report.content import Column
from cagecheck.report.sheet import Cell, Sheet, SheetRow, SheetTable, sheet_html
from cagecheck.words.cells import Table
from cagecheck.words.numbers import decimals
from cagecheck.words.sentences import count_words

COLUMNS = (
    "name", "verdict", "regions", "texels", "percent", "texels_before_tuning", "worst_defect",
    "worst_part", "worst_texels", "samples", "low_vertices", "high_triangles", "clashes",
    "clash_depth", "clashes_before_mending", "seconds", "peak_mb", "reused", "error",
)  # fmt: skip

_COLUMNS = (
    Column("asset"), Column("verdict"), Column("regions", True), Column("texels", True),
    Column("% of area", True), Column("texels before tuning", True), Column("clashes", True),
    Column("seconds", True), Column("files"), Column("worst, cause and cure"),
)  # fmt: skip
PAGE = "index.html"
# Verdicts that need nobody.
_GOOD = ("clean", "passed")
_LIMITS = (
    "Texels are texels of the maps with any defect, after tuning where an asset was tuned. Clashes "
    "are places where parts pass through each other, after mending where it was mended; a mended "
    "mesh is a proposal. Numbers "
    "hold for the stated rays and sampling; look at the bakes all the same."
)


def write_results(
    document: Mapping[str, Any], folder: Path, title: str, waiting: int
) -> list[Path]:
    """Write the result files of a batch into its folder, replacing those of before.

    `document` is `BatchResult.to_dict()`; `waiting` is how many assets have no row yet.
    """
    rows = document["assets"]
    texts: dict[str, bytes] = {
        "results.json": json.dumps(document, indent=1, allow_nan=False).encode() + b"\n",
        PAGE: _page(document, folder, title, waiting).encode(errors="backslashreplace"),
    }
    if document["gate"]:
        texts["junit.xml"] = junit_xml(title, rows)
    paths = []
    for name, data in texts.items():
        with replace_file(folder / name, force=True) as place:
            place.write_bytes(data)
        paths.append(folder / name)
    with (
        replace_file(folder / "results.csv", force=True) as place,
        place.open("w", newline="", encoding="utf-8", errors="backslashreplace") as stream,
    ):
        cells = (csv_row(row, document["gate"]) for row in rows)
        Table(stream, lineterminator="\r\n").named(COLUMNS, cells)
    return [*paths, folder / "results.csv"]


def verdict_of(row: Mapping[str, Any], is_gate: bool) -> str:
    """Say a row in a word: failed, over the limit, passed, with defects or clean."""
    if row["status"] == "failed":
        return "failed"
    if row["breaches"]:
        return "over the limit"
    if is_clean(row):
        return "clean"
    return "passed" if is_gate else "with defects"


def is_clean(row: Mapping[str, Any]) -> bool:
    """Whether nothing was found in what was asked for: the bake, the clashes, or both."""
    summary, clashed = row["summary"], row.get("clashed")
    return (summary is None or summary["clean"]) and (clashed is None or not clashed["clashes"])


def csv_row(row: Mapping[str, Any], is_gate: bool) -> dict[str, Any]:
    """Return the values of `COLUMNS` for a row; empty where there are none."""
    summary = row["summary"] or {}
    worst = summary.get("worst") or {}
    clashed = row.get("clashed") or {}
    is_mended = bool(clashed.get("mending"))
    before = row["predicted"]["texels"] if row["tuned"] and row["predicted"] else None
    return {
        "name": row["name"],
        "verdict": verdict_of(row, is_gate),
        **{key: summary.get(key) for key in ("regions", "texels", "percent")},
        "texels_before_tuning": before,
        "worst_defect": worst.get("name"),
        "worst_part": worst.get("part"),
        "worst_texels": worst.get("texels"),
        **{key: summary.get(key) for key in ("samples", "low_vertices", "high_triangles")},
        "clashes": clashed.get("clashes"),
        "clash_depth": clashed.get("depth"),
        "clashes_before_mending": clashed["found"]["clashes"] if is_mended else None,
        "seconds": row["seconds"],
        "peak_mb": row["peak_mb"],
        "reused": row["reused"],
        "error": row["error"],
    }


def verdict_sentence(document: Mapping[str, Any]) -> str:
    """Return the batch's verdict in a sentence or two."""
    rows = document["assets"]
    words = [verdict_of(row, document["gate"]) for row in rows]
    counts = {word: words.count(word) for word in dict.fromkeys(words)}
    said = ", ".join(f"{count} {word}" for word, count in counts.items())
    return f"{count_words(len(rows), 'asset')}: {said}."


def worst_sentence(worst: Mapping[str, Any]) -> str:
    """Say the most harmful region, its cause and its cure."""
    return f"Worst: {worst['name']} on {worst['part']}: {worst['cause']}. Cure: {worst['cure']}."


def clash_sentences(row: Mapping[str, Any]) -> list[str]:
    """Say what was found of clashes, and what mending left and why."""
    clashed = row.get("clashed")
    if clashed is None:
        return []
    left = (clashed["mending"] or {}).get("not_mended", [])
    return [clashed["verdict"], *(f"Not mended, left as it was: {reason}." for reason in left)]


def _page(document: Mapping[str, Any], folder: Path, title: str, waiting: int) -> str:
    rows = document["assets"]
    words = verdict_sentence(document)
    if waiting:
        words += (
            f" {count_words(waiting, 'asset')} {'is' if waiting == 1 else 'are'} still to come."
        )
    moods = [verdict_of(row, document["gate"]) in _GOOD for row in rows]
    seconds = sum(row["seconds"] or 0.0 for row in rows)
    return sheet_html(
        Sheet(
            heading="batch",
            title=title,
            clean=all(moods) and not waiting,
            verdict=words,
            facts=(
                ("assets", str(len(rows) + waiting)),
                ("from an earlier run", str(sum(bool(row["reused"]) for row in rows))),
                ("seconds together", decimals(seconds, 1, commas=True)),
            ),
            tables=(
                SheetTable(
                    "Asset by asset",
                    _COLUMNS,
                    tuple(_page_row(row, document["gate"], folder) for row in rows),
                ),
            ),
            limits=_LIMITS,
            files=("results.json", "results.csv", *(["junit.xml"] if document["gate"] else [])),
        )
    )


def _page_row(row: Mapping[str, Any], is_gate: bool, folder: Path) -> SheetRow:
    cells = csv_row(row, is_gate)
    worst = (row["summary"] or {}).get("worst")
    compared = (row.get("compared") or {}).get("summary")
    why = [row["error"] or "", *([f"Since the accepted run: {compared}."] if compared else [])]
    why += row["breaches"]
    why += clash_sentences(row)
    if worst:
        why.append(worst_sentence(worst))
    links = tuple(
        (label, f"assets/{row['slug']}/{name}")
        for label, name in (
            ("page", "predicted/report.html"),
            ("heat map", "predicted/heatmap.glb"),
            ("regions", "predicted/regions.csv"),
            ("offsets", "tuned/push.json"),
            ("clashes", "clashes/clash.html"),
            ("mended", "mended/mend.html"),
        )
        if (folder / "assets" / row["slug"] / name).exists()
    )
    return SheetRow(
        (
            row["name"],
            Cell(cells["verdict"], "good" if cells["verdict"] in _GOOD else "bad"),
            _text(cells["regions"]),
            _text(cells["texels"], 0),
            _text(cells["percent"], 3),
            _text(cells["texels_before_tuning"], 0),
            _text(cells["clashes"]),
            _text(cells["seconds"], 1),
            Cell("", links=links),
            " ".join(part for part in why if part),
        )
    )


def _text(value: float | None, digits: int = 0) -> str:
    return "–" if value is None else decimals(value, digits, commas=True)
