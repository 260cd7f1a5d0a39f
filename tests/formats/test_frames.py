"""Frames of glTF animations against the closed forms of the standard, and what commands make of it.

Sections are those of Khronos Group, "glTF 2.0 Specification" (ISO/IEC 12113:2022); their numbers
are from memory. Rotations are SciPy's.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline
from scipy.spatial.transform import Rotation, Slerp
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.commands.terminal import Terminal
from cagecheck.commands.tune import say_check
from cagecheck.errors import InputError
from cagecheck.formats.frames import parse_frame, parse_frames
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.formats.write_cage import write_cage
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.pose import Pose
from cagecheck.predicting.inputs import MeshOptions, Moment, read_cage
from cagecheck.predicting.settings import Settings
from cagecheck.viewing.result import read_high, read_result
from cagecheck.watching.bake import Bake
from cagecheck.watching.rounds import Rounds
from tests.formats.test_read_gltf import attach, put
from tests.scenes.mesh_files import CORNERS, OBJ_TEXT, gltf_tree

TIMES = np.array([0.5, 1.0, 2.0], "<f4")
RATE = 24.0


def animated(
    folder: Path, path: str, values: np.ndarray, mode: str | None, **more: Any
) -> Path:  # fmt: skip
    """The cube on a node without transform, of which one property moves."""
    tree, data = gltf_tree()
    tree["nodes"] = [{"name": "Cube", "mesh": 0}]
    tree["scenes"] = [{"nodes": [0]}]
    data, times = attach(tree, data, TIMES, "SCALAR")
    kind = {1: "SCALAR", 3: "VEC3", 4: "VEC4"}[values.shape[1] if values.ndim > 1 else 1]
    data, output = attach(tree, data, values.astype("<f4"), kind)
    sampler = {"input": times, "output": output} | ({"interpolation": mode} if mode else {})
    tree["animations"] = [
        {"name": "walk", "samplers": [sampler],
         "channels": [{"sampler": 0, "target": {"node": 0, "path": path}}]}
    ]  # fmt: skip
    for key, value in more.items():
        tree["meshes"][0]["primitives"][0][key] = value
    return put(folder, tree, data)


def at(path: Path, seconds: float) -> np.ndarray:
    mesh = read_mesh(path, pose=Pose(seconds * RATE, rate=RATE))
    surface = read_surface(path, pose=Pose(seconds * RATE, rate=RATE))
    assert np.allclose(surface.positions, mesh.positions, atol=1e-6)
    return mesh.positions


@pytest.mark.parametrize("mode", ["LINEAR", "STEP", "CUBICSPLINE", None])
@pytest.mark.parametrize("seconds", [0.0, 0.5, 0.6, 1.0, 1.7, 2.0, 9.0])
def test_translations(tmp_path: Path, mode: str | None, seconds: float) -> None:
    rng = np.random.default_rng(1)
    keys = rng.normal(size=(9 if mode == "CUBICSPLINE" else 3, 3)).astype(np.float32)
    path = animated(tmp_path, "translation", keys, mode)
    held = float(np.clip(seconds, TIMES[0], TIMES[-1]))
    if mode == "CUBICSPLINE":  # in-tangent, value, out-tangent of each key, per second
        k = min(int(np.searchsorted(TIMES, held, "right")) - 1, 1)
        slopes = np.stack([keys[3 * k + 2], keys[3 * k + 3]])
        spline = CubicHermiteSpline(TIMES[k : k + 2], keys[[3 * k + 1, 3 * k + 4]], slopes)
        wanted = spline(held)
    elif mode == "STEP":
        wanted = keys[int(np.searchsorted(TIMES, held, "right")) - 1]
    else:
        wanted = [np.interp(held, TIMES, keys[:, axis]) for axis in range(3)]
    assert np.allclose(at(path, seconds), CORNERS + wanted, atol=1e-5)


@pytest.mark.parametrize("seconds", [0.5, 0.8, 1.3, 2.0])
def test_rotations_go_the_short_way_round(tmp_path: Path, seconds: float) -> None:
    keys = Rotation.random(3, np.random.default_rng(2)).as_quat()
    keys[1] *= -np.sign(keys[0] @ keys[1])  # the long way, which must not be taken
    path = animated(tmp_path, "rotation", keys, "LINEAR")
    wanted = Slerp(TIMES, Rotation.from_quat(keys))(seconds).as_matrix()
    assert np.allclose(at(path, seconds), CORNERS @ wanted.T, atol=1e-5)


def test_splines_of_rotations_are_brought_to_length_one(tmp_path: Path) -> None:
    keys = np.zeros((9, 4))
    keys[1::3] = [[0, 0, 0, 1], [0, 0, 1, 0], [0, 0, 0, 1]]
    path = animated(tmp_path, "rotation", keys, "CUBICSPLINE")
    # Half-way of an easing spline: (0, 0, 1/2, 1/2), a quarter turn about z.
    turn = Rotation.from_euler("z", 90, degrees=True).as_matrix()
    assert np.allclose(at(path, 0.75), CORNERS @ turn.T, atol=1e-5)


def test_scales_and_morph_targets(tmp_path: Path) -> None:
    path = animated(tmp_path, "scale", np.array([[1, 1, 1], [2, 1, 1], [2, 5, 1]]), "LINEAR")
    assert np.allclose(at(path, 1.5), CORNERS * [2, 3, 1])
    # Two targets, both the cube's own positions as displacements (3.7.2.2).
    weights = np.array([0, 0, 1, 0, 1, 2])
    targets = [{"POSITION": 0}, {"POSITION": 0}]
    path = animated(tmp_path, "weights", weights, "LINEAR", targets=targets)
    for seconds, factor in ((0.5, 1.0), (0.75, 1.5), (1.5, 3.0), (2.0, 4.0)):
        assert np.allclose(at(path, seconds), CORNERS * factor)
    assert np.allclose(read_mesh(path).positions, CORNERS)


def test_skins_follow_the_animation_and_stand_as_bound_at_rest(tmp_path: Path) -> None:
    """Joint times inverse bind matrix (3.7.3), with the joint moved; at rest as it was bound."""
    tree, data = gltf_tree()
    data, joints = attach(tree, data, np.zeros((8, 4), "<u1"), "VEC4")
    data, weights = attach(tree, data, np.tile(np.array([1, 0, 0, 0], "<f4"), (8, 1)), "VEC4")
    bind = np.eye(4)
    bind[:3, 3] = [0, -1, 0]
    data, inverse = attach(tree, data, bind.T.reshape(1, 16).astype("<f4"), "MAT4")
    data, times = attach(tree, data, TIMES, "SCALAR")
    data, turns = attach(
        tree, data, np.array([[0, 0, 0, 1], [0, 0, 1, 0], [0, 0, 1, 0]], "<f4"), "VEC4"
    )
    tree["meshes"][0]["primitives"][0]["attributes"] |= {"JOINTS_0": joints, "WEIGHTS_0": weights}
    tree["nodes"] = [{"mesh": 0, "skin": 0, "translation": [7, 7, 7]}, {"translation": [0, 1, 5]}]
    tree["scenes"] = [{"nodes": [0, 1]}]
    tree["skins"] = [{"joints": [1], "inverseBindMatrices": inverse}]
    tree["animations"] = [
        {"samplers": [{"input": times, "output": turns}],
         "channels": [{"sampler": 0, "target": {"node": 1, "path": "rotation"}}]}
    ]  # fmt: skip
    path = put(tmp_path, tree, data)
    assert np.allclose(at(path, 1.0), (CORNERS - [0, 1, 0]) * [-1, -1, 1] + [0, 1, 5], atol=1e-6)
    assert np.allclose(read_mesh(path, pose=Pose(None)).positions, CORNERS)
    assert np.allclose(read_mesh(path).positions, CORNERS + [0, 0, 5])


def test_what_is_not_clear_is_said(tmp_path: Path) -> None:
    keys = np.array([[0, 0, 0], [1, 0, 0], [0, 3, 0]])
    path = animated(tmp_path, "translation", keys, "LINEAR")
    (notice,) = read_mesh(path, pose=Pose(100)).notices
    assert notice.code == "frame-outside" and "12 to 48" in notice.text
    with pytest.raises(InputError, match=r"no animation “run”.*walk"):
        read_mesh(path, pose=Pose(1, "run"))
    (tmp_path / "a.obj").write_bytes(OBJ_TEXT)
    assert "no-frames" in {n.code for n in read_mesh(tmp_path / "a.obj", pose=Pose(1)).notices}
    posed = read_mesh(path, pose=Pose(24))
    (notice,) = write_cage(posed, posed.positions, tmp_path / "cage.glb")
    assert "one frame" in notice.text
    assert np.allclose(read_mesh(tmp_path / "cage.glb").positions.min(axis=0), [1, 0, 0])
    tree, data = gltf_tree()
    (notice,) = read_mesh(put(tmp_path, tree, data), pose=Pose(1)).notices
    assert notice.code == "no-frames"


@pytest.mark.parametrize(
    "broken",
    [
        {"samplers": [], "channels": [{"sampler": 0, "target": {"node": 0, "path": "scale"}}]},
        {"samplers": [{"input": 0, "output": 0}], "channels": [{"sampler": 0, "target": {}}, 5]},
        {"samplers": [{"input": 0, "output": 0, "interpolation": "BEZIER"}],
         "channels": [{"sampler": 0, "target": {"node": 0, "path": "scale"}}]},
        {"channels": []},
        {"samplers": [{"input": 1, "output": 0}],
         "channels": [{"sampler": 0, "target": {"node": 0, "path": "scale"}}]},
    ],
)  # fmt: skip
def test_broken_animations_are_refused(tmp_path: Path, broken: dict[str, Any]) -> None:
    tree, data = gltf_tree()
    tree["animations"] = [broken]
    with pytest.raises(InputError, match="sound glTF"):
        read_mesh(put(tmp_path, tree, data), pose=Pose(1))


def test_frames_as_they_are_written() -> None:
    assert parse_frames("0:20:5") == [0, 5, 10, 15, 20]
    assert parse_frames("3:5") == [3, 4, 5] and parse_frames("7,2.5") == [7, 2.5]
    assert parse_frame("rest") is None and parse_frame("12") == 12
    for wrong in ("", "5:1", "0:9:0", "a", "0:1:1:1", "0:1e9", "nan:3", "1,inf"):
        with pytest.raises(InputError, match="cannot be read"):
            parse_frames(wrong)
    for wrong in ("lunch", "nan"):
        with pytest.raises(InputError, match="cannot be read"):
            parse_frame(wrong)


def test_clash_takes_frames(tmp_path: Path) -> None:
    """A cube that goes through another one between two frames, and not at the ends."""
    keys = np.array([[3, 0.3, 0.2], [0.4, 0.3, 0.2], [-3, 0.3, 0.2]])
    path = animated(tmp_path, "translation", keys, "LINEAR")
    tree, data = gltf_tree()
    tree["nodes"] = [{"name": "Still", "mesh": 0}]
    tree["scenes"] = [{"nodes": [0]}]
    still = put(tmp_path, tree, data, "still.glb")
    run = CliRunner().invoke(
        app, ["clash", str(path), "--with", str(still), "--frames", "12:48:12", "--json"]
    )
    assert run.exit_code == 1
    frames = json.loads(run.stdout)["frames"]
    assert [(f["frame"], len(f["clashes"]) > 0) for f in frames] == [
        ("a.glb frame 12", False), ("a.glb frame 24", True), ("a.glb frame 36", False),
        ("a.glb frame 48", False),
    ]  # fmt: skip


def sliding(folder: Path) -> Path:
    """The cube slides along x: at second 0.5 by 3, at second 1 by 0.4."""
    keys = np.array([[3, 0.3, 0.2], [0.4, 0.3, 0.2], [-3, 0.3, 0.2]])
    return animated(folder, "translation", keys, "LINEAR")


FRAME = ["--frame", "24", "--animation", "walk"]


def test_a_result_says_which_frame_it_is_and_the_viewer_shows_that(tmp_path: Path) -> None:
    path, out = str(sliding(tmp_path)), tmp_path / "out"
    run = CliRunner().invoke(
        app,
        [
            "predict",
            path,
            path,
            *FRAME,
            "--offset",
            "0.01",
            "--high-scale",
            "1.05",
            "--samples",
            "500",
            "--out",
            str(out),
        ],
    )
    assert run.exit_code == 1, run.output
    document = json.loads((out / "regions.json").read_text())
    pose = {"frame": 24, "animation": "walk", "rate": 24}
    assert document["low"]["source"]["pose"] == document["high"]["source"]["pose"] == pose
    # What is printed and written to go on with reads the same frame.
    commands = [way["next"] for way in document["ways"]]
    printed = [line for line in run.output.splitlines() if "next: " in line]
    assert commands and len(printed) == len(commands)
    assert all(" ".join(FRAME) in words for words in (*commands, *printed))
    high, notice = read_high(read_result(out))
    assert notice is None and high is not None
    low = CORNERS.min(axis=0) + [0.4, 0.3, 0.2]
    assert np.allclose(high.positions.min(axis=0), 1.05 * low)
    assert "frame 24" in (out / "report.html").read_text()


def test_every_command_takes_the_frame(tmp_path: Path) -> None:
    path = sliding(tmp_path)
    reading = MeshOptions(moment=Moment("24", "walk"))
    bake = Bake(path, path, settings=Settings(offset=0.1, samples=500), reading=reading)
    low = Rounds(bake).predict().low
    assert np.allclose(low.positions.min(axis=0), CORNERS.min(axis=0) + [0.4, 0.3, 0.2])
    run = CliRunner().invoke(app, ["inspect", str(path), str(path), *FRAME, "--json"])
    assert json.loads(run.stdout)["pose"]["frame"] == 24
    terminal = Terminal()
    with terminal.out.capture() as said:
        say_check(terminal, path, path, reading, [tmp_path / "cage.glb"], 0.5)
    assert " ".join(FRAME) in " ".join(said.get().split())


def test_a_cage_that_moves_is_read_in_the_low_polys_frame(tmp_path: Path) -> None:
    low = prepare_low(read_mesh(sliding(tmp_path), pose=Pose(24)))
    cage, _ = read_cage(low, cage=tmp_path / "a.glb")
    assert cage is not None and not cage.displacement.any()
