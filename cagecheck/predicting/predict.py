"""Predict the artefacts of a bake: sample, cast, classify, group."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.causes import Scan, explain, uniform_offset
from cagecheck.defects.kinds import Defect
from cagecheck.defects.match import Matched, Matcher, reach_past
from cagecheck.defects.measures import measure_at
from cagecheck.defects.regions import Group, Region, by_harm, find_groups, name_regions
from cagecheck.defects.unseen import Unseen, find_unseen
from cagecheck.defects.visible import find_ideal, unseen_error, visible_error
from cagecheck.errors import InputError, Notice, takes
from cagecheck.maps.texels import texel_points
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.tiles import NO_TILE, why_off_tiles
from cagecheck.predicting.distances import Distances, probe_distances
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import Settings, check_settings
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage, cage_from_offset
from cagecheck.rays.points import SurfacePoints, join_points, sample_points, spacing_for_count
from cagecheck.rays.scene import Scene
from cagecheck.words.lengths import length_words
from cagecheck.words.numbers import figures


@takes(low=LowPoly, high=(Surface, Scene), cage=Cage, settings=Settings)
def predict(
    low: LowPoly,
    high: Surface | Scene,
    *,
    cage: Cage | None = None,
    paired: NDArray[np.bool_] | None = None,
    settings: Settings | None = None,
    progress: Progress = silent,
) -> Prediction:
    """Predict what a bake of `high` onto `low` through `cage` records.

    Parameters
    ----------
    low : LowPoly
        See `prepare_low`.
    high : Surface | Scene
        The high poly, or a scene already built from it.
    cage : Cage, optional
        See `cage_from_offset`, `cage_from_push`, `cage_from_mesh`; a uniform offset from
        `settings` by default.
    paired : (low parts, high parts) bool, optional
        See `pair_parts`; everything with everything by default.
    settings : Settings, optional
        How it is made; the defaults of `Settings` by default.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Raises
    ------
    InputError
        A mesh without area, settings out of range.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> high = cagecheck.read_surface("hero_high.ply")
    >>> few = cagecheck.Settings(offset=0.05, depth=0.05, samples=500)
    >>> result = cagecheck.predict(low, high, settings=few)
    >>> result.clean
    False
    >>> sorted({region.name for region in result.regions})
    ['unseen high poly']
    """
    settings = check_settings(settings or Settings())
    scene = high if isinstance(high, Scene) else build_scene(high, progress)
    if paired is None:
        paired = np.ones((len(low.part_names), len(scene.surface.part_names)), bool)
    matcher = Matcher(low, scene, paired, settings.along, settings.apart)
    return predict_with(matcher, cage, settings, progress=progress)


def predict_with(
    matcher: Matcher, cage: Cage | None, settings: Settings, *, progress: Progress = silent
) -> Prediction:
    """Predict with a matcher that is there already; `settings` must be checked."""
    low = matcher.low
    settings, notices = resolve(matcher, settings, cage is not None)
    assert settings.offset is not None or cage is not None
    if cage is None:
        cage = cage_from_offset(low, settings.offset or 0.0, settings.directions)
    points = place_points(low, settings)
    return predict_points(matcher, cage, points, settings, notices=notices, progress=progress)


def predict_points(
    matcher: Matcher,
    cage: Cage,
    points: SurfacePoints,
    settings: Settings,
    *,
    notices: tuple[Notice, ...] = (),
    progress: Progress = silent,
) -> Prediction:
    """Predict for given points; `settings` must be resolved (see `resolve`)."""
    cast = matcher.cast(cage, points, *settings.depth_and_reach(), progress=progress)
    return predict_cast(matcher, cage, cast, settings, notices=notices, progress=progress)


def predict_cast(
    matcher: Matcher,
    cage: Cage,
    cast: Matched,
    settings: Settings,
    *,
    notices: tuple[Notice, ...] = (),
    progress: Progress = silent,
) -> Prediction:
    """Predict for points that were cast through the cage, as deep and as far as `settings` ask."""
    low, paired, points = matcher.low, matcher.paired, cast.points
    depth, reach = settings.depth_and_reach()
    reach = reach_past(cast.rays.start, reach)
    settings = replace(settings, reach=reach)
    cast = matcher.deeper(cast)
    findings = matcher.classify(
        cage, cast, depth=depth, map_size=settings.map_size, thresholds=settings.thresholds
    )
    unseen = None
    if settings.unseen_points > 0:
        unseen = find_unseen(
            low, matcher.scene, points, cast.rays, cast.layers, findings, paired,
            matcher.high_points(settings.unseen_points, settings.seed),
            ground=matcher.ground, progress=progress,
        )  # fmt: skip
        notices = (*notices, *_buried_notice(unseen))
    ideal = find_ideal(
        matcher, cast, depth=depth, map_size=settings.map_size, thresholds=settings.thresholds
    )
    error = visible_error(matcher, cast, findings.recorded, ideal, thresholds=settings.thresholds)
    scan = Scan(
        low, matcher.scene, points, cast.rays, cast.layers, cast.targets, findings, paired,
        depth, reach, matcher.ground.facing, matcher.scene.orientation, unseen,
        uniform_offset(cage),
    )  # fmt: skip
    texel_area = sample_texels(low, points, settings)
    lost = None if unseen is None else unseen_error(matcher, cast, findings.recorded, unseen)
    regions = find_regions(scan, texel_area, error, lost, settings, progress)
    return Prediction(
        matcher, cage, settings, cast, findings, unseen, regions, texel_area, ideal, error, notices
    )


def _buried_notice(unseen: Unseen) -> tuple[Notice, ...]:
    """Say how much high poly lies inside of other high poly. One stray point is chance."""
    if int(unseen.buried.sum()) < 2:
        return ()
    return (
        Notice(
            "buried",
            f"{figures(unseen.buried_area)} square units of high poly lie inside of other pieces, "
            "where no eye sees them.",
            "Nothing to mend.",
        ),
    )


def build_scene(high: Surface, progress: Progress = silent) -> Scene:
    """Build the scene of a high poly, with progress."""
    progress("building the scene", 0, 1)
    scene = Scene(high)
    progress("building the scene", 1, 1)
    return scene


def resolve(
    matcher: Matcher, settings: Settings, has_cage: bool
) -> tuple[Settings, tuple[Notice, ...]]:
    """Fill in what the settings leave to the scene; return them and what was chosen."""
    settings = replace(settings, map_size=settings.texels or settings.map_size)
    missing = [
        name
        for name in ("offset", "depth", "reach")
        if getattr(settings, name) is None and not (name == "offset" and has_cage)
    ]
    if not missing:
        return settings, matcher.low.notices
    found = probe_distances(matcher, seed=settings.seed)
    found = Distances(found.offset, found.depth, max(found.reach, 3 * (settings.offset or 0.0)))
    settings = replace(settings, **{name: getattr(found, name) for name in missing})
    words = ", ".join(f"{name} {length_words(getattr(found, name))}" for name in missing)
    return settings, (
        *matcher.low.notices,
        Notice("automatic", f"Distances taken from the scene: {words} (units of the files).",
               "Give " + ", ".join(f"--{name}" for name in missing) + " to choose yourself."),
    )  # fmt: skip


def place_points(low: LowPoly, settings: Settings) -> SurfacePoints:
    """Return the points that the settings ask for.

    Raises `InputError` when texel centres are asked for and no UVs of the low poly lie on a tile.
    """
    if settings.texels is None:
        spacing = (
            settings.density**-0.5
            if settings.density is not None
            else spacing_for_count(low, settings.samples)
        )
        return sample_points(low, spacing, seed=settings.seed)
    size = settings.texels
    return join_points([texel_points(low, size, tile).points for tile in texel_tiles(low)])


def texel_tiles(low: LowPoly) -> list[int]:
    """Return the tiles of the low poly's maps, ascending.

    Raises `InputError` when no UVs of the low poly lie on a tile.
    """
    tiles = [int(tile) for tile in np.unique(low.tile) if tile != NO_TILE]
    if not tiles:
        what, cure = why_off_tiles(low.mesh.corner_uv)
        raise InputError(
            f"{what}, so it has no texels.",
            file=low.mesh.source.path if low.mesh.source else None,
            cure=f"{cure} Or leave out `texels`.",
        )
    return tiles


def sample_texels(low: LowPoly, points: SurfacePoints, settings: Settings) -> Floats:
    """Return (N,) the texels that each sample stands for (0 without UVs)."""
    density = low.texels_per_unit(settings.map_size)[points.triangle]
    out: Floats = points.area * density**2
    return out


def find_regions(
    scan: Scan,
    texel_area: Floats,
    error: Floats,
    unseen_error: Floats | None,
    settings: Settings,
    progress: Progress = silent,
) -> list[Region]:
    """Group every defect's samples into numbered regions with cause and cure.

    error : (N,) visible error; unseen_error : the same of the points on the high poly, None where
    unseen high poly was not looked for.
    """
    groups: list[Group] = []
    flags = np.bitwise_or.reduce(scan.findings.flags)
    kinds = [d for d in Defect if d != Defect.UNSEEN and flags & d.flag]
    for done, defect in enumerate(kinds):
        progress("grouping regions", done, len(kinds))
        mask = scan.findings.has(defect)
        area, texels = scan.points.area, texel_area
        if defect == Defect.SPLIT:
            area, texels = _wedges(scan, np.flatnonzero(mask), settings.map_size)
        groups += find_groups(
            scan.low, scan.points, scan.rays.origin, defect, mask, area, texels, error,
            whole_parts=np.asarray(~scan.paired.any(axis=1)),
        )  # fmt: skip
    progress("grouping regions", len(kinds), len(kinds))
    explained = explain(scan, groups)
    regions = name_regions(
        scan.low, scan.points, scan.rays.origin, groups, scan.findings.measures, explained
    )
    if scan.unseen is None or unseen_error is None:
        return regions
    lost = _unseen_regions(scan, scan.unseen, unseen_error, settings)
    merged = sorted(
        [*regions, *lost],
        key=lambda r: (*by_harm(r.harm, r.texels, r.area), r.defect is Defect.UNSEEN, r.number),
    )
    return [replace(region, number=k) for k, region in enumerate(merged, start=1)]


def _wedges(scan: Scan, rows: NDArray[np.int64], map_size: int) -> tuple[Floats, Floats]:
    """Return (N,) the area and the texels that samples at split edges stand for, 0 elsewhere.

    They stand for the wedge itself: its width times their spacing.
    """
    per_unit = scan.low.texels_per_unit(map_size)[scan.points.triangle[rows]]
    width = measure_at(scan.findings.measures, Defect.SPLIT, rows)
    width = np.divide(width, per_unit, out=width.copy(), where=per_unit > 0)
    area, texels = np.zeros(len(scan.points)), np.zeros(len(scan.points))
    area[rows] = width * scan.points.spacing[rows]
    texels[rows] = area[rows] * per_unit**2
    return area, texels


def lost_title() -> str:
    """Return the name of regions that lie on the high poly instead of the low poly."""
    return Defect.UNSEEN.title


def _unseen_regions(scan: Scan, unseen: Unseen, error: Floats, settings: Settings) -> list[Region]:
    """Group lost high-poly points by the low-poly places they lie over.

    A region's `samples` index the points of `unseen`.
    """
    high = unseen.points
    m = len(high.face)
    over = SurfacePoints(
        unseen.low_triangle,
        np.full((m, 3), 1 / 3),
        high.area,
        np.zeros(m, np.uint8),
        np.sqrt(high.area),
    )
    per_unit = scan.low.texels_per_unit(settings.map_size)[over.triangle]
    groups = find_groups(
        scan.low, over, high.position, Defect.UNSEEN, unseen.lost, high.area,
        high.area * per_unit**2, error,
    )  # fmt: skip
    # One stray point is chance, not a place.
    groups = [g for g in groups if len(g.samples) > 1]
    measures = {Defect.UNSEEN: unseen.gap}
    explained = explain(scan, groups)
    return name_regions(scan.low, over, high.position, groups, measures, explained)
