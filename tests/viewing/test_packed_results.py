"""Result folders: packed arrays and those of older versions read alike; damaged ones are told."""

import shutil

import numpy as np
import pytest

from cagecheck.errors import InputError
from cagecheck.viewing.result import read_result


def wide(folder):
    """Write the arrays as they were written before: unpacked, with indices in 64 bits."""
    for name in ("samples.npz", "view.npz"):
        with np.load(folder / name) as stored:
            arrays = dict(stored)
        for index in ("layer_first", "target_layer", "recorded_layer"):
            if index in arrays:
                arrays[index] = arrays[index].astype(np.int64)
        np.savez(folder / name, **arrays)


def test_folders_of_older_versions_read_and_recolour_alike(result_folder, tmp_path):
    old = tmp_path / "old"
    shutil.copytree(result_folder, old)
    wide(old)
    assert (old / "samples.npz").stat().st_size > (result_folder / "samples.npz").stat().st_size
    now, before = read_result(result_folder), read_result(old)
    assert list(now.samples) == list(before.samples)
    for name, values in now.samples.items():
        np.testing.assert_array_equal(values, before.samples[name])
    for factor in (0.4, 1.0):
        new, same = (r.recolourer().at(factor) for r in (now, before))
        for name, values in vars(new).items():
            np.testing.assert_array_equal(values, getattr(same, name))


@pytest.mark.parametrize("where", [0.2, 0.5, 0.9])
def test_a_packed_file_with_wrong_bytes_is_damaged(result_folder, tmp_path, where):
    folder = tmp_path / "out"
    shutil.copytree(result_folder, folder)
    data = bytearray((folder / "samples.npz").read_bytes())
    at = int(where * len(data))
    data[at : at + 64] = bytes(b ^ 0x5A for b in data[at : at + 64])
    (folder / "samples.npz").write_bytes(data)
    with pytest.raises(InputError, match="damaged"):
        read_result(folder)
