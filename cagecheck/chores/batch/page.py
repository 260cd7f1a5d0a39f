"""The files that show a batch: results.csv, results.json, index.html and junit.xml."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from jinja2 import Environment, StrictUndefined

from cagecheck.chores.batch.gate import junit_xml
from cagecheck.files import replace_file
from cagecheck.words.cells import Table
from cagecheck.words.numbers import decimals
from cagecheck.words.sentences import count_words

COLUMNS = (
    "name", "verdict", "regions", "texels", "percent", "texels_before_tuning", "worst_defect",
    "worst_part", "worst_texels", "samples", "low_vertices", "high_triangles", "seconds",
    "peak_mb", "reused", "error",
)  # fmt: skip

_PAGE = """<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ title }}: cagecheck batch</title>
<style>
:root { color-scheme: light dark; --line: #8886; --bad: #b3261e; --good: #1b6e3c; }
@media (prefers-color-scheme: dark) { :root { --bad: #ffb4ab; --good: #8fd8a8; } }
body { font: 16px/1.45 system-ui, sans-serif; margin: 1.5rem; }
h1 { font-size: 1.3rem; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; }
th, td { padding: .35rem .7rem; border-bottom: 1px solid var(--line); text-align: left;
  vertical-align: top; }
td.n, th.n { text-align: right; font-variant-numeric: tabular-nums; }
.bad { color: var(--bad); font-weight: 600; }
.good { color: var(--good); font-weight: 600; }
td.why { max-width: 42rem; overflow-wrap: anywhere; }
</style>
<h1>{{ title }}</h1>
<p>{{ verdict }}{% if waiting %} {{ waiting }} assets are still to come.{% endif %}
Numbers hold for the stated rays and sampling; look at the bakes all the same.</p>
<div class="scroll"><table>
<thead><tr><th scope="col">Asset<th scope="col">Verdict<th scope="col" class="n">Regions
<th scope="col" class="n">Texels<th scope="col" class="n">% of area
<th scope="col" class="n">Texels before tuning<th scope="col">Worst, cause and cure
<th scope="col" class="n">Seconds<th scope="col">Files</tr></thead>
<tbody>
{%- for row in rows %}
<tr><th scope="row">{{ row.name }}</th>
<td class="{{ 'good' if row.verdict in ('clean', 'passed') else 'bad' }}">{{ row.verdict }}</td>
<td class="n">{{ row.regions }}</td><td class="n">{{ row.texels }}</td>
<td class="n">{{ row.percent }}</td><td class="n">{{ row.before }}</td>
<td class="why">{{ row.why }}</td><td class="n">{{ row.seconds }}</td>
<td>{% for label, link in row.links %}<a href="{{ link }}">{{ label }}</a> {% endfor %}</td></tr>
{%- endfor %}
</tbody></table></div>
<p>Texels: texels of the maps with any defect, after tuning where an asset was tuned.
The whole record is in <a href="results.json">results.json</a> and
<a href="results.csv">results.csv</a>.</p>
</html>
"""


def write_results(
    document: Mapping[str, Any], folder: Path, title: str, waiting: int
) -> list[Path]:
    """Write the result files of a batch into its folder, replacing those of before.

    `document` is `BatchResult.to_dict()`; `waiting` is how many assets have no row yet.
    """
    rows = document["assets"]
    texts: dict[str, bytes] = {
        "results.json": json.dumps(document, indent=1, allow_nan=False).encode() + b"\n",
        "index.html": _page(document, folder, title, waiting).encode(errors="backslashreplace"),
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
    if row["summary"]["clean"]:
        return "clean"
    return "passed" if is_gate else "with defects"


def csv_row(row: Mapping[str, Any], is_gate: bool) -> dict[str, Any]:
    """Return the values of `COLUMNS` for a row; empty where there are none."""
    summary = row["summary"] or {}
    worst = summary.get("worst") or {}
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


def _page(document: Mapping[str, Any], folder: Path, title: str, waiting: int) -> str:
    environment = Environment(autoescape=True, undefined=StrictUndefined)
    return environment.from_string(_PAGE).render(
        title=title,
        verdict=verdict_sentence(document),
        waiting=waiting,
        rows=[_page_row(row, document["gate"], folder) for row in document["assets"]],
    )


def _page_row(row: Mapping[str, Any], is_gate: bool, folder: Path) -> dict[str, Any]:
    cells = csv_row(row, is_gate)
    worst = (row["summary"] or {}).get("worst")
    compared = (row.get("compared") or {}).get("summary")
    why = [row["error"] or "", *([f"Since the accepted run: {compared}."] if compared else [])]
    why += row["breaches"]
    if worst:
        why.append(worst_sentence(worst))
    links = [
        (label, f"assets/{row['slug']}/{name}")
        for label, name in (
            ("heat map", "predicted/heatmap.glb"),
            ("regions", "predicted/regions.csv"),
            ("offsets", "tuned/push.json"),
        )
        if (folder / "assets" / row["slug"] / name).exists()
    ]
    return {
        "name": row["name"],
        "verdict": cells["verdict"],
        "regions": _text(cells["regions"]),
        "texels": _text(cells["texels"], 0),
        "percent": _text(cells["percent"], 3),
        "before": _text(cells["texels_before_tuning"], 0),
        "why": " ".join(part for part in why if part),
        "seconds": _text(cells["seconds"], 1),
        "links": links,
    }


def _text(value: float | None, digits: int = 0) -> str:
    return "–" if value is None else decimals(value, digits, commas=True)
