"""Fuzz every reader for a while: damaged files must end in a mesh or a plain message.

    python scripts/fuzz_reading.py [--seconds 60] [--seed 1] [--only obj ply ...] [--keep DIR]

The same damage as in tests/formats/test_hostile_files.py, with other seeds, under a memory limit
and a time limit for each file. What fails is kept in --keep with its seed, so that it can become a
test. The readers' inner loops are compiled, so a fuzzer guided by the coverage of Python lines
would see little of them; run this with NUMBA_BOUNDSCHECK=1 and a NUMBA_CACHE_DIR of its own to have
every index in them checked.
"""

from __future__ import annotations

import argparse
import collections
import faulthandler
import resource
import sys
import tempfile
import time
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.formats.test_hostile_files import damaged, outcome
from tests.scenes.mesh_files import FBX_TEXT, samples

MEMORY_LIMIT = 6 << 30
SECONDS_A_FILE = 60


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--keep", type=Path, default=Path("fuzz-failures"))
    args = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT, MEMORY_LIMIT))
    files = samples() | {"plate.fbx": FBX_TEXT}
    names = [n for n in files if not args.only or any(word in n for word in args.only)]
    counts: collections.Counter[tuple[str, str]] = collections.Counter()
    end, seed = time.monotonic() + args.seconds, args.seed << 32
    with tempfile.TemporaryDirectory() as folder:
        while time.monotonic() < end:
            name = names[seed % len(names)]
            data = damaged(files[name], seed)
            path = Path(folder) / name
            path.write_bytes(data)
            faulthandler.dump_traceback_later(SECONDS_A_FILE, exit=True)
            try:
                counts[name, "refused" if outcome(path) else "read"] += 1
            except Exception:
                counts[name, "FAILED"] += 1
                args.keep.mkdir(parents=True, exist_ok=True)
                (args.keep / f"{seed}-{name}").write_bytes(data)
                traceback.print_exc(limit=-3)
            faulthandler.cancel_dump_traceback_later()
            seed += 1
    for name in names:
        read, refused, failed = (counts[name, w] for w in ("read", "refused", "FAILED"))
        print(f"{name:<18}{read:>8} read {refused:>8} refused {failed:>5} failed")
    raise SystemExit(1 if any(w == "FAILED" for _, w in counts) else 0)


if __name__ == "__main__":
    main()
