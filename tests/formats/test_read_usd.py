"""USD scenes against their own numbers, and against what usd-core itself computes of them."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cagecheck.errors import InputError
from cagecheck.formats.child_meshes import RefusedError
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.formats.usd_vet import Layers, vet
from cagecheck.meshes.pose import Pose
from tests.formats.test_hostile_files import damaged, outcome
from tests.scenes.asked_here import use
from tests.scenes.usd_files import ODD, PLATE, odd_scene

pxr = pytest.importorskip("pxr", reason="the extra usd is not installed")
from pxr import Gf, Sdf, Usd, UsdGeom, UsdSkel, Vt  # noqa: E402


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    use(monkeypatch, "usd")


HERE = pytest.mark.usefixtures("here")
SQUARE = [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0)]


def put(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def saved(stage: Any, path: Path) -> Path:
    stage.GetRootLayer().Export(str(path))
    return path


def plate(stage: Any, path: str, points: Any = SQUARE) -> Any:
    mesh = UsdGeom.Mesh.Define(stage, path)
    mesh.CreatePointsAttr(points)
    mesh.CreateFaceVertexCountsAttr([4])
    mesh.CreateFaceVertexIndicesAttr([0, 1, 2, 3])
    mesh.CreateSubdivisionSchemeAttr("none")
    return mesh


def codes(mesh: Any) -> set[str]:
    return {notice.code for notice in mesh.notices}


def test_a_plate_in_every_encoding(tmp_path: Path) -> None:
    path = put(tmp_path, "plate.usda", PLATE)
    layer = Sdf.Layer.FindOrOpen(str(path))
    for name in ("plate.usdc", "plate.usd"):
        layer.Export(str(tmp_path / name))
    package = Sdf.ZipFileWriter.CreateNew(str(tmp_path / "plate.usdz"))
    package.AddFile(str(tmp_path / "plate.usdc"), "plate.usdc")
    package.Save()
    put(tmp_path, "packed.usda.gz", gzip.compress(PLATE))
    names = ("plate.usda", "plate.usdc", "plate.usd", "plate.usdz", "packed.usda.gz")
    for name in names:
        mesh = read_mesh(tmp_path / name)
        points = np.array([*SQUARE, (2, 0, 0)])
        assert np.array_equal(mesh.positions, points * [2, 3, 4] + [10, 20, 30])
        assert mesh.face_start.tolist() == [0, 4, 7]
        assert mesh.corner_vertex.tolist() == [0, 1, 2, 3, 1, 4, 2]
        assert mesh.part_names == ("/World/Plate_low",)
        assert mesh.corner_uv is not None and mesh.corner_normal is not None
        assert mesh.corner_uv.tolist() == [[0, 0], [1, 0], [1, 1], [0, 1], [0, 0], [1, 0], [1, 1]]
        assert np.allclose(mesh.corner_normal, [0, 0, 1])
        assert [mesh.material_names[k] for k in mesh.face_material] == ["skin", "steel"]
        assert mesh.notices == ()
        assert (
            mesh.source is not None
            and mesh.source.format == name.removesuffix(".gz").rsplit(".")[-1]
        )
        if name.endswith((".usda", ".gz")):  # what is read of the others does not differ
            continue
        surface = read_surface(tmp_path / name)
        assert surface.triangle_count == 3 and surface.normals is not None


@HERE
def test_units_and_up_axis_are_applied_and_told(tmp_path: Path) -> None:
    text = PLATE.replace(b"metersPerUnit = 0.01", b"metersPerUnit = 1")
    mesh = read_mesh(put(tmp_path, "a.usda", text.replace(b'upAxis = "Y"', b'upAxis = "Z"')))
    before = read_mesh(put(tmp_path, "b.usda", PLATE))
    # z up to y up: (x, y, z) becomes (x, z, -y).
    assert np.allclose(mesh.positions, 100 * before.positions[:, [0, 2, 1]] * [1, 1, -1])
    assert np.allclose(mesh.corner_normal, [0, 1, 0])
    assert codes(mesh) == {"usd-units", "usd-axes"}


def crowd(stage: Any) -> None:
    """Instances of three kinds, guides, hidden things, turned and mirrored ones."""
    world = UsdGeom.Xform.Define(stage, "/World")
    world.AddRotateXYZOp().Set((10, 20, 30))
    thing = stage.CreateClassPrim("/Thing")
    plate(stage, "/Thing/Body")
    UsdGeom.Xform.Define(stage, "/Thing/Up").AddTranslateOp().Set((0, 0, 2))
    plate(stage, "/Thing/Up/Cap", [(0, 0, 0), (3, 0, 0), (3, 1, 1), (0, 1, 0)])
    for k in range(2):
        copy = UsdGeom.Xform.Define(stage, f"/World/Copy{k}")
        copy.GetPrim().GetInherits().AddInherit(thing.GetPath())
        copy.GetPrim().SetInstanceable(True)
        copy.AddTranslateOp().Set((5.0 * k + 1, 0, 0))
        copy.AddScaleOp().Set((-1.0 if k else 1.0, 1, 1))
    swarm = UsdGeom.PointInstancer.Define(stage, "/World/Swarm")
    swarm.AddTranslateOp().Set((0, 7, 0))
    leaf = plate(stage, "/World/Swarm/Leaf")
    leaf.AddTranslateOp().Set((0.5, 0, 0))
    twig = plate(stage, "/World/Swarm/Group/Twig", [(0, 0, 0), (0, 9, 0), (0, 9, 9), (0, 0, 9)])
    UsdGeom.Xform(stage.GetPrimAtPath("/World/Swarm/Group"))
    assert twig
    swarm.CreatePrototypesRel().SetTargets(["/World/Swarm/Leaf", "/World/Swarm/Group"])
    swarm.CreateProtoIndicesAttr([0, 1, 0, 1])
    swarm.CreatePositionsAttr([(0, 0, 0), (1, 0, 0), (0, 20, 0), (900, 0, 0)])
    swarm.CreateScalesAttr([(1, 1, 1), (2, 1, 1), (1, 3, 1), (1, 1, 1)])
    turned = Gf.Quath(Gf.Rotation(Gf.Vec3d(0, 0, 1), 90).GetQuat())
    swarm.CreateOrientationsAttr([Gf.Quath(1), turned, turned, turned])
    swarm.InvisId(3, Usd.TimeCode.Default())
    plate(stage, "/World/Guide").CreatePurposeAttr("guide")
    plate(stage, "/World/Hidden").MakeInvisible()
    UsdGeom.Sphere.Define(stage, "/World/Ball").MakeInvisible()


@HERE
def test_instances_against_the_library(tmp_path: Path) -> None:
    """Boxes of all that is drawn are those of UsdGeom.BBoxCache; counts are by construction."""
    stage = Usd.Stage.CreateInMemory()
    crowd(stage)
    mesh = read_mesh(saved(stage, tmp_path / "crowd.usdc"))
    parts = [
        "/World/Copy0/Body", "/World/Copy0/Up/Cap", "/World/Copy1/Body", "/World/Copy1/Up/Cap",
        "/World/Swarm/Leaf", "/World/Swarm/Group/Twig",
    ]  # fmt: skip
    assert list(mesh.part_names) == parts
    assert np.bincount(mesh.face_part).tolist() == [1, 1, 1, 1, 2, 1]
    assert {"usd-invisible", "usd-purpose-guide"} <= codes(mesh)
    boxes = UsdGeom.BBoxCache(Usd.TimeCode.Default(), ["default", "render"])
    for names, root in ((parts[:2], "/World/Copy0"), (parts[2:4], "/World/Copy1"),
                        (parts[4:], "/World/Swarm")):  # fmt: skip
        box = boxes.ComputeWorldBound(stage.GetPrimAtPath(root)).ComputeAlignedRange()
        faces = np.isin(mesh.face_part, [parts.index(name) for name in names])
        held = mesh.positions[mesh.corner_vertex[faces[mesh.corner_face]]]
        # A bound is a box turned with its prim, so the library's may be larger, never smaller.
        assert (held.min(axis=0) >= np.array(box.GetMin()) - 1e-4).all()
        assert (held.max(axis=0) <= np.array(box.GetMax()) + 1e-4).all()
    # Each place by the library's own matrices.
    places = UsdGeom.XformCache()
    body = stage.GetPrimAtPath("/World/Copy1/Body")
    wanted = [places.GetLocalToWorldTransform(body).Transform(Gf.Vec3d(*p)) for p in SQUARE]
    first = mesh.face_start[np.flatnonzero(mesh.face_part == 2)[0]]
    found = mesh.positions[mesh.corner_vertex[first : first + 4]]
    # The copy mirrors, so its corners run the other way round.
    assert np.allclose(found, np.array(wanted)[[0, 3, 2, 1]], atol=1e-5)
    swarm = UsdGeom.PointInstancer(stage.GetPrimAtPath("/World/Swarm"))
    matrices = swarm.ComputeInstanceTransformsAtTime(
        Usd.TimeCode.Default(), Usd.TimeCode.Default(),
    )  # fmt: skip
    placed = places.GetLocalToWorldTransform(swarm.GetPrim())
    expected = [
        (matrices[k] * placed).Transform(Gf.Vec3d(*p)) for k in (0, 2) for p in SQUARE
    ]  # fmt: skip
    leaves = mesh.corner_vertex[np.isin(mesh.face_part, [4])[mesh.corner_face]]
    assert np.allclose(mesh.positions[leaves], expected, atol=1e-4)


@HERE
@pytest.mark.parametrize("how", ["constant", "uniform", "vertex", "varying", "faceVarying"])
@pytest.mark.parametrize("indexed", [False, True])
def test_interpolations(tmp_path: Path, how: str, indexed: bool) -> None:
    stage = Usd.Stage.CreateInMemory()
    mesh = plate(stage, "/A")
    mesh.CreateFaceVertexCountsAttr([3, 3])
    mesh.CreateFaceVertexIndicesAttr([0, 1, 2, 0, 2, 3])
    count = {"constant": 1, "uniform": 2, "faceVarying": 6}.get(how, 4)
    values = np.stack([np.arange(count), np.arange(count) / 2], axis=1).astype(np.float32)
    primvar = UsdGeom.PrimvarsAPI(mesh).CreatePrimvar(
        "map1", Sdf.ValueTypeNames.TexCoord2fArray, how
    )
    primvar.Set(Vt.Vec2fArray.FromNumpy(values))
    if indexed:
        primvar.SetIndices(list(range(count))[::-1])
    flat = np.array(primvar.ComputeFlattened())  # the library undoes the indices
    rows = {"constant": [0] * 6, "uniform": [0, 0, 0, 1, 1, 1], "faceVarying": range(6)}.get(
        how, [0, 1, 2, 0, 2, 3]
    )
    assert np.array_equal(read_mesh(saved(stage, tmp_path / "a.usda")).corner_uv, flat[list(rows)])


@HERE
def test_left_handed_meshes_are_turned_round(tmp_path: Path) -> None:
    text = PLATE.replace(b'scheme = "none"', b'scheme = "none"').replace(
        b"point3f[]", b'uniform token orientation = "leftHanded"\n        point3f[]'
    )
    mesh = read_mesh(put(tmp_path, "a.usda", text))
    assert mesh.corner_vertex.tolist() == [0, 3, 2, 1, 1, 2, 4]
    assert mesh.corner_uv is not None and mesh.corner_uv[1].tolist() == [0, 1]


@HERE
def test_subdivision_is_read_as_its_cage_without_holes(tmp_path: Path) -> None:
    text = PLATE.replace(b'"none"', b'"catmullClark"').replace(
        b"point3f[]", b"int[] holeIndices = [0]\n        point3f[]"
    )
    mesh = read_mesh(put(tmp_path, "a.usda", text))
    assert mesh.face_start.tolist() == [0, 3] and mesh.corner_vertex.tolist() == [1, 4, 2]
    assert [mesh.material_names[k] for k in mesh.face_material] == ["steel"]
    assert {"usd-subdivision", "usd-subdivision-surfaces-with-holes"} <= codes(mesh)


@HERE
@pytest.mark.parametrize(
    "address",
    [
        "../secret.usda", "{root}/secret.usda", "http://127.0.0.1/a.usda", "link.usda",
        "file:///etc/hostname", "sub/../../secret.usda", "..\\\\secret.usda", "C:/secret.usda",
        "`\\\"../secret.usda\\\"`", "../secret.usda:SDF_FORMAT_ARGS:a=b",
    ],
)  # fmt: skip
@pytest.mark.parametrize("way", ["subLayers", "references", "payload", "variant", "clips"])
def test_nothing_outside_the_folder_is_read(tmp_path: Path, address: str, way: str) -> None:
    if way in ("references", "variant", "clips") and address not in ("../secret.usda", "link.usda"):
        pytest.skip("one door for all addresses; every way is tried with two of them")
    folder = tmp_path / "asset"
    folder.mkdir()
    put(tmp_path, "secret.usda", PLATE)
    (folder / "link.usda").symlink_to(tmp_path / "secret.usda")
    where = f"@{address.format(root=tmp_path)}@"
    head, inside = "#usda 1.0\n", ""
    if way == "subLayers":
        head += f"(\n    subLayers = [{where}]\n)\n"
    prim = {
        "references": f"(\n    references = {where}</World>\n)",
        "payload": f"(\n    payload = {where}</World>\n)",
        "clips": '(\n    clips = { dictionary default = { asset[] assetPaths = [' + where
        + ']\n string primPath = "/World"\n double2[] active = [(0, 0)] } }\n)',
        "variant": '(\n    variants = { string v = "a" }\n    prepend variantSets = "v"\n)',
    }.get(way, "")  # fmt: skip
    if way == "variant":
        inside = f'    variantSet "v" = {{\n "a" (references = {where}</World>) {{ }}\n }}\n'
    text = f'{head}\ndef Xform "World" {prim}\n{{\n{inside}}}\n' + PLATE.decode().split(")\n", 1)[
        1
    ].replace('"World"', '"Other"').replace("/World/", "/Other/")
    path = put(folder, "a.usda", text.encode())
    with pytest.raises(InputError, match=r"outside the file's own folder|by an expression"):
        read_mesh(path)


def test_clips_within_a_variant_are_looked_at(tmp_path: Path) -> None:
    """Value clips may be said of a prim by any opinion on it, those of variants among them."""
    (tmp_path / "asset").mkdir()
    put(tmp_path, "secret.usda", PLATE)
    clips = """clips = { dictionary default = { asset[] assetPaths = [@../secret.usda@]
        string primPath = "/World"
        double2[] active = [(0, 0)] } }"""
    text = f"""#usda 1.0
def Xform "World" (
    variants = {{ string v = "a" }}
    prepend variantSets = "v"
)
{{
    variantSet "v" = {{
        "a" (
        {clips}
        ) {{ }}
    }}
}}
"""
    folder = tmp_path / "asset"
    path = put(folder, "a.usda", text.encode())
    with pytest.raises(RefusedError, match="outside the file's own folder"):
        vet(str(path), [str(folder)], Layers())
    put(folder, "plate.usda", PLATE)
    path = put(folder, "b.usda", text.replace("../secret", "./plate").encode())
    vet(str(path), [str(folder)], found := Layers())
    assert [Path(file).name for file in found.files] == ["b.usda", "plate.usda"]


@pytest.mark.parametrize("address", ["./p.usdz", "./p.usdz[in.usda]"])
def test_a_package_that_is_referred_to_is_looked_into(tmp_path: Path, address: str) -> None:
    """It opens with its first layer where the address names none; paths begin in the package."""
    folder = tmp_path / "asset"
    folder.mkdir()
    put(tmp_path, "secret.usda", PLATE)
    path = put(folder, "a.usda", f'#usda 1.0\ndef "B" (references = @{address}@) {{}}'.encode())
    for leads_to in ("beside.usda", "../secret.usda"):
        text = f'#usda 1.0\ndef "A" (references = @./{leads_to}@</World>) {{}}'
        put(folder, "in.usda", text.encode())
        put(folder, "beside.usda", PLATE)
        package = Sdf.ZipFileWriter.CreateNew(str(folder / "p.usdz"))
        for name in ("in.usda", "beside.usda"):
            package.AddFile(str(folder / name), name)
            (folder / name).unlink()
        package.Save()
        found = Layers()
        if leads_to == "beside.usda":
            vet(str(path), [str(folder)], found)
            assert not found.missing
            assert [Path(file).name for file in found.files] == ["a.usda", "p.usdz"]
        else:
            with pytest.raises(RefusedError, match="outside the file's own folder"):
                vet(str(path), [str(folder)], found)


def test_layers_of_the_folder_are_read_and_missing_ones_told(tmp_path: Path) -> None:
    (tmp_path / "parts").mkdir()
    put(tmp_path / "parts", "plate.usda", PLATE)
    text = '#usda 1.0\ndef "A" (references = @./parts/plate.usda@) {}\n'
    mesh = read_mesh(put(tmp_path, "a.usda", text.encode()))
    assert mesh.part_names == ("/A/Plate_low",) and mesh.notices == ()
    text += 'def "B" (payload = @./parts/gone.usda@) {}\n'
    assert codes(read_mesh(put(tmp_path, "b.usda", text.encode()))) == {"usd-missing-layers"}


def test_no_plugin_is_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither one beside the file nor one that the environment names."""
    told = tmp_path / "told"
    put(tmp_path, "evil.py", f"open({str(told)!r}, 'w').close()\n".encode())
    info = {
        "Plugins": [
            {
                "Name": "evil", "Type": "python", "Root": ".", "ResourcePath": ".",
                "Info": {"Types": {"EvilFormat": {
                    "bases": ["SdfFileFormat"], "extensions": ["evil"], "formatId": "evil",
                    "primary": True, "target": "usd"}}},
            }
        ]
    }  # fmt: skip
    put(tmp_path, "plugInfo.json", json.dumps(info).encode())
    put(tmp_path, "x.evil", b"?")
    monkeypatch.setenv("PXR_PLUGINPATH_NAME", str(tmp_path))
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    text = PLATE + b'\ndef "B" (references = @./x.evil@) {}\n'
    try:
        read_mesh(put(tmp_path, "a.usda", text))
    except InputError as error:
        assert "evil" in str(error) or "USD" in str(error)
    assert not told.exists()


def test_without_the_library_says_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "pxr").mkdir()
    put(tmp_path / "pxr", "__init__.py", b"raise ImportError('not here')\n")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with pytest.raises(InputError, match=r"pip install 'cagecheck\[usd\]'"):
        read_mesh(put(tmp_path, "plate.usda", PLATE))


@HERE
def test_time_samples(tmp_path: Path) -> None:
    stage = Usd.Stage.CreateInMemory()
    stage.SetStartTimeCode(1)
    stage.SetEndTimeCode(11)
    mesh = plate(stage, "/A")
    mesh.AddTranslateOp().Set((0, 0, 0), 1)
    mesh.GetOrderedXformOps()[0].Set((10, 0, 0), 11)
    mesh.GetPointsAttr().Set([(0, 0, 5), *SQUARE[1:]], 1)
    mesh.GetPointsAttr().Set([(0, 0, 9), *SQUARE[1:]], 11)
    path = saved(stage, tmp_path / "a.usdc")
    for frame, x, z in ((None, 0, 5), (1, 0, 5), (6, 5, 7), (11, 10, 9)):
        mesh = read_mesh(path, pose=None if frame is None else Pose(frame))
        assert np.allclose(mesh.positions[0], [x, 0, z])
        assert np.allclose(mesh.positions[1], [x + 1, 0, 0])
    assert np.allclose(read_mesh(path, pose=Pose(None)).positions[0], [0, 0, 5])
    assert codes(read_mesh(path, pose=Pose(40))) == {"frame-outside"}


def skinned(stage: Any) -> None:
    """A strip of six vertices on two joints, with a blend shape; the skeleton stands turned."""
    stage.SetStartTimeCode(0)
    stage.SetEndTimeCode(10)
    UsdSkel.Root.Define(stage, "/Rig")
    bones = UsdSkel.Skeleton.Define(stage, "/Rig/Bones")
    UsdGeom.Xformable(bones).AddRotateXYZOp().Set((0, 30, 0))
    bones.CreateJointsAttr(["hip", "hip/knee"])
    bind = [Gf.Matrix4d(1), Gf.Matrix4d().SetTranslate((0, 1, 0))]
    bones.CreateBindTransformsAttr(bind)
    bones.CreateRestTransformsAttr(bind)
    mesh = UsdGeom.Mesh.Define(stage, "/Rig/Skin")
    mesh.CreatePointsAttr([(x, y, 0) for y in (0, 1, 2) for x in (0, 1)])
    mesh.CreateFaceVertexCountsAttr([4, 4])
    mesh.CreateFaceVertexIndicesAttr([0, 1, 3, 2, 2, 3, 5, 4])
    held = UsdSkel.BindingAPI.Apply(mesh.GetPrim())
    held.CreateSkeletonRel().SetTargets([bones.GetPath()])
    held.CreateJointIndicesPrimvar(False, 2).Set([0, 1] * 6)
    held.CreateJointWeightsPrimvar(False, 2).Set(
        [1, 0, 1, 0, 0.5, 0.5, 0.5, 0.5, 0, 1, 0, 1]
    )  # fmt: skip
    shape = UsdSkel.BlendShape.Define(stage, "/Rig/Skin/bulge")
    shape.CreateOffsetsAttr([(0, 0, 1), (0, 0, 2)])
    shape.CreatePointIndicesAttr([2, 3])
    held.CreateBlendShapesAttr(["bulge"])
    held.CreateBlendShapeTargetsRel().SetTargets([shape.GetPath()])
    moves = UsdSkel.Animation.Define(stage, "/Rig/Bones/Moves")
    moves.CreateJointsAttr(["hip", "hip/knee"])
    moves.CreateBlendShapesAttr(["bulge"])
    moves.CreateTranslationsAttr([(0, 0, 0), (0, 1, 0)])
    moves.CreateScalesAttr([(1, 1, 1), (1, 1, 1)])
    rotations = moves.CreateRotationsAttr()
    weights = moves.CreateBlendShapeWeightsAttr()
    for time, angle in ((0, 0), (10, 90)):
        turn = Gf.Quatf(Gf.Rotation(Gf.Vec3d(0, 0, 1), angle).GetQuat())
        rotations.Set([Gf.Quatf(1), turn], time)
        weights.Set([time / 10], time)
    UsdSkel.BindingAPI.Apply(bones.GetPrim()).CreateAnimationSourceRel().SetTargets(
        [moves.GetPath()]
    )


@HERE
def test_skeletons_against_the_library(tmp_path: Path) -> None:
    """Skinned places are those that UsdSkel.BakeSkinning writes."""
    stage = Usd.Stage.CreateInMemory()
    skinned(stage)
    path = saved(stage, tmp_path / "rig.usda")
    baked = Usd.Stage.Open(str(path))
    UsdSkel.BakeSkinning(UsdSkel.Root(baked.GetPrimAtPath("/Rig")), Gf.Interval(0, 10))
    skin = UsdGeom.Mesh(baked.GetPrimAtPath("/Rig/Skin"))
    for frame in (0, 4, 10):
        points = np.array(skin.GetPointsAttr().Get(frame))
        matrix = np.array(UsdGeom.XformCache(frame).GetLocalToWorldTransform(skin.GetPrim()))
        wanted = points @ matrix[:3, :3] + matrix[3, :3]
        found = read_mesh(path, pose=Pose(frame)).positions
        assert np.allclose(found, wanted, atol=1e-5)
    # The closed form of the last frame: the knee at (0, 1) turns what hangs on it by 90 degrees.
    turned = np.array([-1, 1, 0]) @ np.array(Gf.Matrix3d(Gf.Rotation(Gf.Vec3d(0, 1, 0), 30)))
    assert np.allclose(found[4], turned, atol=1e-5)
    rest = read_mesh(path).positions
    assert np.allclose(rest[4], [0, 2, 0]) and np.allclose(rest[2], [0, 1, 0])


@pytest.mark.long
def test_damaged_files(tmp_path: Path) -> None:
    binary = tmp_path / "whole.usdc"
    put(tmp_path, "whole.usda", PLATE)
    Sdf.Layer.FindOrOpen(str(tmp_path / "whole.usda")).Export(str(binary))
    for name, data, tries in (("a.usda", PLATE, 2), ("a.usdc", binary.read_bytes(), 5)):
        for seed in range(tries):
            outcome(put(tmp_path, name, damaged(data, seed)))
    with pytest.raises(InputError) as error:
        read_mesh(put(tmp_path, "a.usda", PLATE[:700]))
    assert "in file /" not in str(error.value) and "Error in" not in str(error.value)
    for name in ("a.usd", "a.usdz"):
        with pytest.raises(InputError):
            read_mesh(put(tmp_path, name, bytes(range(256)) * 40))


@HERE
def test_instances_that_multiply_are_refused(tmp_path: Path) -> None:
    stage = Usd.Stage.CreateInMemory()
    plate(stage, "/Outer/Inner/Leaf")
    for path, target in (("/Outer", "/Outer/Inner"), ("/Outer/Inner", "/Outer/Inner/Leaf")):
        swarm = UsdGeom.PointInstancer.Define(stage, path)
        swarm.CreatePrototypesRel().SetTargets([target])
        swarm.CreateProtoIndicesAttr([0] * 1100)
        swarm.CreatePositionsAttr([(k, 0, 0) for k in range(1100)])
    with pytest.raises(InputError, match="instances place"):
        read_mesh(saved(stage, tmp_path / "a.usdc"))


@pytest.mark.parametrize("name", sorted(ODD))
def test_odd_scenes_of_valid_form(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each is refused in a sentence about what is wrong, or read without it."""
    said = ODD[name](tmp_path)
    if name not in ("deep", "rings", "its own prototype"):  # what could end a process has its own
        use(monkeypatch, "usd")
    pose = Pose(1.5) if name == "samples that differ" else None
    if said:
        with pytest.raises(InputError, match=said):
            read_mesh(tmp_path / "a.usda", pose=pose)
    else:
        mesh = read_mesh(tmp_path / "a.usda", pose=pose)
        assert mesh.face_count and np.isfinite(mesh.positions).all()


@pytest.mark.long
def test_odd_numbers_in_sound_scenes(tmp_path: Path) -> None:
    """Values of the right kind that make no sense, a few at a time."""
    for seed in range(4):
        outcome(put(tmp_path, "a.usda", odd_scene(seed)))
