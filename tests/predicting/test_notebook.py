"""Results in a notebook."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

from cagecheck.predicting.result import Prediction


class Balance(HTMLParser):
    """Checks that every element is closed, and gathers the text."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag not in ("script", "style", "link", "img"), "nothing that runs or loads"
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def read(html: str) -> str:
    parser = Balance()
    parser.feed(html)
    assert parser.open == []
    return " ".join(parser.text)


def test_shows_verdict_defects_and_the_worst(demo_prediction: Prediction) -> None:
    text = read(demo_prediction._repr_html_())
    cells = demo_prediction._repr_html_().split("</table>")[0]
    for row in demo_prediction.totals():
        assert (f"</span>{row['name']}</td>" in cells) == (row["regions"] > 0)
    worst = demo_prediction.regions[0]
    assert worst.cause in text and worst.cure in text
    assert f"{len(demo_prediction.points):,} samples" in text
    assert len(demo_prediction._repr_html_()) < 20_000


def test_names_are_escaped_and_a_clean_result_is_short(demo_prediction: Prediction) -> None:
    first = replace(demo_prediction.regions[0], part="<i>&")
    shown = replace(demo_prediction, regions=[first])._repr_html_()
    assert "&lt;i&gt;&amp;" in shown and "<i>&" in read(shown)
    clean = replace(demo_prediction, regions=[])
    assert "Nothing found" in read(clean._repr_html_())
