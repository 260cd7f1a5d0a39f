"""Make the meshes that `tune_table.py` tunes, one .npz each, in a folder that can be carried along.

    python scripts/tune_meshes.py FOLDER

A cape, a bracket and a head that the tests' own scenes make, and open meshes that a registry
package carries (`fetch_open_meshes.py` fetches it; Debian libcgal-demo, CC0 unless a file says
otherwise). Low polys have UVs (xatlas). The demo scene needs no file.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np
from fetch_open_meshes import UnreachableError, fetched

from tests.scenes.tuned_meshes import Pair, bracket, cape, head, scan

# Name in the table, file, low triangles, and how often the file is cut finer.
SCANS = (
    ("rabbit", "bunny00.off", 2400, 1),
    ("lion_head_open", "lion-head.off", 1600, 2),
    ("bear", "bear.off", 2000, 1),
    ("saurian", "diplodocus.off", 2000, 1),
    ("block", "fandisk_large.off", 1500, 1),
)


def meshes() -> dict[str, Callable[[], Pair]]:
    """Return what makes each mesh; scans only where their package can be had."""
    out: dict[str, Callable[[], Pair]] = {
        "cape": lambda: cape(32, unwrapped=True),
        "bracket": lambda: bracket(150, unwrapped=True),
        "head": lambda: head(2400, 150, unwrapped=True),
    }
    try:
        folder = fetched("scans")
    except UnreachableError as error:
        print(f"without scans: {error}", file=sys.stderr)
        return out
    for name, file, triangles, finer in SCANS:
        if (folder / file).exists():
            out[name] = lambda f=file, t=triangles, n=finer: scan(folder / f, t, n, unwrapped=True)
    return out


def main() -> None:
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name, make in meshes().items():
        low, high = make()
        path = folder / f"{name}.npz"
        np.savez_compressed(
            path,
            low_positions=low.mesh.positions,
            low_faces=low.mesh.corner_vertex.reshape(-1, 3),
            low_uv=low.mesh.corner_uv,
            high_positions=high.positions.astype(np.float32),
            high_faces=high.triangles,
        )
        size = path.stat().st_size / 1e6
        print(f"{path}: {len(low.triangles):,} / {high.triangle_count:,} triangles, {size:.1f} MB")


if __name__ == "__main__":
    main()
