"""How a prediction is made: groups of options, each declared here and nowhere else."""

from __future__ import annotations

from dataclasses import dataclass, field

from cagecheck.defects.kinds import Thresholds
from cagecheck.errors import InputError
from cagecheck.maps.high_normals import HighNormals
from cagecheck.options import CAGE, MAPS, MESHES, SAMPLING, check_options, option
from cagecheck.rays.cage import Along, Directions

DEFAULT_SAMPLES = 500_000
DEFAULT_MAP_SIZE = 2048
# Texel centres of larger maps fit no memory; numbers for larger maps cost nothing.
MOST_TEXELS, MOST_MAP_SIZE = 16384, 65536
UNSEEN_POINTS = 200_000


@dataclass(frozen=True)
class Offset:
    """A cage that is one distance off the low poly everywhere."""

    offset: float | None = option(
        None, CAGE, "One cage offset everywhere, in the files' units.", metavar="LENGTH", least=0
    )


@dataclass(frozen=True)
class Depth:
    """How far rays look below the low poly."""

    depth: float | None = option(
        None, CAGE, "How far below the low poly rays look (else taken from the scene).",
        metavar="LENGTH", above=0,
    )  # fmt: skip


@dataclass(frozen=True)
class Distances(Depth):
    """How far rays look, both ways."""

    reach: float | None = option(
        None, CAGE, "How far out other surfaces are looked for (else taken from the scene).",
        metavar="LENGTH", above=0,
    )  # fmt: skip


@dataclass(frozen=True)
class Sampling:
    """Where samples lie, and the maps that numbers of texels are for.

    Attributes
    ----------
    samples : int
        About how many interior samples, when neither `density` nor `texels` is given.
    density : float | None
        Samples per square world unit.
    texels : int | None
        Sample at the texel centres of square maps of this size instead, one per tile.
    map_size : int
        Size of the maps that texel numbers are for (`texels` when that is given).
    """

    samples: int = option(
        DEFAULT_SAMPLES, SAMPLING, "About how many samples to take.",
        metavar="N", least=1, in_help=True,
    )  # fmt: skip
    density: float | None = option(
        None, SAMPLING,
        "Instead of --samples: samples per square unit (on edges, its square root per unit).",
        metavar="N", above=0,
    )  # fmt: skip
    texels: int | None = option(
        None, SAMPLING,
        "Instead of --samples: one at the centre of each texel of N x N maps, one per tile.",
        metavar="N", least=1, most=MOST_TEXELS,
    )  # fmt: skip
    map_size: int = option(
        DEFAULT_MAP_SIZE, SAMPLING,
        "The maps are N x N texels; all numbers of texels are for this size.",
        metavar="N", least=1, most=MOST_MAP_SIZE, in_help=True,
    )  # fmt: skip


@dataclass(frozen=True)
class RayOptions:
    """How rays run, and what they may meet."""

    directions: Directions = option(
        "averaged", CAGE,
        "Normals that the cage is pushed along: averaged (it stays closed), corner (it "
        "opens at hard edges) or each face's own.",
    )  # fmt: skip
    along: Along = option(
        "cage", CAGE, "Rays run from the cage to the low poly, or along the low poly's normals."
    )
    apart: bool = option(
        False, MESHES, "Bake each pair by itself: a low part sees only its high parts."
    )


@dataclass(frozen=True)
class HighShading:
    """What the high poly is shaded with in maps.

    Attributes
    ----------
    high_normals : HighNormals
        Its file's own normals (smooth where it has none), smooth ones (weighted by angle, or by
        area), or each face's.
    """

    high_normals: HighNormals = option(
        "file", MAPS,
        "What the high poly is shaded with in maps: its file's own normals (smooth where it "
        "has none), smooth ones (weighted by angle, or by area), or each face's.",
    )  # fmt: skip


@dataclass(frozen=True)
class Seed:
    """The seed of all random draws."""

    seed: int = option(0, SAMPLING, "Seed of the random places of samples.", metavar="N")


# Options come in this order from the last of these to the first.
@dataclass(frozen=True)
class Settings(Seed, RayOptions, Sampling, Distances, Offset):
    """How a prediction is made. None means: take it from the scene (see `probe_distances`).

    Attributes
    ----------
    offset : float | None
        Uniform cage offset, world units, when no cage is given.
    depth, reach : float | None
        How far rays look below the low poly, and how far out layers are looked for.
    samples : int
        About how many interior samples, when neither `density` nor `texels` is given.
    density : float | None
        Samples per square world unit.
    texels : int | None
        Sample at the texel centres of square maps of this size instead, one per tile.
    map_size : int
        Size of the maps that texel numbers are for (`texels` when that is given).
    directions : Directions
        How rays are directed at the corners, see `corner_directions`.
    along : Along
        Rays follow the cage or the normals, see `rays_through`.
    apart : bool
        Every low part sees only its own high parts (a bake of the parts one by one).
    seed : int
        Seed of all random draws.
    unseen_points : int
        About how many points of the high poly are looked at for what no ray records.
    thresholds : Thresholds
        From where on something counts as a defect.

    Examples
    --------
    >>> import cagecheck
    >>> cagecheck.Settings(offset=0.02, samples=10_000).samples
    10000
    """

    unseen_points: int = UNSEEN_POINTS
    thresholds: Thresholds = field(default_factory=Thresholds)

    def depth_and_reach(self) -> tuple[float, float]:
        """Return both, for settings that leave neither to the scene (see `predict.resolve`)."""
        assert self.depth is not None and self.reach is not None, "resolve the settings first"
        return self.depth, self.reach


def check_settings(settings: Settings) -> Settings:
    """Return the settings; raise `InputError` for numbers out of range or at odds."""
    check_options(settings)
    if settings.density is not None and settings.texels is not None:
        raise InputError(
            "`density` and `texels` both say where samples lie.", cure="Give one of them."
        )
    return settings
