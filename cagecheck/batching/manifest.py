"""The manifest of a batch: which assets, with which options, against which thresholds.

TOML::

    [options]                 # for every asset
    size = 4096
    [gate]                    # thresholds; leave out for no gate
    percent = 0.5
    [[asset]]
    name = "hero"
    low = "hero_low.obj"
    high = "hero_high.ply"
    cage = "hero_cage.obj"    # or push = "push.json", or offset = 0.02
    tune = true
    gate = { texels = 100, texels_of = { skew = 20 } }
    clash = { meshes = ["walk_1.obj", "walk_2.obj"], with = ["body.obj"] }
    mend = { rest = ["rest.obj"], gap = 0.01 }     # or true

CSV: a header with low, high and any other of these names (thresholds as ``gate_percent``,
``gate_texels_of_skew``; ``clash_meshes``, ``mend_gap``, and ``mend`` for true), one asset per line.
Paths count from the manifest's folder. An asset with ``clash`` needs no low and high.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, get_args

from cagecheck.batching.gate import DEFECT_SLUGS, Gate
from cagecheck.batching.wish import ClashWish, read_wish
from cagecheck.errors import InputError
from cagecheck.files import read_plain
from cagecheck.formats.stored import parse_rows
from cagecheck.maps.map_names import name_key
from cagecheck.options import OFFSETS, again, option, options_of, plain_kind
from cagecheck.predicting.inputs import MeshOptions
from cagecheck.predicting.settings import Settings
from cagecheck.tuning.tune import TuneSettings
from cagecheck.words.numbers import exact_text

FILES = ("low", "high", "cage", "push")


@dataclass(frozen=True)
class Tuned:
    """Whether an asset is tuned, and within which offsets."""

    tune: bool = option(False, OFFSETS, "Also find offsets per vertex.")
    margin: float | str | None = again(TuneSettings, "margin")
    limit: float | str | None = again(TuneSettings, "limit")


# Options by name. They are those of `predict` (and, behind `tune`, of `tune`).
GROUPS = (Settings, MeshOptions, Tuned)
OPTIONS = {declared.key: declared for group in GROUPS for declared in options_of(group)}
_LARGEST_MANIFEST = 16 << 20
# How columns of a CSV begin that stand for a table.
_TABLES = ("gate_", "clash_", "mend_")
_UNSAFE = re.compile(r"[^\w.-]+")


@dataclass(frozen=True)
class Asset:
    """One asset: absolute paths by kind (see `FILES`), options by name, thresholds or None.

    Files that are looked at for clashes are called by their list and their number in it.
    """

    name: str
    slug: str
    files: Mapping[str, Path]
    options: Mapping[str, Any]
    gate: Gate | None
    clash: ClashWish | None = None


@dataclass(frozen=True)
class Manifest:
    """A manifest that was read.

    Attributes
    ----------
    path : Path
        Its file.
    assets : tuple[Asset, ...]
        The assets, in its order.
    is_gate : bool
        Whether any asset has thresholds.
    """

    path: Path
    assets: tuple[Asset, ...]
    is_gate: bool = field(default=False)


def read_manifest(path: str | Path) -> Manifest:
    """Read a manifest, TOML or CSV by its ending.

    The assets' files need not exist: an asset whose files are missing fails for itself later.

    Parameters
    ----------
    path : str | Path
        The file.

    Raises
    ------
    InputError
        The manifest cannot be read, names no asset, one twice, or an unknown option.
    """
    path = Path(path)
    text = _read(path)
    if path.suffix.lower() == ".toml":
        rows, shared, gate = _from_toml(path, text)
    elif path.suffix.lower() in (".csv", ".tsv"):
        rows, shared, gate = _from_csv(path, text), {}, {}
    else:
        raise InputError("a manifest ends in .toml or .csv.", file=str(path), cure="Rename it.")
    assets: list[Asset] = []
    slugs: set[str] = set()
    for number, row in enumerate(rows, start=1):
        asset = _asset(path, number, row, shared, gate, slugs)
        if any(asset.name == other.name for other in assets):
            raise InputError(f"two assets are named {asset.name}.", file=str(path))
        slugs.add(name_key(asset.slug))
        assets.append(asset)
    if not assets:
        raise InputError("this manifest names no assets.", file=str(path))
    return Manifest(path, tuple(assets), any(asset.gate is not None for asset in assets))


def _read(path: Path) -> str:
    try:
        return read_plain(path, most=_LARGEST_MANIFEST).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("this manifest is not UTF-8 text.", file=str(path)) from error
    except OSError as error:
        raise InputError(
            f"this manifest cannot be read ({error.strerror}).", file=str(path)
        ) from error


def _from_toml(path: Path, text: str) -> tuple[list[dict[str, Any]], dict[str, Any], Any]:
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"this manifest does not read: {error}.", file=str(path)) from error
    unknown = sorted(set(document) - {"asset", "options", "gate"})
    if unknown:
        raise InputError(
            f"“{unknown[0]}” is not known.",
            file=str(path),
            cure="Use [options], [gate] and [[asset]].",
        )
    rows, shared = document.get("asset", []), document.get("options", {})
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise InputError("assets are not written as [[asset]].", file=str(path))
    if not isinstance(shared, dict):
        raise InputError("options are not written as [options].", file=str(path))
    return rows, shared, document.get("gate", {})


def _from_csv(path: Path, text: str) -> list[dict[str, Any]]:
    separator = "\t" if path.suffix.lower() == ".tsv" else ","
    first = text.partition("\n")[0]
    if separator == "," and first.count(";") > first.count(","):
        separator = ";"  # what spreadsheets write where the comma is the decimal sign
    rows: list[dict[str, Any]] = []
    try:
        lines = [line for line in parse_rows(text, separator) if line]
    except ValueError as error:
        raise InputError(f"this manifest does not read: {error}.", file=str(path)) from error
    header = [name.strip() for name in lines[0]] if lines else []
    for line in lines[1:]:
        cells = {name: cell.strip() for name, cell in zip(header, line, strict=False)}
        if any(line[len(header) :]):
            raise InputError(f"asset {len(rows) + 1} has more cells than the header.",
                             file=str(path))  # fmt: skip
        filled = {name: value for name, value in cells.items() if value}
        if filled:
            rows.append(_spread_gate(filled))
    return rows


def _spread_gate(cells: dict[str, Any]) -> dict[str, Any]:
    """Turn names such as ``gate_texels``, ``gate_texels_of_skew`` and ``mend_gap`` into tables."""
    out: dict[str, Any] = {}
    for name, value in cells.items():
        if name.startswith("gate_texels_of_"):
            gate = out.setdefault("gate", {})
            gate.setdefault("texels_of", {})[name.removeprefix("gate_texels_of_")] = value
        elif name.startswith(_TABLES):
            table, _, key = name.partition("_")
            held = out.get(table)
            if not isinstance(held, dict):  # "mend" may stand beside "mend_gap"
                held = out[table] = {}
            held[key] = value
        elif not isinstance(out.get(name), dict):
            out[name] = value
    return out


def _asset(
    path: Path,
    number: int,
    row: dict[str, Any],
    shared: dict[str, Any],
    shared_gate: Any,
    slugs: set[str],
) -> Asset:
    name = str(row.get("name") or Path(str(row.get("low", f"asset {number}"))).stem)

    def wrong(what: str, cure: str | None = None) -> InputError:
        return InputError(f"asset {name}: {what}", file=str(path), cure=cure)

    options: dict[str, Any] = {}
    for key, value in {**shared, **row}.items():
        if key in ("name", "gate", "clash", "mend", *FILES):
            continue
        if key not in OPTIONS:
            raise wrong(f"“{key}” is no option.", "Options: " + ", ".join(OPTIONS) + ".")
        options[key] = _value(key, value, OPTIONS[key].kind, wrong)
    files = {}
    for kind in FILES:
        value = row.get(kind)
        if value is not None:
            if not isinstance(value, str) or not value or "\0" in value:
                raise wrong(f"{kind} is not a path.")
            files[kind] = (path.parent / value).absolute()
    wish, lists = read_wish(row, lambda key, value, kind: _value(key, value, kind, wrong), wrong)
    for kind in ("low", "high"):
        if kind not in files and (files or wish is None):
            raise wrong(f"{kind} is missing.")
    for kind, names in lists.items():
        for k, text in enumerate(names, start=1):
            if not text or "\0" in text:
                raise wrong(f"{kind} is not a list of paths.")
            files[f"{kind} {k}"] = (path.parent / text).absolute()
    gate = _gate(shared_gate, row.get("gate", {}), wrong)
    return Asset(name, _slug(name, slugs), files, options, gate, wish)


def _value(key: str, value: Any, declared: Any, wrong: Any) -> Any:
    """Return an option's value in its declared type; text is read as CSV gives it."""
    kind, words = plain_kind(declared)
    if words:
        if value not in words:
            raise wrong(f"{key} is {value!r}.", f"Use one of {', '.join(words)}.")
        return value
    if kind in (list, tuple):
        items = value.split(";") if isinstance(value, str) else value
        if not isinstance(items, list) or not all(isinstance(item, str) for item in items):
            raise wrong(f"{key} is not a list of texts.")
        return [item.strip() for item in items]
    if kind is bool:
        said = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}
        found = value if isinstance(value, bool) else said.get(str(value).lower())
        if found is None:
            raise wrong(f"{key} is {value!r}.", "Use true or false.")
        return found
    if kind is str and float not in get_args(declared):  # text, such as a name
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise wrong(f"{key} is {value!r}.", "Write a text.")
        return value.strip() if isinstance(value, str) else exact_text(value)
    if kind is str and isinstance(value, str) and value.strip().endswith("%"):
        return f"{number(key, value.strip()[:-1], False, wrong):.17g}%"
    return number(key, value, kind is int, wrong)


def number(key: str, value: Any, is_whole: bool, wrong: Any) -> float:
    """Return a finite number, whole where asked, from a TOML value or CSV text."""
    try:
        if isinstance(value, bool):
            raise ValueError
        found = float(value)
        if not math.isfinite(found) or (is_whole and found != int(found)):
            raise ValueError
    except (TypeError, ValueError, OverflowError) as error:
        raise wrong(f"{key} is {value!r}, not a {'whole ' if is_whole else ''}number.") from error
    return int(found) if is_whole else found


def _gate(shared: Any, own: Any, wrong: Any) -> Gate | None:
    for table in (shared, own):
        if not isinstance(table, dict) or not isinstance(table.get("texels_of", {}), dict):
            raise wrong("its gate is not a table of thresholds.")
    merged = {**shared, **own}
    of = {**shared.get("texels_of", {}), **own.get("texels_of", {})}
    merged.pop("texels_of", None)
    if not merged and not of:
        return None
    values: dict[str, float] = {}
    known = (*Gate.NUMBERS, *Gate.OF_CLASHES)
    for key, value in merged.items():
        if key not in known:
            raise wrong(f"“{key}” is no threshold.",
                        "Thresholds: " + ", ".join((*known, "texels_of")) + ".")  # fmt: skip
        values[key] = number(f"gate {key}", value, False, wrong)
    for key, value in of.items():
        if key not in DEFECT_SLUGS:
            raise wrong(f"“{key}” is no defect.", "Defects: " + ", ".join(DEFECT_SLUGS) + ".")
        of[key] = number(f"gate texels_of {key}", value, False, wrong)
    if any(value < 0 for value in (*values.values(), *of.values())):
        raise wrong("a threshold is below zero.")
    return Gate(**values, texels_of=of)


def _slug(name: str, taken: set[str]) -> str:
    """Return a folder name for an asset, unlike all that are taken where case does not count."""
    base = _UNSAFE.sub("_", name).strip("._")[:80] or "asset"
    slug, k = base, 1
    while name_key(slug) in taken:
        k += 1
        slug = f"{base}_{k}"
    return slug
