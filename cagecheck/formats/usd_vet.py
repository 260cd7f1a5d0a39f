"""Looks at the layers of a USD file one by one before they are composed; `usd_child` imports it.

Nothing is opened but files in the folders that are allowed: every address of a sublayer, reference,
payload or value clip is looked at in the layer that holds it first. Addresses with a scheme,
absolute paths and expressions are refused, and so is what leads outside by ``..`` or a link. Which
of several places the library would try does not matter: all of them must lie inside.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cagecheck.formats.child_meshes import RefusedError

_SCHEME = re.compile(r"^[A-Za-z][A-Za-z0-9+.\-]*:")
_ARGUMENTS = ":SDF_FORMAT_ARGS:"
_MOST_LAYERS = 10_000
ENDINGS = (".usd", ".usda", ".usdc", ".usdz")
_OUTSIDE_CURE = "Copy what it refers to into its folder, or export it flattened."


@dataclass
class Layers:
    """What a file leads to: `files` (real paths, itself the first); by address what is `missing`,
    and where it would be looked for first.
    """

    files: dict[str, None] = field(default_factory=dict)
    missing: dict[str, str] = field(default_factory=dict)


def vet(path: str, folders: list[str], layers: Layers) -> None:
    """Look at all layers that a file leads to, and add them to `layers`.

    Raises `RefusedError` where one lies outside the folders. `path` and `folders` are real paths.
    """
    from pxr import Sdf

    seen: set[tuple[str, str]] = set()
    waiting = [(path, first_of_package(path) if path.lower().endswith(".usdz") else "")]
    while waiting:
        place, inner = waiting.pop()
        if (place, inner) in seen:
            continue
        seen.add((place, inner))
        layers.files[place] = None
        if len(seen) > _MOST_LAYERS:
            raise RefusedError("it is made of more than 10,000 layers.", "Export it flattened.")
        layer = Sdf.Layer.OpenAsAnonymous(f"{place}[{inner}]" if inner else place)
        for address in _addresses(layer):
            found = _places(address, place, inner, folders)
            if not found:
                layers.missing[address] = os.path.realpath(Path(place).parent / _outer(address))
            waiting += found


def first_of_package(path: str) -> str:
    """Return the name of the layer that a package opens with."""
    names = _package_names(path)
    first = names[0] if names else ""
    if not first.lower().endswith(ENDINGS):
        raise RefusedError("the first file of this package is no USD layer.", "Export it again.")
    return first


def _package_names(path: str) -> list[str]:
    from pxr import Sdf

    package = Sdf.ZipFile.Open(path)
    if not package:
        raise RefusedError("this package is damaged.", "Export it again.")
    return list(package.GetFileNames())


def _addresses(layer: Any) -> list[str]:
    """Return every address by which composing this layer may open another file."""
    from pxr import Sdf

    out = list(layer.GetCompositionAssetDependencies()) + list(layer.subLayerPaths)

    def look(at: Any) -> None:
        if not at.IsPrimPath() and not at.IsPrimVariantSelectionPath():
            return
        held = layer.GetObjectAtPath(at)
        if held is None or not held.HasInfo("clips"):
            return
        for clips in dict(held.GetInfo("clips")).values():
            out.extend(_clip_addresses(clips))

    layer.Traverse(Sdf.Path.absoluteRootPath, look)
    return [address for address in dict.fromkeys(out) if address]


def _clip_addresses(clips: Any) -> list[str]:
    from pxr import Sdf

    out = []
    for key, value in dict(clips).items():
        if key == "templateAssetPath":
            raise RefusedError(
                "it takes values from numbered files (a template of value clips), which cagecheck "
                "does not follow.",
                "Export it flattened.",
            )
        values = [value] if isinstance(value, Sdf.AssetPath) else value
        if key in ("assetPaths", "manifestAssetPath"):
            out += [v.path if isinstance(v, Sdf.AssetPath) else str(v) for v in values]
    return out


def _places(address: str, place: str, inner: str, folders: list[str]) -> list[tuple[str, str]]:
    """Return where an address leads from a layer: files, each with the layer inside a package."""
    bare = address.split(_ARGUMENTS)[0]
    if "`" in bare:
        raise RefusedError(
            f"it names a layer by an expression ({address[:80]}), which cagecheck does not follow.",
            "Export it flattened.",
        )
    outer, inside = _outer(address), bare.partition("[")[2].rstrip("]")
    if "[" in inside or "\0" in bare:
        raise RefusedError(f"it refers to “{address[:80]}”, a package in a package.", _OUTSIDE_CURE)
    if _SCHEME.match(outer) or "\\" in outer or Path(outer).is_absolute():
        raise _outside(address)
    found = []
    if inner:
        within = os.path.normpath(Path(inner).parent / outer).replace("\\", "/")
        names = _package_names(place)
        found = [(place, name) for name in (within, os.path.normpath(outer)) if name in names]
        if found and not inside:
            return found
    for start in dict.fromkeys([Path(place).parent, Path(folders[0])]):
        target = os.path.realpath(start / outer)
        if not is_within(target, folders):
            raise _outside(address)
        if Path(target).is_file():
            packed = inside or (
                first_of_package(target) if target.lower().endswith(".usdz") else ""
            )
            found.append((target, packed))
            break
    return found


def _outer(address: str) -> str:
    """Return the file that an address names, without arguments and the layer in a package."""
    return address.split(_ARGUMENTS)[0].partition("[")[0]


def _outside(address: str) -> RefusedError:
    return RefusedError(
        f"it refers to “{address[:80]}”, outside the file's own folder.", _OUTSIDE_CURE
    )


def is_within(path: str, folders: list[str]) -> bool:
    """Whether a file lies in one of the folders or below; all are real paths."""
    for folder in folders:
        try:
            if os.path.commonpath([path, folder]) == folder:
                return True
        except ValueError:  # another drive
            continue
    return False
