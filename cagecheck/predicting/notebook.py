"""How results show themselves in notebooks."""

from __future__ import annotations

from html import escape
from typing import Any

from cagecheck.defects.region_words import size_words
from cagecheck.defects.regions import Region
from cagecheck.report.colours import DEFECT_COLOURS, hex_of
from cagecheck.words.numbers import count_text
from cagecheck.words.sentences import percent_text

WORST_SHOWN = 8
_COLOURS = {defect.title: colour for defect, colour in DEFECT_COLOURS.items()}
_CHIP = "display:inline-block;width:.8em;height:.8em;border:1px solid #777;margin-right:.5em"
_RIGHT = ' style="text-align:right"'
_LEFT = ' style="text-align:left"'


def prediction_html(
    verdict: str, totals: list[dict[str, Any]], regions: list[Region], samples: int
) -> str:
    """Return a prediction as a small piece of HTML: verdict, defects, worst regions, arrays."""
    found = [row for row in totals if row["regions"]]
    parts = [f"<p><b>cagecheck prediction.</b> {escape(verdict)}</p>"]
    if found:
        rows = [
            (_named(r["name"]), count_text(r['regions']), percent_text(r["percent"]),
             count_text(r['texels']))
            for r in found
        ]  # fmt: skip
        parts.append(_table(("defect", "regions", "% of surface", "texels"), rows, numbers_from=1))
        parts.append(_worst_table(regions))
    parts.append(
        f"<p>{count_text(samples)} samples; arrays: <code>.positions</code>, "
        "<code>.findings.main</code>, <code>.findings.flags</code>, <code>.rays.start</code>, "
        "<code>.targets.t</code>, <code>.layers</code>; <code>.regions[k].samples</code> index "
        "them. <code>cagecheck.write_prediction(result, folder)</code> writes everything.</p>"
    )
    return "\n".join(parts)


def _worst_table(regions: list[Region]) -> str:
    shown = regions[:WORST_SHOWN]
    rows = [
        (str(r.number), _named(r.name), escape(r.part), str(r.tile or "–"),
         size_words(r.to_dict()), escape(r.cause), escape(r.cure))
        for r in shown
    ]  # fmt: skip
    more = len(regions) - len(shown)
    text = _table(("no.", "defect", "part", "tile", "size", "cause", "cure"), rows)
    return text + (f"<p>{count_text(more)} more in <code>.regions</code>.</p>" if more else "")


def _named(name: str) -> str:
    chip = f'<span style="{_CHIP};background:{hex_of(_COLOURS[name])}"></span>'
    return chip + escape(name)


def _table(head: tuple[str, ...], rows: list[Any], *, numbers_from: int | None = None) -> str:
    def side(k: int) -> str:
        return _RIGHT if numbers_from is not None and k >= numbers_from else _LEFT

    titles = "".join(f"<th{side(k)}>{escape(name)}</th>" for k, name in enumerate(head))
    body = "".join(
        "<tr>" + "".join(f"<td{side(k)}>{cell}</td>" for k, cell in enumerate(row)) + "</tr>"
        for row in rows
    )
    return f"<table><thead><tr>{titles}</tr></thead><tbody>{body}</tbody></table>"
