"""The choice of the ray engine: a library that is wrong ends in the slower one, never in a crash.

Wrong libraries are compiled here (Debian's cc), or are another library of the system.
"""

from __future__ import annotations

import ctypes.util
import os
import shutil
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
import trimesh

from cagecheck.arrays.blocks import usable_cores
from cagecheck.rays import embree, engine
from cagecheck.rays.native_caster import NativeCaster
from cagecheck.rays.rounding import GRAZING_DISAGREEMENT
from cagecheck.rays.scene import Scene
from cagecheck.rays.tree_caster import TreeCaster
from tests.rays.test_layers import random_rays, tangled_scene
from tests.scenes.shapes import edge_gap, surface

REPOSITORY = Path(__file__).parents[2]
CAST = """
import numpy as np
from cagecheck.rays import Scene
from tests.scenes.shapes import plane_high
scene = Scene(plane_high([0.0, 0.5]))
again = Scene(plane_high([0.0]))
table = scene.cast(np.array([[0.1, 0.2, -1.0]]), np.array([[0.0, 0.0, 1.0]]), 0.0, 3.0)
print(scene.engine, table.t.tolist(), sep="|")
"""

needs_compiler = pytest.mark.skipif(shutil.which("cc") is None, reason="needs a C compiler, cc")
needs_embree = pytest.mark.skipif(
    engine.load_embree() is None, reason="the fast ray engine is not available here"
)


def library_of(folder: Path, body: str, without: str = "") -> Path:
    """Compile a library that has Embree's functions, all with the same body."""
    folder.mkdir(parents=True, exist_ok=True)
    names = [name for name in embree._SIGNATURES if name != without]
    code = "#include <stdlib.h>\n" + "\n".join(f"long {name}(void) {{ {body} }}" for name in names)
    (folder / "wrong.c").write_text(code)
    out = folder / "libembree4-wrong.so.4"
    subprocess.run(["cc", "-shared", "-fPIC", "-o", out, folder / "wrong.c"], check=True)
    return out


def test_another_library_is_refused_by_name():
    found = ctypes.util.find_library("c")
    if found is None:
        pytest.skip("the system's C library was not found")
    with pytest.raises(embree.EmbreeUnavailableError, match="the library has no rtcNewDevice"):
        embree.declare(Path(found))
    with pytest.raises(embree.EmbreeUnavailableError):
        embree.declare(Path(__file__))


@needs_compiler
@pytest.mark.parametrize("name", ["rtcIntersect16", "rtcCommitScene", "rtcGetDeviceError"])
def test_each_missing_function_is_noticed(tmp_path, name):
    path = library_of(tmp_path, "abort();", without=name)
    with pytest.raises(embree.EmbreeUnavailableError, match=f"the library has no {name}"):
        embree.declare(path)


@needs_compiler
@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ("abort();", "ended with status -6"),
        ("*(volatile int *)0 = 1; return 0;", "ended with status -11"),
        ("return 0;", "version 4 of the library is needed, this is version 0"),
        ("exit(0);", "ended with status 0"),
    ],
)
def test_a_trial_of_a_wrong_library_ends_in_words(tmp_path, body, reason):
    found = engine.failed_trial(library_of(tmp_path, body))
    assert found is not None and reason in found


@needs_compiler
def test_rays_are_cast_all_the_same(tmp_path):
    """A whole process over an embreex package whose library crashes: the answer, and one notice."""
    (tmp_path / "embreex").mkdir()
    (tmp_path / "embreex" / "__init__.py").write_text("")
    library_of(tmp_path / "embreex.libs", "*(volatile int *)0 = 1; return 0;")
    environment = os.environ | {
        "PYTHONPATH": os.pathsep.join([str(tmp_path), str(REPOSITORY)]),
        "XDG_CACHE_HOME": str(tmp_path / "cache"),
        "NUMBA_CACHE_DIR": os.environ.get("NUMBA_CACHE_DIR", str(tmp_path / "compiled")),
    }
    done = subprocess.run(
        [sys.executable, "-c", CAST], env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == f"{TreeCaster.name}|[1.0, 1.5]"
    assert done.stderr.count("the fast ray engine is not available") == 1
    assert "status -11" in done.stderr
    assert not list((tmp_path / "cache").rglob("engine/*")), "only what passed is kept"


def test_without_the_package_the_slower_engine_is_used(monkeypatch, caplog):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    monkeypatch.setattr("cagecheck.rays.scene.load_embree", engine.load_embree.__wrapped__)
    scene = Scene(tangled_scene(1))
    assert scene.engine == TreeCaster.name
    assert "embreex is not installed" in caplog.text


@needs_embree
def test_what_passed_is_not_tried_again(tmp_path, monkeypatch):
    tried = []
    monkeypatch.setattr(engine, "user_cache", lambda: tmp_path)
    monkeypatch.setattr(engine, "failed_trial", lambda path: tried.append(path))
    load = engine.load_embree.__wrapped__
    assert load() is not None and len(tried) == 1
    assert load() is not None and len(tried) == 1
    monkeypatch.setattr(engine.numba, "__version__", "another")
    assert load() is not None and len(tried) == 2
    assert load() is not None and len(tried) == 2


@needs_embree
def test_a_cache_that_cannot_be_written_is_done_without(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setattr(engine, "user_cache", lambda: tmp_path / "file")
    monkeypatch.setattr(engine, "failed_trial", lambda path: None)
    assert engine.load_embree.__wrapped__() is not None


@pytest.mark.skipif(find_spec("embreex") is None, reason="embreex is not installed")
def test_the_installed_library_passes():
    """Whatever `load_embree` says: a trial that is wrong would have all tests of it skipped."""
    assert engine.failed_trial(embree.library_path()) is None


def test_no_python_program_means_the_slower_engine(monkeypatch):
    """Inside another program `sys.executable` is that program: it must not be started again."""
    monkeypatch.setattr(sys, "executable", "/opt/modeller/bin/modeller")
    assert "no Python program" in engine.failed_trial(Path("x"))


def casters(high):
    scene = Scene(high)
    arrays = high.positions, scene.triangles, scene.centre, scene.scale
    return NativeCaster(engine.load_embree(), *arrays), TreeCaster(*arrays)


@needs_embree
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e5])
def test_both_engines_give_one_table_on_tangled_scenes(seed, scale):
    """They traverse in float32 and float64: only rays within rounding of an edge may name other
    faces, and only crossings of triangles seen edge-on (see `rounding.refine`) lie elsewhere."""
    high = tangled_scene(seed, 3000)
    scaled = surface(high.positions * scale, high.triangles)
    origin, direction = random_rays(seed, 2000)
    reach = np.random.default_rng(seed).uniform(0, 1, len(origin))
    args = scale * origin, direction, scale * (1 - reach), scale * reach
    (ours, *fast), (theirs, *slow) = (caster.block(*args) for caster in casters(scaled))
    ends = np.cumsum(ours), np.cumsum(theirs)
    same, t_fast, t_slow = 0, [], []
    for i in range(len(origin)):
        a, b = (slice(e[i] - n[i], e[i]) for e, n in zip(ends, (ours, theirs), strict=True))
        if all(np.array_equal(x[a], y[b]) for x, y in zip(fast[1:], slow[1:], strict=True)):
            same += 1
            t_fast.append(fast[0][a])
            t_slow.append(slow[0][b])
        else:
            assert edge_gap(high, origin[i], direction[i]) < 1e-5
    assert same > 0.99 * len(origin) and ours.sum() > 1000
    gap = np.abs(np.concatenate(t_fast) - np.concatenate(t_slow)) / scale
    assert gap.max() < GRAZING_DISAGREEMENT
    assert (gap == 0).mean() > 0.999


@needs_embree
def test_both_engines_keep_doubled_and_touching_faces():
    """Two boxes share a side: there lie two faces, one seen from behind, in every engine."""
    one, other = trimesh.creation.box(), trimesh.creation.box()
    other.apply_translation([0, 0, 1])
    both = trimesh.util.concatenate([one, other, one])
    rng = np.random.default_rng(2)
    origin = np.column_stack([rng.uniform(-0.45, 0.45, (200, 2)), np.full(200, -1.0)])
    up = np.repeat([[0.0, 0.0, 1.0]], 200, axis=0)
    args = origin, up, np.zeros(200), np.full(200, 4.0)
    tables = [caster.block(*args) for caster in casters(surface(both.vertices, both.faces))]
    for counts, t, _, front in tables:
        # Bottom twice, shared side three times (two of the doubled box), top.
        assert (counts == 6).all()
        assert np.allclose(t.reshape(-1, 6), [0.5, 0.5, 1.5, 1.5, 1.5, 2.5])
        assert (front.reshape(-1, 6).sum(axis=1) == 3).all()
    for fast, slow in zip(*tables, strict=True):
        assert np.array_equal(fast, slow)


def test_small_triangles_are_not_dropped():
    """libigl by itself takes triangles below a certain size for parallel to the ray."""
    size = 1e-5
    corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]]) * size
    far = np.array([[5, 5, 5], [6, 5, 5], [5, 6, 5]], float)
    high = surface(np.concatenate([corners, far]), np.arange(6).reshape(2, 3))
    arrays = high.positions, high.triangles.astype(np.int32), np.zeros(3), 6.0
    origin = np.array([[0.2 * size, 0.2 * size, -0.5]])
    none = np.zeros(1)
    counts, t, face, _ = TreeCaster(*arrays).block(origin, np.array([[0.0, 0, 1]]), none, none + 1)
    assert counts.tolist() == [1] and face.tolist() == [0] and t[0] == 0.5


def test_a_process_uses_the_cores_that_it_may(monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 64)
    monkeypatch.setattr(os, "sched_getaffinity", lambda process: {3, 5, 7}, raising=False)
    assert usable_cores() == 3
    monkeypatch.delattr(os, "sched_getaffinity")
    assert usable_cores() == 64
