"""Takes an Alembic archive apart in a process of its own (`child_side`); `alembic` asks for it.

Arguments: `path`, `wanted` (``uv``, ``normal``), `time` (seconds, or None for the first sample) and
`most` (of vertices and corners). Between two samples what has one count in both lies on the
straight way between them, transforms channel by channel; other meshes stand as at the nearer.
It imports nothing of cagecheck but its like. Source of the rules: the library's own headers
(AbcGeom); faces turn left, as the OpenUSD project's reader of Alembic has it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from cagecheck.formats.child_meshes import RefusedError, check_faces, corner_rows

_MOST_PARTS = 200_000
_DEEPEST = 1_000
# Seconds before anything that moves.
_LONG = 1e12
_SCOPES = {
    "kConstantScope": "constant", "kUniformScope": "uniform", "kVaryingScope": "varying",
    "kVertexScope": "vertex", "kFacevaryingScope": "faceVarying",
}  # fmt: skip
_VISIBLE, _HIDDEN = "kVisibilityVisible", "kVisibilityHidden"


def take_apart(arguments: dict[str, Any], data: Any, arrays: list[Any]) -> dict[str, Any]:
    """Return what `alembic` wants to know of an archive."""
    from alembic3d import Abc

    archive = Abc.IArchive(arguments["path"])
    if not archive.valid():
        raise ValueError("it cannot be opened")
    reading = _Reading(arguments, arrays)
    reading.walk(archive.getTop())
    begin, end = reading.range
    return {
        "unit": None,
        "up": "Y",
        "start": begin if begin <= end else None,
        "end": end if begin <= end else None,
        "geometries": reading.geometries,
        "parts": reading.parts,
        "skipped": reading.skipped,
    }


@dataclass(frozen=True)
class _Moment:
    """The times of the two samples around a time, and how far it lies between them (0 to 1)."""

    first: float
    second: float
    share: float

    @property
    def nearer(self) -> float:
        return self.first if self.share < 0.5 else self.second


def _at(schema: Any, time: float) -> Any:
    """Return the sample that lies at a time; a number of a sample would be taken for a time."""
    from alembic3d import Abc

    return schema.getValue(Abc.ISampleSelector(float(time)))


@dataclass(eq=False)
class _Reading:
    arguments: dict[str, Any]
    arrays: list[Any]
    geometries: list[dict[str, Any]] = field(default_factory=list)
    parts: list[dict[str, Any]] = field(default_factory=list)
    skipped: dict[str, int] = field(default_factory=dict)
    range: tuple[float, float] = (np.inf, -np.inf)
    size: int = 0

    def _skip(self, what: str) -> None:
        self.skipped[what] = self.skipped.get(what, 0) + 1

    def walk(self, top: Any) -> None:
        """Read every mesh below an object."""
        from alembic3d import AbcGeom

        waiting = [(top, np.eye(4), True, 0)]
        while waiting:
            thing, place, shown, depth = waiting.pop()
            if depth > _DEEPEST:
                raise RefusedError("its objects are nested too deeply.", "Flatten them.")
            below = []
            for number in range(thing.getNumChildren()):
                child = thing.getChild(number)
                kind = child.getHeader().getMetaData().get("schema")
                if kind.startswith("AbcGeom_FaceSet"):
                    continue
                seen = self._visibility(child, shown)
                here = place
                if kind.startswith("AbcGeom_Xform"):
                    here = self._place(AbcGeom.IXform(thing, child.getName()).getSchema(), place)
                elif kind.startswith(("AbcGeom_PolyMesh", "AbcGeom_SubD")):
                    if seen:
                        self._mesh(thing, child, place, kind.startswith("AbcGeom_SubD"))
                    else:
                        self._skip("invisible")
                elif kind.startswith("AbcGeom") and not kind.startswith("AbcGeom_Camera"):
                    self._skip("shapes that are no meshes")
                below.append((child, here, seen, depth + 1))
            waiting.extend(reversed(below))

    def _moment(self, schema: Any) -> _Moment:
        """Return the samples of a schema that stand for the time, and note when it moves."""
        count, times = schema.getNumSamples(), schema.getTimeSampling()
        if count < 1:
            raise RefusedError("something in it has no samples.", "Export it again.")
        if count > 1:
            ends = times.getSampleTime(0), times.getSampleTime(count - 1)
            self.range = min(self.range[0], ends[0]), max(self.range[1], ends[1])
        time = self.arguments["time"]
        if time is None or count == 1:
            begin = times.getSampleTime(0)
            return _Moment(begin, begin, 0.0)
        begin = times.getSampleTime(times.getFloorIndex(time, count))
        end = times.getSampleTime(times.getCeilIndex(time, count))
        share = (time - begin) / (end - begin) if end > begin else 0.0
        return _Moment(begin, end, float(np.clip(share, 0, 1)))

    def _visibility(self, thing: Any, above: bool) -> bool:
        """Whether an object is shown; what says nothing is as the object above it."""
        from alembic3d import Abc, AbcGeom

        time = self.arguments["time"]
        early = -_LONG if time is None else time  # the first sample is the nearest to it
        said = str(AbcGeom.GetVisibility(thing, Abc.ISampleSelector(float(early))))
        return above if said not in (_VISIBLE, _HIDDEN) else said == _VISIBLE

    def _place(self, schema: Any, above: Any) -> Any:
        from alembic3d import AbcGeom

        moment = self._moment(schema)
        one, other = _at(schema, moment.first), _at(schema, moment.second)
        if moment.share and one.isTopologyEqual(other):
            between = AbcGeom.XformSample()
            for number in range(one.getNumOps()):
                step, next_step = one.getOp(number), other.getOp(number)
                for channel in range(step.getNumChannels()):
                    a, b = step.getChannelValue(channel), next_step.getChannelValue(channel)
                    step.setChannelValue(channel, a + moment.share * (b - a))
                between.addOp(step)
            between.setInheritsXforms(one.getInheritsXforms())
            one = between
        elif moment.share >= 0.5:
            one = other
        own = np.array([[one.getMatrix()[i][j] for j in range(4)] for i in range(4)])
        return own @ above if one.getInheritsXforms() else own

    def _mesh(self, above: Any, thing: Any, place: Any, is_cage: bool) -> None:
        from alembic3d import AbcGeom

        make = AbcGeom.ISubD if is_cage else AbcGeom.IPolyMesh
        schema = make(above, thing.getName()).getSchema()
        moment = self._moment(schema)
        nearer = _at(schema, moment.nearer)
        points = _array(nearer.getPositions(), np.float32, 3)
        sizes = _array(nearer.getFaceCounts(), np.int32)
        vertex = _array(nearer.getFaceIndices(), np.int32)
        path = thing.getFullName()
        if not len(points) or not len(sizes) or not len(vertex):
            self._skip("meshes without faces")
            return
        check_faces(path, sizes, vertex, len(points))
        if moment.share:
            points = self._between(schema, moment, points, sizes, vertex)
        kept = self._kept(nearer, len(sizes)) if is_cage else None
        self.size += max(len(vertex), len(points))
        if self.size > self.arguments["most"] or len(self.parts) >= _MOST_PARTS:
            raise RefusedError(
                "its instances place more meshes or vertices than can be read (200,000 meshes).",
                "Export fewer of them.",
            )
        entry: dict[str, Any] = {
            "points": self._send(points, "<f4"),
            "sizes": self._send(sizes, "<i4"),
            "corners": self._send(vertex, "<i4"),
            "kept": None if kept is None else self._send(kept, "<i8"),
            "flipped": True,
            "subdivision": "catmullClark" if is_cage else "none",
            "uv": None,
            "normal": None,
        }
        shape = sizes, vertex, len(points)
        if "uv" in self.arguments["wanted"]:
            entry["uv"] = self._rows(schema.getUVsParam(), 2, shape)
        if "normal" in self.arguments["wanted"] and not is_cage:
            entry["normal"] = self._rows(schema.getNormalsParam(), 3, shape)
        self.geometries.append(entry)
        self.arrays.append(np.ascontiguousarray(place[None], "<f8"))
        self.parts.append(
            {
                "path": path,
                "roots": [],
                "geometry": len(self.geometries) - 1,
                "matrices": len(self.arrays) - 1,
                "materials": self._materials(schema, len(sizes), kept),
            }
        )

    def _send(self, array: Any, code: str) -> int:
        self.arrays.append(np.ascontiguousarray(array, dtype=code))
        return len(self.arrays) - 1

    def _between(self, schema: Any, moment: _Moment, points: Any, sizes: Any, vertex: Any) -> Any:
        """Return points between two samples whose faces are the same, else those of the nearer."""
        ends = []
        for time in (moment.first, moment.second):
            sample = _at(schema, time)
            ends.append(_array(sample.getPositions(), np.float32, 3).astype(np.float64))
            if not (
                len(ends[-1]) == len(points)
                and np.array_equal(_array(sample.getFaceCounts(), np.int32), sizes)
                and np.array_equal(_array(sample.getFaceIndices(), np.int32), vertex)
            ):
                return points
        return ends[0] + moment.share * (ends[1] - ends[0])

    def _kept(self, sample: Any, faces: int) -> Any:
        """Return the faces that are no holes; None for all."""
        holes = _array(sample.getHoles(), np.int64)
        holes = holes[(holes >= 0) & (holes < faces)]
        if not len(holes):
            return None
        self._skip("subdivision surfaces with holes")
        return np.setdiff1d(np.arange(faces), holes)

    def _rows(self, given: Any, width: int, shape: Any) -> list[int] | None:
        """Send values and the row of every corner; None where there are none that fit."""
        from alembic3d import Abc

        if not given.valid() or not given.getNumSamples():
            return None
        moment = Abc.ISampleSelector(float(self._moment(given).nearer))
        sample = given.getExpandedValue(moment)
        values = _array(sample.getVals(), np.float32, width)
        how = _SCOPES.get(str(sample.getScope()))
        if how is None or not len(values):
            return None
        row = corner_rows(values, None, how, *shape)
        if row is None:
            self._skip("UVs or normals that do not fit their mesh")
            return None
        return [self._send(values, "<f4"), self._send(row, "<i4")]

    def _materials(self, schema: Any, faces: int, kept: Any) -> dict[str, Any] | None:
        """Return the names of a mesh's sets of faces, and where the number of every face's lies."""
        names = [str(name) for name in schema.getFaceSetNames()]
        if not names:
            return None
        number = np.full(faces, -1, np.int32)
        for place, name in enumerate(names):
            held = schema.getFaceSet(name).getSchema()
            if not held.getNumSamples():
                continue
            mine = _array(_at(held, self._moment(held).nearer).getFaces(), np.int64)
            number[mine[(mine >= 0) & (mine < faces)]] = place
        if kept is not None:
            number = number[kept]
        return {"names": names, "faces": self._send(number, "<i4")}


def _array(values: Any, kind: Any, width: int = 1) -> Any:
    """Return the library's array as NumPy's; empty where there is none."""
    if values is None or not len(values):
        return np.zeros((0, width) if width > 1 else 0, kind)
    out = np.array(memoryview(values))
    return out.reshape(-1, width).astype(kind) if width > 1 else out.reshape(-1).astype(kind)
