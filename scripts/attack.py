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
import faulthandler
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402

from cagecheck.chores.batch.manifest import read_manifest  # noqa: E402
from cagecheck.chores.materials.per_tile import (  # noqa: E402
    restore_tiles,
    write_tile_materials,
)
from cagecheck.chores.rename.apply import (  # noqa: E402
    apply_renames,
    finish_renames,
    undo_renames,
)
from cagecheck.chores.rename.journal import begin, finish  # noqa: E402
from cagecheck.chores.rename.plan import RenameOptions, plan_renames  # noqa: E402
from cagecheck.errors import InputError  # noqa: E402
from cagecheck.formats.push_file import read_push  # noqa: E402
from cagecheck.maps.pictures import Picture, read_picture, write_picture  # noqa: E402
from cagecheck.staging import recover  # noqa: E402
from cagecheck.tuning.kept_offsets import read_keep  # noqa: E402
from tests import killing  # noqa: E402
from tests.formats.test_hostile_files import damaged, outcome  # noqa: E402
from tests.scenes.alembic_files import alembic_samples  # noqa: E402
from tests.scenes.damage import odd_json, odd_npz, odd_table  # noqa: E402
from tests.scenes.mesh_files import FBX_TEXT, samples  # noqa: E402
from tests.scenes.tiles import bake, patch_low  # noqa: E402
from tests.scenes.usd_files import odd_scene, usd_samples  # noqa: E402

PAGE = ROOT / "docs" / "evidence_attack.md"
MEMORY_LIMIT = 8 << 30
SECONDS_A_FILE = 60
# Kinds that take so much longer that fewer are tried: some have a process of their own.
SLOWER = {"fbx": 20, "usd": 20, "abc": 20, "result": 2}


@dataclass
class Count:
    """What came of one kind of attack."""

    kind: str
    tried: int = 0
    refused: int = 0
    tracebacks: int = 0
    hangs: int = 0
    lost: int = 0
    seconds: float = 0.0

    @property
    def failed(self) -> int:
        return self.tracebacks + self.hangs + self.lost


class LostError(Exception):
    """A file is gone, or was replaced, that nothing should have touched."""


class HangError(BaseException):
    """A step took longer than any should."""


class KilledError(BaseException):
    """The process is as good as dead: nothing that it tries after this reaches the disk."""


# Inputs -----------------------------------------------------------------------------------------

Attack = Callable[[Path, random.Random], None]
PUSH = {"document": "cagecheck push distances", "version": 1, "offset_out": [0.1, 0.2, 0.3]}
TABLE = "vertex,offset_out,offset_in,lower,upper,conflict\n0,0.1,0.2,,,0\n1,0.1,0.2,0,1,0\n"
TOML = (
    '[options]\nsize = 256\n[gate]\npercent = 0.5\n[[asset]]\nname = "a"\nlow = "l.obj"\n'
    'high = "h.ply"\npush = "p.json"\ntune = true\ngate = { texels_of = { skew = 20 } }\n'
)
CSV = "name,low,high,samples,gate_percent\nhero,a.obj,b.ply,1000,0.5\ntwo,c.obj,d.ply,10,\n"


def input_attacks(folder: Path) -> dict[str, Attack]:
    """Return an attack per kind of input; `folder` is where whole files are made."""
    attacks: dict[str, Attack] = {}
    files = samples() | {"plate.fbx": FBX_TEXT} | usd_samples(folder) | alembic_samples(folder)
    for name, data in files.items():
        attacks[f"mesh {name}"] = _mesh(name, data)
    if "plate.usda" in files:
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
    return attacks | _results(folder)


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

    _write_small_result(made / "result")
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


def _small_prediction(folder: Path) -> Any:
    from cagecheck.demo import make_scene
    from cagecheck.demo.scene import write_scene
    from cagecheck.formats.read import read_mesh, read_surface
    from cagecheck.meshes.lowpoly import prepare_low
    from cagecheck.predicting.predict import predict
    from cagecheck.predicting.settings import Settings

    write_scene(make_scene(detail=0.02), folder, force=True)
    low = prepare_low(read_mesh(folder / "low.obj"))
    settings = Settings(
        offset=0.006, depth=0.024, reach=0.03, samples=2000, map_size=64, unseen_points=2000
    )
    return predict(low, read_surface(folder / "high.glb"), settings=settings)


_PREDICTED: list[Any] = []


def _write_small_result(folder: Path) -> None:
    from cagecheck.predicting.write import write_prediction

    if not _PREDICTED:
        _PREDICTED.append(_small_prediction(folder.parent / "scene"))
    write_prediction(_PREDICTED[0], folder, force=True)


def attack_inputs(args: argparse.Namespace, made: Path) -> Iterator[Count]:
    """Run every attack on inputs `--count` times."""
    for kind, attack in input_attacks(made).items():
        if args.only and not any(word in kind for word in args.only):
            continue
        count, start = Count(kind), time.monotonic()
        slower = next((by for word, by in SLOWER.items() if word in kind), 1)
        for k in range(max(1, args.count // slower)):
            seed = f"{args.seed} {kind} {k}"
            with tempfile.TemporaryDirectory() as folder:
                _one(count, args, seed, lambda f, s=seed, a=attack: a(f, random.Random(s)), folder)
        count.seconds = time.monotonic() - start
        yield count


def _one(
    count: Count, args: argparse.Namespace, seed: str, step: Callable[[Path], None], folder: str
) -> None:
    """Take one step; note how it ended."""
    count.tried += 1
    faulthandler.dump_traceback_later(2 * SECONDS_A_FILE, exit=True)
    signal.alarm(SECONDS_A_FILE)
    try:
        step(Path(folder))
    except InputError as error:
        count.refused += 1
        if "Traceback" in str(error) or len(str(error)) > 2000:
            count.tracebacks += 1
    except LostError:
        count.lost += 1
        _keep(args, seed, folder)
    except HangError:
        count.hangs += 1
        _keep(args, seed, folder)
    except Exception:
        count.tracebacks += 1
        _keep(args, seed, folder)
        traceback.print_exc(limit=-3)
    finally:
        signal.alarm(0)
        faulthandler.cancel_dump_traceback_later()


def _keep(args: argparse.Namespace, seed: str, folder: str) -> None:
    print(f"failed: {seed}")
    shutil.copytree(folder, args.keep / seed.replace(" ", "-"), symlinks=True, dirs_exist_ok=True)


# Kills ------------------------------------------------------------------------------------------

_DYING: dict[str, Any] = {"stop": 0, "done": 0, "root": ""}


def _refuse_when_dead(event: str, args: tuple[Any, ...]) -> None:
    """Let operation number `stop` and all later ones fail; the audit hook of this process."""
    if _DYING["stop"] and killing.is_change(event, args, _DYING["root"]):
        _DYING["done"] += 1
        if _DYING["done"] >= _DYING["stop"]:
            raise KilledError


def killed_at(stop: int, root: Path, work: Callable[[], None]) -> bool:
    """Do some work, dead from its `stop`-th change of a file on. Returns whether it died."""
    _DYING.update(stop=stop, done=0, root=str(root))
    try:
        work()
    except BaseException:
        if _DYING["done"] < stop:
            raise
    finally:
        _DYING["stop"] = 0
    return bool(_DYING["done"] >= stop)


def writing_steps(made: Path) -> dict[str, tuple[Callable[[Path], None], Callable[[Path], None]]]:
    """Return by name how a folder is prepared, and what is then killed at every operation."""
    from cagecheck.demo import make_scene
    from cagecheck.demo.scene import write_scene

    _write_small_result(made / "result")
    scene, low = make_scene(detail=0.02), patch_low()
    maps = made / "maps"
    maps.mkdir(exist_ok=True)
    for material in ("leather", "metal"):
        bake(low, 1011, maps / f"{material}_normal.png", material=material)
    bake(low, 1001, maps / "body_normal.png")

    def rename(folder: Path) -> None:
        plan = plan_renames(folder / "out", low, RenameOptions(compose=True))
        apply_renames(plan, low)

    def materials(folder: Path) -> None:
        write_tile_materials(
            made / "hero.obj", folder / "out" / "t.obj", to_first_tile=True, force=True
        )

    return {
        "predict": (lambda f: None, lambda f: _write_small_result(f / "out")),
        "predict --force": (_old(made / "result"), lambda f: _write_small_result(f / "out")),
        "demo": (lambda f: None, lambda f: _written(write_scene(scene, f / "out", force=True))),
        "demo --force": (
            _old(made / "scene"), lambda f: _written(write_scene(scene, f / "out", force=True)),
        ),
        "tiles materials": (lambda f: (f / "out").mkdir(), materials),
        "tiles rename": (lambda f: _written(shutil.copytree(maps, f / "out")), rename),
    }  # fmt: skip


def _written(_: object) -> None:
    return None


def _old(result: Path) -> Callable[[Path], None]:
    """Return what fills a folder with an older result: the same files, each a byte longer."""

    def prepare(folder: Path) -> None:
        (folder / "out").mkdir()
        for path in result.iterdir():
            (folder / "out" / path.name).write_bytes(path.read_bytes() + b"\n")
        (folder / "out" / "mine.txt").write_text("mine")

    return prepare


def attack_by_kills(args: argparse.Namespace, made: Path) -> Iterator[Count]:
    """Kill every writing step before each of its operations."""
    if args.only and "kill" not in args.only:
        return
    for before in ("none", "empty", "used"):
        for how in ("whole", "renames", "shared", "file"):
            yield _real_kills(before, how)
    sys.addaudithook(_refuse_when_dead)
    for name, (prepare, work) in writing_steps(made).items():
        count, start = Count(f"kill {name}"), time.monotonic()
        stop, died = 1, True
        whole: dict[str, bytes] | None = None
        while died:
            with tempfile.TemporaryDirectory() as text:
                folder = Path(text)
                prepare(folder)
                old = _visible(folder)
                if whole is None:
                    with tempfile.TemporaryDirectory() as other:
                        prepare(Path(other))
                        work(Path(other))
                        whole = _visible(Path(other))
                died = killed_at(stop, folder, lambda f=folder, w=work: w(f))  # type: ignore[misc]
                new = whole

                def check(
                    folder: Path, old: dict[str, bytes] = old, new: dict[str, bytes] = new,
                    name: str = name,
                ) -> None:  # fmt: skip
                    _check_whole(folder, old, new, name)

                _one(count, args, f"{name} {stop}", check, text)
            stop += args.stride
        count.seconds = time.monotonic() - start
        yield count


def _visible(folder: Path) -> dict[str, bytes]:
    return {
        name: (folder / name).read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
        for name in [path.relative_to(folder).as_posix()]
        if "/." not in f"/{name}"
    }


def _check_whole(folder: Path, old: dict[str, bytes], new: dict[str, bytes], name: str) -> None:
    """Raise `LostError` unless the folder holds all old or all new files, now and later."""
    left = _visible(folder)
    if name == "tiles rename":
        for act in (finish_renames, undo_renames):
            try:
                act(folder / "out")
            except InputError:
                continue
            break
        held = set(_visible(folder).values())
        if not set(old.values()) <= held:
            raise LostError("a map is gone")
        return
    if left != old and set(left) != set(new) and name != "tiles materials":
        raise LostError(f"half written: {sorted(set(new) ^ set(left))}")
    if name.endswith("--force") and left != old:
        stale = [n for n in left if n in old and left[n] == old[n] and old[n] != new[n]]
        if stale:
            raise LostError(f"old and new are mixed: {stale}")
    recover(folder / "out")
    after = _visible(folder)
    if set(after) not in (set(old), set(new)):
        raise LostError("not whole after the next start")
    if killing.hidden(folder):
        raise LostError(f"left behind: {killing.hidden(folder)}")


def _real_kills(before: str, how: str) -> Count:
    count, start = Count(f"SIGKILL {how}, folder {before}"), time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            [sys.executable, "-m", "tests.killing", folder, before, how],
            cwd=ROOT, capture_output=True, text=True, timeout=600, check=False,
        )  # fmt: skip
    old = killing.OLD | killing.THEIRS if before == "used" else {}
    new = old | (killing.NEW if how != "file" else {"a.txt": "new a"})
    for line in done.stdout.splitlines():
        row = json.loads(line)
        count.tried += 1
        count.tracebacks += row["code"] not in (None, 0)
        whole = [{f"out/{name}": text for name, text in state.items()} for state in (old, new)]
        count.lost += row["recovered"] not in whole or bool(row["hidden"])
    count.tracebacks += done.returncode != 0
    count.seconds = time.monotonic() - start
    return count


# Surroundings -----------------------------------------------------------------------------------


def attack_surroundings(args: argparse.Namespace, made: Path) -> Iterator[Count]:
    """Run commands where something that they rely on is missing."""
    if args.only and "around" not in args.only:
        return
    low = str(made / "hero.obj")
    show = [sys.executable, "-m", "cagecheck", "tiles", "show", low]
    out = [sys.executable, "-m", "cagecheck", "tiles", "materials", low, "--out"]
    kept = {k: v for k, v in os.environ.items() if k in ("PATH", "NUMBA_CACHE_DIR", "LANG")}
    cases: dict[str, tuple[list[str], dict[str, Any]]] = {
        "no HOME": (show, {"env": kept}),
        "closed output": (["sh", "-c", 'exec "$@" >&-', "sh", *show], {}),
        "full output": (["sh", "-c", 'exec "$@" >/dev/full', "sh", *show], {}),
        "output closed by its reader": (["sh", "-c", '"$@" | true', "sh", *show], {}),
        "a folder that takes nothing": ([*out, "/proc/t.obj"], {}),
        "a full disk": (_limited("-f 0", *out, str(made / "f.obj")), {}),
        "little memory": (_limited("-d 400000", *show[:-1], str(made / "big.obj")), {}),
    }  # fmt: skip
    (made / "big.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\n" + "f 1 2 3\n" * 2_000_000)
    for name, (line, how) in cases.items():
        count, start = Count(f"around: {name}", tried=1), time.monotonic()
        try:
            done = subprocess.run(
                line, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False, **how
            )
            count.refused += done.returncode == 2
            if "Traceback" in done.stderr + done.stdout:
                count.tracebacks += 1
                print(f"{name}: {done.stderr[-1500:]}")
        except subprocess.TimeoutExpired:
            count.hangs += 1
        count.seconds = time.monotonic() - start
        yield count


def _limited(limit: str, *line: str) -> list[str]:
    return ["sh", "-c", f'ulimit {limit}; exec "$@"', "sh", *line]


# The page ---------------------------------------------------------------------------------------


def page(counts: list[Count], args: argparse.Namespace) -> str:
    """Return the figures as a page of the documents."""
    total = Count("all")
    for count in counts:
        for name in ("tried", "refused", "tracebacks", "hangs", "lost"):
            setattr(total, name, getattr(total, name) + getattr(count, name))
    lines = [
        "# Attack",
        "",
        "Written by `scripts/attack.py`: damaged inputs of every kind that is read, every writing",
        "step killed before each of its file operations, and surroundings that lack something.",
        f"Seed {args.seed}, {args.count:,} inputs of most kinds, every "
        f"{'' if args.stride == 1 else f'{args.stride}th '}operation. An input is read or refused",
        "in a sentence; tracebacks, hangs and files lost must be 0. A file is lost when a picture",
        "is gone after a renaming, or a result is neither all old nor all new.",
        "",
        "| attack | tried | refused in a sentence | tracebacks | hangs | files lost |",
        "|---|---:|---:|---:|---:|---:|",
    ]
    lines += [
        f"| {c.kind} | {c.tried:,} | {c.refused:,} | {c.tracebacks} | {c.hangs} | {c.lost} |"
        for c in (*counts, total)
    ]
    return "\n".join(lines) + "\n"


def main(words: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--stride", type=int, default=1, help="kill at every n-th operation")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[], help="words in the attacks' names")
    parser.add_argument("--keep", type=Path, default=Path("attack-failures"))
    parser.add_argument("--write", action="store_true", help=f"write {PAGE.name}")
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
                print(
                    f"{count.kind:<32}{count.tried:>8} tried {count.refused:>8} refused "
                    f"{count.failed:>5} failed {count.seconds:>7.1f} s",
                    flush=True,
                )
    if args.write:
        PAGE.write_text(page(counts, args), encoding="utf-8")
    return 1 if any(count.failed for count in counts) else 0


if __name__ == "__main__":
    raise SystemExit(main())
