"""Damaged and hostile files of every format end in a mesh or a plain message.

Seeded. Each example runs under a time limit (a hang ends the test run with a traceback) and the
largest allocation is watched.
"""

from __future__ import annotations

import faulthandler
import gzip
import json
import random
import re
import resource
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cagecheck.errors import InputError
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.meshes.mesh import Mesh
from tests.scenes.mesh_files import (
    FBX_TEXT,
    OBJ_TEXT,
    glb_bytes,
    gltf_tree,
    ply_bytes,
    samples,
    stl_bytes,
)

SAMPLES = samples()
SECONDS = 120  # the first call of each reader may compile for that long on a slow machine
MOST_GROWTH_BYTES = 512 << 20

WORDS = [
    b"0", b"-1", b"4294967295", b"2147483648", b"1e999", b"nan", b"-inf", b"9" * 30, b"1e-400",
    b"//", b"\\\n", b'"a"', b"null", b"[]", b"{}", b"true", b"1.5", b"\x00", b"\xff" * 4,
    b"\xff\xff\xff\x7f", b"\x00\x00\x00\x80", b"\n", b"\r", b"\x01", b" ",
]  # fmt: skip
_NUMBER = re.compile(rb"-?\d+(\.\d+)?")


def damaged(data: bytes, seed: int) -> bytes:
    """Cut, flip, overwrite, repeat, delete, or change a number in the text; up to 8 times."""
    rng = random.Random(seed)
    out = bytearray(data)
    for _ in range(rng.choice([1, 1, 1, 2, 3, 8])):
        if not out:
            break
        at, kind, word = rng.randrange(len(out)), rng.randrange(6), rng.choice(WORDS)
        if kind == 0:
            del out[at:]
        elif kind == 1:
            out[at] ^= 1 << rng.randrange(8)
        elif kind == 2:
            out[at : at + rng.choice([0, len(word)])] = word
        elif kind == 3:
            del out[at : at + rng.randrange(1, 40)]
        elif kind == 4:
            out[at:at] = out[at : at + rng.randrange(1, 60)]
        elif numbers := list(_NUMBER.finditer(bytes(out))):
            hit = rng.choice(numbers)
            out[hit.start() : hit.end()] = word
    return bytes(out)


def sound(mesh: Mesh) -> None:
    """Check what every later stage relies on."""
    assert np.isfinite(mesh.positions).all() and len(mesh.positions)
    assert mesh.face_start[0] == 0 and mesh.face_start[-1] == len(mesh.corner_vertex)
    assert (np.diff(mesh.face_start) >= 0).all() and mesh.face_count
    assert mesh.corner_vertex.min() >= 0 and mesh.corner_vertex.max() < mesh.vertex_count
    assert mesh.face_part.min() >= 0 and mesh.face_part.max() < len(mesh.part_names)
    assert len(mesh.face_part) == mesh.face_count
    if mesh.corner_uv is not None:
        assert mesh.corner_uv.shape == (len(mesh.corner_vertex), 2)
        assert not np.isinf(mesh.corner_uv).any()
    if mesh.face_material is not None:
        assert mesh.face_material.max() < len(mesh.material_names)


def outcome(path: Path) -> str:
    """Read a file both ways; any outcome but a sound mesh or a plain message is a failure."""
    words = ""
    try:
        sound(read_mesh(path))
    except InputError as error:
        words = str(error)
        assert words.startswith(str(path.parent)) and "Traceback" not in words
    try:
        surface = read_surface(path)
        assert np.isfinite(surface.positions).all()
        assert surface.triangles.max(initial=0) < len(surface.positions)
        assert len(surface.triangle_part) == surface.triangle_count
    except InputError as error:
        words = words or str(error)
    return words


@pytest.fixture(autouse=True)
def limits() -> Iterator[None]:
    """Bound the time of a test, and how much memory it may touch."""
    faulthandler.dump_traceback_later(SECONDS, exit=True)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    yield
    faulthandler.cancel_dump_traceback_later()
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024
    assert grown < MOST_GROWTH_BYTES


@pytest.mark.parametrize("name", sorted(SAMPLES))
@given(seed=st.integers(0, 2**32))
@settings(
    max_examples=120,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_damaged_files(name: str, seed: int, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(damaged(SAMPLES[name], seed))
    outcome(path)


def test_infinite_uvs_are_none(tmp_path: Path) -> None:
    data, path = bytearray(SAMPLES["big.ply"]), tmp_path / "a.ply"
    at = data.index(b"end_header\n") + len(b"end_header\n") + 3 * 4  # behind x, y, z
    data[at : at + 4] = struct.pack(">f", np.inf)
    path.write_bytes(data)
    mesh = read_mesh(path)
    assert mesh.corner_uv is not None
    bare = np.isnan(mesh.corner_uv).all(axis=1)
    assert (bare == (mesh.corner_vertex == 0)).all() and bare.any()
    assert np.isfinite(mesh.corner_uv[~bare]).all()


VALUES: list[Any] = [
    None, True, -1, 0, 1, 7, 5126, 5121, 2**31, 2**53, 10**30, 0.5, -1e308, 1e308, "", "VEC3",
    "POSITION", [], {}, [0], [[]], [1.0] * 16, {"bufferView": 0},
]  # fmt: skip


def with_odd_values(tree: Any, rng: random.Random) -> Any:
    """Replace, delete or add one value somewhere in a JSON tree."""
    places: list[tuple[Any, Any]] = []
    stack = [tree] if isinstance(tree, dict | list) else []
    while stack:
        at = stack.pop()
        keys = list(at) if isinstance(at, dict) else list(range(len(at)))
        places += [(at, key) for key in keys]
        stack += [at[key] for key in keys if isinstance(at[key], dict | list)]
    if not places:  # all of it was deleted
        return rng.choice(VALUES)
    at, key = rng.choice(places)
    kind = rng.randrange(3)
    if kind == 0 and isinstance(at, dict):
        del at[key]
    elif kind == 1 and isinstance(at[key], int) and not isinstance(at[key], bool):
        at[key] += rng.choice([-2, -1, 1, 2, 100, -at[key]])
    else:
        at[key] = rng.choice(VALUES)
    return tree


@given(seed=st.integers(0, 2**32))
@settings(
    max_examples=400,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_gltf_with_odd_values(seed: int, tmp_path: Path) -> None:
    rng = random.Random(seed)
    flags = {"sparse": rng.random() < 0.3, "quantised": rng.random() < 0.3, "two_nodes": True}
    tree, data = gltf_tree(**flags)
    for _ in range(rng.choice([1, 1, 2, 4])):
        tree = with_odd_values(tree, rng)
    path = tmp_path / "a.glb"
    path.write_bytes(glb_bytes(tree, data))
    outcome(path)


@pytest.mark.parametrize("name", sorted(SAMPLES))
def test_every_truncation(name: str, tmp_path: Path) -> None:
    data = SAMPLES[name]
    path = tmp_path / name
    for size in range(0, len(data), max(1, len(data) // 40)):
        path.write_bytes(data[:size])
        outcome(path)


@pytest.mark.long
def test_damaged_fbx(tmp_path: Path) -> None:
    pytest.importorskip("ufbx", reason="the extra fbx is not installed")
    path = tmp_path / "a.fbx"
    for seed in range(12):
        path.write_bytes(damaged(FBX_TEXT, seed))
        outcome(path)


def refused(folder: Path, name: str, data: bytes) -> str:
    path = folder / name
    path.write_bytes(data)
    with pytest.raises(InputError) as error:
        read_mesh(path)
    with pytest.raises(InputError):
        read_surface(path)
    return str(error.value)


@pytest.mark.parametrize("count", [2**31 - 1, 2**32 - 1, 2**63, 10**30])
def test_huge_counts_in_headers_allocate_nothing(tmp_path: Path, count: int) -> None:
    for order in ("<", "text"):
        data = ply_bytes(order)
        for element in (b"vertex 8", b"face 6"):
            huge = element.split()[0] + b" " + str(count).encode()
            assert refused(
                tmp_path, "a.ply", data.replace(b"element " + element, b"element " + huge)
            )
    if count < 2**32:
        data = stl_bytes()
        words = refused(tmp_path, "a.stl", data[:80] + struct.pack("<I", count) + data[84:])
        assert "promises" in words
    for which in (0, 1):
        tree, data = gltf_tree()
        tree["accessors"][which]["count"] = count - count % 3
        assert refused(tmp_path, "a.glb", glb_bytes(tree, data))
        del tree["accessors"][which]["bufferView"]
        assert refused(tmp_path, "a.glb", glb_bytes(tree, data))


def test_ply_list_count_runs_over_the_end(tmp_path: Path) -> None:
    data = bytearray(ply_bytes("<").replace(b"list uchar", b"list uint "))
    begin = data.index(b"end_header\n") + 11 + 8 * 12
    data[begin : begin + 4] = b"\xff\xff\xff\x7f"
    assert "ends before" in refused(tmp_path, "a.ply", bytes(data))


def test_gltf_nodes_that_go_round(tmp_path: Path) -> None:
    for children in ([0], [1], [0, 1]):
        tree, data = gltf_tree()
        tree["nodes"][1]["children"] = children
        assert "below itself" in refused(tmp_path, "a.glb", glb_bytes(tree, data))
    tree, data = gltf_tree()
    tree["nodes"] = [{"children": [k + 1]} for k in range(5000)] + [{"mesh": 0}]
    assert "deep" in refused(tmp_path, "a.glb", glb_bytes(tree, data))


@pytest.mark.parametrize(
    "uri",
    [
        "../secret.bin", "/etc/hostname", "file:///etc/hostname", "http://127.0.0.1/a.bin",
        "%2e%2e/secret.bin", "sub/../../secret.bin", "..\\secret.bin", "C:/secret.bin",
        "//host/share/a.bin", "link.bin", "a.bin\x00",
    ],
)  # fmt: skip
def test_gltf_data_outside_its_folder_is_not_read(tmp_path: Path, uri: str) -> None:
    folder = tmp_path / "asset"
    folder.mkdir()
    tree, data = gltf_tree()
    (tmp_path / "secret.bin").write_bytes(data)
    (folder / "link.bin").symlink_to(tmp_path / "secret.bin")
    tree["buffers"] = [{"byteLength": len(data), "uri": uri}]
    words = refused(folder, "a.gltf", json.dumps(tree).encode())
    assert "outside the file's own folder" in words


def test_gltf_deep_json(tmp_path: Path) -> None:
    text = b'{"asset":{"version":"2.0"},"x":' + b"[" * 200_000 + b"]" * 200_000 + b"}"
    assert "JSON" in refused(tmp_path, "a.gltf", text)


def test_gzip_bombs(tmp_path: Path) -> None:
    bomb = gzip.compress(b"v 0 0 0\n" * (20 << 20), 9, mtime=0)  # 160 MiB of lines
    assert "grows beyond" in refused(tmp_path, "a.obj.gz", bomb)
    members = gzip.compress(b"\0" * (16 << 20), 9, mtime=0) * 12
    assert "grows beyond" in refused(tmp_path, "b.obj.gz", members)
    half = gzip.compress(OBJ_TEXT)
    assert "cut off" in refused(tmp_path, "c.obj.gz", half[: len(half) // 2])
    assert "empty inside" in refused(tmp_path, "d.obj.gz", gzip.compress(b""))
    assert read_mesh_of(tmp_path, "e.obj.gz", gzip.compress(OBJ_TEXT) + b"\0" * 512).face_count == 4


def read_mesh_of(folder: Path, name: str, data: bytes) -> Mesh:
    path = folder / name
    path.write_bytes(data)
    return read_mesh(path)


def test_missing_empty_and_folders(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_mesh(tmp_path / "none.obj")
    with pytest.raises(InputError, match="folder"):
        read_surface(tmp_path)
    for extension in ("obj", "ply", "stl", "glb", "gltf", "fbx"):
        assert "empty" in refused(tmp_path, f"a.{extension}", b"")
        assert refused(tmp_path, f"a.{extension}", bytes(range(256)) * 40)
        assert refused(tmp_path, f"a.{extension}", b"just some words\n" * 20)


def test_a_stray_control_character_does_not_stall(tmp_path: Path) -> None:
    """Found by fuzzing: a byte that was neither blank nor part of a token held the loop."""
    text = b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 \x012\x02 3\n"
    assert read_mesh_of(tmp_path, "a.obj", text).face_count == 1


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e30])
def test_places_that_are_not_finite(tmp_path: Path, value: float) -> None:
    raw = struct.pack("<f", value)
    body = bytearray(ply_bytes("<"))
    begin = body.index(b"end_header\n") + 11
    body[begin + 12 : begin + 16] = raw
    assert "vertex 1" in refused(tmp_path, "a.ply", bytes(body))
    soup = bytearray(stl_bytes())
    soup[84 + 12 : 84 + 16] = raw
    assert "no place in space" in refused(tmp_path, "a.stl", bytes(soup))
    tree, data = gltf_tree()
    assert "no place in space" in refused(tmp_path, "a.glb", glb_bytes(tree, raw + data[4:]))
