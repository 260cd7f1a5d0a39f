"""A short run of `scripts/attack.py`; docs/evidence_attack.md has a longer one."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.paths import ROOT

pytestmark = pytest.mark.long


@pytest.mark.skipif(os.name == "nt", reason="signals and limits of memory are POSIX's")
def test_a_short_attack_breaks_nothing(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "scripts/attack.py", "--count", "5", "--stride", "121", "--short",
         "--keep", str(tmp_path / "failed")],
        cwd=ROOT, capture_output=True, text=True, timeout=900, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    tried = [int(n) for n in re.findall(r"(\d+) tried", done.stdout)]
    assert len(tried) > 35 and min(tried) > 0 and sum(tried) > 150


def test_the_figures_are_all_nought() -> None:
    rows = re.findall(
        r"^\| (.+?) \| ([\d,]+) \| ([\d,]+) \| (\d+) \| (\d+) \| (\d+) \|$",
        (ROOT / "docs" / "evidence_attack.md").read_text(),
        re.MULTILINE,
    )
    assert len(rows) > 40 and rows[-1][0] == "all"
    assert all(row[3:] == ("0", "0", "0") for row in rows)
