"""One material per tile: written into a copy of the mesh, with UVs in their tiles or in the first.

Every face gets the material of its tile, made after the material with the largest UV area there.
Faces outside the tiles or without UVs keep theirs. Positions, normals, parts and the order of
vertices stay; in GLB a primitive that spans tiles is parted, so there its faces change order.
What was moved is written down beside the mesh, and `restore_tiles` moves it back by material name.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from cagecheck.arrays.types import Ints
from cagecheck.chores.materials.glb import GlbEdit
from cagecheck.chores.materials.obj import (
    move_obj_uvs,
    obj_libraries,
    read_libraries,
    set_mtl_materials,
    set_obj_materials,
)
from cagecheck.errors import InputError, Notice
from cagecheck.files import OutputFolder, read_plain, sha256_of
from cagecheck.formats.cage_text import CannotKeepError
from cagecheck.formats.file_bytes import load_bytes, split_name
from cagecheck.formats.gltf_document import MalformedError
from cagecheck.formats.read import read_mesh
from cagecheck.formats.stored import parse_json, shortened
from cagecheck.formats.usd import ENDINGS as USD_ENDINGS
from cagecheck.formats.usd_write import override_materials
from cagecheck.inspecting.tile_table import NO_MATERIAL, face_tiles, tile_table
from cagecheck.maps.map_names import default_asset
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.tiles import FIRST_TILE, NO_TILE, tile_origin
from cagecheck.staging import recover
from cagecheck.words.numbers import count_text

DEFAULT_NAMES = "{asset}_{tile}"
RECORD_VERSION = 1
RECORD_ENDING = ".tiles.json"
WRITABLE = ("obj", "glb")
LAYERED = tuple(ending[1:] for ending in USD_ENDINGS)


@dataclass(frozen=True)
class TileMaterial:
    """The material of one tile: its new `name`, the material it is made after, all it replaces."""

    tile: int
    name: str
    made_from: str | None
    replaces: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return dict(vars(self)) | {"replaces": list(self.replaces)}


@dataclass(frozen=True)
class TileMaterialsResult:
    """What was written: the files, the tiles' materials and what the artist should know."""

    mesh: Path
    files: tuple[Path, ...]
    materials: tuple[TileMaterial, ...]
    is_moved: bool
    notices: tuple[Notice, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "mesh": str(self.mesh),
            "files": [str(path) for path in self.files],
            "materials": [material.to_dict() for material in self.materials],
            "moved": self.is_moved,
            "notices": [notice.to_dict() for notice in self.notices],
        }


def write_tile_materials(
    path: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    names: str = DEFAULT_NAMES,
    asset: str | None = None,
    to_first_tile: bool = False,
    force: bool = False,
) -> TileMaterialsResult:
    """Write a mesh (OBJ or GLB) again with one material per tile, or a layer over a USD scene.

    Parameters
    ----------
    path : str | os.PathLike[str]
        The mesh.
    out : str | os.PathLike[str]
        The file to write.
    names : str, optional
        A pattern of {asset}, {tile} and {material} for the materials' names.
    asset : str, optional
        The asset's name; the mesh's file name by default.
    to_first_tile : bool, optional
        All UVs move into tile 1001 and a record for `restore_tiles` is written beside the mesh.
    force : bool, optional
        Replace a file that exists.

    Returns
    -------
    TileMaterialsResult
        What was written.

    Raises
    ------
    InputError
        The mesh has no UVs or is of a kind that is not written, `out` has another ending or
        exists, or the names are not one to a tile.
    """
    recover(Path(path).parent)
    mesh, out = read_mesh(path), Path(out)
    kind = _writable(mesh, out)
    if kind in LAYERED and to_first_tile:
        raise _no_moving(path)
    plan = plan_materials(mesh, names, asset or default_asset(Path(path).stem))
    faces = face_tiles(mesh)
    shift = {m.tile: _to_first(m.tile) for m in plan} if to_first_tile else {}
    notices = list(_plan_notices(mesh, plan, faces.crossing, to_first_tile))
    with OutputFolder(out.parent, force=force, is_shared=True) as folder:
        place = folder.add(out.name)
        if kind == "obj":
            notices += _write_obj(mesh, faces.tile, plan, shift, place, folder, out)
        elif kind in LAYERED:
            place.write_bytes(_usd_layer(mesh, faces.tile, plan, place))
        else:
            with _sound(path):
                edit = GlbEdit(Path(path))
                edit.set_materials({m.tile: (m.name, m.made_from) for m in plan})
                edit.move_uvs(shift)
                edit.write(place)
        _check_written(mesh, place, plan, bool(shift))
        if kind in LAYERED:  # again, since it names the scene as seen from where it lies
            place.write_bytes(_usd_layer(mesh, faces.tile, plan, out))
        if to_first_tile:
            record = _record(mesh, place, out.name, plan, shift)
            folder.add(out.name + RECORD_ENDING).write_text(
                json.dumps(record, indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
            )
    return TileMaterialsResult(out, tuple(folder.paths()), tuple(plan), bool(shift), tuple(notices))


def restore_tiles(
    path: str | os.PathLike[str],
    record: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    force: bool = False,
) -> TileMaterialsResult:
    """Move the UVs of a mesh back to the tiles that a record names, by its materials.

    The mesh may have been changed since, as long as its faces keep their materials' names.

    Parameters
    ----------
    path : str | os.PathLike[str]
        The mesh whose UVs all lie in one tile.
    record : str | os.PathLike[str]
        The record that `write_tile_materials` wrote.
    out : str | os.PathLike[str]
        The file to write.
    force : bool, optional
        Replace a file that exists.

    Returns
    -------
    TileMaterialsResult
        What was written.

    Raises
    ------
    InputError
        The record cannot be read, or none of its materials is in the mesh.
    """
    recover(Path(path).parent)
    mesh, out = read_mesh(path), Path(out)
    kind = _writable(mesh, out)
    if kind in LAYERED:
        raise _no_moving(path)
    materials, shift_of = _read_record(Path(record))
    known = set(mesh.material_names) & set(shift_of)
    if not known:
        raise InputError(
            "this mesh has none of the materials of the record.",
            file=str(path),
            cure="Name the record that was written beside it.",
        )
    with OutputFolder(out.parent, force=force, is_shared=True) as folder:
        place = folder.add(out.name)
        if kind == "obj":
            shifts = [shift_of.get(name, (0, 0)) for name in _names_of_faces(mesh)]
            place.write_bytes(move_obj_uvs(load_bytes(path).data.tobytes(), shifts))
        else:
            with _sound(path):
                edit = GlbEdit(Path(path))
                edit.move_uvs_by_material({name: shift_of[name] for name in known})
                edit.write(place)
    strange = sorted(set(mesh.material_names) - known)
    notices = (
        [Notice("unknown-materials", f"not in the record and not moved: {', '.join(strange)}.")]
        if strange
        else []
    )
    return TileMaterialsResult(out, tuple(folder.paths()), materials, False, tuple(notices))


def plan_materials(mesh: Mesh, names: str, asset: str) -> list[TileMaterial]:
    """Give every tile of a mesh its material. Raises `InputError` when names do not differ."""
    held = tile_table(prepare_low(mesh)).materials_of_tile()
    plan = []
    for tile, old in held.items():
        first = old[0] if old[0] != NO_MATERIAL else None
        name = _fill(names, asset, tile, first or asset)
        plan.append(TileMaterial(tile, name, first, tuple(n for n in old if n != NO_MATERIAL)))
    used = [material.name for material in plan]
    taken = _kept_names(mesh)
    if len(set(used)) < len(used) or set(used) & set(taken):
        raise InputError(
            f"the names {names!r} give one name to several materials.",
            cure="Put {tile} into `names`.",
        )
    return plan


@contextlib.contextmanager
def _sound(path: str | os.PathLike[str]) -> Iterator[None]:
    """Turn what breaks the standard into an `InputError` about the file."""
    try:
        yield
    except MalformedError as error:
        raise InputError(
            f"this is not a sound glTF file: {error}.", file=str(path), cure="Export it again."
        ) from error


def _fill(names: str, asset: str, tile: int, material: str) -> str:
    try:
        name = names.format(asset=asset, tile=tile, material=material)
    except (KeyError, IndexError, ValueError) as error:
        raise InputError(
            f"the names {names!r} cannot be read.", cure="Use {asset}, {tile} and {material}."
        ) from error
    if not name.strip() or any(c in name for c in "\r\n#") or name != name.strip():
        raise InputError(f"{name!r} is no name for a material.", cure="Change `names`.")
    return name


def _kept_names(mesh: Mesh) -> list[str]:
    """Return the materials that faces outside all tiles keep."""
    tile = face_tiles(mesh).tile
    if mesh.face_material is None:
        return []
    kept = np.unique(mesh.face_material[(tile == NO_TILE) & (mesh.face_material >= 0)])
    return [mesh.material_names[k] for k in kept]


def _write_obj(
    mesh: Mesh,
    face_tile: Ints,
    plan: Sequence[TileMaterial],
    shift: Mapping[int, tuple[int, int]],
    place: Path,
    folder: OutputFolder,
    out: Path,
) -> list[Notice]:
    assert mesh.source is not None, "the mesh was read from a file"
    source = Path(mesh.source.path)
    data = load_bytes(source).data.tobytes()
    new_name = {material.tile: material.name for material in plan}
    faces = [
        new_name.get(tile, old)
        for tile, old in zip(face_tile.tolist(), _names_of_faces(mesh), strict=True)
    ]
    library = out.stem + ".mtl"
    text = set_obj_materials(data, faces, library)
    if shift:
        text = move_obj_uvs(text, [shift.get(tile, (0, 0)) for tile in face_tile.tolist()])
    place.write_bytes(text)
    libraries, missing = read_libraries(source, obj_libraries(data))
    mtl = set_mtl_materials(libraries, {m.name: m.made_from for m in plan}, _kept_names(mesh))
    folder.add(library).write_bytes(mtl)
    notices = [
        Notice("no-library", f"the material library {name} was not found.", "Shading is left out.")
        for name in missing
    ]
    if b"map_" in mtl and source.resolve().parent != out.resolve().parent:
        notices.append(
            Notice(
                "texture-paths",
                "the materials name textures relative to the source's folder.",
                "Copy the textures beside the new mesh, or write it into the source's folder.",
            )
        )
    return notices


def _no_moving(path: str | os.PathLike[str]) -> InputError:
    return InputError(
        "UVs of USD scenes are not moved from tile to tile; only bindings are written.",
        file=str(path),
        cure="Export the mesh as OBJ or GLB for that.",
    )


def _usd_layer(mesh: Mesh, face_tile: Ints, plan: Sequence[TileMaterial], out: Path) -> bytes:
    """Return a layer over the mesh's scene that binds every face to its tile's material."""
    assert mesh.source is not None, "the mesh was read from a file"
    for material in plan:
        if not material.name.isidentifier():
            raise InputError(
                f"{material.name!r} is no name for a material in USD: letters, digits and _ only.",
                cure="Change `names` or `asset`.",
            )
    new_name = {material.tile: material.name for material in plan}
    names = [
        new_name.get(tile, old)
        for tile, old in zip(face_tile.tolist(), _names_of_faces(mesh), strict=True)
    ]
    made = [(material.name, material.made_from) for material in plan]
    file = load_bytes(mesh.source.path)
    try:
        return override_materials(file, mesh, names, made, out.suffix.lower(), out)
    except CannotKeepError as reason:
        raise InputError(f"{reason}.", file=str(out), cure="Export it as OBJ or GLB.") from None


def _names_of_faces(mesh: Mesh) -> list[str]:
    if mesh.face_material is None:
        return [""] * mesh.face_count
    names = [*mesh.material_names, ""]
    return [names[k] for k in mesh.face_material.tolist()]


def _to_first(tile: int) -> tuple[int, int]:
    u, v = tile_origin(tile)
    return -u, -v


def _writable(mesh: Mesh, out: Path) -> str:
    assert mesh.source is not None, "the mesh was read from a file"
    kind = mesh.source.format
    if kind in LAYERED:
        if out.suffix.lower()[1:] not in LAYERED:
            raise InputError(
                "the output of a USD scene is a layer over it (.usda, .usdc or .usd).",
                file=str(out),
                cure="Rename it.",
            )
        return kind
    if kind not in WRITABLE:
        raise InputError(
            f"materials are not written to {kind.upper()} files.",
            file=mesh.source.path,
            cure="Export the mesh as OBJ, GLB or USD.",
        )
    if out.suffix.lower() != f".{kind}":
        raise InputError(
            f"the output must end in .{kind} like its source.", file=str(out), cure="Rename it."
        )
    return kind


def _check_written(mesh: Mesh, place: Path, plan: Sequence[TileMaterial], is_moved: bool) -> None:
    """Read the new file and compare; nothing that differs from the plan leaves the temp folder."""
    assert mesh.source is not None, "the mesh was read from a file"
    again = read_mesh(place, also_from=[Path(mesh.source.path).resolve().parent])
    name_of = {material.tile: material.name for material in plan}
    tiles = face_tiles(mesh).tile
    before: dict[str, int] = {}
    for tile, old in zip(tiles.tolist(), _names_of_faces(mesh), strict=True):
        name = name_of.get(tile, old)
        before[name] = before.get(name, 0) + 1
    after: dict[str, int] = {}
    for name in _names_of_faces(again):
        after[name] = after.get(name, 0) + 1
    same = (
        before == after
        and np.array_equal(mesh.positions, again.positions)
        and _same_parts(mesh, again)
        and len(mesh.corner_vertex) == len(again.corner_vertex)
    )
    if same and is_moved:
        same = set(face_tiles(again).tile.tolist()) <= {FIRST_TILE, NO_TILE}
    if not same:
        raise InputError(
            "the file could not be rewritten faithfully and was left as it is.",
            file=mesh.source.path if mesh.source else None,
            cure="Export it again as GLB or as a plain OBJ.",
        )


def _same_parts(mesh: Mesh, again: Mesh) -> bool:
    """Whether both have the same parts of the same sizes; a file's own name may stand for one."""
    assert mesh.source is not None and again.source is not None, "both were read from files"
    stems = (split_name(mesh.source.path)[0], split_name(again.source.path)[0])
    return np.array_equal(np.bincount(mesh.face_part), np.bincount(again.face_part)) and all(
        one == other or (one, other) == stems
        for one, other in zip(mesh.part_names, again.part_names, strict=True)
    )


def _plan_notices(
    mesh: Mesh, plan: Sequence[TileMaterial], crossing: Any, to_first_tile: bool
) -> list[Notice]:
    out = []
    for material in plan:
        if len(material.replaces) > 1:
            rest = ", ".join(material.replaces[1:])
            out.append(
                Notice(
                    "materials-joined",
                    f"tile {material.tile}: {rest} joined {material.made_from} in {material.name}.",
                    "Shading of the joined ones is left out.",
                    len(material.replaces) - 1,
                )
            )
    count = int(np.count_nonzero(crossing))
    if count:
        out.append(
            Notice(
                "faces-across-tiles",
                f"{count_text(count)} faces cross a tile border and went with the tile of their "
                "middle.",
                "Move their UVs into one tile." if to_first_tile else "",
                count,
            )
        )
    return out


def _record(
    mesh: Mesh,
    place: Path,
    name: str,
    plan: Sequence[TileMaterial],
    shift: Mapping[int, tuple[int, int]],
) -> dict[str, Any]:
    assert mesh.source is not None, "the mesh was read from a file"
    return {
        "version": RECORD_VERSION,
        "about": "UVs were moved by whole tiles into the first tile; shift is what was added",
        "source": {"name": Path(mesh.source.path).name, "sha256": mesh.source.sha256},
        "written": {"name": name, "sha256": sha256_of(place)},
        "materials": [m.to_dict() | {"shift": list(shift[m.tile])} for m in plan],
    }


def _read_record(
    path: Path,
) -> tuple[tuple[TileMaterial, ...], dict[str, tuple[int, int]]]:
    """Return the materials of a record and the way back for each."""
    try:
        document = parse_json(read_plain(path))
        if document["version"] != RECORD_VERSION:
            raise ValueError(f"version {shortened(document['version'])}")
        materials, back = [], {}
        for entry in document["materials"]:
            u, v = entry["shift"]
            made_from, replaces = entry["made_from"], entry["replaces"]
            if not (isinstance(made_from, str | None) and _is_texts(replaces)):
                raise ValueError("materials are named by texts")
            back[str(entry["name"])] = (-int(u), -int(v))
            materials.append(
                TileMaterial(
                    int(entry["tile"]),
                    str(entry["name"]),
                    made_from,
                    tuple(replaces),
                )
            )
        return tuple(materials), back
    except (OSError, ValueError, KeyError, TypeError, OverflowError) as error:
        raise InputError(
            f"this record of moved tiles cannot be read ({error}).", file=str(path)
        ) from error


def _is_texts(values: Any) -> bool:
    return isinstance(values, list) and all(isinstance(value, str) for value in values)
