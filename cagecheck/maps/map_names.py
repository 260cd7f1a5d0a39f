"""What the name of a baked map says: material or part, tile, kind of map.

Names are compared by words. A word ends at every character that is neither letter nor digit and
where a capital follows a small letter; case and Unicode form (NFC or NFD) do not count. A
material's name is found in a file's name when the words side by side spell it, so
``Leather Jacket``, ``leather_jacket`` and ``LeatherJacket`` are one name.
"""

from __future__ import annotations

import re
import string
import unicodedata
from collections.abc import Collection
from dataclasses import dataclass

from cagecheck.errors import InputError
from cagecheck.meshes.tiles import FIRST_TILE, LAST_TILE, TILES_PER_ROW

DEFAULT_PATTERN = "{asset}_{map}.{tile}.{ext}"
PATTERN_FIELDS = ("asset", "map", "tile", "ext", "material")
IMAGE_ENDINGS = ("png", "tga", "tif", "tiff", "exr", "jpg", "jpeg", "bmp", "webp", "hdr")

# Words for the kind of a map, in small letters (common practice, no source).
MAP_KINDS = {
    "albedo", "ambient", "ao", "base", "basecolor", "basecolour", "bent", "bump", "cavity", "color",
    "colour", "convexity", "curvature", "depth", "diffuse", "direction", "displacement", "emission",
    "emissive", "gloss", "glossiness", "height", "id", "mask", "material", "matid", "metallic",
    "metalness", "nor", "normal", "normals", "nrm", "object", "occlusion", "opacity", "orm",
    "position", "rough", "roughness", "specular", "thickness", "transmission", "wireframe", "world",
}  # fmt: skip
# The longest file name that common file systems take, in bytes.
LONGEST_NAME = 255
# Characters and names that one file system or another refuses (common practice, no source).
_REFUSED = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]')
_DEVICES = re.compile(r"(?i)^(con|prn|aux|nul|com\d|lpt\d)(\..*)?$")
_LOW_WORDS = ("low", "lowpoly", "lp")
_WORD = re.compile(r"[^\W_]+")


@dataclass(frozen=True)
class MapName:
    """What a file name says.

    names : names of materials or parts found in it; tile : the number it carries, or None;
    kind : the words that are left, joined by ``_`` (``normal``, ``ao``); ext : without the dot.
    """

    names: tuple[str, ...]
    tile: int | None
    kind: str
    ext: str


def name_key(name: str) -> str:
    """Return the form in which file systems that ignore case and Unicode form compare names."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def words_of(name: str) -> list[str]:
    """Split a name into words, in its own spelling (NFC)."""
    return [word for word, _ in _words_and_chunks(name)]


def default_asset(stem: str) -> str:
    """Return the mesh's file name without a closing word for ``low`` (``hero_low`` -> ``hero``)."""
    match = re.fullmatch(r"(.+?)[\W_]+([^\W_]+)", stem)
    return match[1] if match and match[2].casefold() in _LOW_WORDS else stem


def parse_map_name(
    file_name: str, known: Collection[str], asset: str, tiles: Collection[int] = ()
) -> MapName:
    """Read a map's file name.

    `known` are the names of materials and parts, `tiles` the tiles in use. Of names that overlap
    in the file's name the longest counts. The asset's own name, tile numbers and a closing running
    number (``_02``) are no part of the kind of map. A power of two (``4096``) is the size of a
    map, unless it is a tile in use.
    """
    stem, _, ext = file_name.rpartition(".")
    pairs = _words_and_chunks(stem)
    words = [word for word, _ in pairs]
    taken = [False] * len(words)
    names = _find_names(words, known, taken)
    _strike(words, taken, asset)
    tile = _find_tile(words, taken, tiles)
    left = [pair for pair, used in zip(pairs, taken, strict=True) if not used]
    while len(left) > 1 and left[-1][0].isdecimal() and len(left[-1][0]) < 4:
        left.pop()
    return MapName(names, tile, _spell(left), ext)


def check_pattern(pattern: str) -> None:
    """Raise `InputError` when a pattern lacks its tile or holds fields that do not exist."""
    try:
        fields = [name for _, name, _, _ in string.Formatter().parse(pattern) if name is not None]
    except ValueError as error:
        raise InputError(
            f"the pattern {pattern!r} cannot be read ({error}).", cure=_pattern_help()
        ) from error
    unknown = [name for name in fields if name not in PATTERN_FIELDS]
    if unknown:
        raise InputError(
            f"the pattern {pattern!r} holds {{{unknown[0]}}}, which is no field.",
            cure=_pattern_help(),
        )
    if "tile" not in fields:
        raise InputError(f"the pattern {pattern!r} holds no {{tile}}.", cure=_pattern_help())


def fill_pattern(pattern: str, **values: str) -> str:
    """Return the file name that a pattern gives, with refused characters as ``_``.

    Raises `InputError` when the result is no usable file name.
    """
    safe = {key: _REFUSED.sub("_", value) for key, value in values.items()}
    name = unicodedata.normalize("NFC", pattern.format(**safe))
    if _REFUSED.search(name) or _DEVICES.match(name) or name != name.strip(" .") or not name:
        raise InputError(
            f"{name!r} is no file name that every system takes.", cure="Change `pattern`."
        )
    if len(name.encode()) > LONGEST_NAME:
        raise InputError(
            f"the name {name[:40]!r}... is longer than {LONGEST_NAME} bytes.",
            cure="Shorten `pattern` or `asset`.",
        )
    return name


def _find_names(words: list[str], known: Collection[str], taken: list[bool]) -> tuple[str, ...]:
    spans = [(start, stop, name) for name in known for start, stop in _spans(words, name)]
    # Longest first; among equals the one that comes first in the file's name.
    spans.sort(key=lambda s: (-sum(len(w) for w in words[s[0] : s[1]]), s[0], s[2]))
    found: list[str] = []
    claimed: dict[tuple[int, int], bool] = {}
    for start, stop, name in spans:
        if (start, stop) not in claimed and any(taken[start:stop]):
            continue
        claimed[start, stop] = True
        taken[start:stop] = [True] * (stop - start)
        if name not in found:
            found.append(name)
    return tuple(found)


def _spans(words: list[str], name: str) -> list[tuple[int, int]]:
    """Return where the words spell `name`, as half-open ranges of words."""
    wanted = _squeezed(words_of(name))
    if not wanted:
        return []
    out = []
    for start in range(len(words)):
        spelt = ""
        for stop in range(start, len(words)):
            spelt += _squeezed([words[stop]])
            if spelt == wanted:
                out.append((start, stop + 1))
            if len(spelt) >= len(wanted):
                break
    return out


def _squeezed(words: list[str]) -> str:
    return name_key("".join(words))


def _strike(words: list[str], taken: list[bool], name: str) -> None:
    for start, stop in _spans(words, name):
        if not any(taken[start:stop]):
            taken[start:stop] = [True] * (stop - start)


def _find_tile(words: list[str], taken: list[bool], tiles: Collection[int]) -> int | None:
    """Find the last tile number, or the form ``u1_v1`` that counts from 1 (common practice)."""
    for k in range(len(words) - 1, -1, -1):
        if taken[k]:
            continue
        if re.fullmatch(r"[1-9]\d{3}", words[k]) and _is_tile(int(words[k]), tiles):
            taken[k] = True
            return int(words[k])
        for length in (1, 2):
            text = "".join(words[k : k + length]).casefold()
            match = re.fullmatch(r"u([1-9]|10)v([1-9]\d?)", text)
            if match and not any(taken[k : k + length]):
                taken[k : k + length] = [True] * length
                return FIRST_TILE + int(match[1]) - 1 + TILES_PER_ROW * (int(match[2]) - 1)
    return None


def _is_tile(number: int, tiles: Collection[int]) -> bool:
    is_power_of_two = number & (number - 1) == 0
    return number in tiles or (FIRST_TILE <= number <= LAST_TILE and not is_power_of_two)


def _words_and_chunks(name: str) -> list[tuple[str, int]]:
    """Return the words of a name, each with the number of the unbroken run it is part of."""
    out: list[tuple[str, int]] = []
    for number, chunk in enumerate(_WORD.findall(unicodedata.normalize("NFC", name))):
        start = 0
        for k in range(1, len(chunk)):
            if chunk[k].isupper() and chunk[k - 1].islower():
                out.append((chunk[start:k], number))
                start = k
        out.append((chunk[start:], number))
    return out


def _spell(pairs: list[tuple[str, int]]) -> str:
    """Join words as they stood: nothing within a run, ``_`` between runs."""
    text = ""
    for k, (word, number) in enumerate(pairs):
        text += ("_" if k and pairs[k - 1][1] != number else "") + word
    return text


def _pattern_help() -> str:
    fields = ", ".join(f"{{{name}}}" for name in PATTERN_FIELDS)
    return f"Use the fields {fields}, for example {DEFAULT_PATTERN}"
