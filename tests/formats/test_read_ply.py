"""PLY and STL files as the formats are described, packed here byte by byte with `struct`.

PLY: Turk, "The PLY Polygon File Format" (1994). STL: the binary layout of 84 bytes of head and 50
a facet (common practice, no source).
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from cagecheck.errors import InputError
from cagecheck.formats.read import read_mesh, read_surface
from tests.scenes.mesh_files import stl_bytes

XYZ = "property float x\nproperty float y\nproperty float z\n"
FORMATS = {"<": "binary_little_endian", ">": "binary_big_endian"}


def put(folder: Path, text: str, body: bytes = b"", name: str = "a.ply") -> Path:
    path = folder / name
    path.write_bytes(f"ply\n{text}end_header\n".encode() + body)
    return path


def refused(folder: Path, text: str, body: bytes = b"") -> str:
    path = put(folder, text, body)
    with pytest.raises(InputError) as error:
        read_mesh(path)
    with pytest.raises(InputError):
        read_surface(path)
    return error.value.what


def ring(count: int) -> np.ndarray:
    angle = 2 * np.pi * np.arange(count) / count
    return np.column_stack([np.cos(angle), np.sin(angle), np.zeros(count)]).astype(np.float32)


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("count", ["ushort", "int", "short"])
def test_faces_before_vertices_with_counts_of_several_bytes(
    tmp_path: Path, order: str, count: str
) -> None:
    """A face of 300 corners and a triangle, other lists around theirs, one element of its own."""
    code = {"ushort": "H", "int": "i", "short": "h"}[count]
    points = ring(300)
    faces = [list(range(300)), [0, 7, 9]]
    text = (
        f"format {FORMATS[order]} 1.0\nelement note 2\nproperty list {count} double n\n"
        f"element face 2\nproperty short flag\nproperty list {count} uchar name\n"
        f"property list {count} uint vertex_indices\nproperty double weight\n"
        f"element vertex 300\nproperty list uchar float bones\n{XYZ}"
    )
    body = struct.pack(order + code + "2d", 2, 0.5, 0.25) + struct.pack(order + code, 0)
    for k, face in enumerate(faces):
        body += struct.pack(order + "h" + code + f"{k}B", -1, k, *[255] * k)
        body += struct.pack(order + code + f"{len(face)}Id", len(face), *face, 0.5)
    for k, p in enumerate(points.tolist()):
        body += struct.pack(order + f"B{k % 3}f3f", k % 3, *[9.0] * (k % 3), *p)
    mesh = read_mesh(put(tmp_path, text, body))
    assert np.array_equal(mesh.positions, points)
    assert mesh.face_start.tolist() == [0, 300, 303]
    assert mesh.corner_vertex.tolist() == faces[0] + faces[1]
    surface = read_surface(tmp_path / "a.ply")
    assert len(surface.triangles) == 299 and np.array_equal(surface.positions, points)
    assert "ends before" in refused(tmp_path, text, body[:-1])


@pytest.mark.parametrize("order", ["<", ">"])
def test_lists_of_one_length_with_numbers_between_and_rows_behind(
    tmp_path: Path, order: str
) -> None:
    text = (
        f"format {FORMATS[order]} 1.0\nelement face 2\nproperty int flag\n"
        "property list uchar ushort vertex_index\nproperty double weight\n"
        f"property list ushort double texcoord\nelement vertex 4\n{XYZ}"
    )
    faces, uv = [[0, 1, 2], [0, 2, 3]], np.arange(12.0).reshape(2, 6) / 16
    body = b"".join(
        struct.pack(order + "iB3HdH6d", -5, 3, *face, 0.1, 6, *row)
        for face, row in zip(faces, uv.tolist(), strict=True)
    )
    body += np.array(ring(4), order + "f4").tobytes()
    mesh = read_mesh(put(tmp_path, text, body))
    assert mesh.corner_vertex.tolist() == faces[0] + faces[1]
    assert np.array_equal(mesh.positions, ring(4))
    assert mesh.corner_uv is not None and np.array_equal(mesh.corner_uv, uv.reshape(6, 2))


def triangle(kind: str, count: str = "uchar", rows: str = "3 0 1 2\n") -> tuple[str, bytes]:
    text = (
        f"format ascii 1.0\nelement vertex 3\n{XYZ.replace('float', kind)}"
        f"element face 1\nproperty list {count} int vertex_indices\n"
    )
    return text, f"0 0 0\n1 0 0\n0 1 0\n{rows}".encode()


def test_doubles_keep_their_precision_and_long_text_is_rounded_exactly(tmp_path: Path) -> None:
    """Python's own reading of decimals rounds exactly (IEEE 754); 25 digits by parts would not."""
    words = [
        "291.4177763170669074391500",
        "080.6360837783533740681241",
        "345.9845551439729815061622",
    ]
    text, body = triangle("double")
    body = body.replace(b"1 0 0\n0 1 0", f"{words[0]} 0 {words[1]}\n0 {words[2]} 0".encode())
    mesh = read_mesh(put(tmp_path, text, body))
    first, second, third = map(float, words)
    assert mesh.positions.tolist() == [[0, 0, 0], [first, 0, second], [0, third, 0]]
    assert read_surface(tmp_path / "a.ply").positions.dtype == np.float64
    assert read_surface(put(tmp_path, *triangle("float"))).positions.dtype == np.float32


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("2.5 0 1 2\n", "“2.5” is not a count"),
        ("-3 0 1 2\n", "“-3” is not a count"),
        ("3x 0 1 2\n", "“3x” is not a count"),
        ("3 0 1 2x\n", "“2x” is not a number"),
        ("3 0 1 1.5\n", "not a whole number"),
        ("3 0 1\n", "ends before"),
        ("9 0 1 2\n", "ends before"),
        ("", "ends before"),
    ],
)
def test_text_rows_that_do_not_read(tmp_path: Path, rows: str, said: str) -> None:
    assert said in refused(tmp_path, *triangle("float", rows=rows))


@pytest.mark.parametrize("order", ["<", ">"])
def test_negative_counts_are_damage(tmp_path: Path, order: str) -> None:
    text = (
        f"format {FORMATS[order]} 1.0\nelement vertex 3\n{XYZ}"
        "element face 2\nproperty list short int vertex_indices\n"
    )
    body = ring(3).astype(order + "f4").tobytes()
    body += struct.pack(order + "h3i", 3, 0, 1, 2)
    assert "row 1 of “face”" in refused(
        tmp_path, text, body + struct.pack(order + "h3i", -1, 0, 1, 2)
    )


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("element face", "element vertex", "same name"),
        ("property float y\n", "", "lack x, y or z"),
        ("property float y\n", "property list uchar float y\n", "lack x, y or z"),
        ("property float z\n", "property float z\nproperty list uchar float u\n", "one number"),
        ("element face 1", "element tristrips 1", "triangle strips"),
        ("element face 1", "element faces 1", "no faces"),
        ("int vertex_indices", "float vertex_indices", "no list of vertices"),
        ("list uchar int vertex_indices", "int vertex_indices", "no list of vertices"),
    ],
)
def test_headers_without_what_a_mesh_needs(tmp_path: Path, old: str, new: str, said: str) -> None:
    text, body = triangle("float")
    assert old in text
    assert said in refused(tmp_path, text.replace(old, new), body)


def test_normals_need_all_three_numbers(tmp_path: Path) -> None:
    text, _ = triangle("float")
    rows = "0 0 0 {0}\n1 0 0 {0}\n0 1 0 {0}\n3 0 1 2\n"
    for names, values, has in (("nx ny nz", "0 0 2", True), ("nx ny", "0 0", False)):
        more = "".join(f"property float {name}\n" for name in names.split())
        path = put(
            tmp_path, text.replace("float z\n", f"float z\n{more}"), rows.format(values).encode()
        )
        mesh = read_mesh(path)
        assert (mesh.corner_normal is not None) is has
        assert (read_surface(path).normals is not None) is has
        if has:
            assert mesh.corner_normal is not None
            assert mesh.corner_normal.tolist() == [[0, 0, 1]] * 3


def test_a_binary_stl_that_says_solid_and_has_bytes_left_over(tmp_path: Path) -> None:
    path = tmp_path / "a.stl"
    path.write_bytes(b"solid of sorts".ljust(80) + stl_bytes()[80:] + b"more")
    assert read_mesh(path).face_count == 12


def test_a_text_stl_without_facets_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.stl"
    path.write_bytes(b"solid nothing\nendsolid nothing\n")
    with pytest.raises(InputError, match="no triangles"):
        read_mesh(path)
