"""Writes USD layers that override a scene, in a process of its own (`child_side`).

Arguments: `path` and `folders` as for `usd_child`; `out`, the file to write (.usda, .usdc, .usd or
.usdz), and `place`, the folder where it will lie; `address`, by which it names the scene below it;
`copy`, whether it is the scene's own layer with the changes put in instead; `runs`, a prim each
with `path`, `roots` (instances to open) and what changes: `rows` (how many moved points follow in
the data: numbers, then places) or `materials` (name and number of faces that follow) of `made`
(name, and path of the material that it is made after, or None). What is written holds opinions
about these alone; metadata of the stage that counts only in the first layer is copied into it.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from cagecheck.formats.child_meshes import RefusedError
from cagecheck.formats.usd_child import kept_faces, open_stage, value
from cagecheck.formats.usd_vet import first_of_package

_STAGE_METADATA = (
    "defaultPrim", "upAxis", "metersPerUnit", "kilogramsPerUnit", "timeCodesPerSecond",
    "framesPerSecond", "startTimeCode", "endTimeCode",
)  # fmt: skip
_SCOPE = "tile_materials"
_FAMILY = "materialBind"


def take_apart(arguments: dict[str, Any], data: Any, arrays: list[Any]) -> dict[str, Any]:
    """Write the layer."""
    from pxr import Sdf, Usd

    stage, _ = open_stage(arguments["path"], arguments["folders"])
    out, is_package = Path(arguments["out"]), arguments["out"].lower().endswith(".usdz")
    with TemporaryDirectory() as folder:
        place = Path(folder) / "over.usdc" if is_package else out
        top = Sdf.Layer.CreateNew(str(place))
        is_copy = arguments.get("copy", False) and not is_package
        if is_copy:
            _copy(arguments["path"], top, arguments["place"])
        else:
            _take_metadata(stage.GetRootLayer(), top)
        writer = _Writer(stage, top, Usd.TimeCode.EarliestTime())
        for run in arguments["runs"]:
            writer.open_instances(run["roots"])
            if "rows" in run:
                writer.points(run["path"], _read(data, run["rows"], "<i8", 1),
                              _read(data, run["rows"], "<f8", 3))  # fmt: skip
        if "made" in arguments:
            writer.materials(arguments["made"], arguments["runs"], data)
        if is_package:
            top.subLayerPaths.append("./" + first_of_package(arguments["path"]))
            top.Save()
            _packed(arguments["path"], place, out)
        else:
            if not is_copy:
                top.subLayerPaths.append(arguments["address"])
            top.Save()
    return {"written": True}


def _take_metadata(source: Any, top: Any) -> None:
    root = source.pseudoRoot
    for name in _STAGE_METADATA:
        if root.HasInfo(name):
            top.pseudoRoot.SetInfo(name, root.GetInfo(name))


def _copy(path: str, top: Any, place: str) -> None:
    """Take over all of a layer; what it refers to by the way there is named from `place`."""
    from pxr import Sdf, UsdUtils

    top.TransferContent(Sdf.Layer.OpenAsAnonymous(path))
    start = Path(path).parent

    def moved(address: str) -> str:
        if not address or "`" in address or ":" in address or Path(address).is_absolute():
            return address
        outer, bracket, inner = address.partition("[")
        way = Path(os.path.relpath(start / outer, place)).as_posix()
        return (way if way.startswith("..") else f"./{way}") + bracket + inner

    if os.path.realpath(start) != place:
        UsdUtils.ModifyAssetPaths(top, moved)


def _read(data: Any, rows: int, code: str, width: int) -> Any:
    size = rows * width * np.dtype(code).itemsize
    raw = data.read(size)
    if len(raw) != size:
        raise ValueError("the data is cut off")
    out = np.frombuffer(raw, code)
    return out.reshape(rows, width) if width > 1 else out


class _Writer:
    def __init__(self, stage: Any, top: Any, time: Any) -> None:
        self.stage, self.top, self.time = stage, top, time

    def _over(self, path: str) -> Any:
        from pxr import Sdf

        return Sdf.CreatePrimInLayer(self.top, path)

    def _set(self, path: str, name: str, kind: Any, what: Any, uniform: bool = False) -> None:
        from pxr import Sdf

        how = Sdf.VariabilityUniform if uniform else Sdf.VariabilityVarying
        held = self.top.GetAttributeAtPath(f"{path}.{name}")
        if held is None:
            held = Sdf.AttributeSpec(self._over(path), name, kind, how)
        held.ClearInfo("timeSamples")  # a cage stands still
        held.default = what

    def open_instances(self, roots: list[str]) -> None:
        """Let instances differ from each other, from the top down."""
        for root in roots:
            self._over(root).instanceable = False

    def points(self, path: str, rows: Any, moved: Any) -> None:
        """Write all points of a mesh, those of `rows` elsewhere, and its extent if it has one."""
        from pxr import Sdf, UsdGeom, Vt

        mesh = UsdGeom.Mesh(self.stage.GetPrimAtPath(path))
        stored = value(mesh.GetPointsAttr(), self.time) if mesh else None
        if stored is None or (len(rows) and rows.max() >= len(stored)):
            raise RefusedError("the file has changed since it was read.", "Run cagecheck again.")
        points = np.array(stored, np.float32)
        points[rows] = moved
        array = Vt.Vec3fArray.FromNumpy(points)
        self._set(path, "points", Sdf.ValueTypeNames.Point3fArray, array)
        if mesh.GetExtentAttr().HasAuthoredValue():
            extent = UsdGeom.PointBased.ComputeExtent(array)
            self._set(path, "extent", Sdf.ValueTypeNames.Float3Array, extent)

    def materials(self, made: list[Any], runs: list[Any], data: Any) -> None:
        """Write materials, and bind them to meshes or, where a mesh has several, to subsets."""
        from pxr import Sdf

        root = "/" + runs[0]["path"].split("/")[1]
        scope = f"{root}/{_SCOPE}"
        spec = self._over(scope)
        spec.specifier, spec.typeName = Sdf.SpecifierDef, "Scope"
        paths = {}
        for name, base in made:
            paths[name] = f"{scope}/{name}"
            spec = self._over(paths[name])
            spec.specifier, spec.typeName = Sdf.SpecifierDef, "Material"
            if base is not None:
                spec.specializesList.Prepend(base)
        for run in runs:
            held = [(name, _read(data, count, "<i8", 1)) for name, count in run["materials"]]
            targets = [(paths.get(name, name), faces) for name, faces in held]
            self._bind_mesh(run["path"], targets)

    def _bind_mesh(self, path: str, targets: list[Any]) -> None:
        from pxr import Sdf, UsdGeom, UsdShade

        prim = self.stage.GetPrimAtPath(path)
        for subset in UsdShade.MaterialBindingAPI(prim).GetMaterialBindSubsets():
            self._over(str(subset.GetPath())).active = False
        if len(targets) == 1 and targets[0][0]:
            self._bind(path, targets[0][0])
            return
        mesh = UsdGeom.Mesh(prim)
        kept = kept_faces(mesh, len(value(mesh.GetFaceVertexCountsAttr(), self.time)), self.time)
        for number, (target, faces) in enumerate(targets):
            if not target:  # faces without a material
                continue
            place = f"{path}/tile_{number}"
            spec = self._over(place)
            spec.specifier, spec.typeName = Sdf.SpecifierDef, "GeomSubset"
            names = Sdf.ValueTypeNames
            self._set(place, "elementType", names.Token, "face", True)
            self._set(place, "familyName", names.Token, _FAMILY, True)
            faces = faces if kept is None else kept[faces]
            self._set(place, "indices", names.IntArray, faces.astype(np.int32).tolist())
            self._bind(place, target)

    def _bind(self, path: str, target: str) -> None:
        from pxr import Sdf

        spec = self._over(path)
        schemas = Sdf.TokenListOp.Create(prependedItems=["MaterialBindingAPI"])
        spec.SetInfo("apiSchemas", schemas)
        relation = Sdf.RelationshipSpec(spec, "material:binding", False)
        relation.targetPathList.explicitItems = [target]


def _packed(source: str, top: Path, out: Path) -> None:
    """Write a package that opens with the layer `top` and holds everything of `source` as it is."""
    from pxr import Sdf

    package = Sdf.ZipFile.Open(source)
    names = list(package.GetFileNames())
    first = next(n for n in ("cage.usdc", *(f"cage{k}.usdc" for k in range(9_999)))
                 if n not in names)  # fmt: skip
    with TemporaryDirectory() as folder:
        inner = Path(folder) / "one.usdz"
        writer = Sdf.ZipFileWriter.CreateNew(str(inner))
        writer.AddFile(str(top), first)
        for number, name in enumerate(names):
            place = Path(folder) / f"{number}{os.path.splitext(name)[1]}"  # noqa: PTH122
            place.write_bytes(bytes(package.GetFile(name)))
            writer.AddFile(str(place), name)
        writer.Save()
        shutil.copyfile(inner, out)
