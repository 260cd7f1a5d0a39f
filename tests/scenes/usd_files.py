"""Small USD scenes as text, for the reading, writing and fuzz tests."""

from __future__ import annotations

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
