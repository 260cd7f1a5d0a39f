"""The low poly and the high poly in every variant that a map may have been baked from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.match import Matcher
from cagecheck.errors import InputError
from cagecheck.locating.compare import covered_texels, one_in, picked_points
from cagecheck.locating.conventions import LowShading, Sampled
from cagecheck.locating.goals import DEPTH_SHARE, Goals, find_goals
from cagecheck.maps.encode import BasisRule, TangentBasis
from cagecheck.maps.high_normals import HighNormals, high_shading
from cagecheck.maps.high_normals import HighShading as ShadedHigh
from cagecheck.maps.tangent import corner_tangents
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.normals import NormalRule
from cagecheck.meshes.triangulate import QuadSplit
from cagecheck.options import MAPS, again, option
from cagecheck.predicting.maps.bake import Baker, BakeRule
from cagecheck.predicting.settings import Depth, HighShading, Offset, RayOptions, Seed
from cagecheck.rays.cage import Cage, Directions, Rays, cage_from_offset
from cagecheck.rays.points import SurfacePoints

CageMaker = Callable[[LowPoly], Cage]

LOW_RULES: dict[LowShading, NormalRule] = {
    "face": NormalRule("hardness", hardness_deg=0.0),
    "smooth": NormalRule("smooth"),
}
# Normals that differ by less than files round are the same.
SAME_NORMAL = 1e-3
# Texels of a tile that the conventions are judged by.
SAMPLE_TEXELS = 30_000


@dataclass(frozen=True)
class LocateSettings(Seed, HighShading, RayOptions, Depth, Offset):
    """How to compare. None: taken from the scene (see `probe_distances`).

    Attributes
    ----------
    offset, depth : float | None
        World units, as the bake was (probably) made.
    directions : Directions
        How its rays were directed at the corners, see `corner_directions`.
    along : Along
        They followed the cage or the normals, see `rays_through`.
    apart : bool
        Parts were baked one by one.
    high_normals : HighNormals
        What it took from the high poly (others are tried too).
    seed : int
        Seed of all random draws.
    padding : int | None
        Texels that there should be; by the map's size by default.
    rule : NormalRule
        How corner normals were found, see `prepare_low`.
    quads : QuadSplit
        How quads were cut, see `prepare_low`.
    """

    depth: float | None = again(Depth, "depth", above=None, least=0)
    padding: int | None = option(
        None, MAPS, "Texels of padding wanted (else one per 256 of the map's width).",
        metavar="TEXELS", least=0, in_help=True,
    )  # fmt: skip
    rule: NormalRule = field(default_factory=NormalRule)
    quads: QuadSplit = "first"


class Variants:
    """Bakers for every variant of the low poly and of the high normals, made when asked for."""

    def __init__(
        self,
        mesh: Mesh,
        matcher: Matcher,
        settings: LocateSettings,
        cage: CageMaker | None,
    ) -> None:
        self.mesh, self.scene, self.settings = mesh, matcher.scene, settings
        self.uniform = cage is None
        self._make_cage = cage
        self._matcher: dict[QuadSplit, Matcher] = {settings.quads: matcher}
        self._cage: dict[tuple[QuadSplit, Directions | None], Cage] = {}
        self._baker: dict[tuple[QuadSplit, HighNormals, Directions | None], Baker] = {}
        self._shadings: dict[HighNormals, ShadedHigh] = {}
        self._sampled: dict[tuple[Any, ...], Sampled] = {}
        self._met: dict[tuple[int, int, QuadSplit], Met] = {}
        self._tangents: dict[tuple[QuadSplit, str, LowShading], Floats] = {}
        self._shaded: dict[tuple[QuadSplit, LowShading], LowPoly] = {}

    def low(self, quads: QuadSplit) -> LowPoly:
        """Return the low poly with its quads cut so."""
        return self.matcher(quads).low

    def matcher(self, quads: QuadSplit) -> Matcher:
        """Return that low poly beside the high poly; its trees serve all normals."""
        if quads not in self._matcher:
            low = prepare_low(self.mesh, rule=self.settings.rule, quads=quads)
            self._matcher[quads] = self._matcher[self.settings.quads].on(low)
        return self._matcher[quads]

    def cage(self, quads: QuadSplit, directions: Directions | None = None) -> Cage:
        """Return the bake's cage on that low poly; directions : other ones than it is taken to have
        had, for uniform cages only.
        """
        key = (quads, directions)
        if key not in self._cage:
            low = self.low(quads)
            if self._make_cage is not None:
                self._cage[key] = self._make_cage(low)
            else:
                offset = self.settings.offset or 0.0
                wanted = directions or self.settings.directions
                self._cage[key] = cage_from_offset(low, offset, wanted)
        return self._cage[key]

    def baker(
        self, quads: QuadSplit, normals: HighNormals, directions: Directions | None = None
    ) -> Baker:
        """Return a baker of that low poly, those normals of the high and those rays."""
        key = (quads, normals, directions)
        if key not in self._baker:
            rule = BakeRule(
                depth=self.settings.depth or 0.0,
                along=self.settings.along,
                normals=normals,
                apart=self.settings.apart,
            )
            matcher = self.matcher(quads)
            self._baker[key] = Baker(
                matcher.low, self.cage(quads, directions), self.scene, rule,
                paired=matcher.paired,
                shading=self._shading(normals), matcher=matcher,
            )  # fmt: skip
        return self._baker[key]

    def _shading(self, normals: HighNormals) -> ShadedHigh:
        """Return the normals of the high poly, each made once; the matcher has the file's own."""
        own = "smooth" if self.scene.surface.normals is None else "file"
        if normals not in self._shadings:
            self._shadings[normals] = (
                self._matcher[self.settings.quads].shading
                if normals in ("file", own)
                else high_shading(self.scene.surface, normals)
            )
        return self._shadings[normals]

    def shaded(self, quads: QuadSplit, shading: LowShading) -> LowPoly:
        """Return the low poly with other shading normals, which only its frames come from."""
        if shading == "own":
            return self.low(quads)
        key = (quads, shading)
        if key not in self._shaded:
            self._shaded[key] = prepare_low(self.mesh, rule=LOW_RULES[shading], quads=quads)
        return self._shaded[key]

    def frames(
        self, quads: QuadSplit, rule: BasisRule, shading: LowShading = "own"
    ) -> TangentBasis:
        """Return the frames of a variant; corner tangents are made once for each source."""
        key, low = (quads, rule.tangents, shading), self.shaded(quads, shading)
        if key not in self._tangents:
            self._tangents[key] = corner_tangents(low, rule.tangents)
        return TangentBasis(low.shading_normals, self._tangents[key], rule)

    def shading_choices(self) -> tuple[LowShading, ...]:
        """The shading normals of the low poly that differ from its own, after its own."""
        own = self.low(self.settings.quads).shading_normals
        others: tuple[LowShading, ...] = ("face", "smooth")
        return (
            "own",
            *(
                kind
                for kind in others
                if not np.allclose(
                    self.shaded(self.settings.quads, kind).shading_normals, own, atol=SAME_NORMAL
                )
            ),
        )

    def quad_choices(self) -> tuple[QuadSplit, ...]:
        """The cuts that differ for this mesh."""
        own = self.settings.quads
        other: QuadSplit = "short" if own == "first" else "first"
        same = np.array_equal(self.low(own).cut.corners, self.low(other).cut.corners)
        return (own,) if same else (own, other)

    def normal_choices(self) -> tuple[HighNormals, ...]:
        """The normals of the high poly to try, the likeliest first."""
        every: tuple[HighNormals, ...] = ("file", "smooth", "area", "face")
        if self.scene.surface.normals is None:
            every = ("smooth", "area", "face")
        own = self.settings.high_normals
        return tuple(sorted(every, key=lambda n: n != own))

    def sampled(
        self,
        tile: int,
        size: int,
        quads: QuadSplit,
        normals: HighNormals,
        shading: LowShading = "own",
    ) -> Sampled:
        """Return evenly picked texels of a tile with what a bake should record there."""
        key = (tile, size, quads, normals, shading)
        if key not in self._sampled and shading != "own":
            own = self.sampled(tile, size, quads, normals)
            frames = self.frames(quads, BasisRule(), shading)
            tangent = frames.encode(own.triangle, own.barycentric, own.world)
            self._sampled[key] = replace(own, tangent=tangent)
        if key not in self._sampled:
            depth = DEPTH_SHARE * (self.settings.depth or 0.0)
            baker = self.baker(quads, normals)
            if (tile, size, quads) not in self._met:
                self._met[tile, size, quads] = _meet_tile(baker, tile, size, depth)
            frames = self.frames(quads, BasisRule())
            self._sampled[key] = _shade(baker, frames, tile, size, self._met[tile, size, quads])
        return self._sampled[key]


@dataclass(frozen=True, eq=False)
class Met:
    """Where the rays of some texels of a tile meet the high poly, whatever its normals.

    points, x, y : the texels; rays; goal : what belongs there; face, t : what the assumed bake
    records.
    """

    points: SurfacePoints
    x: Ints
    y: Ints
    rays: Rays
    goal: Goals
    face: Ints
    t: Floats


def _meet_tile(baker: Baker, tile: int, size: int, depth: float) -> Met:
    """Cast an even sample of a tile's texels."""
    step = max(covered_texels(baker.low, tile, size) // SAMPLE_TEXELS, 1)
    joined, x, y = picked_points(baker.low, tile, size, lambda x, y: one_in(step, x, y))
    if len(joined) == 0:
        raise InputError(f"tile {tile} has no texel at a size of {size}.")
    rays, seen = baker.record(joined)
    goal = find_goals(baker, joined, rays, depth)
    return Met(joined, x, y, rays, goal, seen.face, seen.t)


def _shade(baker: Baker, frames: TangentBasis, tile: int, size: int, met: Met) -> Sampled:
    """Sample the surface that belongs to the texels, so that a wrong offset does not matter.

    Where none belongs, what the assumed bake records stands in.
    """
    goal, joined, rays = met.goal, met.points, met.rays
    known = goal.face >= 0
    face, t = np.where(known, goal.face, met.face), np.where(known, goal.t, met.t)
    hit = face >= 0
    wanted = baker.shading.along(face.astype(np.int32), rays.origin, rays.direction, t)
    normal = wanted[hit]
    triangle, barycentric = joined.triangle[hit], joined.barycentric[hit]
    return Sampled(
        tile,
        size,
        met.x[hit],
        met.y[hit],
        triangle,
        barycentric,
        normal,
        frames.encode(triangle, barycentric, normal),
        float(goal.t[known].max()) if known.any() else np.inf,
        joined.take(hit),
    )
