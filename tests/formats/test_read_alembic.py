"""Alembic archives that the format's own library writes, against their numbers by construction."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.errors import InputError
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.meshes.pose import Pose
from tests.formats.test_hostile_files import damaged, outcome

pytest.importorskip("alembic3d", reason="the extra alembic is not installed")
from tests.scenes.alembic_files import Archive, moved, write_plate_archive

SQUARE = np.array([(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0)], float)
# Faces turn left in the format: seen from +z the corners run clockwise.
FACE = [(3, 2, 1, 0)]


def codes(mesh: Any) -> set[str]:
    return {notice.code for notice in mesh.notices}


def test_a_plate_with_all_that_is_read(tmp_path: Path) -> None:
    write_plate_archive(tmp_path / "plate.abc")
    mesh = read_mesh(tmp_path / "plate.abc")
    points = np.array([*SQUARE, (2, 0, 0)])
    assert np.array_equal(mesh.positions, points * [2, 3, 4] + [10, 20, 30])
    assert mesh.face_start.tolist() == [0, 4, 7]
    # The first corner stays the first.
    assert mesh.corner_vertex.tolist() == [3, 0, 1, 2, 2, 1, 4]
    assert mesh.part_names == ("/World/Plate_low",)
    assert mesh.corner_uv is not None and mesh.corner_normal is not None
    wanted = [[0, 1], [0, 0], [1, 0], [1, 1], [1, 1], [0, 0], [1, 0]]
    assert mesh.corner_uv.tolist() == wanted
    assert np.allclose(mesh.corner_normal, [0, 0, 1])
    assert [mesh.material_names[k] for k in mesh.face_material] == ["skin", "steel"]
    assert mesh.notices == () and mesh.source is not None and mesh.source.format == "abc"
    surface = read_surface(tmp_path / "plate.abc")
    assert surface.triangle_count == 3 and surface.normals is not None
    corners = surface.positions[surface.triangles]
    assert (np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2] > 0).all()


def moving(path: Path) -> None:
    """A square that rises by 1 a frame on a place that turns about z by 90 degrees in a frame."""
    import imath

    def turned(degrees: float) -> Any:
        def put(sample: Any) -> None:
            sample.setRotation(imath.V3d(0, 0, 1), degrees)

        return put

    with Archive(path) as archive:
        above = archive.place(archive.top, "Arm", [turned(0), turned(90), turned(180)])
        rising = [SQUARE + [0, 0, k] for k in range(3)]
        archive.mesh(above, "Hand", rising, FACE)
        del above


def test_frames_lie_between_samples(tmp_path: Path) -> None:
    moving(tmp_path / "a.abc")
    for frame, degrees in ((0, 0), (0.5, 45), (1, 90), (1.75, 157.5), (2, 180)):
        turn = np.radians(degrees)
        matrix = np.array(
            [[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]]
        )
        wanted = (SQUARE + [0, 0, frame]) @ matrix.T
        found = read_mesh(tmp_path / "a.abc", pose=Pose(frame))
        assert np.allclose(found.positions, wanted, atol=1e-6) and found.notices == ()
        # The same moment at another rate.
        again = read_surface(tmp_path / "a.abc", pose=Pose(frame * 2.5, rate=60))
        assert np.allclose(again.positions, wanted, atol=1e-6)
    assert codes(read_mesh(tmp_path / "a.abc", pose=Pose(9))) == {"frame-outside"}
    for pose in (None, Pose(None)):
        assert np.allclose(read_mesh(tmp_path / "a.abc", pose=pose).positions, SQUARE)


def test_clash_takes_frames_of_an_archive(tmp_path: Path) -> None:
    """A square that passes through a standing one between two frames."""
    with Archive(tmp_path / "a.abc") as archive:
        above = archive.place(
            archive.top, "Moves", [moved((0.5, 0.3, z)) for z in (-2.0, -0.5, 2.0)]
        )
        upright = SQUARE[:, [2, 0, 1]]
        archive.mesh(above, "Blade", [upright], FACE)
        archive.mesh(archive.top, "Still", [SQUARE], FACE)
        del above
    run = CliRunner().invoke(app, ["clash", str(tmp_path / "a.abc"), "--frames", "0:2", "--json"])
    assert [len(f["clashes"]) > 0 for f in json.loads(run.stdout)["frames"]] == [
        False, True, False,
    ]  # fmt: skip


def test_what_is_left_out_is_said(tmp_path: Path) -> None:
    with Archive(tmp_path / "a.abc") as archive:
        above = archive.place(archive.top, "Up", [moved((0, 0, 5))])
        archive.mesh(above, "Seen", [SQUARE], FACE)
        archive.mesh(above, "Hidden", [SQUARE], FACE, hidden=True)
        lone = archive.place(above, "Lone", [moved((1, 0, 0))], inherits=False)
        archive.mesh(lone, "Cage", [[*SQUARE, (2, 0, 0)]], [*FACE, (2, 4, 1)], holes=[0])
        del above, lone
    mesh = read_mesh(tmp_path / "a.abc")
    assert mesh.part_names == ("/Up/Seen", "/Up/Lone/Cage")
    assert np.bincount(mesh.face_part).tolist() == [1, 1]
    # A place that does not inherit stands in the world.
    assert mesh.positions[-1].tolist() == [3, 0, 0]
    assert codes(mesh) == {
        "alembic-invisible", "alembic-subdivision", "alembic-subdivision-surfaces-with-holes",
        "unused-vertices",
    }  # fmt: skip


def test_meshes_whose_faces_change_stand_as_at_the_nearer_sample(tmp_path: Path) -> None:
    from alembic3d import AbcGeom

    from tests.scenes.alembic_files import array, numbers

    with Archive(tmp_path / "a.abc") as archive:
        out = archive.mesh(archive.top, "Grows", [SQUARE], FACE)
        more = AbcGeom.OPolyMeshSchemaSample(
            array([*SQUARE, (5, 0, 0)], "V3f"), numbers([3, 2, 1, 0, 2, 4, 1]), numbers([4, 3])
        )
        out.getSchema().set(more)
        del out
    for frame, faces in ((0.25, 1), (0.75, 2)):
        assert read_mesh(tmp_path / "a.abc", pose=Pose(frame)).face_count == faces


def test_faces_that_do_not_add_up_are_refused(tmp_path: Path) -> None:
    for name, wrong in (("a", 9), ("b", -2)):
        with Archive(tmp_path / f"{name}.abc") as archive:
            archive.mesh(archive.top, "Bad", [SQUARE], [(3, 2, 1, wrong)])
        with pytest.raises(InputError, match="not there"):
            read_mesh(tmp_path / f"{name}.abc")
    with Archive(tmp_path / "c.abc") as archive:
        archive.mesh(archive.top, "Bad", [[*SQUARE[:3], (np.nan, 0, 0)]], FACE)
    with pytest.raises(InputError, match="no place in space"):
        read_mesh(tmp_path / "c.abc")
    with Archive(tmp_path / "d.abc") as archive:
        archive.place(archive.top, "Empty", [moved((0, 0, 5))])
    with pytest.raises(InputError, match="no meshes"):
        read_mesh(tmp_path / "d.abc")


def test_damaged_archives_end_in_a_sentence(tmp_path: Path) -> None:
    write_plate_archive(tmp_path / "whole.abc")
    data = (tmp_path / "whole.abc").read_bytes()
    for seed in range(5):
        (tmp_path / "a.abc").write_bytes(damaged(data, seed))
        outcome(tmp_path / "a.abc")
    (tmp_path / "a.abc").write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(500))
    with pytest.raises(InputError, match=r"old kind \(HDF5\).*glTF or USD"):
        read_mesh(tmp_path / "a.abc")


def test_without_the_library_says_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_plate_archive(tmp_path / "plate.abc")
    (tmp_path / "alembic3d").mkdir()
    (tmp_path / "alembic3d" / "__init__.py").write_text("raise ImportError('not here')\n")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with pytest.raises(InputError, match=r"pip install 'cagecheck\[alembic\]'"):
        read_mesh(tmp_path / "plate.abc")
