"""How near mended clashes come to closed forms: writes docs/evidence_mend.md.

    python scripts/evidence_mend.py [--out FILE]

The page holds no times and no places: it has the same bytes again. Scenes are those of
tests/mending/test_mend.py; that nothing intersects is asked of the library ipctk.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from cagecheck.mending.mend import mend_clashes  # noqa: E402
from cagecheck.mending.settings import MendSettings  # noqa: E402
from cagecheck.meshes.mesh import Mesh  # noqa: E402
from tests.mending.test_mend import GAP, arm, flat, intersects, sheet, sphere, tube  # noqa: E402

Scene = tuple[str, list[list[Mesh]], str, list[Mesh], float]

HEAD = """# Evidence: mended clashes

What `clash --mend` makes of scenes whose depth is known in closed form; a gap of {gap} is asked
for. Written by

```sh
python scripts/evidence_mend.py
```

The least that any place may move is the depth and the gap (bodies are of flat faces, which lie up
to 0.0016 deeper); rows count as kept when no more than a tenth of the gap is lacking. Stretch is
the largest change of length in any face. Where there are several frames one displacement
serves all: depth, move and stretch are the largest, and the gap the least of all.

| scene | depth and gap | largest move | gap left | largest stretch | intersections (ipctk) |
| --- | ---: | ---: | ---: | ---: | --- |
"""


def scenes() -> Iterator[Scene]:
    """Name, meshes of every frame, the part that moves, its rest pose, and the depth."""
    for height in (0.9, 0.6, 0.3):
        cloth = sheet(40, flat(height), 3.0, "cloth")
        yield (
            f"cloth, ball {1 - height:.1f} deep in it",
            [[cloth, sphere()]],
            "cloth",
            [],
            1 - height,
        )
    bump = sheet(60, lambda x, y: 0.2 * np.exp(-8 * (x**2 + y**2)), name="bump")
    yield "sheet over a bump", [[sheet(30, flat(0.15), name="over"), bump]], "over", [], 0.05
    rest = [tube(0.55, 0), arm(0)]
    yield "tube, arm bent through it", [[tube(0.55, 0), arm(0.3)]], "sleeve", rest, out(0.3, 0)
    for bends in ((0.1, 0.2, 0.3), (0.05, 0.13, 0.21, 0.3, 0.38)):
        frames = [[tube(0.55, 0), arm(b)] for b in bends]
        name = f"tube, arm bent more and more in {len(bends)} frames"
        yield name, frames, "sleeve", rest, out(bends[-1], 0)
    frames = [[tube(0.55, b), arm(b + 0.2)] for b in (0.2, 0.5, 0.8)]
    yield "tube that bends with the arm, 3 frames", frames, "sleeve", rest, out(0.4, 0.2)


def out(arm_bend: float, tube_bend: float) -> float:
    """How deep an arm of radius 0.5 reaches through a tube of radius 0.55 at its ends, z = 2.

    There the axes are as far apart as their bends differ, and the arm's has the slope of its bend.
    """
    return float((arm_bend - tube_bend - 0.05) / np.hypot(1, arm_bend))


def row(scene: Scene) -> str:
    """One line of the table."""
    name, frames, outer, rest, depth = scene
    settings = MendSettings(outer=(outer,), gap=GAP, over_time="one")
    mended = mend_clashes(frames, settings, rest=rest).frames
    gaps = [part.gap_left for frame in mended for part in frame.parts if part.gap_left is not None]
    crossed = "some" if any(intersects(*frame.meshes) for frame in mended) else "none"
    stretch = max(abs(frame.largest_stretch) for frame in mended)
    return (
        f"| {name} | {depth + GAP:.3f} | {max(f.largest_move for f in mended):.3f} | "
        f"{min(gaps):.4f} | {100 * stretch:.1f} % | {crossed} |\n"
    )


def main() -> None:
    """Write the page."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, default=ROOT / "docs" / "evidence_mend.md")
    text = HEAD.format(gap=GAP) + "".join(map(row, scenes()))
    parser.parse_args().out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
