"""Compiled loops are never older than the code."""

import os
import subprocess
import sys
from pathlib import Path

from cagecheck.compiled import sources_digest

SHOW = "from cagecheck import compiled; compiled.mark_used(); print(compiled.cache_folder())"


def cache_of(tmp_path, **more):
    environment = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"}
    environment |= {"XDG_CACHE_HOME": str(tmp_path), "HOME": str(tmp_path)} | more
    done = subprocess.run(
        [sys.executable, "-c", SHOW], env=environment, capture_output=True, text=True, check=True
    )
    return done.stdout.strip()


def test_any_change_in_a_compiled_file_changes_the_digest(tmp_path):
    (tmp_path / "a.py").write_text("@njit\ndef f(): return 1\n")
    (tmp_path / "b.py").write_text("plain = 1\n")
    first = sources_digest(tmp_path)
    (tmp_path / "b.py").write_text("plain = 2\n")
    assert sources_digest(tmp_path) == first
    (tmp_path / "a.py").write_text("@njit\ndef f(): return 2\n")
    assert sources_digest(tmp_path) != first


def test_cache_lies_in_the_users_folder_and_obeys_the_variable(tmp_path):
    found = cache_of(tmp_path)
    assert found.startswith(str(tmp_path)) and Path(found).is_dir()
    assert cache_of(tmp_path, NUMBA_CACHE_DIR="/elsewhere") == "/elsewhere"


def test_only_caches_that_nobody_used_for_long_are_forgotten(tmp_path):
    parent = Path(cache_of(tmp_path)).parent
    for name, days in (("young", 1), ("used", 13), ("old", 15)):
        folder = parent / name
        folder.mkdir()
        (folder / "loop.nbc").write_bytes(b"x")
        when = folder.stat().st_mtime - days * 24 * 3600
        os.utime(folder, (when, when))
    found = Path(cache_of(tmp_path))
    assert {p.name for p in parent.iterdir()} == {found.name, "young", "used"}
