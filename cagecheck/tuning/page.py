"""What the report page of a tuned cage shows: its last check, beside the bake before."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from typing import Any

import numpy as np

from cagecheck.comparing.changes import Became
from cagecheck.comparing.words import harm_text
from cagecheck.defects.kinds import Defect
from cagecheck.defects.region_words import size_words
from cagecheck.predicting.lit import lit_of
from cagecheck.predicting.page import page_of_prediction
from cagecheck.report.content import Column, Finding, PageChart, PageContent, PageTable, Row
from cagecheck.report.line_chart import Line, draw_lines
from cagecheck.report.lit import Lit
from cagecheck.tuning.cage_picture import draw_tuned_cage
from cagecheck.tuning.conflicts import Conflict
from cagecheck.tuning.corridors import low_graph
from cagecheck.tuning.single import SingleNumber, draw_curve
from cagecheck.tuning.straighten.straighten import Straightening
from cagecheck.tuning.tune import Tuning
from cagecheck.tuning.words import (
    WAY_WORDS,
    assurance_words,
    deep_words,
    harm_words,
    plain_length,
    range_words,
    steady_words,
    straightening_words,
    texel_words,
)
from cagecheck.words.numbers import count_text, figures
from cagecheck.words.sentences import count_words, names_words, percent_text

# What a cage's distances and the depth decide; the rest is a matter of meshes and directions.
OFFSETS_DECIDE = (
    Defect.MISS_TIGHT, Defect.MISS_DEEP, Defect.OVERSHOOT_OWN, Defect.OVERSHOOT_OTHER, Defect.FOLD,
)  # fmt: skip
SINGLES_NOTE = (
    "For bakers that take one distance: the best one for the whole and for each part, and what it "
    "leaves. Distances are in units of the files; harm is what will be seen, in degrees that show "
    "times texels."
)
# Hues of Tol's "muted" scheme, told apart by dash as well.
LINE_COLOURS = ((204, 102, 119), (51, 34, 136), (17, 119, 51), (136, 34, 85), (221, 204, 119))
CONFLICTS_NOTE = (
    "Every change was applied and cast again; the one that helped most is shown. Slides, backs and "
    "folds that it adds count as wrong."
)


PLACES_NOTE = (
    "What tuning made of each place, by where it lies and by harm: degrees that show times texels. "
    "Differences that may be chance are left out."
)
# As many places as a table is read to.
MOST_PLACES = 60


def page_of_tuning(
    tuning: Tuning,
    numbers: list[SingleNumber],
    straightening: Straightening | None = None,
    conflicts: tuple[Conflict, ...] = (),
    *,
    lit: Lit | None = None,
) -> PageContent:
    """Return the page of a tuning: the tuned bake, with the numbers before beside it.

    Parameters
    ----------
    tuning : Tuning
        What `tune` returns.
    numbers : list[SingleNumber]
        What `single_numbers` returns.
    straightening : Straightening, optional
        What `straighten` returns, None for none.
    conflicts : tuple[Conflict, ...], optional
        What `explain_conflicts` returns.
    lit : Lit, optional
        The bakes before and after, lit; made here by default.
    """
    lit = lit or lit_of(tuning.after, before=tuning.before)
    content = page_of_prediction(tuning.after, before=tuning.before, lit=lit)
    margin = tuning.margin
    used = tuning.offset_out[np.unique(tuning.low.triangles)]
    tables = [*content.tables, *_places_table(tuning)]
    if conflicts:
        tables.append(_conflict_table(conflicts))
    if straightening is not None:
        tables.append(_straightening_table(straightening))
    tables.append(_single_table(numbers, margin))
    return replace(
        content,
        heading="report on a tuned cage",
        verdict=verdict(tuning),
        findings=(
            Finding("How sure", assurance_words(tuning)),
            *_finding("What will be seen", harm_words(tuning)),
            Finding("The cage", steady_words(tuning)),
            *_finding("Depth", deep_words(tuning)),
            *_finding("Texel by texel", texel_words(tuning)),
        ),
        facts=(
            *content.facts,
            ("tuned offsets", f"{range_words(used, margin)} (units)"),
            ("depth", f"{plain_length(tuning.depth, margin)} units"),
        ),
        tables=tuple(tables),
        notices=(*content.notices, *tuning.notices),
        charts=charts_of(tuning, numbers),
    )


def _finding(title: str, words: str | None) -> tuple[Finding, ...]:
    return (Finding(title, words),) if words else ()


def verdict(tuning: Tuning) -> str:
    """Return what tuning changed, and what is left, in two sentences."""
    names = {d.title for d in OFFSETS_DECIDE}
    rows = [row for row in tuning.table() if row["name"] in names]
    percent = [sum(row[f"percent_{when}"] for row in rows) for when in ("before", "after")]
    texels = [sum(row[f"texels_{when}"] for row in rows) for when in ("before", "after")]
    what = "What offsets decide (misses, overshoots, folds)"
    if percent[0] == 0 and percent[1] == 0:
        out = f"{what} was right before and is right now."
    else:
        amounts = [
            f"{count_text(t)} texels" if texels[0] + texels[1] > 0 else f"{percent_text(p)} %"
            for t, p in zip(texels, percent, strict=True)
        ]
        out = f"{what} went from {amounts[0]} to {amounts[1]}."
    regions = tuning.after.regions
    if not regions:
        return f"{out} Nothing else was found."
    worst = regions[0]
    left = count_words(len(regions), "place")
    return (
        f"{out} {left} of any kind remain, worst: {worst.name} on {worst.part}, "
        f"{size_words(worst.to_dict())}."
    )


def _conflict_table(conflicts: tuple[Conflict, ...]) -> PageTable:
    columns = (Column("no.", True), Column("defect"), Column("part"), Column("why"),
               Column("best change"), Column("wrong samples when applied"),
               Column("harm when applied"))  # fmt: skip
    rows = []
    for c in conflicts:
        best = c.best
        effect = (
            f"{count_text(best.wrong_before)} to {count_text(best.wrong_after)}" if best else "–"
        )
        seen = (
            f"{count_text(round(best.harm_before))} to {count_text(round(best.harm_after))}"
            if best
            else "–"
        )
        rows.append(Row((str(c.number), c.name, c.part, c.why, c.best_words, effect, seen)))
    return PageTable(
        "What the tuned cage leaves, and what was tried", columns, tuple(rows), CONFLICTS_NOTE
    )


def _places_table(tuning: Tuning) -> tuple[PageTable, ...]:
    """Return what became of the places where that is more than chance, what is worse first."""
    told = [c for c in tuning.changes if c.sure and c.became is not Became.UNCHANGED]
    if not told:
        return ()
    columns = (Column("change"), Column("defect"), Column("part"), Column("no. before"),
               Column("no. now"), Column("harm before", True), Column("now", True))  # fmt: skip
    rows = tuple(
        Row(
            (
                change.became.value,
                change.name,
                change.part,
                *(_numbers_of(regions) for regions in (change.old, change.new)),
                harm_text(change.harm_old),
                harm_text(change.harm_new),
            )
        )
        for change in told[:MOST_PLACES]
    )
    more = len(told) - len(rows)
    note = PLACES_NOTE + (f" {count_text(more)} more stand in tuning.json." if more else "")
    return (PageTable("Place by place, before and after", columns, rows, note),)


def _numbers_of(regions: tuple[dict[str, Any], ...]) -> str:
    return names_words([str(region["number"]) for region in regions]) or "–"


def _straightening_table(turned: Straightening) -> PageTable:
    columns = (Column("defect"), *(Column(f"% {words}", True) for words in WAY_WORDS.values()))
    rows = tuple(
        Row((str(row["name"]), *(percent_text(float(row[f"percent_{way}"])) for way in WAY_WORDS)))
        for row in turned.table()
    )
    note = " ".join(straightening_words(turned))
    return PageTable("Straightening, on new samples", columns, rows, note)


def _single_table(numbers: list[SingleNumber], margin: float) -> PageTable:
    columns = (Column("scope"), Column("name"), Column("offset", True), Column("depth", True),
               Column("% missed", True), Column("% overshot", True),
               Column("% without surface", True), Column("harm", True))  # fmt: skip
    rows = tuple(
        Row(
            (
                n.scope,
                n.name,
                *(
                    plain_length(x, margin) if n.bare < 100 else "–"
                    for x in (n.offset_out, n.offset_in)
                ),
                percent_text(n.missed),
                percent_text(n.overshot),
                percent_text(n.bare),
                count_text(round(n.harm)),
            )
        )
        for n in numbers
    )
    return PageTable("One number instead", columns, rows, SINGLES_NOTE)


def charts_of(tuning: Tuning, numbers: list[SingleNumber]) -> tuple[PageChart, ...]:
    """Return the pictures of a tuning: the cage, harm over smoothness, and one number's curves."""
    cage = BytesIO()
    draw_tuned_cage(tuning, low_graph(tuning.low), cage, "The cage, from two sides")
    out = [PageChart("The cage", cage.getvalue(), steady_words(tuning))]
    if len(tuning.smooth_curve) > 1:
        out.append(_smooth_chart(tuning))
    if numbers and not np.isnan(numbers[0].harm):
        curve = BytesIO()
        draw_curve(numbers[0], curve)
        words = f"Missed and overshot over one distance for the {numbers[0].name}."
        out.append(PageChart("One number: what it leaves", curve.getvalue(), words))
        out.append(_harm_chart(numbers))
    return tuple(out)


def _smooth_chart(tuning: Tuning) -> PageChart:
    curve = sorted(tuning.smooth_curve, key=lambda p: p.slope)
    slope, harm = (np.array([getattr(p, name) for p in curve]) for name in ("slope", "harm"))
    file = BytesIO()
    draw_lines(
        file,
        "What will be seen, the steadier the cage",
        ("steepest rise that is let be (--smooth), of the edge", "degrees x texels"),
        slope,
        [Line(harm, "harm", LINE_COLOURS[0])],
        (float(slope[-1]), "as tuned"),
    )
    words = "; ".join(f"{figures(p.slope, 2)}: {count_text(round(p.harm))}" for p in curve)
    return PageChart("Harm over smoothness", file.getvalue(), words)


def _harm_chart(numbers: list[SingleNumber]) -> PageChart:
    """Draw what shows over one distance, for the asset and the parts that show most."""
    asset = numbers[0]
    parts = sorted((n for n in numbers if n.scope == "part"), key=lambda n: -n.harm)
    chosen = [asset, *(parts[: len(LINE_COLOURS) - 1] if len(parts) > 1 else [])]
    lines = [
        Line(np.interp(asset.distance, n.distance, n.curve_harm), n.name, colour, k > 0)
        for k, (n, colour) in enumerate(zip(chosen, LINE_COLOURS, strict=False))
    ]
    file = BytesIO()
    draw_lines(
        file,
        "What will be seen under one distance",
        ("push distance (units of the file)", "degrees x texels"),
        asset.distance,
        lines,
        (asset.offset_out, f"least wrong {plain_length(asset.offset_out, 0.0)}"),
    )
    words = f"Harm at the best number: {count_text(round(asset.harm))}."
    return PageChart("One number: what will be seen", file.getvalue(), words)
