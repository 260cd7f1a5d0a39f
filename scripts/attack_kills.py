"""Every writing command killed before each of its changes of files, and what it leaves.

Changes are counted by `tests/killing.py`. Writing is done by the functions that the commands call,
with what they compute made once. A step is dead from one change on: that one and all later ones are
refused, which leaves the files that SIGKILL would leave; `tests.killing` itself sends SIGKILL.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

from attack_counts import Count, LostError, take_step

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from cagecheck.batching import run as batch_run  # noqa: E402
from cagecheck.batching.job import run_job  # noqa: E402
from cagecheck.batching.manifest import read_manifest  # noqa: E402
from cagecheck.chores.materials.per_tile import restore_tiles, write_tile_materials  # noqa: E402
from cagecheck.chores.rename.apply import (  # noqa: E402
    apply_renames,
    finish_renames,
    undo_renames,
)
from cagecheck.chores.rename.plan import RenameOptions, plan_renames  # noqa: E402
from cagecheck.errors import InputError  # noqa: E402
from cagecheck.formats.write_mesh import write_mesh  # noqa: E402
from cagecheck.staging import recover  # noqa: E402
from tests import killing  # noqa: E402
from tests.scenes.tiles import bake, patch_low, patch_mesh  # noqa: E402

# The steps of a short run: one of each kind that writes differently.
SHORT = ("locate --force", "clash --mend", "tiles materials", "tiles rename", "batch")

Work = Callable[[Path], object]
Files = dict[str, bytes]
# What differs from run to run: how long it took and how much memory.
_TIMED = ("seconds", "peak_mb", "reused")


class KilledError(BaseException):
    """The process is as good as dead: nothing that it tries after this reaches the disk."""


@dataclass(frozen=True)
class Step:
    """A step that writes into the folder ``out``.

    prepare : makes what is there before. work : the step. read : reads a result that is there, as
    another command would. again : the step may be taken anew after a kill, and must come to the
    same. kind : ``result`` for a folder that is whole or not there, ``shared`` for files in a
    folder of the artist's own, ``rename`` and ``batch``.
    """

    prepare: Work
    work: Work
    read: Work = lambda folder: None
    again: bool = True
    kind: str = "result"


# What is written --------------------------------------------------------------------------------

_PREDICTED: list[Any] = []


def write_small_result(folder: Path) -> None:
    """Write the result folder of a small prediction, which is made once."""
    from cagecheck.predicting.write import write_prediction

    if not _PREDICTED:
        _PREDICTED.append(_small_prediction(folder.parent / "scene"))
    write_prediction(_PREDICTED[0], folder, force=True)


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


def writing_steps(made: Path, wanted: Callable[[str], bool]) -> dict[str, Step]:
    """Return by name the steps that write and are wanted; `made` is where they find what they need.

    `pairs` writes no files; `view` and `predict --preview` write one, whose kills `SIGKILLS` has.
    """
    write_mesh(patch_mesh(), made / "hero.obj", force=True)
    out: dict[str, Step] = {}
    for name, make, read in (
        ("predict", _predict_work, _read_result),
        ("demo", _demo_work, _nothing),
        ("tune", _tune_work, _read_result),
        ("locate", _locate_work, _read_json("location.json")),
        ("inspect", _inspect_work, _read_json("inspect.json")),
        ("compare", _compare_work, _read_json("comparison.json")),
        ("clash --out", _clash_work, _read_json("clash.json")),
        ("clash --mend", _mend_work, _read_json("mend.json")),
        ("tiles show", _tiles_work, _nothing),
    ):
        if not wanted(name) and not wanted(f"{name} --force"):
            continue
        made_once = make(made)

        def into(folder: Path, work: Work = made_once) -> None:
            work(folder / "out")

        def reading(folder: Path, read: Work = read) -> None:
            if (folder / "out").exists():
                read(folder / "out")

        out[name] = Step(_nothing, into, reading)
        out[f"{name} --force"] = Step(_older(into, made / f"old {name}"), into, reading)
    out |= _steps_in_place(made)
    if wanted("batch"):
        out["batch"] = _batch_step(made)
    return {name: step for name, step in out.items() if wanted(name)}


def _nothing(folder: Path) -> None:
    return None


def _older(work: Work, place: Path) -> Work:
    """Return what fills a folder with an older result: the same files, each a byte longer."""
    place.mkdir(exist_ok=True)
    work(place)

    def prepare(folder: Path) -> None:
        for path in sorted((place / "out").rglob("*")):
            if path.is_file():
                other = folder / path.relative_to(place)
                other.parent.mkdir(parents=True, exist_ok=True)
                other.write_bytes(path.read_bytes() + b"\n")
        (folder / "out" / "mine.txt").write_text("mine")

    return prepare


def _read_result(folder: Path) -> None:
    from cagecheck.viewing.result import read_result

    read_result(folder)


def _read_json(name: str) -> Work:
    return lambda folder: json.loads((folder / name).read_text())


def _demo_work(made: Path) -> Work:
    from cagecheck.demo import make_scene
    from cagecheck.demo.scene import write_scene

    scene = make_scene(detail=0.02)
    return lambda out: write_scene(scene, out, force=True)


def _plate(made: Path) -> tuple[Any, Any]:
    """Write a plate and the hill on it; return the low poly's mesh and the high poly."""
    from cagecheck.formats.read import read_mesh, read_surface
    from tests.watching.scene import write_scene

    place = made / "plate"
    place.mkdir(exist_ok=True)
    write_scene(place)
    return read_mesh(place / "low.obj"), read_surface(place / "high.ply")


def _predict_work(made: Path) -> Work:
    from cagecheck.meshes.lowpoly import prepare_low
    from cagecheck.predicting.maps.write_maps import MapFormat
    from cagecheck.predicting.predict import predict
    from cagecheck.predicting.settings import Settings
    from cagecheck.predicting.write import write_prediction

    low, high = _plate(made)
    settings = Settings(offset=0.02, depth=0.05, samples=1000, map_size=64, unseen_points=500)
    found = predict(prepare_low(low), high, settings=settings)
    maps = MapFormat(kinds=("normal", "defect"))
    return lambda out: write_prediction(found, out, maps=maps, force=True)


def _tune_work(made: Path) -> Work:
    from cagecheck.tuning import page
    from cagecheck.tuning.single import single_numbers, uniform_prediction
    from cagecheck.tuning.write import write_tuning
    from tests.scenes.tuning import tuned_bumps

    tuned, drawn = tuned_bumps(), BytesIO()
    # It would take most of the time, and touches no files.
    page.draw_tuned_cage(tuned, page.low_graph(tuned.low), drawn, "cage")
    page.draw_tuned_cage = lambda tuning, graph, file, title: file.write(drawn.getvalue())  # type: ignore[assignment, return-value]
    numbers = single_numbers(uniform_prediction(tuned.before), tuned.margin, tuned.limit)
    return lambda out: write_tuning(tuned, numbers, out, force=True)


def _locate_work(made: Path) -> Work:
    import numpy as np

    from cagecheck.locating.locate import LocateSettings, locate
    from cagecheck.locating.read_maps import read_map
    from cagecheck.locating.write import write_location
    from cagecheck.maps.pictures import Picture, write_picture

    low, high = _plate(made)
    flat = np.full((64, 64, 3), (128, 128, 255), np.uint8)
    write_picture(made / "flat.png", Picture(flat), "png")
    settings = LocateSettings(offset=0.08, depth=0.05)
    found = locate([read_map(made / "flat.png", 1001)], low, high, settings=settings)
    return lambda out: write_location(found, out, force=True)


def _inspect_work(made: Path) -> Work:
    from cagecheck.inspecting import write
    from cagecheck.inspecting.inspection import inspect_low
    from cagecheck.meshes.lowpoly import prepare_low

    found = inspect_low(prepare_low(_plate(made)[0]))
    write.write_picture(found, made / "drawn.png")
    drawn = (made / "drawn.png").read_bytes()
    # Drawing would take most of the time; the file is written all the same.
    write.write_picture = lambda inspection, path: path.write_bytes(drawn)  # type: ignore[assignment]
    return lambda out: write.write_inspection(found, out, force=True)


def _compare_work(made: Path) -> Work:
    from cagecheck.comparing.compare import compare
    from cagecheck.comparing.write import write_comparison

    write_small_result(made / "result")
    found = compare(made / "result", made / "result")
    return lambda out: write_comparison(found, out, force=True)


def _balls(made: Path) -> list[Path]:
    """Write a ball and a cloth that cuts it."""
    from tests.mending.test_mend import flat, sheet, sphere

    write_mesh(sphere(cuts=2), made / "ball.obj", force=True)
    write_mesh(sheet(10, flat(0.9), 3.0, "cloth"), made / "cloth.obj", force=True)
    return [made / "cloth.obj", made / "ball.obj"]


def _clash_work(made: Path) -> Work:
    return _command("clash", *map(str, _balls(made)), "--together")


def _tiles_work(made: Path) -> Work:
    return _command("tiles", "show", str(made / "hero.obj"))


def _command(*words: str) -> Work:
    """Return the command itself as a step, for those that write files of their own."""
    from typer.testing import CliRunner

    from cagecheck.cli import app

    def work(out: Path) -> None:
        done = CliRunner().invoke(app, [*words, "--force", "--json", "--out", str(out)])
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            raise done.exception
        if done.exit_code == 2:
            raise InputError(done.output)

    return work


def _mend_work(made: Path) -> Work:
    from cagecheck.formats.read import read_mesh
    from cagecheck.mending.mend import mend_clashes
    from cagecheck.mending.settings import MendSettings
    from cagecheck.mending.write import write_mending

    scene = [read_mesh(path) for path in _balls(made)]
    mended = mend_clashes([scene], MendSettings(outer=("cloth",)))
    return lambda out: write_mending(mended, out, force=True)


def _steps_in_place(made: Path) -> dict[str, Step]:
    """Return the steps that write into a folder of the artist's own."""
    low, maps = patch_low(), made / "maps"
    maps.mkdir(exist_ok=True)
    for material in ("leather", "metal"):
        bake(low, 1011, maps / f"{material}_normal.png", material=material)
    bake(low, 1001, maps / "body_normal.png")
    write_tile_materials(made / "hero.obj", made / "tiles.obj", to_first_tile=True, force=True)
    (record,) = made.glob("tiles.obj.*")

    def rename(folder: Path) -> None:
        apply_renames(plan_renames(folder / "out", low, RenameOptions(compose=True)), low)

    def materials(folder: Path) -> None:
        write_tile_materials(
            made / "hero.obj", folder / "out" / "t.obj", to_first_tile=True, force=True
        )

    def restore(folder: Path) -> None:
        restore_tiles(made / "tiles.obj", record, folder / "out" / "back.obj", force=True)

    def empty(folder: Path) -> None:
        (folder / "out").mkdir()

    return {
        "tiles materials": Step(empty, materials, kind="shared"),
        "tiles materials --restore": Step(empty, restore, kind="shared"),
        "tiles rename": Step(
            lambda f: shutil.copytree(maps, f / "out"), rename, again=False, kind="rename"
        ),
    }


def _batch_step(made: Path) -> Step:
    from tests.batching.test_batch import SHARED, asset, write_ball

    place = made / "batch"
    place.mkdir(exist_ok=True)
    write_ball(place, "one", 1)
    files = {"low": "one_low.obj", "high": "one_high.ply"}
    (place / "m.toml").write_text(SHARED + asset("one") + asset("two", seed=1, **files))
    plan = read_manifest(place / "m.toml")

    def work(folder: Path) -> None:
        usual = batch_run._runner
        batch_run._runner = lambda workers, scheduler: lambda jobs: map(run_job, jobs)  # type: ignore[assignment, return-value]
        try:
            result = batch_run.run_batch(plan, folder / "out")
        finally:
            batch_run._runner = usual
        if result.failed:
            raise LostError(str(result.failed[0]["error"]))

    return Step(_nothing, work, kind="batch")


# Kills ------------------------------------------------------------------------------------------

_DYING: dict[str, Any] = {"stop": 0, "done": 0, "root": ""}
_NEVER = 1 << 62


def _refuse_when_dead(event: str, args: tuple[Any, ...]) -> None:
    """Let operation number `stop` and all later ones fail; the audit hook of this process."""
    if _DYING["stop"] and killing.is_change(event, args, _DYING["root"]):
        _DYING["done"] += 1
        if _DYING["done"] >= _DYING["stop"]:
            raise KilledError


def changes_until(stop: int, folder: Path, work: Work) -> int:
    """Do some work, dead from its `stop`-th change of a file on; return how many it tried."""
    _DYING.update(stop=stop, done=0, root=str(folder))
    try:
        work(folder)
    except BaseException:
        if _DYING["done"] < stop:
            raise
    finally:
        _DYING["stop"] = 0
    return int(_DYING["done"])


def attack_by_kills(args: argparse.Namespace, made: Path) -> Iterator[Count]:
    """Kill every writing step before each of its changes, the last one first."""
    if args.only and not any("kill" in word for word in args.only):
        return
    for before, how in SIGKILLS if not args.short else SIGKILLS[-2:]:
        yield _real_kills(before, how)
    sys.addaudithook(_refuse_when_dead)

    def wanted(name: str) -> bool:
        if args.only and "kill" not in args.only:
            return f"kill {name}" in args.only
        return not args.short or name in SHORT

    for name, step in writing_steps(made, wanted).items():
        yield _kills(name, step, args)


def _kills(name: str, step: Step, args: argparse.Namespace) -> Count:
    count, start = Count(f"kill {name}"), time.monotonic()
    with tempfile.TemporaryDirectory() as text:
        step.prepare(Path(text))
        old = visible(Path(text))
        total = changes_until(_NEVER, Path(text), step.work)
        new = visible(Path(text))
    for stop in range(total, 0, -args.stride):
        with tempfile.TemporaryDirectory() as text:
            step.prepare(Path(text))
            if changes_until(stop, Path(text), step.work) < stop:
                raise RuntimeError(f"{name} does not change files in the same way each time")
            seed = f"kill {name} {stop}"
            take_step(count, args, seed, lambda f: _check_whole(f, old, new, step), text)
    count.seconds = time.monotonic() - start
    return count


def visible(folder: Path) -> Files:
    """Return the files of a folder but for hidden ones."""
    return {
        name: path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
        for name in [path.relative_to(folder).as_posix()]
        if "/." not in f"/{name}"
    }


def _check_whole(folder: Path, old: Files, new: Files, step: Step) -> None:
    """Raise `LostError` unless what a dead step left is whole, now, at the next start and after."""
    if step.kind == "rename":
        _check_renamed(folder, old)
        return
    left = visible(folder)
    if step.kind == "batch":
        for place in {name.rpartition("/")[0] for name in left if "/predicted/" in name}:
            _same({k: v for k, v in left.items() if k.startswith(place)},
                  {k: v for k, v in new.items() if k.startswith(place)})  # fmt: skip
    elif step.kind == "result":
        if left not in (old, new):
            changed = [k for k in {*left, *new} if left.get(k) != new.get(k)]
            raise LostError(f"half written: {sorted(changed)}")
        try:
            step.read(folder) if left == new else None
        except InputError as error:
            raise LostError(f"whole, but not to be read: {error}") from error
    else:
        _same(left, {k: v for k, v in new.items() if k in left})
    if step.kind != "batch":
        recover(folder / "out")
        if (after := visible(folder)) not in (old, new):
            raise LostError(f"not whole after the next start: {sorted(after)}")
        if killing.hidden(folder):
            raise LostError(f"left behind: {killing.hidden(folder)}")
    if step.again:
        step.work(folder)
        _same(visible(folder), new)
        if killing.hidden(folder):
            raise LostError(f"left behind: {killing.hidden(folder)}")


def _check_renamed(folder: Path, old: Files) -> None:
    for act in (finish_renames, undo_renames):
        try:
            act(folder / "out")
        except InputError:
            continue
        break
    if not set(old.values()) <= set(visible(folder).values()):
        raise LostError("a map is gone")


def _same(files: Files, wanted: Files) -> None:
    for name in sorted({*files, *wanted}):
        one, other = files.get(name), wanted.get(name)
        if one is None or other is None or _untimed(name, one) != _untimed(name, other):
            raise LostError(f"not as it should be: {name}")


def _untimed(name: str, data: bytes) -> object:
    """Return what a file says but for how long it took, where that stands in it."""
    if name.endswith(("result.json", "results.json")):
        return json.loads(
            data, object_hook=lambda row: {k: v for k, v in row.items() if k not in _TIMED}
        )
    return None if name.endswith(("results.csv", "index.html", "junit.xml")) else data


# SIGKILL ----------------------------------------------------------------------------------------

SIGKILLS = [
    (before, how)
    for before in ("none", "empty", "used")
    for how in ("whole", "renames", "shared", "file")
]


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
