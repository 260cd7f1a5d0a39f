"""The picture of the imports: rings and arrows of a small package, counted by hand."""

from __future__ import annotations

from collections import Counter
from itertools import permutations
from xml.etree import ElementTree

import numpy as np

from scripts.draw_imports import arrows_up, draw, floors, read_imports, table

SOURCES = {
    "p": b"from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from p.top.one import x\n",
    "p.top.one": b"from p.middle import thing\nfrom p.low.base import a\nimport numpy\n",
    "p.top.two": b"def f():\n    from p.low import base\n",
    "p.middle": b"from p.low.base import a\nfrom p import version\n",
    "p.low.base": b"import p.middle\n",
    "p.low.more": b"from p.low.base import a\n",
}


def test_imports_of_all_kinds_are_found() -> None:
    found = read_imports(SOURCES)
    assert found.edges == {
        ("p.top.one", "p.middle"), ("p.top.one", "p.low.base"), ("p.top.two", "p.low.base"),
        ("p.middle", "p.low.base"), ("p.middle", "p"), ("p.low.base", "p.middle"),
        ("p.low.more", "p.low.base"),
    }  # fmt: skip
    assert found.typed == {("p", "p.top.one")}
    assert [sorted(r) for r in found.rings(typed=False)] == [["p.low.base", "p.middle"]]
    assert len(found.rings(typed=True)[0]) == 4
    assert found.arrows()["top", "low"] == 2 and ("low", "low") not in found.arrows()


def test_no_order_of_folders_has_fewer_arrows_up() -> None:
    rng = np.random.default_rng(1)
    for _ in range(20):
        names = "abcdef"
        arrows: Counter[tuple[str, str]] = Counter()
        for a, b in rng.integers(0, 6, (14, 2)):
            if a != b:
                arrows[names[a], names[b]] += 1
        fewest = min(sum(o.index(a) > o.index(b) for a, b in arrows) for o in permutations(names))
        up = arrows_up(arrows)
        assert len(up) == fewest
        floor = floors(arrows, up)
        assert all((floor[a] > floor[b]) != ((a, b) in up) for a, b in arrows if (a, b) not in up)


def test_the_picture_is_svg_with_a_row_a_folder_and_a_head_an_arrow() -> None:
    found = read_imports(SOURCES)
    picture = ElementTree.fromstring(draw(found, "small <&>"))
    tag = "{http://www.w3.org/2000/svg}"
    words = [t.text or "" for t in picture.iter(f"{tag}text")]
    assert words[0] == "small <&>" and "low/" in words and "middle" in words
    assert len(picture.findall(f"{tag}polygon")) == len(found.arrows())


def test_the_table_counts_side_by_side() -> None:
    found = read_imports(SOURCES)
    rows = {line.split(" | ")[0].strip("| "): line for line in table([("now", found)]).splitlines()}
    assert rows["Python files"].endswith("| 6 |")
    assert rows["imports between files"].endswith("| 8 |")
    assert rows["the same without what only type checkers read"].endswith("| 1 (2) |")
