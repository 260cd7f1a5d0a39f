"""Small Alembic archives, written with the format's own library."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

SECONDS = 1 / 24


def array(values: Any, kind: str) -> Any:
    """Return one of the library's arrays."""
    import imath

    make = {"V3f": imath.V3f, "V2f": imath.V2f}.get(kind)
    out = getattr(imath, f"{kind}Array")(len(values))
    for k, value in enumerate(values):
        out[k] = value if make is None else make(*(float(x) for x in value))
    return out


def numbers(values: Any, kind: str = "Int") -> Any:
    return array([int(v) for v in np.asarray(values).ravel()], kind)


class Archive:
    """An archive to write: every sample of what moves is a frame of a film (24 a second)."""

    def __init__(self, path: Path) -> None:
        from alembic3d import Abc, AbcCoreAbstract

        self.file = Abc.OArchive(str(path))
        self.top = self.file.getTop()
        self.times = self.file.addTimeSampling(AbcCoreAbstract.TimeSampling(SECONDS, 0.0))
        self.kept: list[Any] = []

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_: object) -> None:
        # Objects are written when the last of them goes, the archive last.
        self.kept.clear()
        del self.top, self.file

    def place(self, above: Any, name: str, samples: Sequence[Any], inherits: bool = True) -> Any:
        """Add a transform; a sample is a function that puts its steps into an XformSample."""
        from alembic3d import AbcGeom

        out = AbcGeom.OXform(above, name, self.times)
        for put in samples:
            sample = AbcGeom.XformSample()
            put(sample)
            sample.setInheritsXforms(inherits)
            out.getSchema().set(sample)
        self.kept.append(out)
        return out

    def mesh(
        self,
        above: Any,
        name: str,
        samples: Sequence[Any],
        faces: Sequence[Sequence[int]],
        *,
        uvs: Any = None,
        normals: Any = None,
        sets: dict[str, Sequence[int]] | None = None,
        holes: Sequence[int] | None = None,
        hidden: bool = False,
    ) -> Any:
        """Add a mesh of one or several samples of points; with `holes` a subdivision surface."""
        from alembic3d import AbcGeom

        make = AbcGeom.OPolyMesh if holes is None else AbcGeom.OSubD
        out = make(above, name, self.times)
        schema = out.getSchema()
        corners = numbers([v for face in faces for v in face])
        sizes = numbers([len(face) for face in faces])
        for points in samples:
            held = array(points, "V3f")
            if holes is not None:
                sample = AbcGeom.OSubDSchemaSample(held, corners, sizes, holes=numbers(holes))
            else:
                sample = AbcGeom.OPolyMeshSchemaSample(held, corners, sizes)
                if uvs is not None:
                    sample.setUVs(uvs)
                if normals is not None:
                    sample.setNormals(normals)
            schema.set(sample)
        for label, members in (sets or {}).items():
            held = schema.createFaceSet(label)
            held.getSchema().set(AbcGeom.OFaceSetSchemaSample(numbers(members)))
        if hidden:
            shown = AbcGeom.CreateVisibilityProperty(out, 0)
            shown.setValue(0)
        self.kept.append(out)
        return out


def alembic_samples(folder: Path) -> dict[str, bytes]:
    """A moving plate by file name; none where the library is missing."""
    try:
        import alembic3d  # noqa: F401
    except ImportError:
        return {}
    write_plate_archive(folder / "plate.abc")
    return {"plate.abc": (folder / "plate.abc").read_bytes()}


def write_plate_archive(path: Path) -> None:
    """Write a quad and a triangle, moved and scaled, with all that is read of a mesh."""
    from alembic3d import AbcGeom

    scopes = AbcGeom.GeometryScope
    points = [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (2, 0, 0)]
    uvs = AbcGeom.OV2fGeomParamSample(
        array([(0, 0), (1, 0), (1, 1), (0, 1)], "V2f"),
        numbers([3, 2, 1, 0, 2, 1, 0], "UnsignedInt"),
        scopes.kFacevaryingScope,
    )
    normals = AbcGeom.ON3fGeomParamSample(
        array([(0, 0, 1), (0, 0, 2)], "V3f"), scopes.kUniformScope
    )
    with Archive(path) as archive:
        above = archive.place(archive.top, "World", [moved((10, 20, 30), (2, 3, 4))])
        archive.mesh(
            above, "Plate_low", [points], [(3, 2, 1, 0), (2, 4, 1)], uvs=uvs, normals=normals,
            sets={"skin": [0], "steel": [1]},
        )  # fmt: skip
        # Its own objects end before the archive does.
        del above


def moved(by: Sequence[float], scale: Sequence[float] = (1, 1, 1)) -> Any:
    import imath

    def put(sample: Any) -> None:
        sample.setTranslation(imath.V3d(*by))
        sample.setScale(imath.V3d(*scale))

    return put
