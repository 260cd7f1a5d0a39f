"""The door for files that cagecheck wrote: values in their form, or a `ValueError`."""

from __future__ import annotations

import io
import os
import random
import zipfile
from pathlib import Path

import numpy as np
import pytest

from cagecheck.errors import InputError
from cagecheck.files import open_plain, read_plain, sha256_of
from cagecheck.formats.push_file import read_push
from cagecheck.formats.stored import Field, check_ranges, parse_json, parse_rows, read_arrays
from cagecheck.tuning.kept_offsets import read_keep
from tests.scenes.damage import CELLS, DIGITS, odd_json, odd_table

PUSH = {"document": "cagecheck push distances", "version": 1, "offset_out": [0.1, 0.2, 0.3],
        "low": {"path": "a.obj", "sha256": "0" * 64}}  # fmt: skip
TABLE = "vertex,offset_out,offset_in,lower,upper,conflict\n0,0.1,0.2,,,0\n1,0.1,0.2,0,1,0\n"


@pytest.mark.parametrize("text", ["[" * 10**6, "9" * 400, "-" + DIGITS, "1e400", "NaN", "{", ""])
def test_json_without_end_or_form_is_a_value_error(text: str) -> None:
    with pytest.raises(ValueError):
        parse_json(text)


def test_numbers_stay_what_they_are() -> None:
    assert parse_json('[1, -2, 1.5, 1e300, 340282366920938463463374607431768211455]') == [
        1, -2, 1.5, 1e300, 2**128 - 1,
    ]  # fmt: skip


def test_cells_beyond_the_readers_limit_are_a_value_error() -> None:
    """131,072 characters is the csv module's own limit (`csv.field_size_limit`)."""
    assert parse_rows("a," + "x" * 131_071) == [["a", "x" * 131_071]]
    with pytest.raises(ValueError, match="field"):
        parse_rows("a," + "x" * 131_073)


@pytest.mark.parametrize("value", [DIGITS, "1e999", "nan", "true", "null", '"1"', "[1]", "{}"])
def test_push_files_hold_numbers_only(tmp_path: Path, value: str) -> None:
    path = tmp_path / "push.json"
    path.write_text(f'{{"offset_out": [0.1, {value}]}}')
    with pytest.raises(InputError, match="push"):
        read_push(path)


@pytest.mark.parametrize("name", ["push.json", "push.csv", "keep.csv"])
def test_damaged_offsets_end_in_a_sentence(tmp_path: Path, name: str) -> None:
    path, refused = tmp_path / name, 0
    for seed in range(150):
        rng = random.Random(seed)
        path.write_bytes(odd_json(PUSH, rng) if name.endswith("json") else odd_table(TABLE, rng))
        try:
            values = read_keep(path, 2, np.ones(2)) if name == "keep.csv" else read_push(path)[0]
            assert values.ndim == 1 and not np.isinf(values).any()
        except InputError as error:
            refused += 1
            assert len(str(error)) < 600
    assert refused > 20


def test_one_cell_of_each_kind(tmp_path: Path) -> None:
    path = tmp_path / "push.csv"
    for cell in CELLS:
        path.write_text(f"vertex,offset_out\n0,{cell}\n")
        try:
            assert np.isfinite(read_push(path)[0]).all()
        except InputError:
            continue


# Plain files ------------------------------------------------------------------------------------


@pytest.mark.skipif(os.name == "nt", reason="pipes and devices are POSIX's")
@pytest.mark.parametrize("kind", ["pipe", "device", "folder", "link to a pipe", "nul", "gone"])
def test_only_plain_files_are_opened(tmp_path: Path, kind: str) -> None:
    """An opened pipe would wait for ever, and /dev/zero never ends."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to(tmp_path / "pipe")
    path = {
        "pipe": tmp_path / "pipe", "device": Path("/dev/zero"), "folder": tmp_path,
        "link to a pipe": tmp_path / "link", "nul": Path("a\0b"), "gone": tmp_path / "gone",
    }[kind]  # fmt: skip
    for use in (open_plain, read_plain, sha256_of):
        with pytest.raises(OSError):
            use(path)
    with pytest.raises(InputError):
        read_push(path)
    with pytest.raises(InputError):
        read_keep(path, 3, None)


def test_a_link_to_a_plain_file_is_one(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"12345")
    (tmp_path / "b").symlink_to("a")
    assert read_plain(tmp_path / "b") == b"12345"
    with pytest.raises(OSError, match="too large"):
        read_plain(tmp_path / "b", most=4)


# Arrays -----------------------------------------------------------------------------------------

FIELDS = {"a": Field("int32", ("N",), within=(0, "M")), "b": Field("float32", ("M+1", 3), True)}


def saved(path: Path, **arrays: np.ndarray) -> Path:
    np.savez(path, **arrays)  # type: ignore[arg-type]
    return path


def test_arrays_come_in_the_kind_asked_for(tmp_path: Path) -> None:
    path = saved(tmp_path / "x.npz", a=np.arange(4, dtype=">i8"), b=np.ones((6, 3)), c=np.ones(1))
    lengths: dict[str, int] = {}
    found = read_arrays(path, FIELDS, lengths)
    assert sorted(found) == ["a", "b"] and lengths == {"N": 4, "M": 5}
    assert found["a"].dtype == np.int32 and found["a"].tolist() == [0, 1, 2, 3]
    assert found["b"].dtype == np.float32 and found["a"].flags.writeable
    check_ranges(found, FIELDS, lengths)
    found["a"][2] = 5
    with pytest.raises(ValueError, match="a holds"):
        check_ranges(found, FIELDS, lengths)


@pytest.mark.parametrize(
    ("a", "b"),
    [
        (np.array([2**40]), np.ones((2, 3))),
        (np.array([1.0]), np.ones((2, 3))),
        (np.array([True]), np.ones((2, 3))),
        (np.array([1]), np.full((2, 3), np.nan)),
        (np.array([1]), np.ones((2, 4))),
        (np.array([1]), np.ones(3)),
        (np.array([1]), np.ones((0, 3))),
        (np.array([None]), np.ones((2, 3))),
        (np.array(["x"]), np.ones((2, 3))),
    ],
)
def test_arrays_of_another_kind_are_a_value_error(
    tmp_path: Path, a: np.ndarray, b: np.ndarray
) -> None:
    with pytest.raises(ValueError):
        read_arrays(saved(tmp_path / "x.npz", a=a, b=b), FIELDS, {})


def test_an_array_that_says_it_is_larger_is_refused_before_it_is_made(tmp_path: Path) -> None:
    held = io.BytesIO()
    np.save(held, np.zeros(4, np.int32))
    lie = held.getvalue().replace(b"(4,)", b"(999999999999,)").replace(b" " * 11 + b"\n", b"\n")
    with zipfile.ZipFile(tmp_path / "x.npz", "w") as archive:
        archive.writestr("a.npy", lie)
    with pytest.raises(ValueError, match="size"):
        read_arrays(tmp_path / "x.npz", {"a": FIELDS["a"]}, {"M": 9})


def test_a_file_that_unpacks_without_end_is_refused(tmp_path: Path) -> None:
    held = io.BytesIO()
    np.save(held, np.zeros(100 << 20, np.uint8))
    with zipfile.ZipFile(tmp_path / "x.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.npy", held.getvalue())
    size = (tmp_path / "x.npz").stat().st_size
    assert size * 1000 < 100 << 20
    with pytest.raises(ValueError, match="without end"):
        read_arrays(tmp_path / "x.npz", {"a": Field("uint8", ("N",))}, {})
