"""Renaming survives being killed at every single step, and never replaces a file."""

import errno
import json
import os
import random
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.chores.rename import journal as journal_module
from cagecheck.chores.rename.apply import apply_renames, finish_renames, undo_renames
from cagecheck.chores.rename.compose import compose, compose_files, coverage_of, nearest_owner
from cagecheck.chores.rename.journal import Move, begin, finish, latest, undo
from cagecheck.chores.rename.plan import RenameOptions, plan_renames
from cagecheck.errors import InputError
from cagecheck.files import sha256_of
from cagecheck.maps.pictures import Picture, read_picture, write_picture
from tests.scenes.damage import odd_json
from tests.scenes.tiles import bake, patch_low

# A swap, a chain, a change of case, a plain rename and a name outside ASCII.
RENAMES = [
    ("a.png", "b.png"),
    ("b.png", "a.png"),
    ("c.png", "d.png"),
    ("d.png", "e.png"),
    ("Case.png", "case.png"),
    ("plain.png", "schön.png"),
]
BEFORE = {source: source for source, _ in RENAMES} | {"stays.png": "stays.png"}
AFTER = {target: source for source, target in RENAMES} | {"stays.png": "stays.png"}


def fill(folder: Path) -> None:
    folder.mkdir(exist_ok=True)
    for name in BEFORE:
        (folder / name).write_text(name)


def held(folder: Path) -> dict[str, str]:
    """Every visible file and what it says."""
    return {p.name: p.read_text() for p in folder.iterdir() if not p.name.startswith(".")}


def leftovers(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir() if p.name.startswith(".cagecheck-moving")]


# Runs the work in a process of its own that ends itself with SIGKILL before or after its n-th
# call to the operating system that changes anything.
DRIVER = textwrap.dedent(
    """
    import os, signal, sys
    from pathlib import Path
    from cagecheck.chores.rename import journal as j

    folder, stop, what = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
    calls = 0

    def counted(function):
        def run(*args, **kwargs):
            global calls
            calls += 1
            if calls == stop:
                os.kill(os.getpid(), signal.SIGKILL)
            return function(*args, **kwargs)
        return run

    work = j.latest(folder)
    os.link, os.unlink, os.fsync = counted(os.link), counted(os.unlink), counted(os.fsync)
    os.replace, os.rename = counted(os.replace), counted(os.rename)
    Path.replace, os.open = counted(Path.replace), counted(os.open)
    if what == "apply":
        renames = [tuple(pair.split("|")) for pair in sys.argv[4:]]
        j.finish(j.begin(folder, renames))
    elif what == "undo":
        j.undo(work)
    print(calls)
    """
)


def run_killed(folder: Path, stop: int, what: str) -> int | None:
    """Return the number of steps when the work ended by itself, None when it was killed."""
    pairs = [f"{source}|{target}" for source, target in RENAMES]
    done = subprocess.run(
        [sys.executable, "-c", DRIVER, str(folder), str(stop), what, *pairs],
        capture_output=True,
        text=True,
        timeout=60,
    )
    if done.returncode == -signal.SIGKILL:
        return None
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


@pytest.fixture(scope="module")
def steps(tmp_path_factory):
    """How many steps applying and undoing take when nothing stops them."""
    folder = tmp_path_factory.mktemp("whole")
    fill(folder)
    forward = run_killed(folder, -1, "apply")
    assert held(folder) == AFTER
    backward = run_killed(folder, -1, "undo")
    assert held(folder) == BEFORE
    return forward, backward


def crash_in_process(folder: Path, stop: int, work) -> bool:
    """Stop `work` at its n-th step by an exception that nothing catches; True when it stopped."""

    class Stop(BaseException):
        pass

    calls = 0

    def counted(function):
        def run(*args, **kwargs):
            nonlocal calls
            calls += 1
            if calls == stop:
                raise Stop
            return function(*args, **kwargs)

        return run

    with pytest.MonkeyPatch.context() as patch:
        for name in ("link", "unlink", "fsync", "open"):
            patch.setattr(os, name, counted(getattr(os, name)))
        patch.setattr(Path, "replace", counted(Path.replace))
        try:
            work()
        except Stop:
            return True
    return False


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this system")
@pytest.mark.parametrize(
    "tenth", [pytest.param(k, marks=() if k % 3 == 0 else pytest.mark.long) for k in range(10)]
)
def test_a_killed_process_loses_nothing(tmp_path, steps, tenth):
    """A real process, killed for real, at ten places spread over the whole work."""
    stop = 1 + tenth * steps[0] // 10
    for number, way in enumerate((finish_renames, undo_renames)):
        folder = tmp_path / str(number)
        fill(folder)
        assert run_killed(folder, stop, "apply") is None
        check_nothing_lost(folder)
        recover(folder, way)


def recover(folder, way):
    work = latest(folder)
    if work is None:  # killed before the work had begun
        assert held(folder) == BEFORE
        return
    if work.is_unfinished:
        with pytest.raises(InputError, match="stopped half way"):
            begin(folder, [("stays.png", "else.png")])
    elif way is finish_renames:
        assert held(folder) == AFTER
        return
    way(folder)
    assert held(folder) == (AFTER if way is finish_renames else BEFORE)
    assert leftovers(folder) == []


def check_nothing_lost(folder):
    """Whatever the moment: every file's content is still in the folder."""
    contents = {p.read_text() for p in folder.iterdir() if not p.name.endswith(".json")}
    assert set(BEFORE) <= contents


def test_stopping_at_every_step_forward_then_either_way(tmp_path, steps):
    stop = 0
    while True:
        stop += 1
        for way in (finish_renames, undo_renames):
            folder = tmp_path / f"{stop}-{way.__name__}"
            fill(folder)
            stopped = crash_in_process(
                folder, stop, lambda folder=folder: finish(begin(folder, RENAMES))
            )
            check_nothing_lost(folder)
            if stopped:
                recover(folder, way)
        if not stopped:
            break
    assert stop > 30  # the loop met every step, not just the first few


def test_stopping_at_every_step_of_undoing_then_either_way(tmp_path):
    stop = 0
    while True:
        stop += 1
        for way in (finish_renames, undo_renames):
            folder = tmp_path / f"{stop}-{way.__name__}"
            fill(folder)
            work = finish(begin(folder, RENAMES))
            stopped = crash_in_process(folder, stop, lambda work=work: undo(work))
            check_nothing_lost(folder)
            if stopped and latest(folder).is_unfinished:
                way(folder)
                assert held(folder) == (AFTER if way is finish_renames else BEFORE)
                assert leftovers(folder) == []
            elif stopped:
                assert held(folder) == (AFTER if latest(folder).state == "done" else BEFORE)
        if not stopped:
            break
    assert stop > 25


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_any_permutation_killed_twice_still_ends_well(tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("any")
    names = data.draw(
        st.lists(st.text("abXY0é", min_size=1, max_size=4), min_size=1, max_size=6, unique=True)
    )
    targets = data.draw(st.permutations([*names, "n1", "n2"]))[: len(names)]
    renames = [(s, t) for s, t in zip(names, targets, strict=True) if s != t]
    for name in names:
        (folder / name).write_text(name)
    crash_in_process(folder, data.draw(st.integers(1, 60)), lambda: finish(begin(folder, renames)))
    work = latest(folder)
    if work is not None and work.is_unfinished:
        back = data.draw(st.booleans())
        crash_in_process(
            folder, data.draw(st.integers(1, 40)), lambda: (undo if back else finish)(work)
        )
    work = latest(folder)
    if work is not None and work.is_unfinished:
        work = finish(work)
    moved = dict(renames) if work is not None and work.state == "done" else {}
    assert held(folder) == {moved.get(name, name): name for name in names}


def test_a_name_taken_meanwhile_is_never_replaced(tmp_path):
    fill(tmp_path)
    work = begin(tmp_path, [("a.png", "new.png"), ("c.png", "other.png")])
    (tmp_path / "new.png").write_text("somebody else's")
    with pytest.raises(InputError, match="taken by another file"):
        finish(work)
    assert (tmp_path / "new.png").read_text() == "somebody else's"
    undo_renames(tmp_path)
    assert held(tmp_path) == BEFORE | {"new.png": "somebody else's"}


@pytest.mark.parametrize("links", [True, False])
def test_a_name_that_is_only_remembered_costs_no_file(tmp_path, monkeypatch, links):
    """A name that moved away is still seen for a while, with the number of the file it was (as
    drivers with a cache of names do): the file must not be taken for one moved by half."""
    (tmp_path / "HERO.png").write_text("hero")
    real_stat, real_link = os.lstat, os.link
    stale = tmp_path / "hero.png"

    def there(path):
        return Path(path).name in os.listdir(tmp_path)  # noqa: PTH208 - names, by the list

    def seen(path):
        return there(path) or Path(path) == stale

    def stat(path, **options):
        if Path(path) == stale and not there(path):
            path = next(p for p in tmp_path.iterdir() if ".json" not in p.name)
        return real_stat(path, **options)

    def link(*arguments, **options):
        if not links:
            raise OSError(errno.EPERM, "no links here")
        return real_link(*arguments, **options)

    monkeypatch.setattr(os.path, "lexists", seen)
    monkeypatch.setattr(os, "lstat", stat)
    monkeypatch.setattr(os, "link", link)
    finish(begin(tmp_path, [("HERO.png", "hero.png")]))
    assert held(tmp_path) == {"hero.png": "hero"}


def test_where_links_are_unknown_plain_renames_serve(tmp_path, monkeypatch):
    def refuse(*args, **kwargs):
        raise OSError(errno.EPERM, "no links here")

    monkeypatch.setattr(os, "link", refuse)
    fill(tmp_path)
    work = finish(begin(tmp_path, RENAMES))
    assert held(tmp_path) == AFTER
    undo(work)
    assert held(tmp_path) == BEFORE


def test_other_refusals_of_a_link_are_told_and_cost_nothing(tmp_path, monkeypatch):
    """Only where links are unknown does a plain rename, which may replace a file, serve."""
    fill(tmp_path)

    def broken(*_args, **_kwargs):
        raise OSError(errno.EIO, "disk error")

    work = begin(tmp_path, RENAMES)
    with monkeypatch.context() as patch:
        patch.setattr(os, "link", broken)
        patch.setattr(Path, "rename", lambda *_: pytest.fail("renamed after a disk error"))
        with pytest.raises(InputError, match="disk error"):
            finish(work)
    assert held(tmp_path) == BEFORE
    finish(latest(tmp_path))
    assert held(tmp_path) == AFTER


def test_links_stay_links(tmp_path):
    (tmp_path / "far.png").write_text("far")
    (tmp_path / "link.png").symlink_to("far.png")
    finish(begin(tmp_path, [("link.png", "moved.png")]))
    assert (tmp_path / "moved.png").is_symlink()
    assert (tmp_path / "far.png").read_text() == "far"


def test_undo_goes_back_step_by_step_through_earlier_renamings(tmp_path):
    (tmp_path / "a").write_text("a")
    finish(begin(tmp_path, [("a", "b")]))
    finish(begin(tmp_path, [("b", "c")]))
    undo_renames(tmp_path)
    assert held(tmp_path) == {"b": "a"}
    undo_renames(tmp_path)
    assert held(tmp_path) == {"a": "a"}
    with pytest.raises(InputError, match="no renaming was done"):
        undo_renames(tmp_path)
    with pytest.raises(InputError, match="stopped half way here"):
        finish_renames(tmp_path)


def test_undo_refuses_before_it_moves_anything(tmp_path):
    fill(tmp_path)
    finish(begin(tmp_path, [("a.png", "x.png"), ("c.png", "y.png")]))
    (tmp_path / "C.PNG").write_text("new")
    if (tmp_path / "c.png").exists():
        pytest.skip("this file system ignores case")
    (tmp_path / "c.png").write_text("new")
    state = held(tmp_path)
    with pytest.raises(InputError, match=r"has the name c\.png"):
        undo_renames(tmp_path)
    assert held(tmp_path) == state and not latest(tmp_path).is_unfinished
    (tmp_path / "c.png").unlink()
    (tmp_path / "x.png").unlink()
    with pytest.raises(InputError, match="is gone"):
        undo_renames(tmp_path)


@pytest.mark.parametrize(
    "text",
    [
        "{",
        "[]",
        '{"version": 9, "state": "done", "moves": []}',
        '{"version": 1, "state": "done", "moves": [{"source": "../", "temp": "t", "target": "u"}]}',
        '{"version": 1, "state": "done", "moves": [{"source": "a"}]}',
    ],
)
def test_a_damaged_or_hostile_journal_is_refused(tmp_path, text):
    (tmp_path / ".cagecheck-rename-0001.json").write_text(text)
    with pytest.raises(InputError, match="cannot be read"):
        latest(tmp_path)


def test_an_empty_journal_was_never_begun(tmp_path):
    fill(tmp_path)
    (tmp_path / ".cagecheck-rename-0001.json").touch()
    assert latest(tmp_path) is None
    assert finish(begin(tmp_path, RENAMES)).path.name == ".cagecheck-rename-0002.json"


def test_the_journal_is_readable_by_people(tmp_path):
    fill(tmp_path)
    work = finish(begin(tmp_path, RENAMES))
    document = json.loads(work.path.read_text(encoding="utf-8"))
    assert document["state"] == "done"
    assert [(m["source"], m["target"]) for m in document["moves"]] == RENAMES
    assert document["version"] == journal_module.JOURNAL_VERSION


# --- whole renamings, with composing -----------------------------------------------------------


def bake_all(folder, low):
    for material, colour in (("leather", (200, 10, 10)), ("metal", (10, 200, 10))):
        bake(
            low,
            1011,
            folder / f"{material}_normal.png",
            material=material,
            colour=colour,
            padding=6,
        )
    bake(low, 1001, folder / "body_normal.png")


def test_composed_maps_take_each_texel_from_its_own_source(tmp_path):
    low = patch_low()
    bake_all(tmp_path, low)
    plan = plan_renames(tmp_path, low, RenameOptions(compose=True))
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    apply_renames(plan, low)
    joined = read_picture(tmp_path / "hero_normal.1011.png").texels
    sources = {m: read_picture(tmp_path / f"{m}_normal.png").texels for m in ("leather", "metal")}
    for material, texels in sources.items():
        mask = coverage_of(low, material, 1011, (128, 128))
        assert mask.any() and (joined[mask] == texels[mask]).all()
    # The islands are far apart here, so all padding of both is kept.
    either = np.where(sources["leather"].any(2, keepdims=True), *sources.values())
    assert (joined == either).all()
    assert not (tmp_path / "body_normal.png").exists()
    undo_renames(tmp_path)
    after = {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.name[0] != "."}
    assert after == before


def test_a_composed_map_that_was_painted_on_is_not_removed(tmp_path):
    low = patch_low()
    bake_all(tmp_path, low)
    apply_renames(plan_renames(tmp_path, low, RenameOptions(compose=True)), low)
    (tmp_path / "hero_normal.1011.png").write_bytes(b"painted on")
    with pytest.raises(InputError, match="changed since"):
        undo_renames(tmp_path)
    assert (tmp_path / "hero_normal.1011.png").read_bytes() == b"painted on"
    assert latest(tmp_path).state == "done"


def test_composing_stopped_anywhere_ends_well(tmp_path):
    low = patch_low()
    stop = 0
    stopped = True
    while stopped:
        stop += 1
        folder = tmp_path / str(stop)
        folder.mkdir()
        bake_all(folder, low)
        before = {p.name: p.read_bytes() for p in folder.iterdir()}
        plan = plan_renames(folder, low, RenameOptions(compose=True))
        stopped = crash_in_process(folder, stop, lambda p=plan: apply_renames(p, low))
        if latest(folder) is not None:
            undo_renames(folder)
        after = {p.name: p.read_bytes() for p in folder.iterdir() if p.name[0] != "."}
        assert after == before
        # What was left over does not stand in the way of the next try.
        apply_renames(plan_renames(folder, low, RenameOptions(compose=True)), low)
        assert (folder / "hero_normal.1011.png").exists() and leftovers(folder) == []


def test_a_change_of_case_alone_where_the_system_ignores_case(tmp_path, monkeypatch):
    """As on exFAT: a name of other case is found, but listed as it is, with no lasting number."""
    low = patch_low()
    bake(low, 1001, tmp_path / "HERO_normal.1001.png")
    plan = plan_renames(tmp_path, low)
    real = os.path.lexists
    monkeypatch.setattr(
        os.path,
        "lexists",
        lambda path: (
            real(path)
            or Path(path).name.casefold()
            in {p.name.casefold() for p in Path(path).parent.iterdir()}
        ),
    )
    apply_renames(plan, low)
    assert sorted(held_names(tmp_path)) == ["hero_normal.1001.png"]


def test_a_name_taken_since_the_plan_stops_it_before_anything_moves(tmp_path):
    low = patch_low()
    bake(low, 1001, tmp_path / "body_normal.png")
    bake(low, 1002, tmp_path / "head_normal.png")
    plan = plan_renames(tmp_path, low)
    (tmp_path / "hero_normal.1002.png").write_bytes(b"new")
    with pytest.raises(InputError, match="taken since"):
        apply_renames(plan, low)
    assert latest(tmp_path) is None
    assert sorted(held_names(tmp_path)) == [
        "body_normal.png", "head_normal.png", "hero_normal.1002.png",
    ]  # fmt: skip


def held_names(folder):
    return [p.name for p in folder.iterdir() if not p.name.startswith(".")]


def test_unlike_maps_are_not_composed(tmp_path):
    low = patch_low()
    bake_all(tmp_path, low)
    bake(low, 1011, tmp_path / "metal_normal.png", material="metal", size=(64, 64))
    plan = plan_renames(tmp_path, low, RenameOptions(compose=True))
    names = sorted(p.name for p in tmp_path.iterdir())
    with pytest.raises(InputError, match="differ in size"):
        apply_renames(plan, low)
    assert sorted(p.name for p in tmp_path.iterdir()) == names


def test_nearest_owner_against_brute_force():
    rng = np.random.default_rng(11)
    masks = [rng.random((20, 30)) < 0.02 for _ in range(3)]
    owner = nearest_owner(masks)
    rows, columns = np.mgrid[:20, :30]
    distance = np.stack(
        [
            np.min([(rows - r) ** 2 + (columns - c) ** 2 for r, c in np.argwhere(m)], axis=0)
            for m in masks
        ]
    )
    chosen = np.take_along_axis(distance, owner[None], axis=0)[0]
    assert (chosen == distance.min(axis=0)).all()


def test_masks_without_any_texel_are_refused():
    with pytest.raises(InputError, match="cover nothing"):
        nearest_owner([np.zeros((4, 4), bool)] * 2)


def test_coverage_goes_by_part_where_no_material_has_the_name():
    """The belt is 0.3 x 0.2 of the tile from (0.6, 0.1): 30 x 20 of 100 x 100 texels."""
    low = patch_low()
    mask = np.zeros((100, 100), bool)
    mask[70:90, 60:90] = True
    for name in ("belt", "metal"):
        assert np.array_equal(coverage_of(low, name, 1011, (100, 100)), mask)
    assert not coverage_of(low, "body", 1011, (100, 100)).any()


def test_lossy_maps_are_not_joined(tmp_path):
    for name in ("a.jpg", "b.jpg"):
        (tmp_path / name).write_bytes(b"")
    with pytest.raises(InputError, match="without changing texels"):
        compose_files(
            [tmp_path / "a.jpg", tmp_path / "b.jpg"], ["leather", "metal"], patch_low(), 1011,
            tmp_path / "out.jpg",
        )  # fmt: skip


def test_overlapping_masks_give_the_first():
    one, two = np.ones((4, 4), bool), np.ones((4, 4), bool)
    pictures = [Picture(np.full((4, 4, 1), value, np.uint8)) for value in (1, 2)]
    assert (compose(pictures, [one, two]).texels == 1).all()


@pytest.mark.parametrize(
    ("ending", "dtype", "channels"),
    [
        ("png", np.uint8, 3),
        ("png", np.uint16, 4),
        ("png", np.uint16, 1),
        ("tif", np.uint16, 3),
        ("tif", np.float32, 3),
        ("tif", np.uint16, 2),
        ("tga", np.uint8, 4),
        ("bmp", np.uint8, 3),
        ("exr", np.float32, 4),
        ("exr", np.float16, 3),
    ],
)
def test_pictures_keep_every_bit(tmp_path, ending, dtype, channels):
    texels = (np.random.default_rng(2).random((9, 7, channels)) * 250).astype(dtype)
    path = tmp_path / f"map.{ending}"
    write_picture(path, Picture(texels), ending)
    again = read_picture(path)
    assert again.texels.dtype == texels.dtype
    assert (again.texels == texels).all()


def test_lossy_formats_are_not_written(tmp_path):
    with pytest.raises(InputError, match="changes texels"):
        write_picture(tmp_path / "x.jpg", Picture(np.zeros((2, 2, 3), np.uint8)), "jpg")


def test_made_files_are_only_removed_by_undo(tmp_path):
    (tmp_path / "a").write_text("a")
    (tmp_path / ".cagecheck-moving-made-00000").write_text("new")
    from cagecheck.files import sha256_of

    made = Move(
        None,
        ".cagecheck-moving-made-00000",
        "new",
        sha256_of(tmp_path / ".cagecheck-moving-made-00000"),
    )
    work = finish(begin(tmp_path, [], [made]))
    assert held(tmp_path) == {"a": "a", "new": "new"}
    undo(work)
    assert held(tmp_path) == {"a": "a"}


def test_a_made_file_that_was_deleted_since_does_not_stop_undoing(tmp_path):
    fill(tmp_path)
    (tmp_path / ".cagecheck-moving-made-00000").write_text("made")
    sha256 = sha256_of(tmp_path / ".cagecheck-moving-made-00000")
    made = Move(None, ".cagecheck-moving-made-00000", "joined.png", sha256)
    done = finish(begin(tmp_path, RENAMES, [made]))
    assert held(tmp_path) == AFTER | {"joined.png": "made"}
    (tmp_path / "joined.png").unlink()
    undo(done)
    assert held(tmp_path) == BEFORE and leftovers(tmp_path) == []


# --- two at once, and journals that were changed -----------------------------------------------


def test_a_second_renaming_is_refused_while_one_is_under_way(tmp_path):
    fill(tmp_path)
    finish(begin(tmp_path, RENAMES))
    code = (
        "import sys, time; from pathlib import Path\n"
        "from cagecheck.chores.rename.journal import alone_in\n"
        "with alone_in(Path(sys.argv[1])):\n"
        "    print('held', flush=True); time.sleep(60)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout.readline() == "held\n"
        for work in (undo_renames, finish_renames):
            with pytest.raises(InputError, match="under way"):
                work(tmp_path)
        assert held(tmp_path) == AFTER
        other.kill()
    undo_renames(tmp_path)  # a dead process holds no lock
    assert held(tmp_path) == BEFORE
    assert not (tmp_path / journal_module.LOCK_NAME).exists()


@pytest.mark.long
def test_two_that_begin_at_once_rename_once(tmp_path):
    low = patch_low()
    for folder in (tmp_path / str(k) for k in range(4)):
        folder.mkdir()
        for name in ("body_normal.png", "head_normal.png", "coat_normal.png"):
            (folder / name).write_bytes(name.encode())
        code = (
            "import sys; from cagecheck.chores.rename.apply import apply_renames\n"
            "from cagecheck.chores.rename.plan import plan_renames\n"
            "from cagecheck.errors import InputError\n"
            "from tests.scenes.tiles import patch_low\n"
            "low = patch_low(); plan = plan_renames(sys.argv[1], low)\n"
            "print('ready', flush=True); sys.stdin.readline()\n"
            "try:\n    apply_renames(plan, low)\n"
            "except InputError as error:\n    sys.exit(str(error))\n"
        )
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        both = [
            subprocess.Popen([sys.executable, "-c", code, str(folder)], text=True, **pipes)
            for _ in range(2)
        ]
        for process in both:
            assert process.stdout.readline() == "ready\n", process.stderr.read()
        for process in both:
            process.stdin.write("\n")
            process.stdin.flush()
        ends = [process.communicate() for process in both]
        codes = sorted(process.returncode for process in both)
        assert codes == [0, 1], ends
        assert not any("Traceback" in errors for _, errors in ends)
        plan = {"body": 1001, "head": 1002, "coat": 1011}
        assert held(folder) == {
            f"hero_normal.{tile}.png": f"{part}_normal.png" for part, tile in plan.items()
        }
        undo_renames(folder)
        assert sorted(held(folder)) == ["body_normal.png", "coat_normal.png", "head_normal.png"]
    assert low.uv is not None


def everything(folder):
    """Every file of the folder but journals, hidden ones too, and what it says."""
    return {
        p.name: p.read_bytes() for p in folder.iterdir() if "rename-" not in p.name and p.is_file()
    }


@pytest.mark.parametrize("state", ["begun", "staged", "done"])
def test_an_edited_journal_moves_and_removes_nothing(tmp_path, state):
    """Any change to what a journal says is refused, so no file is moved, removed or replaced."""
    for seed in range(150):
        folder = tmp_path / f"{seed}"
        fill(folder)
        (folder / ".cagecheck-moving-made-00000").write_text("made")
        sha256 = sha256_of(folder / ".cagecheck-moving-made-00000")
        work = begin(folder, RENAMES, [Move(None, ".cagecheck-moving-made-00000", "j.png", sha256)])
        if state != "begun":
            work = finish(work)
        if state == "staged":
            # As a kill just before the end leaves it.
            journal_module._save(work, "staged")
        (folder / "mine.png").write_text("mine")
        before = everything(folder)
        whole = json.loads(work.path.read_bytes())
        written = work.path.read_bytes()
        changed = odd_json(whole, random.Random(seed))
        work.path.write_bytes(changed)
        for act in (undo_renames, finish_renames):
            try:
                act(folder)
            except InputError as error:
                assert len(str(error)) < 700
                assert everything(folder) == before, (seed, act)
            else:
                same = [json.loads(data) for data in (written, changed)]
                assert same[0] == same[1] or set(everything(folder).values()) >= {b"mine"}
                break
        assert (folder / "mine.png").read_text() == "mine"
        assert {text.encode() for text in BEFORE.values()} <= set(everything(folder).values())


HARMFUL = [
    {"source": None, "temp": "a.png", "target": "gone.png", "sha256": "0" * 64},
    {"source": "a.png", "temp": "b.png", "target": "c.png"},
    {"source": "a.png", "temp": ".cagecheck-moving-0001-00000", "target": "../x.png"},
    {"source": "a\0", "temp": ".cagecheck-moving-0001-00000", "target": "x.png"},
    {"source": "a.png", "temp": ".cagecheck-moving-0001-00007", "target": "x.png"},
    {"source": "a.png", "temp": ".cagecheck-moving-0001-00000", "target": ".cagecheck-x"},
    {"source": "a.png", "temp": ".cagecheck-moving-0001-00000", "target": 7},
    {"source": 1, "temp": 2, "target": 3},
    {"source": None, "temp": ".cagecheck-moving-made-00000", "target": "a.png", "sha256": None},
    {"source": None, "temp": ".cagecheck-moving-made-00000", "target": "a.png", "sha256": "A"},
]


@pytest.mark.parametrize("row", HARMFUL)
@pytest.mark.parametrize("version", [1, 2])
@pytest.mark.parametrize("state", ["begun", "staged", "done"])
def test_entries_that_no_renaming_writes_are_refused(tmp_path, row, version, state):
    """Even where the digest was made to fit."""
    fill(tmp_path)
    name = ".cagecheck-rename-0001.json"
    document = {"version": version, "state": state, "moves": [row],
                "digest": journal_module._digest(name, state, [row])}  # fmt: skip
    (tmp_path / name).write_text(json.dumps(document))
    before = everything(tmp_path)
    for act in (undo_renames, finish_renames):
        with pytest.raises(InputError):
            act(tmp_path)
    assert everything(tmp_path) == before


@pytest.mark.parametrize("state", ["begun", "staged"])
def test_a_journal_that_does_not_fit_the_folder_moves_nothing(tmp_path, state):
    """One file is at neither of its places: nothing is moved, not even the others."""
    fill(tmp_path)
    work = begin(tmp_path, RENAMES)
    if state == "staged":
        journal_module._save(finish(work), "staged")
    (tmp_path / ("plain.png" if state == "begun" else "schön.png")).unlink()
    before = everything(tmp_path)
    for act in (undo_renames, finish_renames):
        with pytest.raises(InputError, match="nothing was moved"):
            act(tmp_path)
        assert everything(tmp_path) == before


@pytest.mark.parametrize(
    "data",
    [b"\xff\xfe", b"[" * 10**6, b"null", b"3", b'"x"', b'{"version": 2}', b"\0" * 99,
     b'{"version": 2, "state": [], "moves": {}}', b'{"version": true, "state": "done", "moves": 1}',
     b'{"version": 2, "state": "done", "moves": [' + b"9" * 400 + b"]}",
     b'{"version": 2, "state": "done", "moves": [[]]}',
     b'{"version": 2, "state": {}, "moves": []}'],
)  # fmt: skip
def test_damaged_journals_end_in_sentences(tmp_path, data):
    fill(tmp_path)
    (tmp_path / ".cagecheck-rename-0001.json").write_bytes(data)
    for act in (undo_renames, finish_renames, lambda folder: plan_renames(folder, patch_low())):
        with pytest.raises(InputError, match="cannot be read"):
            act(tmp_path)


def test_a_pipe_in_place_of_a_journal_does_not_hang(tmp_path):
    os.mkfifo(tmp_path / ".cagecheck-rename-0001.json")
    with pytest.raises(InputError, match="not a plain file"):
        undo_renames(tmp_path)


def test_after_a_kill_the_plan_names_the_way_on(tmp_path):
    """All files lie hidden half way: the folder holds no pictures, but that is not the trouble."""
    fill(tmp_path)
    work = begin(tmp_path, [(name, "x" + name) for name in BEFORE])
    for move in work.moves:
        (tmp_path / move.source).rename(tmp_path / move.temp)
    with pytest.raises(InputError, match="`finish`"):
        plan_renames(tmp_path, patch_low())
    finish_renames(tmp_path)
    assert held(tmp_path) == {"x" + name: name for name in BEFORE}


def test_what_kills_left_unused_is_cleared_by_the_next_renaming(tmp_path):
    low = patch_low()
    (tmp_path / "body_normal.png").write_text("body")
    for name in (".cagecheck-journal-abc", ".cagecheck-moving-made-00000"):
        (tmp_path / name).write_text("left")
    apply_renames(plan_renames(tmp_path, low), low)
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        ".cagecheck-rename-0001.json", "hero_normal.1001.png",
    ]  # fmt: skip
