"""What is written holds the names of files, never where they lie on the artist's disk.

Records that must find their sources again are the exception: `regions.json` and `location.json`.
"""

from __future__ import annotations

import json
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.commands.test_cli import run_here, write_obj

# Bumps that rise through the cage, so that there is something to mend and a next command.
BUMP = 0.08


@pytest.fixture(scope="module")
def disk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a plate with UVs, a bumpy sheet over it, and all that commands made of them."""
    disk = tmp_path_factory.mktemp("disk-of-an-artist")
    corners = [(0, 0), (1, 0), (1, 1), (0, 1)]
    (disk / "low.obj").write_text(
        "o plate\n"
        + "".join(f"v {x} {y} 0\nvt {0.1 + 0.8 * x} {0.1 + 0.8 * y}\n" for x, y in corners)
        # A vertex that no face uses: a notice that names the file.
        + "v 5 5 5\nf 1/1 2/2 3/3 4/4\n"
    )
    n = 40
    u, v = (grid.ravel() for grid in np.meshgrid(*[np.linspace(-0.05, 1.05, n)] * 2))
    height = BUMP * np.maximum(np.sin(9 * u) * np.sin(9 * v), 0)
    k = np.arange((n - 1) * n).reshape(n - 1, n)[:, :-1].ravel()
    faces = np.concatenate([np.stack([k, k + 1, k + n + 1], 1), np.stack([k, k + n + 1, k + n], 1)])
    write_obj(disk / "high.obj", np.stack([u, v, height], 1), faces, "plate")
    pair = (disk / "low.obj", disk / "high.obj")
    few = ("--samples", 2000, "--size", 128)
    own = (*pair, "--offset", 0.03, "--depth", 0.05, "--reach", 0.2)
    maps = ("--maps", "normal", "--out", disk / "out")
    assert run_here("predict", *own, *few, *maps, cwd=disk)[0] == 1
    done = run_here("tune", *pair, *few, "--reach", 0.2, "--out", disk / "tuned", cwd=disk)
    assert done[0] in (0, 1), done
    (baked,) = (disk / "out").glob("*normal*.png")
    found = run_here("locate", baked, *pair, "--out", disk / "found", cwd=disk)
    assert found[0] in (0, 1), found
    return disk


def sources(document: Any) -> set[str]:
    """The paths in a record that are there to find its sources."""
    if isinstance(document, dict):
        named = {v for k, v in document.items() if k in ("path", "file") and isinstance(v, str)}
        return named.union(*map(sources, document.values()))
    if isinstance(document, list):
        return set().union(*map(sources, document))
    return set()


@pytest.mark.long
def test_files_hold_names_not_paths(disk: Path) -> None:
    told, seen = str(disk).encode(), 0
    for path in sorted(p for out in ("out", "tuned", "found") for p in (disk / out).rglob("*")):
        if not path.is_file():
            continue
        seen += 1
        data = path.read_bytes()
        if path.name in ("regions.json", "location.json"):
            for source in sorted(sources(json.loads(data)), key=len, reverse=True):
                data = data.replace(json.dumps(source).encode(), b'""')
        assert told not in data, f"{path.name} says where the files lie"
        if path.suffix == ".png":
            assert told not in b"".join(texts_of_png(data)), path.name
    assert seen > 15


def texts_of_png(data: bytes) -> list[bytes]:
    """The text chunks of a PNG file (W3C PNG specification, 11.3.3)."""
    out, at = [], 8
    while at + 8 <= len(data):
        size, kind = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
        body = data[at + 8 : at + 8 + size]
        if kind == b"tEXt":
            out.append(body)
        elif kind == b"zTXt":
            out.append(zlib.decompress(body.split(b"\0", 1)[1][1:]))
        elif kind == b"iTXt":
            out.append(body)
        at += 12 + size
    return out


@pytest.mark.parametrize("out", ["out", "tuned", "found"])
def test_pages_name_the_files(disk: Path, out: str) -> None:
    page = (disk / out / "report.html").read_text(encoding="utf-8")
    assert "<code>cagecheck " in page or out == "tuned"
    assert "low.obj" in page


def test_the_next_command_of_a_record_names_the_files(disk: Path) -> None:
    document = json.loads((disk / "out" / "regions.json").read_text(encoding="utf-8"))
    commands = [way["next"] for way in document["ways"]]
    assert commands and all("low.obj high.obj" in command for command in commands)
    assert any("low.obj: " in notice["text"] for notice in document["notices"])


def test_the_terminal_says_them_as_they_were_typed(disk: Path) -> None:
    said = run_here(
        "predict", disk / "low.obj", disk / "high.obj", "--samples", 500, "--offset", 0.03, cwd="/"
    )[1]
    assert f"{disk / 'low.obj'} {disk / 'high.obj'}" in " ".join(said.split())
