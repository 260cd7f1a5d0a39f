"""The page with both models: the two results' own report pages, taken apart and put side by side.

A report page holds all that its viewer draws. Reading it back works for every kind of result, and
needs neither the meshes, which have changed since, nor any file that only the page has.
"""

from __future__ import annotations

import html
import json
import re
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from cagecheck.comparing.changes import Became, Change
from cagecheck.comparing.compare import Comparison
from cagecheck.comparing.placed import Placed
from cagecheck.comparing.words import harm_change, harm_text, split_words, verdict_words
from cagecheck.errors import InputError
from cagecheck.report.content import Column, PageTable, Row
from cagecheck.report.json_values import plain
from cagecheck.report.page import import_map, page_script, read_text, script_json
from cagecheck.version import __version__
from cagecheck.words.lengths import length_words
from cagecheck.words.numbers import count_text, figures
from cagecheck.words.sentences import sentence_case

REPORT = "report.html"
LIMITS = (
    "Places are matched by their defect and by where they lie on the surface: two are the same "
    "when more than half of one lies on the other. Harm is degrees of visible error times texels. "
    "New and grown are worse, mended and shrunk are better; a place that moved lies close by and "
    "has as much harm as before. A difference counts when it is larger than {errors} standard "
    "errors of the sampling and than {share} % of the harm; what does not is marked with a "
    "question mark where a place came or went, and is called unchanged else. Both results hold for "
    "the rays and settings that their own reports state."
)
_DATA = re.compile(
    r'<script type="(?:application/json|text/plain)" id="([a-z0-9-]+)">(.*?)</script>', re.S
)
_MADE_BY = re.compile(r'<meta name="generator" content="cagecheck ([^"]*)">')
# Parts of the report's script that belong to its list and its tiles.
_OF_REPORT = ("2_choose.js", "3_list.js", "8_start.js")


@dataclass(frozen=True)
class Half:
    """One report page taken apart: its facts, and its other data as (id, text)."""

    key: str
    title: str
    facts: dict[str, Any]
    files: tuple[tuple[str, str], ...]


def comparison_html(comparison: Comparison) -> str:
    """Return the page with both models.

    Raises
    ------
    InputError
        A result has no report page of this version.
    """
    halves = [
        _half("old", "before", comparison.old),
        _half("new", "now", comparison.new),
    ]
    numbered = list(enumerate(comparison.changes, start=1))
    colours = {r["name"]: r["colour"] for half in halves for r in half.facts["regions"]}
    rows = [_row(k, change, colours) for k, change in numbered]
    folded = sum(not row["shows"] for row in rows)
    folded = folded if folded < len(rows) else 0
    sides = _sides(halves)
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    template = environment.from_string(read_text("templates/compare.html.j2"))
    return template.render(
        version=__version__,
        content=_content(comparison, halves[1]),
        css=Markup(read_text("templates/report.css")),
        script=Markup(_script()),
        importmap=Markup(import_map()),
        licence=Markup(read_text("vendor/three/LICENSE").replace("--", "- -")),
        data=Markup(script_json(plain(_data(halves, numbered, rows, sides, folded)))),
        halves=[
            {"key": h.key, "title": h.title, "files": [(i, Markup(t)) for i, t in h.files]}
            for h in halves
        ],
        sides=sides,
        light=halves[1].facts["lit"],
        legend=_legend(halves),
        rows=rows,
        folded=folded,
        became_found=list(dict.fromkeys(r["became"] for r in rows)),
        kinds_found=list(dict.fromkeys(r["name"] for r in rows)),
        parts_found=sorted({r["part"] for r in rows}),
    )


def _half(key: str, title: str, side: Placed) -> Half:
    """Take the report page of a result apart."""
    if side.folder is None or not (side.folder / REPORT).is_file():
        raise InputError(
            f"{side.label} has no report.html.",
            cure="Give folders that were written with `out`.",
        )
    path = side.folder / REPORT
    text = _read(path)
    made_by = _MADE_BY.search(text)
    found = dict(_DATA.findall(text))
    if made_by is None or html.unescape(made_by[1]) != __version__ or "scene-data" not in found:
        raise InputError(
            "this report page was made by another version.",
            file=str(path),
            cure="Make the result again.",
        )
    facts = json.loads(found.pop("facts-data"))
    facts["parts"] = list(side.parts)
    return Half(key, f"{title}: {side.folder.name or side.label}", facts, tuple(found.items()))


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, ValueError):
        raise InputError("this file cannot be read.", file=str(path)) from None


def _script() -> str:
    own = files("cagecheck.report") / "templates" / "compare"
    names = sorted(entry.name for entry in own.iterdir() if entry.name.endswith(".js"))
    return "\n".join(
        [page_script(without=_OF_REPORT), *(read_text(f"templates/compare/{n}") for n in names)]
    )


def _sides(halves: list[Half]) -> list[dict[str, str]]:
    """Return the ways to light the models that both have."""
    lit = [half.facts["lit"] for half in halves]
    if not all(lit):
        return []
    there = {side["key"] for side in lit[0]["sides"]}
    both = [side for side in lit[1]["sides"] if side["key"] in there]
    # The bake itself first: a tuning's report begins with the one before it.
    both.sort(key=lambda side: side["key"] != "baked")
    return [{"key": side["key"], "title": _TITLES.get(side["key"], side["title"])} for side in both]


_TITLES = {"baked": "as it will bake"}


def _data(
    halves: list[Half],
    numbered: list[tuple[int, Change]],
    rows: list[dict[str, Any]],
    sides: list[dict[str, str]],
    folded: int,
) -> dict[str, Any]:
    change_of: dict[str, dict[int, int]] = {"old": {}, "new": {}}
    data = []
    for (k, change), row in zip(numbered, rows, strict=True):
        for key, regions in (("old", change.old), ("new", change.new)):
            change_of[key] |= {region["number"]: k for region in regions}
        data.append(
            {
                "number": k,
                "became_words": _became_words(change),
                "name": change.name,
                "colour": row["colour"],
                "shows": row["shows"],
                "harm_words": _harm_words(change),
                "old": [region["number"] for region in change.old],
                "new": [region["number"] for region in change.new],
            }
        )
    for half in halves:
        for region in half.facts["regions"]:
            region["label"] = change_of[half.key].get(region["number"], region["number"])
    return {
        "regions": [],
        "changes": data,
        "change_of": change_of,
        "sides": sides,
        "folded": folded,
        **{half.key: half.facts for half in halves},
    }


def _row(number: int, change: Change, colours: dict[str, str]) -> dict[str, Any]:
    return {
        "number": number,
        "became": change.became.value,
        "sure": change.sure,
        "shows": change.sure and change.became is not Became.UNCHANGED,
        "name": change.name,
        "part": change.part,
        "harm": harm_change(change),
        "colour": colours.get(change.name, "#888888"),
    }


def _became_words(change: Change) -> str:
    return f"{change.became.value}{split_words(change)}" + (
        "" if change.sure else " (not told from chance)"
    )


def _harm_words(change: Change) -> str:
    said = harm_change(change)
    if change.became is not Became.UNCHANGED or change.difference:
        said += f"; a difference up to {harm_text(change.within)} may be chance"
    if change.became is Became.MOVED and change.moved_by is not None:
        said += f"; moved by {length_words(change.moved_by)} units"
    return said


def _legend(halves: list[Half]) -> list[dict[str, str]]:
    rows: dict[str, str] = {}
    for half in halves:
        rows |= {row["name"]: row["colour"] for row in half.facts["legend"]}
    clean = {"name": "clean", "colour": rows.pop("clean")}
    return [*({"name": n, "colour": c} for n, c in rows.items()), clean]


def _content(comparison: Comparison, new: Half) -> dict[str, Any]:
    low = comparison.to_dict()["new"]["low"] or {}
    tolerance = comparison.tolerance
    counts = comparison.counts()
    return {
        "title": Path(low["path"]).name if low.get("path") else "two results",
        "word": new.facts["word"],
        "passed": comparison.passed,
        "verdict": f"{sentence_case(comparison.summary)}.",
        "told": verdict_words(comparison.changes),
        "breaches": [f"{breach}." for breach in comparison.breaches],
        "notices": comparison.notices,
        "facts": [
            ("before", comparison.old.label),
            ("now", comparison.new.label),
            *((name, count_text(count)) for name, count in counts.items() if count),
        ],
        "tables": [
            _table(comparison, by, title)
            for by, title in (("name", new.facts["word"]), ("part", "part"))
        ],
        "limits": LIMITS.format(
            errors=figures(tolerance.errors, 3), share=figures(100 * tolerance.share, 3)
        ),
    }  # fmt: skip


def _table(comparison: Comparison, by: str, title: str) -> PageTable:
    kinds = [*(became.value for became in Became), "unsure"]
    columns = (Column(title), *(Column(kind, True) for kind in kinds),
               Column("harm before", True), Column("now", True))  # fmt: skip
    rows = tuple(
        Row(
            (
                row[by],
                *(count_text(row[kind]) if row[kind] else "–" for kind in kinds),
                harm_text(row["harm_old"]),
                harm_text(row["harm_new"]),
            )
        )
        for row in comparison.totals(by)
    )
    return PageTable(f"By {title}", columns, rows)
