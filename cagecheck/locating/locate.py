"""Explain baked maps: conventions first, then every texel, then the settings of the bake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from cagecheck.defects.entries import Entry, gather
from cagecheck.defects.match import Matcher
from cagecheck.defects.regions import Region
from cagecheck.errors import InputError, Notice, takes
from cagecheck.locating.bake_reach import BakeReach, bake_reach
from cagecheck.locating.bake_settings import ToldSetting, bake_settings
from cagecheck.locating.beside import read_beside
from cagecheck.locating.beside_maps import BesideMap
from cagecheck.locating.fault_regions import Bake, FaultyTexels, fault_regions
from cagecheck.locating.faulty_texels import faulty_texels, mark_lost, mark_seams
from cagecheck.locating.left_out import tell_left_out
from cagecheck.locating.offset_guess import OffsetGuess, guess_offset
from cagecheck.locating.one_map import LocatedMap, judge_map
from cagecheck.locating.read_maps import BakedMap
from cagecheck.locating.several_tiles import looks_at
from cagecheck.locating.told_causes import ToldCause, told_causes
from cagecheck.locating.undetermined import undetermined_notice
from cagecheck.locating.variants import CageMaker, LocateSettings, Variants
from cagecheck.locating.visible_faults import ShownDefect, shown_defects
from cagecheck.maps.texels import tiles_touched
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.meshes.tiles import why_off_tiles
from cagecheck.options import check_options
from cagecheck.predicting.distances import probe_distances
from cagecheck.predicting.next_steps import WayStep, way_steps
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage
from cagecheck.rays.scene import Scene
from cagecheck.words.lengths import length_words
from cagecheck.words.sentences import count_words

__all__ = ["LocateSettings", "LocatedMap", "Location", "OffsetGuess", "locate"]

# Picture formats that change texels when they are saved (WebP may, or may not).
LOSSY_ENDINGS = (".jpg", ".jpeg", ".webp")


@dataclass(frozen=True, eq=False)
class Location:
    """What is wrong with a set of baked maps, where and why.

    Attributes
    ----------
    low : LowPoly
        The low poly as it was compared.
    scene : Scene
        The high poly.
    paired : (low parts, high parts) bool
        Which may be baked onto which.
    cage : Cage
        The cage that the maps were compared through.
    settings : LocateSettings
        With what was taken from the scene filled in.
    maps : tuple[LocatedMap, ...]
        The maps, and how each was read.
    texels : FaultyTexels
        All texels that are wrong.
    regions : list[Region]
        Where they lie together, with cause and cure; the most harmful first.
    offset : OffsetGuess | None
        What the bake's offset probably was, where the maps tell.
    reach : BakeReach
        What the bake's rays reached at least, and at most.
    specks : int
        Texels that differ in groups too small or too faint to list.
    notices : tuple[Notice, ...]
        What is worth a word besides.
    defects : tuple[ShownDefect, ...]
        What the maps show of each defect that the rays of such a bake have.
    """

    low: LowPoly
    scene: Scene
    paired: NDArray[np.bool_]
    cage: Cage
    settings: LocateSettings
    maps: tuple[LocatedMap, ...]
    texels: FaultyTexels
    regions: list[Region]
    offset: OffsetGuess | None
    reach: BakeReach
    specks: int
    notices: tuple[Notice, ...]
    defects: tuple[ShownDefect, ...] = ()

    def __repr__(self) -> str:
        return (
            f"<Location: {count_words(len(self.regions), 'region')} in "
            f"{count_words(len(self.maps), 'map')} of {self.low!r}>"
        )

    @cached_property
    def causes(self) -> tuple[ToldCause, ...]:
        """Everything that is wrong, what to mend first first."""
        return told_causes(self.maps, self.regions)

    @cached_property
    def entries(self) -> list[Entry]:
        """The regions as one tells of them, in the order to see to them."""
        return gather(self.regions)

    @cached_property
    def ways(self) -> tuple[WayStep, ...]:
        """How what shows is mended, with the command that goes on from here."""
        low, high = self.low.mesh.source, self.scene.surface.source
        return way_steps(self.entries, low.path if low else None, high.path if high else None)

    @cached_property
    def bake(self) -> tuple[ToldSetting, ...]:
        """The bake's settings as far as the maps tell them, each with how sure that is."""
        return bake_settings(
            self.maps, self.regions, self.offset, self.reach, apart=self.settings.apart
        )

    @property
    def clean(self) -> bool:
        """True when neither a region nor a convention is wrong."""
        return not self.regions and not any(m.conventions for m in self.maps)


@takes(low=Mesh, high=(Surface, Scene), settings=LocateSettings)
def locate(
    maps: Sequence[BakedMap],
    low: Mesh,
    high: Surface | Scene,
    *,
    cage: CageMaker | None = None,
    paired: NDArray[np.bool_] | None = None,
    beside: Sequence[BesideMap] = (),
    settings: LocateSettings | None = None,
    progress: Progress = silent,
) -> Location:
    """Find out by which conventions maps were written and what is wrong with them.

    Parameters
    ----------
    maps : sequence of BakedMap
        Normal maps of one asset, see `read_map`.
    low : Mesh
        The low poly's mesh as read (its quads may have to be cut another way).
    high : Surface | Scene
        The high poly, or a scene already built from it.
    cage : callable, optional
        Makes the bake's cage from a low poly; a uniform offset from `settings` by default.
    paired : (low parts, high parts) bool, optional
        See `pair_parts`; everything with everything by default.
    beside : sequence of BesideMap, optional
        Other maps of the same bake, see `find_beside`.
    settings : LocateSettings, optional
        How the maps were baked, as far as that is known; the defaults of `LocateSettings` by
        default.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Raises
    ------
    InputError
        No maps, a low poly without UVs, settings out of range.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.read_mesh("plate_low.obj")
    >>> high = cagecheck.read_surface("plate_high.ply")
    >>> maps = [cagecheck.read_map(*found) for found in cagecheck.find_maps("plate_{tile}.png")]
    >>> bake = cagecheck.LocateSettings(offset=0.1, depth=0.1)
    >>> location = cagecheck.locate(maps, low, high, settings=bake)
    >>> location.clean, location.maps[0].reading.tile
    (True, 1001)
    """
    settings = check_options(settings or LocateSettings())
    scene = high if isinstance(high, Scene) else Scene(high)
    prepared = prepare_low(low, rule=settings.rule, quads=settings.quads)
    tiles = tiles_touched(prepared)
    _check(maps, prepared, tiles)
    if paired is None:
        paired = np.ones((len(prepared.part_names), len(scene.surface.part_names)), bool)
    matcher = Matcher(prepared, scene, paired, settings.along, settings.apart)
    settings, notices = _resolve(matcher, settings, cage is not None)
    variants = Variants(low, matcher, settings, cage)
    others = read_beside(variants, beside, tiles) if beside else None
    located: list[LocatedMap] = []
    for baked in maps:
        for piece, look in looks_at(variants, baked, tiles, progress):
            read = [m.reading for m in located if m.record is not None]
            prior = read[-1] if read else None
            located.append(
                judge_map(variants, piece, look, prior=prior, beside=others, progress=progress)
            )
    located, left_out = tell_left_out(mark_seams(variants, located), prepared.part_names)
    reach = bake_reach([m.record.levels for m in located if m.record is not None])
    located = mark_lost(located, reach)
    texels = faulty_texels(variants, located)
    bake = Bake(settings.depth or 0.0, variants.cage(settings.quads), reach, left_out)
    regions, specks = fault_regions(
        variants.low(settings.quads), texels, scene.surface.part_names, bake
    )
    if specks:
        notices.append(
            Notice("specks", f"{count_words(specks, 'texel')} "
                   f"{'differs' if specks == 1 else 'differ'} in groups too small or too faint to "
                   "list.", "", specks)
        )  # fmt: skip
    unsure = undetermined_notice(prepared, variants.cage(settings.quads))
    notices += [unsure] if unsure is not None else []
    lossy = [m.path.name for m in maps if m.path.suffix.lower() in LOSSY_ENDINGS]
    if lossy:
        notices.append(
            Notice("lossy", f"compressed with loss: {', '.join(lossy)}. Small differences without "
                   "a cause come from that.", "Save normal maps as PNG, TIFF, TGA or EXR.")
        )  # fmt: skip
    shown = {m.reading.tile for m in located if m.record is not None}
    for tile in tiles:
        if tile not in shown:
            notices.append(
                Notice("no-map", f"no map shows tile {tile}.", "Pass the maps of all tiles.")
            )
    return Location(
        low=prepared,
        scene=scene,
        paired=paired,
        cage=variants.cage(settings.quads),
        settings=settings,
        maps=tuple(located),
        texels=texels,
        regions=regions,
        offset=guess_offset(variants, located, reach),
        reach=reach,
        specks=specks,
        notices=tuple(notices),
        defects=shown_defects(variants, located),
    )


def _check(maps: Sequence[BakedMap], low: LowPoly, tiles: tuple[int, ...]) -> None:
    if not maps:
        raise InputError("there are no maps to look at.")
    if not tiles:
        what, cure = why_off_tiles(low.mesh.corner_uv)
        raise InputError(
            f"{what}, so no map belongs to it.",
            file=low.mesh.source.path if low.mesh.source else None,
            cure=cure,
        )


def _resolve(
    matcher: Matcher, settings: LocateSettings, has_cage: bool
) -> tuple[LocateSettings, list[Notice]]:
    missing = [
        name
        for name in ("offset", "depth")
        if getattr(settings, name) is None and not (name == "offset" and has_cage)
    ]
    if not missing:
        return settings, [*matcher.low.notices]
    found = probe_distances(matcher, seed=settings.seed)
    settings = replace(settings, **{name: getattr(found, name) for name in missing})
    words = ", ".join(f"{name} {length_words(getattr(settings, name))}" for name in missing)
    text = f"compared with a bake of {words} (units of the files), taken from the scene."
    cure = "Give the bake's own numbers if you know them."
    return settings, [*matcher.low.notices, Notice("automatic", text, cure)]
