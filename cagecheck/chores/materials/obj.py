"""Materials and UV positions in OBJ and MTL files, with every other byte kept.

Only these lines change: ``usemtl`` (renamed, added where the material changes between two faces,
removed where no face follows), ``mtllib``, and when UVs move, the ``vt`` lines of the moved faces.
A ``vt`` line that faces of several tiles share is written once for each tile; only then face
lines change, by their UV numbers. UVs move by whole numbers in decimal arithmetic, so that moving
back gives the same digits.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from decimal import Context, Decimal, InvalidOperation
from pathlib import Path

from cagecheck.errors import InputError
from cagecheck.files import read_plain
from cagecheck.formats.text_numbers import decode_name

Shift = tuple[int, int]

# Text files hold no more digits than this.
_EXACT = Context(prec=200)
_KEYWORD = re.compile(rb"[ \t]*(\S+)")
_UV = re.compile(rb"([ \t]*vt[ \t]+)(\S+)(?:([ \t]+)([^\s#]+))?", re.DOTALL)
_CORNER = re.compile(rb"([ \t]+(?:\\\r?\n[ \t]*)*)([^\s\\]+)")
_BOM = b"\xef\xbb\xbf"


def set_obj_materials(data: bytes, face_material: Sequence[str], library: str) -> bytes:
    """Return the OBJ with one material name per face, in the file's order of faces.

    `library` is the MTL's file name. An empty name leaves a face without a change of material.
    """
    out: list[bytes] = []
    current = ""
    face = 0
    has_library = False
    for line in logical_lines(data):
        word = keyword(line)
        if word == b"mtllib":
            if not has_library:
                out.append(b"mtllib " + library.encode() + _ending(line))
            has_library = True
            continue
        if word == b"usemtl":
            wanted = next((name for name in face_material[face : face + 1] if name), "")
            if wanted:
                out.append(b"usemtl " + wanted.encode() + _ending(line))
                current = wanted
            continue
        if word in (b"f", b"fo"):
            wanted = face_material[face]
            if wanted and wanted != current:
                out.append(b"usemtl " + wanted.encode() + (_ending(line) or b"\n"))
                current = wanted
            face += 1
        out.append(line)
    if not has_library:
        out.insert(0, b"mtllib " + library.encode() + (_ending(out[0]) if out else b"\n"))
    return _keep_bom(data, out)


def move_obj_uvs(data: bytes, face_shift: Sequence[Shift]) -> bytes:
    """Return the OBJ with the UVs of every face moved by whole tiles, (u, v) each."""
    lines = logical_lines(data)
    shifts = _shifts_of_uvs(lines, face_shift)
    is_shared = any(len(held) > 1 for held in shifts)
    first = _first_numbers(shifts)
    out: list[bytes] = []
    face = seen = 0
    for line in lines:
        word = keyword(line)
        if word == b"vt":
            out.extend(_moved_uv(line, shift) for shift in shifts[seen] or [(0, 0)])
            seen += 1
        elif word in (b"f", b"fo"):
            if is_shared:
                line = _renumbered(line, seen, first, shifts, face_shift[face])
            out.append(line)
            face += 1
        else:
            out.append(line)
    return _keep_bom(data, out)


def obj_libraries(data: bytes) -> list[str]:
    """Return the names on all ``mtllib`` lines, each line's as a whole."""
    found = []
    for line in logical_lines(data):
        if keyword(line) == b"mtllib":
            found.append(line.strip()[len(b"mtllib") :].strip().decode("utf-8", "surrogateescape"))
    return found


def set_mtl_materials(
    libraries: Sequence[bytes], made_from: Mapping[str, str | None], kept: Sequence[str]
) -> bytes:
    """Return an MTL: `kept` materials as they are, then each new name with its model's lines."""
    blocks: dict[str, list[bytes]] = {}
    head: list[bytes] = []
    for data in libraries:
        current = head
        for line in data.removeprefix(_BOM).splitlines(keepends=True):
            if keyword(line) == b"newmtl":
                current = blocks[decode_name(line.split(None, 1)[-1])] = []
            else:
                current.append(line)
    out = list(head)
    models: dict[str, str | None] = {**{name: name for name in kept}, **made_from}
    for new, model in models.items():
        if out and not out[-1].endswith((b"\n", b"\r")):
            out.append(b"\n")
        out.append(b"newmtl " + new.encode() + b"\n")
        out.extend(blocks.get(model, []) if model is not None else [])
    return b"".join(out)


def read_libraries(path: Path, names: Sequence[str]) -> tuple[list[bytes], list[str]]:
    """Read the MTL files beside an OBJ. Returns their bytes and the names that were not found.

    A name that leads out of the OBJ's folder is not followed and counts as not found.
    """
    found, missing = [], []
    folder = path.resolve().parent
    for name in names:
        whole = _beside(folder, name)
        for piece in [name] if whole is not None else name.split():
            place = whole or _beside(folder, piece)
            if place is None:
                missing.append(piece)
                continue
            try:
                found.append(read_plain(place))
            except OSError as error:
                raise InputError(
                    f"this material library cannot be read ({error.strerror}).", file=str(place)
                ) from error
    return found, missing


def logical_lines(data: bytes) -> list[bytes]:
    """Split into lines with their endings; a line that ends in a backslash takes in the next."""
    out: list[bytes] = []
    is_open = False
    for line in data.removeprefix(_BOM).splitlines(keepends=True):
        if is_open:
            out[-1] += line
        else:
            out.append(line)
        is_open = line.rstrip(b"\r\n").endswith(b"\\")
    return out


def keyword(line: bytes) -> bytes:
    """Return the first word of a line."""
    match = _KEYWORD.match(line)
    return match[1] if match else b""


def _shifts_of_uvs(lines: list[bytes], face_shift: Sequence[Shift]) -> list[list[Shift]]:
    """Return for every ``vt`` line the different shifts of the faces that use it, sorted."""
    held: list[set[Shift]] = [set() for line in lines if keyword(line) == b"vt"]
    face = seen = 0
    for line in lines:
        word = keyword(line)
        if word == b"vt":
            seen += 1
        elif word in (b"f", b"fo"):
            for number in _uv_numbers(line):
                held[number - 1 if number > 0 else seen + number].add(face_shift[face])
            face += 1
    return [sorted(shifts) for shifts in held]


def _uv_numbers(line: bytes) -> list[int]:
    corners = line.split(b"#", 1)[0].replace(b"\\", b" ").split()[1:]
    fields = (corner.split(b"/") for corner in corners)
    try:
        return [int(field[1]) for field in fields if len(field) > 1 and field[1]]
    except ValueError as error:
        raise InputError(
            f"the face {line[:40]!r} is written too oddly to move its UVs.", cure="Export it again."
        ) from error


def _first_numbers(shifts: list[list[Shift]]) -> list[int]:
    """Return the new number of the first line that each ``vt`` line becomes, from 1."""
    out, number = [], 1
    for held in shifts:
        out.append(number)
        number += max(1, len(held))
    return [*out, number]


def _renumbered(
    line: bytes, seen: int, first: list[int], shifts: list[list[Shift]], shift: Shift
) -> bytes:
    """Return a face line with its UV numbers as they are after lines were doubled."""

    def corner(match: re.Match[bytes]) -> bytes:
        fields = match[2].split(b"/")
        if len(fields) < 2 or not fields[1]:
            return match[0]
        number = int(fields[1])
        old = number - 1 if number > 0 else seen + number
        new = first[old] + shifts[old].index(shift)
        fields[1] = b"%d" % (new if number > 0 else new - first[seen])
        return match[1] + b"/".join(fields)

    body, mark, comment = line.partition(b"#")
    return _CORNER.sub(corner, body) + mark + comment


def _moved_uv(line: bytes, shift: Shift) -> bytes:
    match = _UV.match(line)
    if match is None or shift == (0, 0):
        return line
    head, u, blank, v = match.groups()
    text = head + _moved_number(u, shift[0])
    if v is not None:
        text += blank + _moved_number(v, shift[1])
    return text + line[match.end() :]


def _moved_number(text: bytes, shift: int) -> bytes:
    if shift == 0:
        return text
    try:
        return format(_EXACT.add(Decimal(text.decode()), Decimal(shift)), "f").encode()
    except (InvalidOperation, UnicodeDecodeError) as error:
        raise InputError(f"the UV {text[:40]!r} cannot be moved.", cure="Export again.") from error


def _ending(line: bytes) -> bytes:
    return line[len(line.rstrip(b"\r\n")) :]


def _keep_bom(data: bytes, lines: list[bytes]) -> bytes:
    return (_BOM if data.startswith(_BOM) else b"") + b"".join(lines)


def _beside(folder: Path, name: str) -> Path | None:
    """Return the file of that name in or below the folder, or None."""
    try:
        place = (folder / name.replace("\\", "/")).resolve()
        return place if place.is_relative_to(folder) and place.is_file() else None
    except (OSError, ValueError):
        return None
