"""Arrays come back as they were written, in less room, with the same bytes every time."""

import numpy as np
import pytest

from cagecheck.arrays.npz import narrow, write_npz

RNG = np.random.default_rng(5)
ARRAYS = {
    "noise": RNG.normal(size=(5000, 3)).astype(np.float32),
    "classes": RNG.integers(0, 3, 50_000).astype(np.uint8),
    "rising": np.arange(40_000, dtype=np.int32),
    "flag": np.zeros(30_000, bool),
    "none": np.zeros((0, 3), np.float32),
    "one": np.array(7),
    "words": np.array(["a", "bc"]),
}


def test_numpy_reads_what_was_written(tmp_path):
    for name in ("a.npz", "b.npz"):
        write_npz(tmp_path / name, ARRAYS)
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()
    with np.load(tmp_path / "a.npz", allow_pickle=False) as stored:
        assert stored.files == list(ARRAYS)
        for name, values in ARRAYS.items():
            assert stored[name].dtype == values.dtype
            np.testing.assert_array_equal(stored[name], values)


def test_what_packs_well_is_packed_and_noise_is_not(tmp_path):
    import zipfile

    write_npz(tmp_path / "a.npz", ARRAYS)
    with zipfile.ZipFile(tmp_path / "a.npz") as archive:
        size = {e.filename: (e.compress_size, e.file_size) for e in archive.infolist()}
    assert size["noise.npy"][0] == size["noise.npy"][1]
    for name in ("classes", "flag"):
        assert size[f"{name}.npy"][0] < 0.5 * size[f"{name}.npy"][1]


@pytest.mark.parametrize(
    ("values", "kind"),
    [([], np.int32), ([-1, 2**31 - 1], np.int32), ([2**31], np.int64), ([-(2**40)], np.int64)],
)
def test_numbers_are_narrowed_only_where_they_fit(values, kind):
    index = np.array(values, np.int64)
    assert narrow(index).dtype == kind
    np.testing.assert_array_equal(narrow(index), index)
