"""The process that tries a library for `cagecheck.rays.engine`: prints how that went."""

from __future__ import annotations

import sys
from pathlib import Path

from cagecheck.rays import embree
from cagecheck.rays.engine import PASSED


def main(path: Path) -> str:
    """Return `PASSED`, or why the library cannot be used."""
    try:
        embree.self_test(embree.declare(path))
    except embree.EmbreeUnavailableError as reason:
        return str(reason)
    return PASSED.decode()


if __name__ == "__main__":
    print(main(Path(sys.argv[1])))
