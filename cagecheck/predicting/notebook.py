"""How results show themselves in notebooks."""

from __future__ import annotations

from html import escape
from typing import Any

from cagecheck.defects.entries import Entry
from cagecheck.defects.headline import folded_words
from cagecheck.defects.region_words import amount_words
from cagecheck.report.colours import DEFECT_COLOURS, hex_of
from cagecheck.words.numbers import count_text
from cagecheck.words.sentences import percent_text

WORST_SHOWN = 8
_COLOURS = {defect.title: colour for defect, colour in DEFECT_COLOURS.items()}
_CHIP = "display:inline-block;width:.8em;height:.8em;border:1px solid #777;margin-right:.5em"
_RIGHT = ' style="text-align:right"'
_LEFT = ' style="text-align:left"'


def prediction_html(
    verdict: str, totals: list[dict[str, Any]], entries: list[Entry], samples: int
) -> str:
    """Return a prediction as a small piece of HTML: verdict, defects, what to see to, arrays."""
    found = [row for row in totals if row["regions"]]
    parts = [f"<p><b>cagecheck prediction.</b> {escape(verdict)}</p>"]
    if found:
        rows = [
            (_named(r["name"]), count_text(r['regions']), percent_text(r["percent"]),
             count_text(r['texels']), count_text(r['texels_seen']))
            for r in found
        ]  # fmt: skip
        head = ("defect", "regions", "% of surface", "texels", "of which show")
        parts.append(_table(head, rows, numbers_from=1))
        parts.append(_worst_table(entries))
    parts.append(
        f"<p>{count_text(samples)} samples; arrays: <code>.positions</code>, "
        "<code>.findings.main</code>, <code>.findings.flags</code>, <code>.rays.start</code>, "
        "<code>.targets.t</code>, <code>.layers</code>; <code>.regions[k].samples</code> index "
        "them. <code>cagecheck.write_prediction(result, folder)</code> writes everything.</p>"
    )
    return "\n".join(parts)


def _worst_table(entries: list[Entry]) -> str:
    """Return the entries that show, in the order to see to them."""
    showing = [entry for entry in entries if entry.shows]
    shown = showing[:WORST_SHOWN]
    rows = [
        (str(e.first.number), _named(e.first.name), escape(e.first.part), str(e.first.tile or "–"),
         amount_words(e.texels, e.area, e.texels_seen, e.area_seen), escape(e.first.cause),
         escape(e.first.cure))
        for e in shown
    ]  # fmt: skip
    text = ""
    if rows:
        text = _table(("no.", "defect", "part", "tile", "size", "cause", "cure"), rows)
    left = len(showing) - len(shown)
    said = [f"{count_text(left)} more of these"] if left else []
    if folded := folded_words(entries):
        said.append(f"+ {folded}")
    return text + (f"<p>{'; '.join(said)}: in <code>.entries</code>.</p>" if said else "")


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
