"""Small USD scenes as text, for the reading, writing and fuzz tests."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

PLATE = b"""#usda 1.0
(
    defaultPrim = "World"
    metersPerUnit = 0.01
    upAxis = "Y"
)

def Xform "World"
{
    def Mesh "Plate_low" (
        prepend apiSchemas = ["MaterialBindingAPI"]
    )
    {
        uniform token subdivisionScheme = "none"
        double3 xformOp:translate = (10, 20, 30)
        float3 xformOp:scale = (2, 3, 4)
        uniform token[] xformOpOrder = ["xformOp:translate", "xformOp:scale"]
        point3f[] points = [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (2, 0, 0)]
        float3[] extent = [(0, 0, 0), (2, 1, 0)]
        int[] faceVertexCounts = [4, 3]
        int[] faceVertexIndices = [0, 1, 2, 3, 1, 4, 2]
        texCoord2f[] primvars:st = [(0, 0), (1, 0), (1, 1), (0, 1)] (
            interpolation = "faceVarying"
        )
        int[] primvars:st:indices = [0, 1, 2, 3, 0, 1, 2]
        normal3f[] normals = [(0, 0, 1), (0, 0, 2)] (
            interpolation = "uniform"
        )
        rel material:binding = </World/Looks/skin>
        string userProperties:note = "kept"

        def GeomSubset "corner" (
            prepend apiSchemas = ["MaterialBindingAPI"]
        )
        {
            uniform token elementType = "face"
            uniform token familyName = "materialBind"
            int[] indices = [1]
            rel material:binding = </World/Looks/steel>
        }
    }

    def Scope "Looks"
    {
        def Material "skin"
        {
        }

        def Material "steel"
        {
        }
    }
}
"""


def _text(folder: Path, text: str | bytes) -> None:
    data = text.encode() if isinstance(text, str) else text
    (folder / "a.usda").write_bytes(data)


def _changed(before: bytes, after: bytes, said: str) -> Callable[[Path], str]:
    """An odd scene: the plate with one value changed, and what is said of it (nothing: read)."""
    assert before in PLATE

    def write(folder: Path) -> str:
        _text(folder, PLATE.replace(before, after))
        return said

    return write


def _round(folder: Path) -> str:
    """Layers and prims that refer to each other in rings, beside a sound mesh."""
    (folder / "b.usda").write_text(
        '#usda 1.0\n(\n    subLayers = [@./a.usda@]\n)\ndef "B" (references = @./a.usda@</C>) {}\n'
    )
    rings = b"""
def "C" (references = @./b.usda@</B>) {}
def "D" (references = </D/E>)
{
    def "E" (references = </D>)
    {
    }
}

def "F" (inherits = </F/G>)
{
    def "G" (specializes = </F>)
    {
    }
}
"""
    head = PLATE.replace(b'    upAxis = "Y"', b'    upAxis = "Y"\n    subLayers = [@./b.usda@]', 1)
    _text(folder, head + rings)
    return ""


def _deep(folder: Path) -> str:
    """Two thousand groups within each other around a mesh."""
    depth = 2_000
    inner = PLATE.split(b'def Mesh "Plate_low"', 1)[1]
    mesh = b'def Mesh "Plate_low"' + inner.split(b"def Scope", 1)[0]
    _text(folder, b"#usda 1.0\n" + b'def Xform "X" {\n' * depth + mesh + b"}\n" * depth)
    return ""


def _swarm(folder: Path) -> str:
    """Point instancers that multiply: a thousand places of a thousand places of a mesh."""
    many = ", ".join(["0"] * 1_100)
    places = ", ".join(["(0, 0, 0)"] * 1_100)
    held = f"int[] protoIndices = [{many}]\n point3f[] positions = [{places}]\n"
    _text(
        folder,
        f'#usda 1.0\ndef PointInstancer "A" {{\n {held} rel prototypes = </A/B>\n'
        f' def PointInstancer "B" {{\n {held} rel prototypes = </A/B/M>\n'
        ' def Mesh "M" {\n point3f[] points = [(0,0,0), (1,0,0), (0,1,0)]\n'
        " int[] faceVertexCounts = [3]\n int[] faceVertexIndices = [0, 1, 2]\n}\n}\n}\n",
    )
    return "instances place"


def _itself(folder: Path) -> str:
    """A point instancer that is its own prototype."""
    _text(
        folder,
        '#usda 1.0\ndef PointInstancer "A" {\n int[] protoIndices = [0]\n'
        " point3f[] positions = [(0, 0, 0)]\n rel prototypes = </A>\n}\n",
    )
    return "nested too deeply"


_POINTS = b"[(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (2, 0, 0)]"
_FEW = b"[(0, 0, 0), (1, 0, 0)]"
# Writes a.usda, and tells what is to be said of it; nothing where it is to be read.
ODD: dict[str, Callable[[Path], str]] = {
    "a vertex too far": _changed(b"[0, 1, 2, 3, 1, 4, 2]", b"[0, 1, 2, 3, 1, 9, 2]", "not there"),
    "a vertex below 0": _changed(b"[0, 1, 2, 3, 1, 4, 2]", b"[0, 1, 2, 3, 1, -4, 2]", "not there"),
    "a face too large": _changed(b"Counts = [4, 3]", b"Counts = [4, 2147483647]", "corners, but"),
    "a face below 0": _changed(b"Counts = [4, 3]", b"Counts = [8, -1]", "corners, but"),
    "no place in space": _changed(b"(2, 0, 0)]", b"(nan, 0, 0)]", "no place in space"),
    "endless place": _changed(b"(10, 20, 30)", b"(inf, 20, 30)", "no place in space"),
    "UVs too few": _changed(b":st:indices = [0, 1, 2, 3, 0, 1, 2]", b":st:indices = [0]", ""),
    "UVs too far": _changed(b"3, 0, 1, 2]", b"3, 0, 1, -2]", ""),
    "a subset too far": _changed(b"int[] indices = [1]", b"int[] indices = [-7, 1, 99]", ""),
    "no unit": _changed(b"metersPerUnit = 0.01", b"metersPerUnit = 0", "metres long"),
    "samples that differ": _changed(
        b"point3f[] points = " + _POINTS,
        b"point3f[] points.timeSamples = {1: " + _FEW + b", 2: " + _POINTS + b"}", "not there",
    ),
    "rings": _round,
    "deep": _deep,
    "swarms": _swarm,
    "its own prototype": _itself,
}  # fmt: skip
_NUMBER = re.compile(rb"(?<![\w.#])-?\d+(?:\.\d+)?(?![\w.])")
_ODD_NUMBERS = [b"-1", b"0", b"1", b"2147483647", b"-2147483648", b"99999999999", b"1e308", b"nan",
                b"-inf", b"0.5"]  # fmt: skip


def odd_scene(seed: int) -> bytes:
    """Return the plate with one to three of its numbers put for others."""
    rng = random.Random(seed)
    head, body = PLATE.split(b")\n", 1)
    places = [found.span() for found in _NUMBER.finditer(body)]
    for begin, end in sorted(rng.sample(places, rng.randint(1, 3)), reverse=True):
        body = body[:begin] + rng.choice(_ODD_NUMBERS) + body[end:]
    return head + b")\n" + body


def write_plate(path: Path, name: str, positions: Any, faces: Any) -> None:
    """Write a scene that refers to its mesh in a layer of its own (parts/NAME.usdc); UVs are xy."""
    from pxr import Sdf, Usd, UsdGeom

    (path.parent / "parts").mkdir(exist_ok=True)
    write_part(path.parent / "parts" / f"{name}.usdc", positions, faces)
    stage = Usd.Stage.CreateNew(str(path))
    UsdGeom.SetStageMetersPerUnit(stage, 0.01)
    UsdGeom.SetStageUpAxis(stage, "Y")
    prim = stage.DefinePrim(f"/{name}", "Mesh")
    prim.GetReferences().AddReference(f"./parts/{name}.usdc")
    note = prim.CreateAttribute("userProperties:picture", Sdf.ValueTypeNames.Asset)
    note.Set(Sdf.AssetPath("./parts/wood.png"))
    stage.GetRootLayer().Save()


def write_part(path: Path, positions: Any, faces: Any) -> None:
    from pxr import Sdf, Usd, UsdGeom, Vt

    stage = Usd.Stage.CreateInMemory()
    mesh = UsdGeom.Mesh.Define(stage, "/Part")
    stage.SetDefaultPrim(mesh.GetPrim())
    points = np.asarray(positions, np.float32)
    mesh.CreatePointsAttr(Vt.Vec3fArray.FromNumpy(points))
    mesh.CreateFaceVertexCountsAttr([len(face) for face in faces])
    mesh.CreateFaceVertexIndicesAttr([int(v) for face in faces for v in face])
    mesh.CreateSubdivisionSchemeAttr("none")
    primvar = UsdGeom.PrimvarsAPI(mesh).CreatePrimvar(
        "st", Sdf.ValueTypeNames.TexCoord2fArray, "vertex"
    )
    primvar.Set(Vt.Vec2fArray.FromNumpy(np.ascontiguousarray(points[:, :2] + 0.5)))
    stage.GetRootLayer().Export(str(path))


def usd_samples(folder: Path) -> dict[str, bytes]:
    """The plate as text and binary, by file name; none where the library is missing."""
    try:
        from pxr import Sdf
    except ImportError:
        return {}
    (folder / "plate.usda").write_bytes(PLATE)
    Sdf.Layer.FindOrOpen(str(folder / "plate.usda")).Export(str(folder / "plate.usdc"))
    return {name: (folder / name).read_bytes() for name in ("plate.usda", "plate.usdc")}
