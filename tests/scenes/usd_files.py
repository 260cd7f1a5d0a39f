"""Small USD scenes as text, for the reading, writing and fuzz tests."""

from __future__ import annotations

from pathlib import Path

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


def usd_samples(folder: Path) -> dict[str, bytes]:
    """The plate as text and binary, by file name; none where the library is missing."""
    try:
        from pxr import Sdf
    except ImportError:
        return {}
    (folder / "plate.usda").write_bytes(PLATE)
    Sdf.Layer.FindOrOpen(str(folder / "plate.usda")).Export(str(folder / "plate.usdc"))
    return {name: (folder / name).read_bytes() for name in ("plate.usda", "plate.usdc")}
