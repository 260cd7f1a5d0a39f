"""Takes a USD scene apart in a process of its own (`child_side`); `usd` asks for it.

Arguments: `path` and `folders` (real paths; see `usd_vet`), `wanted` (``uv``, ``normal``), `time`
(a time code, or None for the first sample of what moves, without skeletons) and `most` (of
vertices and corners). It imports nothing of cagecheck but its like.
Source of the rules: the schema documentation of UsdGeom, UsdShade and UsdSkel (OpenUSD).
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.formats.child_meshes import RefusedError, check_faces, corner_rows
from cagecheck.formats.usd_vet import Layers, is_within, vet

_MOST_INSTANCES = 1_000_000
_MOST_PARTS = 200_000
_DEEPEST_INSTANCER = 16
_UV_TYPES = ("texCoord2f[]", "texCoord2d[]", "texCoord2h[]")
_PLAIN_UV_TYPES = ("float2[]", "double2[]", "half2[]")
_FIRST_UV = "st"
_INTERPOLATIONS = ("constant", "uniform", "varying", "vertex", "faceVarying")


def take_apart(arguments: dict[str, Any], data: Any, arrays: list[Any]) -> dict[str, Any]:
    """Return what `usd` wants to know of a scene."""
    stage, missing = open_stage(arguments["path"], arguments["folders"])
    return _Reading(stage, arguments, arrays).answer() | {"missing_layers": missing}


def open_stage(path: str, folders: list[str]) -> tuple[Any, list[str]]:
    """Open a scene whose layers all lie in the folders. Raises `RefusedError` for any other."""
    from pxr import Usd

    # Where the library looks last for what it does not find beside a layer.
    os.chdir(folders[0])
    layers = Layers()
    vet(path, folders, layers)
    stage = Usd.Stage.Open(path, Usd.Stage.LoadAll)
    for layer in stage.GetUsedLayers():
        place = os.path.realpath(layer.realPath.partition("[")[0])
        if layer.realPath and not is_within(place, folders):
            raise RefusedError("it uses a layer outside its own folder.", "Export it flattened.")
    return stage, list(layers.missing)


def value(attribute: Any, time: Any) -> Any:
    """Return an attribute's value at a time, None without one."""
    return attribute.Get(time) if attribute and attribute.HasValue() else None


def kept_faces(mesh: Any, faces: int, time: Any) -> NDArray[np.int64] | None:
    """Return the faces that are no holes of a subdivision surface; None for all."""
    if value(mesh.GetSubdivisionSchemeAttr(), time) == "none":
        return None
    holes = np.array(value(mesh.GetHoleIndicesAttr(), time) or [], np.int64)
    holes = holes[(holes >= 0) & (holes < faces)]
    return np.setdiff1d(np.arange(faces), holes) if len(holes) else None


def instance_roots(prim: Any) -> list[str]:
    """Return the paths of the instances that a prim lies in, from the top."""
    out = []
    while prim and not prim.IsPseudoRoot():
        if prim.IsInstance():
            out.append(str(prim.GetPath()))
        prim = prim.GetParent()
    return out[::-1]


@dataclass(eq=False)
class _Reading:
    stage: Any
    arguments: dict[str, Any]
    arrays: list[Any]
    geometries: list[dict[str, Any]] = field(default_factory=list)
    number_of: dict[Any, int | None] = field(default_factory=dict)
    parts: list[dict[str, Any]] = field(default_factory=list)
    skipped: dict[str, int] = field(default_factory=dict)
    size: int = 0

    def answer(self) -> dict[str, Any]:
        from pxr import Usd, UsdGeom

        code = self.arguments["time"]
        self.time = Usd.TimeCode.EarliestTime() if code is None else Usd.TimeCode(code)
        self.places = UsdGeom.XformCache(self.time)
        self.skeletons = None
        if code is not None:
            from cagecheck.formats.usd_skel import Skeletons

            self.skeletons = Skeletons(self.stage, self.time)
        self.predicate = Usd.TraverseInstanceProxies(Usd.PrimDefaultPredicate)
        self._walk(self.stage.GetPseudoRoot(), None, 0)
        stage = self.stage
        return {
            "unit": float(UsdGeom.GetStageMetersPerUnit(stage)),
            "up": str(UsdGeom.GetStageUpAxis(stage)),
            "start": stage.GetStartTimeCode() if stage.HasAuthoredTimeCodeRange() else None,
            "end": stage.GetEndTimeCode() if stage.HasAuthoredTimeCodeRange() else None,
            "geometries": self.geometries,
            "parts": self.parts,
            "skipped": self.skipped,
        }

    def _skip(self, what: str) -> None:
        self.skipped[what] = self.skipped.get(what, 0) + 1

    def _walk(self, root: Any, instances: Any, depth: int) -> None:
        """Read all meshes at and below a prim, for every one of (K, 4, 4) instances if given."""
        from pxr import Usd, UsdGeom

        # A prototype may be kept as a class or an override, which plain traversal leaves out.
        below = self.predicate if depth == 0 else Usd.TraverseInstanceProxies(
            Usd.PrimIsActive & Usd.PrimIsLoaded)  # fmt: skip
        base = np.eye(4)
        if depth:
            base = np.linalg.inv(np.array(self.places.GetLocalToWorldTransform(root)))
        waiting = [(root, UsdGeom.Imageable.PurposeInfo())]
        while waiting:
            prim, purpose = waiting.pop()
            shape = UsdGeom.Imageable(prim)
            if shape:
                purpose = shape.ComputePurposeInfo(purpose)
            if prim.IsA(UsdGeom.PointInstancer):
                if self._is_shown(prim, purpose.purpose):
                    self._instancer(UsdGeom.PointInstancer(prim), base, instances, depth)
                continue
            if prim.IsA(UsdGeom.Mesh):
                if self._is_shown(prim, purpose.purpose):
                    self._mesh(UsdGeom.Mesh(prim), base, instances)
            elif prim.IsA(UsdGeom.Gprim):
                self._skip("shapes that are no meshes")
            children = prim.GetFilteredChildren(below)
            waiting.extend((child, purpose) for child in reversed(children))

    def _is_shown(self, prim: Any, purpose: str) -> bool:
        from pxr import UsdGeom

        if purpose in ("guide", "proxy"):
            self._skip(f"purpose {purpose}")
            return False
        if UsdGeom.Imageable(prim).ComputeVisibility(self.time) == UsdGeom.Tokens.invisible:
            self._skip("invisible")
            return False
        return True

    def _instancer(self, instancer: Any, base: Any, outer: Any, depth: int) -> None:
        from pxr import UsdGeom

        if depth >= _DEEPEST_INSTANCER:
            raise RefusedError("its point instancers are nested too deeply.", "Flatten them.")
        which = np.array(value(instancer.GetProtoIndicesAttr(), self.time) or [], np.int64)
        if len(which) > _MOST_INSTANCES:
            raise self._too_many()
        found = instancer.ComputeInstanceTransformsAtTime(
            self.time, self.time, UsdGeom.PointInstancer.IncludeProtoXform,
            UsdGeom.PointInstancer.IgnoreMask,
        )  # fmt: skip
        mask = np.array(instancer.ComputeMaskAtTime(self.time) or [True] * len(which), bool)
        matrices = np.array(found, np.float64).reshape(-1, 4, 4)
        if not len(matrices) == len(which) == len(mask):
            raise RefusedError(
                f"the point instancer {instancer.GetPath()} has not one place for each instance.",
                "Export it again.",
            )
        place = np.array(self.places.GetLocalToWorldTransform(instancer.GetPrim())) @ base
        matrices = matrices @ place
        if outer is not None:
            if len(outer) * len(matrices) > _MOST_INSTANCES:
                raise self._too_many()
            matrices = (matrices[:, None] @ outer).reshape(-1, 4, 4)
            which, mask = np.repeat(which, len(outer)), np.repeat(mask, len(outer))
        for number, target in enumerate(instancer.GetPrototypesRel().GetForwardedTargets()):
            prototype = self.stage.GetPrimAtPath(target)
            mine = matrices[(which == number) & mask]
            if not prototype or not len(mine):
                continue
            # Its own transform is part of the instances' already.
            self._walk(prototype, mine, depth + 1)

    def _too_many(self) -> RefusedError:
        return RefusedError(
            "its instances place more meshes or vertices than can be read (1,000,000 of a point "
            "instancer, 200,000 others).",
            "Export fewer of them.",
        )

    def _mesh(self, mesh: Any, base: Any, instances: Any) -> None:
        prim = mesh.GetPrim()
        original = prim.GetPrimInPrototype() if prim.IsInstanceProxy() else prim
        key: Any = str(original.GetPath())
        moved = None if self.skeletons is None else self.skeletons.moved(prim)
        if moved is not None:  # instances of one skinned mesh may move differently
            key = (str(prim.GetPath()),)
        if key not in self.number_of:
            self.number_of[key] = self._geometry(mesh, moved)
        number = self.number_of[key]
        if number is None:
            self._skip("meshes without faces")
            return
        local = np.array(self.places.GetLocalToWorldTransform(prim)) @ base
        if moved is not None and moved.is_in_world:
            local = base
        placed = local[None] if instances is None else local @ instances
        entry = self.geometries[number]
        self.size += len(placed) * max(entry["corner_count"], entry["vertex_count"])
        if self.size > self.arguments["most"] or len(self.parts) >= _MOST_PARTS:
            raise self._too_many()
        self.arrays.append(np.ascontiguousarray(placed, "<f8"))
        self.parts.append(
            {
                "path": str(prim.GetPath()),
                "roots": instance_roots(prim),
                "geometry": number,
                "matrices": len(self.arrays) - 1,
                "materials": self._materials(prim, entry["face_count"], entry["kept"]),
            }
        )

    def _send(self, array: Any, code: str) -> int:
        self.arrays.append(np.ascontiguousarray(array, dtype=code))
        return len(self.arrays) - 1

    def _geometry(self, mesh: Any, moved: Any) -> int | None:
        points = value(mesh.GetPointsAttr(), self.time) if moved is None else moved.points
        sizes = value(mesh.GetFaceVertexCountsAttr(), self.time)
        corners = value(mesh.GetFaceVertexIndicesAttr(), self.time)
        if points is None or not len(points) or not sizes or not corners:
            return None
        points = np.asarray(points).reshape(-1, 3)
        sizes, vertex = np.asarray(sizes, np.int32), np.asarray(corners, np.int32)
        check_faces(str(mesh.GetPath()), sizes, vertex, len(points))
        kept = kept_faces(mesh, len(sizes), self.time)
        if kept is not None:
            self._skip("subdivision surfaces with holes")
        entry: dict[str, Any] = {
            "points": self._send(points, "<f4" if points.dtype.itemsize <= 4 else "<f8"),
            "vertex_count": len(points),
            "corner_count": len(vertex),
            "face_count": len(sizes),
            "sizes": self._send(sizes, "<i4"),
            "corners": self._send(vertex, "<i4"),
            "kept": None if kept is None else self._send(kept, "<i8"),
            "flipped": value(mesh.GetOrientationAttr(), self.time) == "leftHanded",
            "subdivision": value(mesh.GetSubdivisionSchemeAttr(), self.time) or "",
            "uv": None,
            "normal": None,
        }
        if "uv" in self.arguments["wanted"]:
            entry["uv"] = self._uv(mesh, sizes, vertex, len(points))
        if "normal" in self.arguments["wanted"] and moved is None:
            entry["normal"] = self._normal(mesh, sizes, vertex, len(points))
        self.geometries.append(entry)
        return len(self.geometries) - 1

    def _uv(self, mesh: Any, sizes: Any, vertex: Any, points: int) -> list[int] | None:
        from pxr import UsdGeom

        given = UsdGeom.PrimvarsAPI(mesh.GetPrim()).GetPrimvarsWithValues()
        sets = {
            p.GetPrimvarName(): p
            for p in given
            if str(p.GetTypeName()) in _UV_TYPES
            or (str(p.GetTypeName()) in _PLAIN_UV_TYPES and p.GetPrimvarName() == _FIRST_UV)
        }
        if not sets:
            return None
        if len(sets) > 1:
            self._skip("further UV sets")
        chosen = sets.get(_FIRST_UV, next(iter(sets.values())))
        return self._rows(
            value(chosen.GetAttr(), self.time), chosen.GetIndices(self.time),
            chosen.GetInterpolation(), 2, sizes, vertex, points,
        )  # fmt: skip

    def _normal(self, mesh: Any, sizes: Any, vertex: Any, points: int) -> list[int] | None:
        from pxr import UsdGeom

        primvar = UsdGeom.PrimvarsAPI(mesh.GetPrim()).GetPrimvar("normals")
        if primvar and primvar.HasValue():  # it stands before the attribute, as UsdGeom says
            return self._rows(
                value(primvar.GetAttr(), self.time), primvar.GetIndices(self.time),
                primvar.GetInterpolation(), 3, sizes, vertex, points,
            )  # fmt: skip
        return self._rows(
            value(mesh.GetNormalsAttr(), self.time), None, mesh.GetNormalsInterpolation(), 3,
            sizes, vertex, points,
        )  # fmt: skip

    def _rows(
        self, values: Any, index: Any, how: str, width: int, sizes: Any, vertex: Any, points: int
    ) -> list[int] | None:
        """Send values and the row of every corner; None where they do not fit the mesh."""
        if not values:
            return None
        values = np.asarray(values).reshape(-1, width)
        if how not in _INTERPOLATIONS:
            return None
        rows = None if not index else np.asarray(index, np.int32)
        row = corner_rows(values, rows, how, sizes, vertex, points)
        if row is None:
            self._skip("UVs or normals that do not fit their mesh")
            return None
        return [self._send(values, "<f4"), self._send(row, "<i4")]

    def _materials(self, prim: Any, faces: int, kept: int | None) -> dict[str, Any] | None:
        """Return material paths and where the number of every face's lies; None where it has none.

        A face that several subsets hold has the last one's; those without follow the mesh's.
        """
        from pxr import UsdShade

        whole = _bound(prim)
        subsets = UsdShade.MaterialBindingAPI(prim).GetMaterialBindSubsets()
        if not subsets:
            return None if whole is None else {"names": [whole], "faces": None}
        names: list[str] = []
        number = np.full(faces, -1, np.int32)
        if whole is not None:
            names, number[:] = [whole], 0
        for subset in subsets:
            held = np.asarray(value(subset.GetIndicesAttr(), self.time) or [], np.int64)
            held = held[(held >= 0) & (held < faces)]
            name = _bound(subset.GetPrim(), inherited=False) or str(subset.GetPath())
            names.append(name)
            number[held] = len(names) - 1
        if kept is not None:
            number = number[self.arrays[kept]]
        return {"names": names, "faces": self._send(number, "<i4")}


def _bound(prim: Any, inherited: bool = True) -> str | None:
    from pxr import UsdShade

    api = UsdShade.MaterialBindingAPI(prim)
    if not inherited and not api.GetDirectBinding().GetMaterialPath():
        return None
    material, _ = api.ComputeBoundMaterial()
    return str(material.GetPath()) if material else None
