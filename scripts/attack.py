"""Attack everything that reads, writes or moves files, and count what breaks.

    python scripts/attack.py [--count 300] [--seed 1] [--only obj journal ...] [--write]

Inputs: damaged meshes, maps, journals, result folders, offsets, manifests and records, `--count`
of each kind, drawn from `--seed`. Kills: every writing step is ended before each of its file
operations (by SIGKILL in `tests/killing.py`; where a step takes long to prepare, by refusing that
operation and all later ones, which leaves the same files). Surroundings: no HOME, a folder that
cannot be written, a full disk, a closed output, little memory. Counted are tracebacks, hangs and
files lost; each must be 0. With `--write` the figures go to docs/evidence_attack.md. What fails is
kept in --keep under its seed, so that it can become a test.

The readers' inner loops are compiled, so a fuzzer guided by the coverage of Python lines would see
little of them; run this with NUMBA_BOUNDSCHECK=1 and a NUMBA_CACHE_DIR of its own to have every
index in them checked.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402
from attack_around import attack_surroundings  # noqa: E402
from attack_counts import Count, HangError, LostError, take_step  # noqa: E402
from attack_kills import attack_by_kills, write_small_result  # noqa: E402

from cagecheck.batching.manifest import read_manifest  # noqa: E402
from cagecheck.chores.materials.per_tile import (  # noqa: E402
    restore_tiles,
    write_tile_materials,
)
from cagecheck.chores.rename.apply import (  # noqa: E402
    finish_renames,
    undo_renames,
)
from cagecheck.chores.rename.journal import begin, finish  # noqa: E402
from cagecheck.errors import InputError  # noqa: E402
from cagecheck.formats.push_file import read_push  # noqa: E402
from cagecheck.maps.pictures import Picture, read_picture, write_picture  # noqa: E402
from cagecheck.tuning.kept_offsets import read_keep  # noqa: E402
from tests.formats.test_hostile_files import damaged, outcome  # noqa: E402
from tests.scenes.alembic_files import alembic_samples  # noqa: E402
from tests.scenes.damage import odd_json, odd_npz, odd_table  # noqa: E402
from tests.scenes.mesh_files import FBX_TEXT, samples  # noqa: E402
from tests.scenes.usd_files import odd_scene, usd_samples  # noqa: E402

PAGE = ROOT / "docs" / "evidence_attack.md"
MEMORY_LIMIT = 8 << 30
_IS_CHECKED = os.environ.get("NUMBA_BOUNDSCHECK") == "1"
# Kinds that take so much longer that fewer are tried: some have a process of their own.
SLOWER = {"fbx": 20, "usd": 20, "abc": 20, "result": 2}


# Inputs -----------------------------------------------------------------------------------------

Attack = Callable[[Path, random.Random], None]
PUSH = {"document": "cagecheck push distances", "version": 1, "offset_out": [0.1, 0.2, 0.3]}
TABLE = "vertex,offset_out,offset_in,lower,upper,conflict\n0,0.1,0.2,,,0\n1,0.1,0.2,0,1,0\n"
TOML = (
    '[options]\nsize = 256\n[gate]\npercent = 0.5\n[[asset]]\nname = "a"\nlow = "l.obj"\n'
    'high = "h.ply"\npush = "p.json"\ntune = true\ngate = { texels_of = { skew = 20 } }\n'
)
CSV = "name,low,high,samples,gate_percent\nhero,a.obj,b.ply,1000,0.5\ntwo,c.obj,d.ply,10,\n"


def input_attacks(folder: Path, is_short: bool) -> dict[str, Attack]:
    """Return an attack per kind of input; `folder` is where whole files are made."""
    attacks: dict[str, Attack] = {}
    scenes = {} if is_short else usd_samples(folder) | alembic_samples(folder)
    for name, data in (samples() | {"plate.fbx": FBX_TEXT} | scenes).items():
        attacks[f"mesh {name}"] = _mesh(name, data)
    if "plate.usda" in scenes:
        attacks["mesh odd.usda"] = _odd_usd
    for ending in ("png", "tga", "tif", "exr", "bmp", "jpg", "webp"):
        attacks[f"map {ending}"] = _map(ending, folder)
    attacks |= {
        "journal": _journal,
        "push.json": _text("push.json", lambda r: odd_json(PUSH, r), read_push),
        "push.csv": _text("push.csv", lambda r: odd_table(TABLE, r), read_push),
        "kept offsets": _text(
            "keep.csv", lambda r: odd_table(TABLE, r), lambda p: read_keep(p, 2, np.ones(2))
        ),
        "manifest toml": _text(
            "m.toml", lambda r: damaged(TOML.encode(), r.getrandbits(32)), read_manifest
        ),
        "manifest csv": _text("m.csv", lambda r: odd_table(CSV, r), read_manifest),
        "record of tiles": _record(folder),
    }
    return attacks if is_short else attacks | _results(folder)


def _mesh(name: str, data: bytes) -> Attack:
    def attack(folder: Path, rng: random.Random) -> None:
        (folder / name).write_bytes(damaged(data, rng.getrandbits(32)))
        if words := outcome(folder / name):
            raise InputError(words)

    return attack


def _odd_usd(folder: Path, rng: random.Random) -> None:
    """A scene of valid form whose numbers make no sense."""
    (folder / "odd.usda").write_bytes(odd_scene(rng.getrandbits(32)))
    if words := outcome(folder / "odd.usda"):
        raise InputError(words)


def _map(ending: str, made: Path) -> Attack:
    path = made / f"map.{ending}"
    texels = np.random.default_rng(1).integers(0, 256, (16, 16, 3), dtype=np.uint8)
    if ending in ("jpg", "webp"):
        from PIL import Image

        Image.fromarray(texels).save(path)
    else:
        kind = np.float32 if ending == "exr" else np.uint8
        write_picture(path, Picture(texels.astype(kind), ()), ending)
    data = path.read_bytes()

    def attack(folder: Path, rng: random.Random) -> None:
        (folder / path.name).write_bytes(damaged(data, rng.getrandbits(32)))
        read_picture(folder / path.name)

    return attack


def _text(name: str, draw: Callable[[random.Random], bytes], read: Callable[[Path], Any]) -> Attack:
    def attack(folder: Path, rng: random.Random) -> None:
        (folder / name).write_bytes(draw(rng))
        read(folder / name)

    return attack


def _journal(folder: Path, rng: random.Random) -> None:
    """Edit or damage a journal: whatever it says, every file's contents must be there after."""
    names = ["a.png", "b.png", "c.png"]
    for name in [*names, "mine.png"]:
        (folder / name).write_text(name)
    work = begin(folder, [("a.png", "b.png"), ("b.png", "a.png"), ("c.png", "d.png")])
    if rng.random() < 0.6:
        work = finish(work)
    work.path.write_bytes(odd_json(json.loads(work.path.read_bytes()), rng))
    try:
        (undo_renames if rng.random() < 0.5 else finish_renames)(folder)
    finally:
        held = [p.read_bytes() for p in folder.iterdir() if "rename-" not in p.name]
        if not {name.encode() for name in [*names, "mine.png"]} <= set(held):
            raise LostError("a picture is gone")


def _record(made: Path) -> Attack:
    from cagecheck.formats.write_mesh import write_mesh
    from tests.scenes.tiles import patch_mesh

    write_mesh(patch_mesh(), made / "hero.obj", force=True)
    write_tile_materials(made / "hero.obj", made / "tiles.obj", to_first_tile=True, force=True)
    (record,) = made.glob("tiles.obj.*")
    document = json.loads(record.read_text())

    def attack(folder: Path, rng: random.Random) -> None:
        (folder / "record.json").write_bytes(odd_json(document, rng))
        restore_tiles(made / "tiles.obj", folder / "record.json", folder / "back.obj", force=True)

    return attack


def _results(made: Path) -> dict[str, Attack]:
    """Return attacks on each file of a small result folder."""
    from cagecheck.viewing.model import ViewModel
    from cagecheck.viewing.result import read_result

    write_small_result(made / "result")
    attacks: dict[str, Attack] = {}
    for name in ("samples.npz", "view.npz", "lit.npz", "regions.json", "heatmap.ply"):
        path = made / "result" / name
        whole: Any = path.read_bytes()
        if name.endswith(".npz"):
            with np.load(path) as stored:
                whole = {key: stored[key] for key in stored.files}
        elif name.endswith(".json"):
            whole = json.loads(whole)

        def attack(folder: Path, rng: random.Random, name: str = name, whole: Any = whole) -> None:
            for other in (made / "result").iterdir():
                if other.name != name:
                    (folder / other.name).symlink_to(other)
            draw = {"npz": odd_npz, "json": odd_json}.get(name.rpartition(".")[2])
            data = damaged(whole, rng.getrandbits(32)) if draw is None else draw(whole, rng)
            (folder / name).write_bytes(data)
            model = ViewModel(read_result(folder))
            for number in range(1, len(model.result.regions) + 1):
                model.members(number)
            model.set_factor(0.5)

        attacks[f"result {name}"] = attack
    return attacks


def attack_inputs(args: argparse.Namespace, made: Path) -> Iterator[Count]:
    """Run every attack on inputs `--count` times."""
    for kind, attack in input_attacks(made, args.short).items():
        if args.only and not any(word in kind for word in args.only):
            continue
        count, start = Count(kind, seed=args.seed, is_checked=_IS_CHECKED), time.monotonic()
        slower = next((by for word, by in SLOWER.items() if word in kind), 1)
        for k in range(max(1, args.count // slower)):
            seed = f"{args.seed} {kind} {k}"
            with tempfile.TemporaryDirectory() as folder:
                take_step(
                    count, args, seed, lambda f, s=seed, a=attack: a(f, random.Random(s)), folder
                )
        count.seconds = time.monotonic() - start
        yield count


# The page ---------------------------------------------------------------------------------------


def page(counts: list[Count]) -> str:
    """Return the figures as a page of the documents."""
    total = Count("all")
    for count in counts:
        for name in ("tried", "refused", "tracebacks", "hangs", "lost"):
            setattr(total, name, getattr(total, name) + getattr(count, name))
    inputs = [c for c in counts if not c.kind.startswith(("kill", "SIGKILL", "around"))]
    lines = [
        "# Attack",
        "",
        "Written by `scripts/attack.py`: damaged inputs of every kind that is read, writing steps",
        "killed before each change of a file, and surroundings that lack something. An input is",
        "read or refused in a sentence; tracebacks, hangs and files lost must be 0. A file is",
        "lost when a picture is gone after a renaming, when a result is neither all old nor",
        "all new, now or at the next start, when something hidden is left then, or when the step,",
        "taken again, comes to anything else.",
        "",
        f"{sum(c.tried for c in inputs):,} inputs, {_seeds(inputs)}: input k of a kind is drawn",
        "from “SEED KIND k”, so the first of a longer run are those of a shorter one. "
        + ("Loops were" if all(c.is_checked for c in inputs) else "Not all loops were"),
        "compiled with every index checked (`NUMBA_BOUNDSCHECK=1`).",
        "",
        "| attack | tried | refused in a sentence | tracebacks | hangs | files lost |",
        "|---|---:|---:|---:|---:|---:|",
    ]
    lines += [
        f"| {c.kind} | {c.tried:,} | {c.refused:,} | {c.tracebacks} | {c.hangs} | {c.lost} |"
        for c in (*counts, total)
    ]
    return "\n".join(lines) + "\n"


def _seeds(counts: list[Count]) -> str:
    seeds = sorted({count.seed for count in counts})
    return f"seed{'s' if len(seeds) > 1 else ''} {', '.join(map(str, seeds))}"


def counted(path: Path) -> list[Count]:
    """Return what was counted in runs before, the last time for each kind."""
    found: dict[str, Count] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        row = json.loads(line)
        found[row["kind"]] = Count(**{f.name: row[f.name] for f in fields(Count)})
    return sorted(found.values(), key=lambda count: _place(count.kind))


def _place(kind: str) -> int:
    first = ("mesh", "map", "", "result", "SIGKILL", "kill", "around")
    return next((k for k, word in enumerate(first) if word and kind.startswith(word)), 2)


def main(words: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--stride", type=int, default=1, help="kill at every n-th operation")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[], help="words in the attacks' names")
    parser.add_argument("--short", action="store_true", help="without what other tests have, too")
    parser.add_argument("--keep", type=Path, default=Path("attack-failures"))
    parser.add_argument(
        "--counts", type=Path, help="append the counts to this file: a long run in several parts"
    )
    parser.add_argument(
        "--write", action="store_true", help=f"write {PAGE.name} (with --counts: all that it holds)"
    )
    args = parser.parse_args(words)
    resource.setrlimit(
        resource.RLIMIT_AS, (MEMORY_LIMIT, resource.getrlimit(resource.RLIMIT_AS)[1])
    )

    def ring(*_: object) -> None:
        raise HangError

    signal.signal(signal.SIGALRM, ring)
    counts = []
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder)
        for attack in (attack_inputs, attack_by_kills, attack_surroundings):
            for count in attack(args, made):
                counts.append(count)
                if args.counts:
                    with args.counts.open("a", encoding="utf-8") as stream:
                        stream.write(json.dumps(asdict(count)) + "\n")
                print(
                    f"{count.kind:<32}{count.tried:>8} tried {count.refused:>8} refused "
                    f"{count.failed:>5} failed {count.seconds:>7.1f} s",
                    flush=True,
                )
    if args.write:
        PAGE.write_text(page(counted(args.counts) if args.counts else counts), encoding="utf-8")
    return 1 if any(count.failed for count in counts) else 0


if __name__ == "__main__":
    raise SystemExit(main())
