"""Make the demo scene without running anything on it: ``python scripts/make_demo.py DIR``."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from cagecheck.demo import make_scene, write_scene
from cagecheck.demo.picture import draw_scene
from cagecheck.errors import InputError


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--detail", type=float, default=1.0, help="1 is 1.5 million triangles")
    parser.add_argument("--picture", type=Path, help="also draw low and high into this PNG")
    parser.add_argument("--force", action="store_true", help="replace existing files")
    given = parser.parse_args()
    scene = make_scene(given.seed, given.detail)
    try:
        paths = write_scene(scene, given.folder, given.force)
        if given.picture:
            paths.append(draw_scene(scene, given.picture, force=given.force))
    except InputError as error:
        print(error, file=sys.stderr)
        return 2
    print(*paths, sep="\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
