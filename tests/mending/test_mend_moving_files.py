"""Files that move, mended over frames from end to end: USD with samples and a skeleton, Alembic.

A cloth lies 0.1 above a unit ball and sinks by 0.2 within 24 frames, so it is 0.1 deep in the end.
What is written is one frame as it stands, so that the file's own motion does not move it again.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from cagecheck.chores.clash.find import find_clashes
from cagecheck.cli import app
from cagecheck.formats.read import read_mesh
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.pose import Pose
from tests.mending.test_mend import GAP, flat, intersects, sheet, sphere
from tests.scenes.asked_here import use

SINKS, FRAMES = 0.2, 24
CLOTH, BALL = sheet(20, flat(1.1), 3.0, "cloth"), sphere(cuts=3)


def faces_of(mesh: Mesh) -> list[list[int]]:
    return [part.tolist() for part in np.split(mesh.corner_vertex, mesh.face_start[1:-1])]


def usd_stage(path: Path) -> Any:
    from pxr import Usd, UsdGeom

    stage = Usd.Stage.CreateNew(str(path))
    UsdGeom.SetStageUpAxis(stage, UsdGeom.Tokens.z)
    UsdGeom.SetStageMetersPerUnit(stage, 0.01)  # what is read counts centimetres
    stage.SetStartTimeCode(0)
    stage.SetEndTimeCode(FRAMES)
    return stage


def usd_mesh(stage: Any, path: str, mesh: Mesh) -> Any:
    from pxr import UsdGeom

    prim = UsdGeom.Mesh.Define(stage, path)
    prim.CreatePointsAttr(mesh.positions.tolist())
    faces = faces_of(mesh)
    prim.CreateFaceVertexCountsAttr([len(face) for face in faces])
    prim.CreateFaceVertexIndicesAttr([v for face in faces for v in face])
    prim.CreateSubdivisionSchemeAttr("none")
    return prim


def usd_samples(path: Path) -> None:
    """The cloth's points move, on a place that turns about the ball."""
    from pxr import UsdGeom

    stage = usd_stage(path)
    place = UsdGeom.Xform.Define(stage, "/Turns")
    turn = place.AddRotateXOp()
    cloth = usd_mesh(stage, "/Turns/cloth", CLOTH)
    for frame in (0, FRAMES):
        turn.Set(60.0 * frame / FRAMES, frame)
        moved = CLOTH.positions - [0, 0, SINKS * frame / FRAMES]
        cloth.GetPointsAttr().Set(moved.tolist(), frame)
    usd_mesh(stage, "/ball", BALL)
    stage.Save()


def usd_skeleton(path: Path) -> None:
    """The cloth hangs on a bone that sinks."""
    from pxr import Gf, UsdSkel, Vt

    stage = usd_stage(path)
    UsdSkel.Root.Define(stage, "/Rig")
    bones = UsdSkel.Skeleton.Define(stage, "/Rig/Bones")
    bones.CreateJointsAttr(["root"])
    bones.CreateBindTransformsAttr([Gf.Matrix4d(1)])
    bones.CreateRestTransformsAttr([Gf.Matrix4d(1)])
    held = UsdSkel.BindingAPI.Apply(usd_mesh(stage, "/Rig/cloth", CLOTH).GetPrim())
    held.CreateSkeletonRel().SetTargets([bones.GetPath()])
    count = CLOTH.vertex_count
    held.CreateJointIndicesPrimvar(False, 1).Set(Vt.IntArray([0] * count))
    held.CreateJointWeightsPrimvar(False, 1).Set(Vt.FloatArray([1.0] * count))
    moves = UsdSkel.Animation.Define(stage, "/Rig/Bones/Moves")
    moves.CreateJointsAttr(["root"])
    moves.CreateRotationsAttr([Gf.Quatf(1)])
    moves.CreateScalesAttr([Gf.Vec3h(1)])
    down = moves.CreateTranslationsAttr()
    for frame in (0, FRAMES):
        down.Set([Gf.Vec3f(0, 0, -SINKS * frame / FRAMES)], frame)
    UsdSkel.BindingAPI.Apply(bones.GetPrim()).CreateAnimationSourceRel().SetTargets(
        [moves.GetPath()]
    )
    usd_mesh(stage, "/ball", BALL)
    stage.Save()


def alembic_samples(path: Path) -> None:
    """The cloth's points move, and its place stands."""
    from tests.scenes.alembic_files import Archive

    def turned(mesh: Mesh) -> list[tuple[int, ...]]:
        return [tuple(face[::-1]) for face in faces_of(mesh)]  # faces turn left in the format

    with Archive(path) as archive:
        sinking = [CLOTH.positions - [0, 0, SINKS * k / FRAMES] for k in range(FRAMES + 1)]
        archive.mesh(archive.top, "cloth", sinking, turned(CLOTH))
        archive.mesh(archive.top, "ball", [BALL.positions], turned(BALL))


@pytest.mark.parametrize(
    ("library", "module", "name", "write"),
    [
        ("pxr", "usd", "samples.usda", usd_samples),
        ("pxr", "usd", "skeleton.usdc", usd_skeleton),
        ("alembic3d", "alembic", "samples.abc", alembic_samples),
    ],
)
@pytest.mark.parametrize("way", ["smooth", "one"])
def test_a_file_that_moves_is_mended_frame_by_frame(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    library: str, module: str, name: str, write: Callable[[Path], None], way: str,
) -> None:  # fmt: skip
    pytest.importorskip(library, reason=f"the extra {module} is not installed")
    use(monkeypatch, module)
    scene, out = tmp_path / name, tmp_path / "out"
    write(scene)
    before = scene.read_bytes()
    cloth, ball = (
        next(n for n in read_mesh(scene).part_names if word in n) for word in ("cloth", "ball")
    )
    told = CliRunner().invoke(app, ["clash", str(scene), "--frames", f"0:{FRAMES}:12",
        "--outer", cloth, "--inner", ball, "--gap", str(GAP), "--over-time", way,
        "--mend", str(out)])  # fmt: skip
    assert told.exit_code == 0, told.output
    assert scene.read_bytes() == before
    frames = json.loads((out / "mend.json").read_text())["frames"]
    assert [f["files"] for f in frames] == [[f"frame_{k:04d}_{scene.stem}.obj"] for k in (1, 2, 3)]
    # The ball's own faces lie up to 0.0065 within it.
    assert frames[0]["depth_before"] == 0
    assert frames[2]["depth_before"] == pytest.approx(0.1, abs=0.007)
    for k, frame in enumerate(frames):
        posed = read_mesh(scene, pose=Pose(12.0 * k))
        mended = read_mesh(out / frame["files"][0])
        assert frame["frame"] == f"{name} frame {12 * k}" and frame["depth_after"] == 0
        assert mended.part_names == posed.part_names
        assert not find_clashes([mended]).passing and not intersects(mended)
        move = np.linalg.norm(mended.positions - posed.positions, axis=1)
        part = posed.part_names.index(ball)
        still = np.unique(posed.corner_vertex[posed.face_part[posed.corner_face] == part])
        assert move[still].max() < 1e-6
        assert move.max() == pytest.approx(frame["largest_move"], abs=1e-6)
    assert frames[2]["largest_move"] == pytest.approx(0.1 + GAP, abs=0.008)
