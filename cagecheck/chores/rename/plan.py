"""Planning the names of baked maps: each file gets the tile that its name or its content tells.

Nothing is guessed. A tile number in the file's name counts first, then the names of materials and
parts, then the content (see `mapmatch`). What stays in doubt is reported with the reason and left
as it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from cagecheck.chores.rename.by_content import TileScore, TileShapes, filled_mask
from cagecheck.chores.rename.journal import refuse_unfinished
from cagecheck.errors import InputError
from cagecheck.inspecting.tile_table import NO_MATERIAL, TileTable, tile_table
from cagecheck.maps.map_names import (
    DEFAULT_PATTERN,
    IMAGE_ENDINGS,
    MAP_KINDS,
    MapName,
    check_pattern,
    default_asset,
    fill_pattern,
    name_key,
    parse_map_name,
    words_of,
)
from cagecheck.maps.pictures import read_picture
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.progress import Progress, silent

Action = Literal["rename", "keep", "compose", "unclear", "clash"]


@dataclass(frozen=True)
class MapPlan:
    """What happens to one map.

    Attributes
    ----------
    source : str
        The file's name now.
    action : Action
        ``rename``; ``keep`` (has its name already); ``compose`` (joined with others into `target`,
        itself left as it is); ``unclear`` and ``clash`` (left as it is, see `reason`).
    tile : int | None
        UDIM number, None where it is not known.
    target : str | None
        The file's new name, or of what it is joined into; None where it is left.
    how : str
        What told the tile: ``given``, ``number``, ``name``, ``content`` or ``""``.
    reason : str
        Why, in a sentence.
    names : tuple[str, ...]
        The materials and parts found in the file's name (or told by its content).
    scores : tuple[TileScore, ...]
        The tiles by content, best first, where content was asked.
    """

    source: str
    action: Action
    tile: int | None
    target: str | None
    how: str
    reason: str
    names: tuple[str, ...] = ()
    scores: tuple[TileScore, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        out = dict(vars(self))
        out["names"] = list(self.names)
        out["scores"] = [vars(score) for score in self.scores]
        return out


@dataclass(frozen=True)
class RenamePlan:
    """The plan for a folder.

    Attributes
    ----------
    folder : Path
        The maps' folder.
    asset : str
        The asset's name.
    pattern : str
        The new names, see `cagecheck.maps.map_names`.
    maps : tuple[MapPlan, ...]
        In the order of the files' names.
    """

    folder: Path
    asset: str
    pattern: str
    maps: tuple[MapPlan, ...]

    def of(self, *actions: Action) -> tuple[MapPlan, ...]:
        """Return the maps with one of these actions.

        Parameters
        ----------
        actions : Action
            See `MapPlan`.
        """
        return tuple(entry for entry in self.maps if entry.action in actions)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "folder": str(self.folder),
            "asset": self.asset,
            "pattern": self.pattern,
            "maps": [entry.to_dict() for entry in self.maps],
        }


@dataclass(frozen=True)
class RenameOptions:
    """What the artist asks for.

    Attributes
    ----------
    pattern : str
        The new names, see `cagecheck.maps.map_names`.
    asset : str | None
        The asset's name (default: the mesh's file name without a closing ``low``).
    kind : str | None
        The kind of map for files whose names tell no other.
    given : Mapping[str, int]
        Tiles set by hand, by file name.
    compose : bool
        Join maps of several materials on one tile into one.
    content : bool
        Look into the pictures where names don't tell.
    """

    pattern: str = DEFAULT_PATTERN
    asset: str | None = None
    kind: str | None = None
    given: Mapping[str, int] = field(default_factory=dict)
    compose: bool = False
    content: bool = True


def plan_renames(
    folder: str | Path,
    low: LowPoly,
    options: RenameOptions | None = None,
    *,
    progress: Progress = silent,
) -> RenamePlan:
    """Plan the new names of all maps in a folder (not in its sub-folders); nothing is changed.

    Parameters
    ----------
    folder : str | Path
        The folder of the maps.
    low : LowPoly
        The low poly that they were baked for, see `prepare_low`.
    options : RenameOptions, optional
        What the artist asks for.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Raises
    ------
    InputError
        The folder cannot be read or holds no pictures, the mesh has no UVs, or the pattern or a
        file given by hand is wrong.
    """
    options = options or RenameOptions()
    check_pattern(options.pattern)
    folder = Path(folder)
    refuse_unfinished(folder)
    files, others = _list_folder(folder)
    _check_given(options.given, files)
    source = low.mesh.source
    asset = options.asset or default_asset(Path(source.path).stem if source else "asset")
    finder = _TileFinder(folder, low, options)
    maps: list[MapPlan] = []
    for k, name in enumerate(files):
        progress("matching maps", k, len(files))
        read = finder.read(name, asset)
        maps.append(_named(finder.find(name, read), read, asset, options))
    progress("matching maps", len(files), len(files))
    settled = _settle_clashes(maps, others, options.compose)
    sound = _without_broken(folder, settled)
    return RenamePlan(folder, asset, options.pattern, tuple(sound))


class _TileFinder:
    """Finds the tile of one map after another; keeps the tiles' shapes."""

    def __init__(self, folder: Path, low: LowPoly, options: RenameOptions) -> None:
        self.folder, self.low, self.options = folder, low, options
        self.table: TileTable = tile_table(low)
        materials = self.table.tiles_of_material()
        materials.pop(NO_MATERIAL, None)
        # A material counts before a part of the same name.
        self.known = {**self.table.tiles_of_part(), **materials}
        self.spoken = _spoken_names(self.known)
        self._shapes: dict[tuple[int, int], TileShapes] = {}

    def read(self, file_name: str, asset: str) -> MapName:
        """Read a file's name; names in it are given as the mesh has them."""
        read = parse_map_name(file_name, self.spoken, asset, self.table.tiles)
        return replace(read, names=tuple(dict.fromkeys(self.spoken[name] for name in read.names)))

    def find(self, file_name: str, read: MapName) -> MapPlan:
        """Return the plan of one file without its target."""
        given = self.options.given.get(file_name)
        named = self._tiles_by_name(read.names)
        if given is not None:
            return self._settled(file_name, given, "given", read.names, "set by hand")
        if read.tile is not None:
            if named is not None and read.tile not in named:
                where = ", ".join(map(str, named)) or "no tile in common"
                words = " and ".join(read.names)
                return _unclear(
                    file_name, f"carries {read.tile}, but {words} lies on {where}", read.names
                )
            return self._settled(file_name, read.tile, "number", read.names, "number in its name")
        if named is not None and len(named) == 1:
            return self._settled(
                file_name, named[0], "name", read.names, "only tile of " + " and ".join(read.names)
            )
        if named is not None and not named:
            return _unclear(file_name, f"{' and '.join(read.names)} share no tile", read.names)
        if not self.options.content:
            reason = "its name tells no tile" if named is None else "its names lie on several tiles"
            return _unclear(file_name, reason, read.names)
        return self._by_content(file_name, named or self.table.tiles, read.names)

    def _tiles_by_name(self, names: tuple[str, ...]) -> tuple[int, ...] | None:
        """Return the tiles that all the names lie on, or None without names."""
        if not names:
            return None
        return tuple(sorted(set.intersection(*(set(self.known[name]) for name in names))))

    def _settled(
        self, name: str, tile: int, how: str, names: tuple[str, ...], reason: str
    ) -> MapPlan:
        if tile not in self.table.tiles:
            return _unclear(name, f"tile {tile} is empty on this mesh", names)
        return MapPlan(name, "rename", tile, None, how, reason, names)

    def _by_content(
        self, file_name: str, tiles: tuple[int, ...], names: tuple[str, ...]
    ) -> MapPlan:
        try:
            picture = read_picture(self.folder / file_name).texels
        except InputError as error:
            return _unclear(file_name, error.what.rstrip("."), names)
        filled = filled_mask(picture)
        if filled is None:
            return _unclear(
                file_name,
                "no background shows between its islands, so its content tells no tile",
                names,
            )
        size = (picture.shape[1], picture.shape[0])
        if size not in self._shapes:
            self._shapes[size] = TileShapes(self.low, self.table.tiles, *size)
        verdict = self._shapes[size].judge(filled, tiles, names[0] if names else None)
        if verdict.best is None:
            return replace(_unclear(file_name, verdict.reason, names), scores=verdict.scores)
        told = names or ((verdict.best.name,) if verdict.best.name else ())
        plan = self._settled(file_name, verdict.best.tile, "content", told, verdict.reason)
        return replace(plan, scores=verdict.scores)


def _named(plan: MapPlan, read: MapName, asset: str, options: RenameOptions) -> MapPlan:
    """Fill in the target's name."""
    if plan.action != "rename":
        return plan
    kind = _kind_of(read.kind, options.kind)
    if not kind:
        return replace(
            plan,
            action="unclear",
            reason="its name does not tell the kind of map; pass --kind (normal, height, ...)",
        )
    target = fill_pattern(
        options.pattern,
        asset=asset,
        map=kind,
        tile=str(plan.tile),
        ext=read.ext,
        material=plan.names[0] if plan.names else asset,
    )
    action: Action = "keep" if target == plan.source else "rename"
    return replace(plan, action=action, target=target)


def _kind_of(said: str, asked: str | None) -> str | None:
    """Return the kind of map: what the name says, or what is asked for where it says no other.

    `bake_normal_a` and `bake_b` are both normal maps where those are asked for; `bake_height` is
    none.
    """
    if asked is None:
        return said or None
    words = {word.casefold() for word in words_of(said)}
    own = {word.casefold() for word in words_of(asked)}
    return said if words & MAP_KINDS - own and not own <= words else asked


def _settle_clashes(maps: list[MapPlan], others: set[str], compose: bool) -> list[MapPlan]:
    """Find maps that would get one name, or a name that another file has and keeps.

    Names are compared as systems do that ignore case and Unicode form, so a plan made on one
    system holds on all.
    """
    wanted: dict[str, list[MapPlan]] = {}
    for plan in maps:
        if plan.target is not None:
            wanted.setdefault(name_key(plan.target), []).append(plan)
    settled = [
        _rival(plan, wanted[name_key(plan.target)], compose)
        if plan.target is not None and len(wanted[name_key(plan.target)]) > 1
        else plan
        for plan in maps
    ]
    while True:  # each file that must stay may block another
        staying = others | {name_key(p.source) for p in settled if p.action != "rename"}
        blocked = [
            plan.action in ("rename", "compose")
            and plan.target is not None
            and name_key(plan.target) in staying
            for plan in settled
        ]
        if not any(blocked):
            return settled
        settled = [
            replace(plan, action="clash", reason=f"{plan.target} exists already") if stop else plan
            for plan, stop in zip(settled, blocked, strict=True)
        ]


def _without_broken(folder: Path, maps: list[MapPlan]) -> list[MapPlan]:
    """Leave maps alone that would be joined with one that cannot be read."""
    broken: dict[str | None, str] = {}
    for plan in maps:
        if plan.action == "compose" and plan.target not in broken:
            try:
                read_picture(folder / plan.source)
            except InputError as error:
                broken[plan.target] = f"{plan.source}: {error.what.rstrip('.')}"
    return [
        replace(plan, action="unclear", target=None, reason=broken[plan.target])
        if plan.action == "compose" and plan.target in broken
        else plan
        for plan in maps
    ]


def _rival(plan: MapPlan, rivals: list[MapPlan], compose: bool) -> MapPlan:
    names = [entry.names[:1] for entry in rivals]
    apart = all(names) and len(set(names)) == len(names)
    same_target = len({entry.target for entry in rivals}) == 1
    keeps = any(entry.action == "keep" for entry in rivals)
    if plan.action == "keep":
        return plan
    if apart and same_target and compose and not keeps:
        return replace(plan, action="compose", reason=f"{plan.names[0]} on tile {plan.tile}")
    others = ", ".join(entry.source for entry in rivals if entry.source != plan.source)
    hint = "; pass --compose to join them" if apart and same_target and not keeps else ""
    return replace(plan, action="clash", reason=f"would get the same name as {others}{hint}")


def _spoken_names(known: Iterable[str]) -> dict[str, str]:
    """Return all ways to say the names: as they are, and without a closing word for ``low``."""
    out = {name: name for name in known}
    keys = {name_key(name) for name in out}
    for name in list(out):
        short = default_asset(name)
        if name_key(short) not in keys:
            keys.add(name_key(short))
            out[short] = name
    return out


def _unclear(name: str, reason: str, names: tuple[str, ...] = ()) -> MapPlan:
    return MapPlan(name, "unclear", None, None, "", reason, names)


def _list_folder(folder: Path) -> tuple[list[str], set[str]]:
    """Return the pictures of a folder by name, and the keys of all other names in it."""
    try:
        entries = sorted(folder.iterdir(), key=lambda path: path.name)
    except OSError as error:
        raise InputError(
            f"this folder cannot be read ({error.strerror}).", file=str(folder)
        ) from error
    endings = tuple("." + ending for ending in IMAGE_ENDINGS)
    files = [
        path.name
        for path in entries
        if path.name.casefold().endswith(endings)
        and not path.name.startswith(".")
        and path.is_file()
    ]
    if not files:
        raise InputError(
            "this folder holds no pictures.",
            file=str(folder),
            cure=f"Name the folder of the baked maps ({', '.join(IMAGE_ENDINGS)}).",
        )
    pictures = set(files)
    return files, {name_key(path.name) for path in entries if path.name not in pictures}


def _check_given(given: Mapping[str, int], files: list[str]) -> None:
    for name in given:
        if name not in files:
            raise InputError(f"{name} was given a tile but is no picture in the folder.")
