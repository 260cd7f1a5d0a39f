"""OBJ files are read as they are."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.errors import InputError
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.formats.text_numbers import EXACT, LONG, parse_number
from cagecheck.meshes.triangulate import triangulate
from tests.scenes.mesh_files import OBJ_TEXT


def write(folder: Path, text: bytes, name: str = "low.obj") -> Path:
    path = folder / name
    path.write_bytes(text)
    return path


def test_everything_in_the_file_arrives(tmp_path: Path) -> None:
    mesh = read_mesh(write(tmp_path, OBJ_TEXT))
    assert mesh.positions.tolist()[:2] == [[0, 0, 0], [1, 0, 0]]
    assert mesh.positions.tolist()[8] == [0, 1, 1]  # continued by a backslash
    assert np.diff(mesh.face_start).tolist() == [4, 3, 5, 3]
    assert mesh.corner_vertex.tolist() == [0, 1, 2, 3, 0, 2, 3, 4, 5, 6, 7, 8, 4, 6, 8]
    assert mesh.part_names == ("Body", "Arm")
    assert mesh.face_part.tolist() == [0, 0, 1, 1]
    assert mesh.material_names == ("skin", "steel plate")
    assert mesh.face_material is not None and mesh.face_material.tolist() == [0, 0, 1, 1]
    assert mesh.face_smoothing is not None and mesh.face_smoothing.tolist() == [1, 0, 2, 2]
    assert mesh.corner_uv is not None and mesh.corner_normal is not None
    assert mesh.corner_uv[4:7].tolist() == [[1, 0], [1, 1], [0, 0]]
    assert np.isnan(mesh.corner_uv[7:]).all()
    assert mesh.corner_normal[:5].tolist() == [[0, 0, 1]] * 4 + [[0, 1, 0]]
    assert np.isnan(mesh.corner_normal[7:12]).all()
    assert mesh.corner_normal[14].tolist() == [0, 1, 0]


def test_groups_are_parts_only_where_no_object_is_named(tmp_path: Path) -> None:
    head = b"v 0 0 0\nv 1 0 0\nv 0 1 0\n"
    mesh = read_mesh(
        write(tmp_path, head + b"f 1 2 3\ng belt\nf 1 2 3\no Arm\nf 1 2 3\ng x\nf 1 2 3\n")
    )
    assert mesh.part_names == ("low", "belt", "Arm")
    assert mesh.face_part.tolist() == [0, 1, 2, 2]


def test_surface_agrees_with_mesh(tmp_path: Path) -> None:
    path = write(tmp_path, OBJ_TEXT)
    mesh, surface = read_mesh(path), read_surface(path)
    cut = triangulate(mesh)
    assert np.array_equal(surface.positions, mesh.positions)
    assert np.array_equal(surface.triangles, mesh.corner_vertex[cut.corners])
    assert np.array_equal(surface.triangle_part, mesh.face_part[cut.face])
    assert surface.part_names == mesh.part_names


@given(st.floats(allow_nan=False, allow_infinity=False))
@settings(max_examples=300, deadline=None, derandomize=True)
def test_numbers_are_those_of_python(value: float) -> None:
    """IEEE 754 round-to-nearest, as Python's float reads text (its `repr` is the shortest)."""
    data = np.frombuffer(bytearray(repr(value).encode() + b" "), np.uint8)
    got, end, status = parse_number(data, 0, len(data))
    assert end == len(data) - 1
    if status == EXACT:
        assert got == value and math.copysign(1, got) == math.copysign(1, value)
    else:
        assert status == LONG or abs(value) > 1.7e308
        assert status != LONG or got == pytest.approx(value, rel=1e-14, abs=5e-324)


@given(st.lists(st.floats(-1e15, 1e15), min_size=9, max_size=9))
@settings(max_examples=50, deadline=None, derandomize=True)
def test_long_numbers_are_exact_in_a_mesh(
    tmp_path_factory: pytest.TempPathFactory, x: list[float]
) -> None:
    corners = np.array(x).reshape(3, 3) + [[0, 0, 0], [1e15, 0, 0], [0, 1e15, 0]]
    text = "".join(f"v {a!r} {b!r} {c!r}\n" for a, b, c in corners.tolist()) + "f 1 2 3\n"
    folder = tmp_path_factory.mktemp("numbers")
    assert np.array_equal(read_mesh(write(folder, text.encode())).positions, corners)


def test_large_file_is_read_in_pieces_as_in_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path, OBJ_TEXT * 50)
    whole = read_mesh(path)
    monkeypatch.setattr("cagecheck.formats.obj._PIECE", 97)
    pieces = read_mesh(path)
    assert np.array_equal(whole.positions, pieces.positions)
    assert np.array_equal(whole.corner_vertex, pieces.corner_vertex)
    assert np.array_equal(whole.corner_uv, pieces.corner_uv, equal_nan=True)
    assert whole.part_names == pieces.part_names
    assert np.array_equal(whole.face_part, pieces.face_part)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 4\n", "line 4.*does not have"),
        (b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 0\n", "counts from 1"),
        (b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf -4 -1 -2\n", "does not have"),
        (b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1/1 2/1 3/1\n", "does not have"),
        (b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 x\n", "not a face corner"),
        (b"v 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", "line 1.*fewer than three"),
        (b"v 0 0 nan\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", "“nan” is not a number"),
        (b"v 0 0 0\nv 1e999 0 0\nv 0 1 0\nf 1 2 3\n", "“1e999” is not a number"),
        (b"v 0 0 0\nv 1,5 0 0\nv 0 1 0\nf 1 2 3\n", "“1,5” is not a number"),
        (b"v 0 0 0\nv 1e30 0 0\nv 0 1 0\nf 1 2 3\n", "no place in space"),
        (b"v 0 0 0\nv 1 0 0\nv 0 1 0\n", "no faces"),
        (b"v 0 0 0\nv 1 0 0\nv 2 0 0\nf 1 2 3\n", "no face has any area"),
        (b"hello\n", "no vertex"),
        (b"v 0 0 0\nv 1 0 0\nv 0 1 0\ns x\nf 1 2 3\n", "smoothing group"),
        ("v 0 0 0\nf 1 1 1\n".encode("utf-16"), "UTF-16"),
    ],
)
def test_bad_files_are_told_in_words(tmp_path: Path, text: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read_mesh(write(tmp_path, text))
    if b"vt" not in text and b"/" not in text and "any area" not in words:
        with pytest.raises(InputError, match=words):
            read_surface(write(tmp_path, text))


def test_notices_name_unused_vertices(tmp_path: Path) -> None:
    text = b"v 0 0 0\nv 1 0 0\nv 0 1 0\nv 9 9 9\nf 1 2 3\nf 1 1 2\n"
    codes = {n.code for n in read_mesh(write(tmp_path, text)).notices}
    assert codes == {"unused-vertices"}
