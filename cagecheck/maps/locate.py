"""Explain a baked map: conventions first, then every texel, then the bake's own settings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from cagecheck.auto import probe_distances
from cagecheck.defects.regions import Region
from cagecheck.errors import InputError, Notice
from cagecheck.maps.bake import Baker, BakeRule
from cagecheck.maps.compare import (
    TOLERANCE_DEGREES,
    VOTE_BINS,
    CompareRule,
    Fault,
    TileView,
    chosen_points,
    compare_tile,
)
from cagecheck.maps.conventions import (
    BASES,
    FINER_SHARE,
    LEAST_AGREEMENT,
    ROUNDING_DEGREES,
    ConventionFault,
    Reading,
    Sampled,
    convention_faults,
    find_reading,
    level_fault,
)
from cagecheck.maps.encode import BasisRule, TangentBasis
from cagecheck.maps.fault_regions import FaultyTexels, fault_regions
from cagecheck.maps.high_normals import HighNormals
from cagecheck.maps.padding_check import Padding, check_padding, needed_padding
from cagecheck.maps.patterns import Patterns, explain_patterns, grown_over
from cagecheck.maps.read_maps import BakedMap, as_shares
from cagecheck.maps.seam_check import seam_samples, seam_steps
from cagecheck.maps.sharpness import softness_fault
from cagecheck.maps.tangent import corner_tangents
from cagecheck.maps.texels import texel_blocks, tiles_touched
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Floats, Mesh, Surface
from cagecheck.meshes.normals import NormalRule
from cagecheck.meshes.triangulate import QuadSplit
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Along, Cage, Directions, cage_from_offset
from cagecheck.rays.points import SurfacePoints, join_points
from cagecheck.rays.scene import Scene

CageMaker = Callable[[LowPoly], Cage]

# The offset of the bake is looked for up to this many times the one assumed; the surface that
# belongs to a texel down to this many depths (as in `cagecheck.prediction`).
LARGEST_SHARE, DEPTH_SHARE = 8.0, 3.0
SAMPLE_TEXELS = 30_000
# For the finer choices, of which there are three dozen.
FINER_TEXELS = 12_000
# With fewer texels that can tell, the estimate of the offset is chance.
LEAST_VOTERS = 60
# The estimate is the range of offsets that nearly as many texels agree with as with the best.
NEARLY_ALL = 0.98
# Unexplained texels this near to a broken seam are its doing.
SEAM_TEXELS = 6
JOIN_TEXELS = {Fault.SLANTED: 6, Fault.UNEXPLAINED: 3, Fault.NOISE: 3}


@dataclass(frozen=True)
class LocateSettings:
    """How to compare. None: taken from the scene (see `probe_distances`).

    offset, depth : world units, as the bake was (probably) made; along, directions : how its rays
    ran; apart : parts were baked one by one; padding : texels that there should be, by the map's
    size by default; rule, quads : see `prepare_low`; seed : of random draws.
    """

    offset: float | None = None
    depth: float | None = None
    along: Along = "cage"
    directions: Directions = "averaged"
    apart: bool = False
    padding: int | None = None
    rule: NormalRule = field(default_factory=NormalRule)
    quads: QuadSplit = "first"
    seed: int = 0


@dataclass(frozen=True)
class OffsetGuess:
    """The offset that a bake was likely made with.

    least, most : world units for a uniform cage, else shares of the given cage's own distance
    (`unit` says which); agree : share of the telling texels that fit; voters : how many could tell.
    recorded_depth : surface as deep as this was recorded; lost_depth : shallowest surface that was
    not, None where nothing was lost.
    """

    least: float
    most: float
    unit: str
    agree: float
    voters: int
    recorded_depth: float
    lost_depth: float | None

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return dict(self.__dict__)


@dataclass(frozen=True, eq=False)
class LocatedMap:
    """One map and how it was read.

    conventions : what differs from ours; view : texel by texel, None where the map fits nothing;
    fault : (H, W) uint8 the final faults; shift : (H, W, 2) float32 of slanted texels; padding.
    """

    source: BakedMap
    reading: Reading
    conventions: tuple[ConventionFault, ...]
    view: TileView | None
    fault: NDArray[np.uint8] | None
    shift: NDArray[np.float32] | None
    padding: Padding | None
    values: NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Location:
    """What is wrong with a set of baked maps, where and why."""

    low: LowPoly
    scene: Scene
    cage: Cage
    settings: LocateSettings
    maps: tuple[LocatedMap, ...]
    texels: FaultyTexels
    regions: list[Region]
    offset: OffsetGuess | None
    specks: int
    notices: tuple[Notice, ...]

    @property
    def clean(self) -> bool:
        """True when neither a region nor a convention is wrong."""
        return not self.regions and not any(m.conventions for m in self.maps)


def locate(
    maps: Sequence[BakedMap],
    low: Mesh,
    high: Surface | Scene,
    *,
    cage: CageMaker | None = None,
    paired: NDArray[np.bool_] | None = None,
    settings: LocateSettings | None = None,
    progress: Progress = silent,
) -> Location:
    """Find out by which conventions maps were written and what is wrong with them.

    Parameters
    ----------
    maps : normal maps of one asset, see `read_map`.
    low : the low poly's mesh as read (its quads may have to be cut another way).
    cage : makes the bake's cage from a low poly; a uniform offset by default.
    paired : (low parts, high parts) bool; everything with everything by default.

    Raises
    ------
    InputError : no maps, a low poly without UVs, settings out of range.
    """
    settings = settings or LocateSettings()
    scene = high if isinstance(high, Scene) else Scene(high)
    prepared = prepare_low(low, rule=settings.rule, quads=settings.quads)
    tiles = tiles_touched(prepared)
    _check(maps, prepared, tiles)
    if paired is None:
        paired = np.ones((len(prepared.part_names), len(scene.surface.part_names)), bool)
    settings, notices = _resolve(prepared, scene, paired, settings, cage is not None)
    bench = _Bench(low, scene, paired, settings, cage)
    located = [_locate_map(bench, baked, tiles, progress=progress) for baked in maps]
    located = _mark_seams(bench, located)
    texels = _faulty_texels(bench, located)
    regions, specks = fault_regions(
        bench.low(settings.quads), texels, scene.surface.part_names, settings.depth or 0.0
    )
    if specks:
        notices.append(
            Notice("specks", f"{specks:,} texels differ in groups too small or too faint to "
                   "list.", "", specks)
        )  # fmt: skip
    shown = {m.reading.tile for m in located if m.view is not None}
    for tile in tiles:
        if tile not in shown:
            notices.append(Notice("no-map", f"no map shows tile {tile}.", "Pass all maps."))
    return Location(
        low=prepared,
        scene=scene,
        cage=bench.cage(settings.quads),
        settings=settings,
        maps=tuple(located),
        texels=texels,
        regions=regions,
        offset=_guess_offset(bench, located),
        specks=specks,
        notices=tuple(notices),
    )


class _Bench:
    """Bakers for every variant of the low poly and of the high normals, made when asked for."""

    def __init__(
        self,
        mesh: Mesh,
        scene: Scene,
        paired: NDArray[np.bool_],
        settings: LocateSettings,
        cage: CageMaker | None,
    ) -> None:
        self.mesh, self.scene, self.paired, self.settings = mesh, scene, paired, settings
        self.uniform = cage is None
        self._make_cage = cage
        self._low: dict[QuadSplit, LowPoly] = {}
        self._cage: dict[QuadSplit, Cage] = {}
        self._baker: dict[tuple[QuadSplit, HighNormals], Baker] = {}
        self._sampled: dict[tuple[Any, ...], Sampled] = {}
        self._tangents: dict[tuple[QuadSplit, str], Floats] = {}

    def low(self, quads: QuadSplit) -> LowPoly:
        if quads not in self._low:
            self._low[quads] = prepare_low(self.mesh, rule=self.settings.rule, quads=quads)
        return self._low[quads]

    def cage(self, quads: QuadSplit) -> Cage:
        if quads not in self._cage:
            low = self.low(quads)
            if self._make_cage is not None:
                self._cage[quads] = self._make_cage(low)
            else:
                offset = self.settings.offset or 0.0
                self._cage[quads] = cage_from_offset(low, offset, self.settings.directions)
        return self._cage[quads]

    def baker(self, quads: QuadSplit, normals: HighNormals) -> Baker:
        key = (quads, normals)
        if key not in self._baker:
            rule = BakeRule(
                depth=self.settings.depth or 0.0,
                along=self.settings.along,
                normals=normals,
                apart=self.settings.apart,
            )
            known = [b for (_, n), b in self._baker.items() if n == normals]
            self._baker[key] = Baker(
                self.low(quads), self.cage(quads), self.scene, rule,
                paired=self.paired, shading=known[0].shading if known else None,
            )  # fmt: skip
        return self._baker[key]

    def frames(self, quads: QuadSplit, rule: BasisRule) -> TangentBasis:
        """Return the frames of a variant; corner tangents are made once for each source."""
        key = (quads, rule.tangents)
        if key not in self._tangents:
            self._tangents[key] = corner_tangents(self.low(quads), rule.tangents)
        return TangentBasis(self.low(quads).shading_normals, self._tangents[key], rule)

    def quad_choices(self) -> tuple[QuadSplit, ...]:
        """The cuts that differ for this mesh."""
        own = self.settings.quads
        other: QuadSplit = "short" if own == "first" else "first"
        same = np.array_equal(self.low(own).cut.corners, self.low(other).cut.corners)
        return (own,) if same else (own, other)

    def sampled(self, tile: int, size: int, quads: QuadSplit, normals: HighNormals) -> Sampled:
        """Return evenly picked texels of a tile with what the bake would record there."""
        key = (tile, size, quads, normals)
        if key not in self._sampled:
            self._sampled[key] = _sample_tile(self.baker(quads, normals), tile, size)
        return self._sampled[key]


def _check(maps: Sequence[BakedMap], low: LowPoly, tiles: tuple[int, ...]) -> None:
    if not maps:
        raise InputError("there are no maps to look at.")
    if not tiles:
        raise InputError(
            "the low poly has no UVs, so no map belongs to it.",
            file=low.mesh.source.path if low.mesh.source else None,
            cure="Export it with its UVs.",
        )


def _resolve(
    low: LowPoly,
    scene: Scene,
    paired: NDArray[np.bool_],
    settings: LocateSettings,
    has_cage: bool,
) -> tuple[LocateSettings, list[Notice]]:
    for name in ("offset", "depth", "padding"):
        value = getattr(settings, name)
        if value is not None and not (np.isfinite(value) and value >= 0):
            raise InputError(f"--{name} must be zero or more, not {value:g}.")
    missing = [
        name
        for name in ("offset", "depth")
        if getattr(settings, name) is None and not (name == "offset" and has_cage)
    ]
    if not missing:
        return settings, []
    found = probe_distances(low, scene, paired, seed=settings.seed)
    settings = replace(settings, **{name: getattr(found, name) for name in missing})
    words = ", ".join(f"{name} {getattr(settings, name):.4g}" for name in missing)
    text = f"compared with a bake of {words} (units of the files), taken from the scene."
    return settings, [Notice("automatic", text, "Give the bake's own numbers if you know them.")]


def _sample_tile(baker: Baker, tile: int, size: int) -> Sampled:
    share = float(np.abs(baker.low.uv_area[baker.low.tile == tile]).sum())
    step = max(int(share * size * size / SAMPLE_TEXELS), 1)
    points: list[SurfacePoints] = []
    x, y = [np.zeros(0, np.int32)], [np.zeros(0, np.int32)]
    for block in texel_blocks(baker.low, size, tile):
        # A texel's place decides whether it is picked, so that every variant picks the same.
        key = (block.x.astype(np.int64) * 7919 + block.y.astype(np.int64) * 104_729) % step
        chosen = np.flatnonzero(key == 0)
        points.append(block.points.take(chosen))
        x.append(block.x[chosen])
        y.append(block.y[chosen])
    if not points:
        raise InputError(f"tile {tile} has no texel at a size of {size}.")
    joined = join_points(points)
    _, seen = baker.record(joined)
    hit = seen.hit
    normal = seen.normal[hit]
    triangle, barycentric = joined.triangle[hit], joined.barycentric[hit]
    return Sampled(
        tile,
        size,
        np.concatenate(x)[hit],
        np.concatenate(y)[hit],
        triangle,
        barycentric,
        normal,
        baker.basis.encode(triangle, barycentric, normal),
    )


def _squared(values: NDArray[Any]) -> tuple[NDArray[Any], ConventionFault | None]:
    """Return a square map; one that is not is stretched to its longer edge."""
    height, width = values.shape[:2]
    if height == width:
        return values, None
    size = max(height, width)
    rows, columns = np.arange(size) * height // size, np.arange(size) * width // size
    fault = ConventionFault(
        "rescaled",
        f"the map is {width} x {height} texels; a tile is square",
        "bake a square map for every tile",
    )
    return np.ascontiguousarray(values[rows[:, None], columns]), fault


def _locate_map(
    bench: _Bench, baked: BakedMap, tiles: tuple[int, ...], *, progress: Progress
) -> LocatedMap:
    faults: list[ConventionFault] = []
    values, stretched = _squared(baked.values)
    shares = as_shares(values)
    size = shares.shape[0]
    said = baked.tile if baked.tile in tiles else None
    samples = []
    for done, tile in enumerate(tiles):
        progress(f"reading {baked.path.name}", done, len(tiles) + 1)
        sample = bench.sampled(tile, size, bench.settings.quads, "smooth")
        if len(sample):
            samples.append(sample)
    if not samples:
        raise InputError(
            "rays from the low poly meet no high poly at all.",
            cure="Check that both were exported with the same place, scale and axes.",
        )
    reading = find_reading(shares, samples, said)
    progress(f"reading {baked.path.name}", len(tiles) + 1, len(tiles) + 1)
    if stretched is not None:
        faults.append(stretched)
    if (fault := level_fault(baked.values)) is not None:
        faults.append(fault)
    if reading.agreement < LEAST_AGREEMENT:
        faults.append(_fits_nothing(reading))
        return LocatedMap(baked, reading, tuple(faults), None, None, None, None, shares)
    faults = convention_faults(reading, said) + faults
    reading, residual, finer = _finer_reading(bench, shares, reading)
    faults += finer
    return _compare(bench, baked, shares, reading, residual, faults, progress)


def _fits_nothing(reading: Reading) -> ConventionFault:
    return ConventionFault(
        "no-match",
        f"the map fits no tile of this low poly in any reading (best agreement "
        f"{100 * reading.agreement:.0f} %)",
        "check that it is a normal map, and of this low poly and this high poly",
    )


def _finer_reading(
    bench: _Bench, shares: NDArray[np.float32], reading: Reading
) -> tuple[Reading, float, list[ConventionFault]]:
    """Choose high normals, cut of the quads and tangent basis; return the angle that is left."""
    size = shares.shape[0]
    vectors = reading.vectors(shares)
    bases = BASES if reading.space == "tangent" else (BasisRule(),)
    default = bench.sampled(reading.tile, size, bench.settings.quads, "smooth")
    key = default.y.astype(np.int64) * size + default.x
    key = key[:: max(len(key) // FINER_TEXELS, 1)]
    choices: list[tuple[Reading, Floats, Floats]] = []
    for quads in bench.quad_choices():
        for normals in ("smooth", "face"):
            sample = bench.sampled(reading.tile, size, quads, normals)
            own = sample.y.astype(np.int64) * size + sample.x
            _, mine, theirs = np.intersect1d(key, own, return_indices=True)
            shown = vectors[sample.y[theirs], sample.x[theirs]].astype(np.float64)
            for basis in bases:
                if reading.space == "object":
                    wanted = sample.world[theirs]
                else:
                    frames = bench.frames(quads, basis)
                    wanted = frames.encode(
                        sample.triangle[theirs], sample.barycentric[theirs], sample.world[theirs]
                    )
                full = np.full((len(key), 3), np.nan)
                full[mine] = wanted
                angles = np.full(len(key), np.nan)
                angles[mine] = _degrees(shown, wanted)
                kind = replace(reading, basis=basis, quads=quads, normals=normals)
                choices.append((kind, full, angles))
    best = _best_choice(choices)
    return (
        choices[best][0],
        float(np.nanmedian(choices[best][2])),
        _finer_faults(choices[best][0], bench.settings.quads),
    )


def _best_choice(choices: list[tuple[Reading, Floats, Floats]]) -> int:
    """Return the first choice unless another fits clearly better where the two differ most."""
    plain, reference = choices[0][1], choices[0][2]
    best, gain = 0, 1.0
    for k in range(1, len(choices)):
        apart = _degrees(plain, choices[k][1])
        known = np.isfinite(apart) & np.isfinite(reference)
        if not known.any():
            continue
        # Where the two differ by more than rounding hides.
        rows = known & (apart > max(2 * ROUNDING_DEGREES, float(np.quantile(apart[known], 0.75))))
        if rows.sum() < 200:
            continue
        mine = float(np.median(reference[rows]))
        other = float(np.median(choices[k][2][rows]))
        share = other / mine if mine > ROUNDING_DEGREES else 1.0
        whole = float(np.nanmedian(choices[k][2])) / max(float(np.nanmedian(reference)), 1e-9)
        if share < FINER_SHARE and whole < 1.05 and share < 0.97 * gain:
            best, gain = k, share
    return best


def _degrees(a: Floats, b: Floats) -> Floats:
    minus, plus = np.linalg.norm(a - b, axis=1), np.linalg.norm(a + b, axis=1)
    out: Floats = np.degrees(2 * np.arctan2(minus, plus))
    return out


def _finer_faults(reading: Reading, own: QuadSplit) -> list[ConventionFault]:
    out = []
    if reading.basis != BasisRule():
        out.append(
            ConventionFault(
                "tangent-basis",
                f"the map was baked for another tangent basis: {reading.basis.describe()}",
                "bake and render with MikkTSpace, or with one and the same other basis",
            )
        )
    if reading.quads != own:
        words = {"short": "along their shorter diagonal", "first": "from their first corner"}
        out.append(
            ConventionFault(
                "triangulation",
                f"the map was baked with quads cut {words[reading.quads]}, not {words[own]}",
                "triangulate the low poly before baking and keep those triangles",
            )
        )
    return out


def _compare(
    bench: _Bench,
    baked: BakedMap,
    shares: NDArray[np.float32],
    reading: Reading,
    residual: float,
    faults: list[ConventionFault],
    progress: Progress,
) -> LocatedMap:
    baker = bench.baker(reading.quads, reading.normals)
    upright = np.ascontiguousarray(_upright(shares, reading))
    vectors = reading.vectors(shares)
    basis = bench.frames(reading.quads, reading.basis) if reading.space == "tangent" else None
    # A bake without an inward limit records whatever lies behind, and one with far too large an
    # offset what lies across: layers are known all through.
    size = baker.low.diagonal()
    target_depth = DEPTH_SHARE * (bench.settings.depth or 0.0)
    # A map that is soft or rounded throughout widens the tolerance a little, not without limit.
    base = float(np.clip(3 * residual, TOLERANCE_DEGREES, 3 * TOLERANCE_DEGREES))
    covered = _covered(baker.low, reading.tile, shares.shape[0])
    wanted = bench.settings.padding
    needed = needed_padding(shares.shape[0]) if wanted is None else wanted
    padding = check_padding(upright, covered, needed)
    rule = CompareRule(
        depth=max(size, target_depth), reach=size / 2, target_depth=target_depth,
        largest_share=LARGEST_SHARE, base_degrees=base,
        fills=_fill_values(padding, reading), fill_step=1.01 / 255,
    )  # fmt: skip
    view, patterns = _compared(
        bench, baked, baker, vectors, upright, basis, reading, rule, progress
    )
    soft = softness_fault(view, patterns.fault, upright)
    if soft is not None:
        fault, times = soft
        faults = [*faults, fault]
        wider = replace(rule, enlarged=times)
        view, patterns = _compared(
            bench, baked, baker, vectors, upright, basis, reading, wider, progress
        )
        if padding.too_thin:
            # Enlarging drew the bare background into the islands.
            rim = binary_dilation(~covered, np.ones((3, 3), bool), iterations=2 * times)
            patterns.fault[rim & (patterns.fault == Fault.UNEXPLAINED)] = Fault.PADDING
    return LocatedMap(
        baked, reading, tuple(faults), view, patterns.fault, patterns.shift, padding, upright
    )


def _compared(
    bench: _Bench,
    baked: BakedMap,
    baker: Baker,
    vectors: NDArray[np.float32],
    upright: NDArray[np.float32],
    basis: TangentBasis | None,
    reading: Reading,
    rule: CompareRule,
    progress: Progress,
) -> tuple[TileView, Patterns]:
    view = compare_tile(
        baker, bench.paired, vectors, upright, basis, reading.tile, rule, progress=progress
    )
    if baked.empty is not None and baked.empty.shape == view.fault.shape:
        empty = np.ascontiguousarray(_upright(baked.empty, reading)) & (view.triangle >= 0)
        view.fault[empty & (view.fault != Fault.CLEAN)] = Fault.MISSED
    return view, explain_patterns(view, upright)


def _upright(values: NDArray[Any], reading: Reading) -> NDArray[Any]:
    from cagecheck.maps.conventions import turned

    return turned(values, reading.turn)


def _covered(low: LowPoly, tile: int, size: int) -> NDArray[np.bool_]:
    out = np.zeros((size, size), bool)
    for block in texel_blocks(low, size, tile):
        out[block.y, block.x] = True
    return out


def _fill_values(padding: Padding, reading: Reading) -> tuple[tuple[float, float, float], ...]:
    """Return the stored values that may stand for "nothing recorded": background, black, flat."""
    flat = np.full(3, 128 / 255)
    if reading.space == "tangent":
        flat[reading.channels[2]] = 1.0
    if reading.transfer != "plain":
        from cagecheck.maps.conventions import decode_srgb, encode_srgb

        flat = (encode_srgb if reading.transfer == "srgb-encoded" else decode_srgb)(flat)
    fills = {tuple(float(v) for v in padding.background), (0.0, 0.0, 0.0)}
    fills.add(tuple(float(v) for v in flat))
    return tuple(sorted(fills))  # type: ignore[arg-type]


def _mark_seams(bench: _Bench, located: list[LocatedMap]) -> list[LocatedMap]:
    """Tell unexplained texels at broken seams apart; views of one tile count once."""
    views = {m.view.tile: m.view for m in located if m.view is not None}
    sizes = {view.size for view in views.values()}
    out = list(located)
    for size in sorted(sizes):
        mine = {tile: view for tile, view in views.items() if view.size == size}
        steps = seam_steps(seam_samples(bench.low(bench.settings.quads), size), mine)
        broken = steps.broken
        for k, located_map in enumerate(out):
            view, fault = located_map.view, located_map.fault
            if view is None or fault is None or view.size != size:
                continue
            marks = np.zeros(fault.shape, bool)
            for side in range(2):
                rows = broken & (steps.samples.tile[:, side] == view.tile)
                marks[steps.samples.y[rows, side], steps.samples.x[rows, side]] = True
            if not marks.any():
                continue
            near = binary_dilation(marks, np.ones((3, 3), bool), iterations=SEAM_TEXELS)
            fault = fault.copy()
            fault[near & (fault == Fault.UNEXPLAINED)] = Fault.SEAM
            out[k] = replace(located_map, fault=fault)
    return out


def _faulty_texels(bench: _Bench, located: list[LocatedMap]) -> FaultyTexels:
    low = bench.low(bench.settings.quads)
    sets: list[dict[str, Any]] = []
    patch_base = 0
    for found in located:
        if found.view is None or found.fault is None or found.shift is None:
            continue
        sets.append(_texels_of(low, found, patch_base))
        patch_base += int(sets[-1]["patch"].max(initial=0)) + 1
        if found.padding is not None and found.padding.too_thin:
            sets.append(_padding_texels(low, found, patch_base))
            patch_base += 1
    if not sets:
        sets = [_no_texels(low, located[0])]
    points = join_points([s["points"] for s in sets])
    joined = {name: np.concatenate([s[name] for s in sets]) for name in sets[0] if name != "points"}
    return FaultyTexels(points=points, positions=points.positions(low), **joined)


def _texels_of(low: LowPoly, found: LocatedMap, patch_base: int) -> dict[str, Any]:
    view, fault, shift = found.view, found.fault, found.shift
    assert view is not None and fault is not None and shift is not None
    points, x, y = chosen_points(low, view.tile, fault != Fault.CLEAN)
    covered = view.triangle >= 0
    patch = np.zeros(fault.shape, np.int32)
    for kind in np.unique(fault[fault != Fault.CLEAN]):
        labels = grown_over(fault == kind, covered, JOIN_TEXELS.get(Fault(kind), 1))
        patch[labels > 0] = labels[labels > 0] + patch.max()
    kind = fault[y, x]
    angle = view.angle[y, x].astype(np.float64)
    measure = np.where(
        np.isin(kind, (Fault.OTHER_PART, Fault.OTHER_FOLD, Fault.TOO_DEEP)),
        np.abs(view.gap[y, x]),
        angle,
    )
    if found.padding is not None:
        measure = np.where(kind == Fault.PADDING, float(found.padding.needed), measure)
    measure = np.where(kind == Fault.SLANTED, np.hypot(shift[y, x, 0], shift[y, x, 1]), measure)
    n = len(points)
    return {
        "points": points,
        "tile": np.full(n, view.tile, np.int32),
        "x": x,
        "y": y,
        "fault": kind,
        "measure": measure,
        "gap": view.gap[y, x].astype(np.float64),
        "target": view.target[y, x].astype(np.float64),
        "angle": angle,
        "other": view.other[y, x],
        "patch": patch[y, x] + patch_base,
        "weight": np.ones(n),
    }


def _padding_texels(low: LowPoly, found: LocatedMap, patch_base: int) -> dict[str, Any]:
    """Return the island borders beside bare texels; each weighs as many as it should have fed."""
    view, padding = found.view, found.padding
    assert view is not None and padding is not None
    count = np.bincount(padding.nearest[padding.bare], minlength=view.fault.size)
    chosen = (count > 0).reshape(view.fault.shape)
    points, x, y = chosen_points(low, view.tile, chosen)
    n = len(points)
    nothing = np.full(n, np.nan)
    return {
        "points": points,
        "tile": np.full(n, view.tile, np.int32),
        "x": x,
        "y": y,
        "fault": np.full(n, Fault.PADDING, np.uint8),
        "measure": np.full(n, float(padding.needed)),
        "gap": nothing,
        "target": nothing,
        "angle": nothing,
        "other": np.full(n, -1, np.int32),
        "patch": np.full(n, patch_base, np.int32),
        "weight": count[y.astype(np.int64) * view.size + x].astype(np.float64),
    }


def _no_texels(low: LowPoly, found: LocatedMap) -> dict[str, Any]:
    none = np.zeros((8, 8), bool)
    points, x, y = chosen_points(low, found.reading.tile, none)
    floats = {name: np.zeros(0) for name in ("measure", "gap", "target", "angle", "weight")}
    ints = {name: np.zeros(0, np.int32) for name in ("tile", "other", "patch")}
    return {"points": points, "x": x, "y": y, "fault": np.zeros(0, np.uint8), **floats, **ints}


def _guess_offset(bench: _Bench, located: list[LocatedMap]) -> OffsetGuess | None:
    """Read the votes of all maps."""
    votes = [m.view.votes for m in located if m.view is not None]
    voters = sum(v.voters for v in votes)
    if voters < LEAST_VOTERS:
        return None
    agree = np.cumsum(sum(v.balance for v in votes))[: VOTE_BINS + 1]
    best = float(agree.max())
    top = int(np.argmax(agree))
    good = agree >= NEARLY_ALL * best
    first, last = top, top
    while first > 0 and good[first - 1]:
        first -= 1
    while last < VOTE_BINS and good[last + 1]:
        last += 1
    scale = votes[0].largest / VOTE_BINS
    unit = "share of the cage's own distance"
    if bench.uniform:
        scale *= bench.settings.offset or 0.0
        unit = "units"
    deep = np.concatenate([v.deep for v in votes])
    lost = np.concatenate([v.lost for v in votes])
    return OffsetGuess(
        least=first * scale,
        most=last * scale,
        unit=unit,
        agree=best / voters,
        voters=voters,
        recorded_depth=float(np.quantile(deep, 0.999)) if len(deep) else 0.0,
        lost_depth=float(np.quantile(lost, 0.02)) if len(lost) >= LEAST_VOTERS else None,
    )
