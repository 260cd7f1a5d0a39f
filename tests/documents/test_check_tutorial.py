"""The script that holds the tutorial against what the commands print."""

from __future__ import annotations

import importlib.util
import itertools
import sys
from pathlib import Path

from tests.paths import ROOT

_SPEC = importlib.util.spec_from_file_location("check_tutorial", ROOT / "scripts/check_tutorial.py")
assert _SPEC is not None and _SPEC.loader is not None
script = importlib.util.module_from_spec(_SPEC)
sys.modules["check_tutorial"] = script
_SPEC.loader.exec_module(script)

PAGE = """A page.

```sh
echo "794 rays; reach 0.05"
echo "│ skew │  1,019 │"
echo "   1  skew on pack: 12 texels"
echo "   2  skew on key: 7 texels"
echo "done"
```

```text
794 rays; reach 0.04
│ skew │ 19 │
...
   2  skew on key: 7 texels
finished
```
"""


def test_blocks_differences_and_mending(tmp_path: Path) -> None:
    found = script.check(PAGE, tmp_path)
    assert [(d.line, d.printed) for d in found] == [
        (12, "794 rays; reach 0.05"),
        (13, "│ skew │  1,019 │"),
        (16, None),
    ]
    page = script.mended(PAGE, found)
    assert [d.line for d in script.check(page, tmp_path)] == [16]
    assert page.count("\n") == PAGE.count("\n") and "finished" in page


def test_output_that_agrees_has_no_differences(tmp_path: Path) -> None:
    page = "```sh\necho a1\necho b2\n```\n\n```text\n...\nb2\n```\n"
    assert script.check(page, tmp_path) == []


def test_the_order_counts(tmp_path: Path) -> None:
    page = "```sh\necho a1\necho b2\n```\n\n```text\nb2\na1\n```\n"
    assert [(d.line, d.printed) for d in script.check(page, tmp_path)] == [(8, None)]


def test_every_output_block_of_the_tutorial_follows_commands() -> None:
    page = (ROOT / "docs/tutorial.md").read_text(encoding="utf-8")
    languages = [block.language for block in script.blocks(page)]
    assert languages[0] == "sh" and languages.count("text") >= 4
    assert all(a == "sh" for a, b in itertools.pairwise(languages) if b == "text")
