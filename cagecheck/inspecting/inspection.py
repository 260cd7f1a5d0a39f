"""Preflight: everything that can be known to be wrong before a single ray is cast for a bake."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.rows import rows_by_label
from cagecheck.arrays.types import Floats, Ints
from cagecheck.errors import Notice, takes
from cagecheck.inspecting.crossing import crossing_finding, crossing_parts, pair_groups
from cagecheck.inspecting.density import PartDensity, density_findings, part_density
from cagecheck.inspecting.edges import polygon_edges
from cagecheck.inspecting.facing import Opposed, opposed_finding, opposed_parts
from cagecheck.inspecting.finding import SEVERITIES, Finding, Severity, sort_findings
from cagecheck.inspecting.high import PartMeasures, high_findings, measure_parts
from cagecheck.inspecting.high_edges import high_edge_findings
from cagecheck.inspecting.islands import find_islands
from cagecheck.inspecting.pair import alignment_finding, misplaced_finding, unpaired_findings
from cagecheck.inspecting.polygons import polygon_findings
from cagecheck.inspecting.seams import seam_findings
from cagecheck.inspecting.shells import judge_facing, shell_findings
from cagecheck.inspecting.tile_table import TileTable, tile_table
from cagecheck.inspecting.topology import topology_findings
from cagecheck.inspecting.uv import missing_uv_finding, uv_findings
from cagecheck.maps.pad import needed_padding
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.surface_edges import high_edges
from cagecheck.predicting.settings import DEFAULT_MAP_SIZE
from cagecheck.progress import Progress, silent

# Free space between islands: one texel per 256 of the map (common practice, no source).
DEFAULT_PADDING = float(needed_padding(DEFAULT_MAP_SIZE))


@dataclass(frozen=True, eq=False)
class Inspection:
    """What preflight found.

    Attributes
    ----------
    low : LowPoly
        The low poly that was looked at.
    findings : tuple[Finding, ...]
        The most severe first.
    density : PartDensity | None
        Texel density per part, None without UVs.
    tiles : TileTable | None
        What lies on which tile, None without UVs.
    islands : int
        Number of UV islands.
    part_ways : (K,) float64
        From 1, all of a part's area faces out, to -1, all in; 0 is not known.
    notices : tuple[Notice, ...]
        What the artist should know besides.
    surface : Surface | None
        The high poly, if one was looked at.
    map_size : int
        Texels per tile and side that it holds for.
    padding : float
        Wanted free space between islands, texels.
    """

    low: LowPoly
    findings: tuple[Finding, ...]
    density: PartDensity | None = None
    tiles: TileTable | None = None
    islands: int = 0
    part_ways: Floats = field(default_factory=lambda: np.zeros(0))
    notices: tuple[Notice, ...] = field(default=())
    surface: Surface | None = None
    map_size: int = DEFAULT_MAP_SIZE
    padding: float = DEFAULT_PADDING

    def __repr__(self) -> str:
        return (
            f"<Inspection of {self.low!r}: "
            + ", ".join(f"{severity} {self.count(severity)}" for severity in SEVERITIES)
            + ">"
        )

    def count(self, severity: Severity) -> int:
        """Return how many findings have this severity.

        Parameters
        ----------
        severity : Severity
            One of `SEVERITIES`.
        """
        return sum(f.severity == severity for f in self.findings)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "findings": [f.to_dict() for f in self.findings],
            "counts": {severity: self.count(severity) for severity in SEVERITIES},
            "parts": part_rows(self),
            "tiles": None if self.tiles is None else self.tiles.to_dict(),
            "uv_islands": self.islands,
            "normals": self.low.normal_rule.describe(),
            "notices": [n.to_dict() for n in self.notices],
        }


def part_rows(inspection: Inspection) -> list[dict[str, Any]]:
    """Return a row per part: faces, triangles, area, tiles, texel density, stretch.

    Parameters
    ----------
    inspection : Inspection
        What `inspect_low` or `inspect_pair` returns.
    """
    low, density = inspection.low, inspection.density
    count = len(low.part_names)
    faces = np.bincount(low.mesh.face_part, minlength=count)
    triangles = np.bincount(low.triangle_part, minlength=count)
    area = np.bincount(low.triangle_part, weights=low.area, minlength=count)
    members = rows_by_label(low.triangle_part, count)
    rows = []
    for k, name in enumerate(low.part_names):
        tiles = np.unique(low.tile[members[k]])
        row: dict[str, Any] = {
            "part": name,
            "faces": int(faces[k]),
            "triangles": int(triangles[k]),
            "area_units": float(area[k]),
            "tiles": [int(t) for t in tiles if t > 0],
        }
        if density is not None:
            for field_name in ("texels_per_unit", "low_tenth", "high_tenth", "l2_stretch"):
                value = float(getattr(density, field_name)[k])
                row[field_name] = value if np.isfinite(value) else None
        rows.append(row)
    return rows


@takes(low=LowPoly)
def inspect_low(
    low: LowPoly,
    *,
    map_size: int = DEFAULT_MAP_SIZE,
    padding: float = DEFAULT_PADDING,
    one_map: bool = False,
    groups: Ints | None = None,
    threads: int | None = None,
    seed: int = 0,
    progress: Progress = silent,
) -> Inspection:
    """Run every check on a low poly.

    Parameters
    ----------
    low : LowPoly
        See `prepare_low`.
    map_size : int, optional
        Texels per tile and side.
    padding : float, optional
        Wanted free space between islands, texels.
    one_map : bool, optional
        All materials share one set of maps (else each has its own, and islands of different
        materials may lie over each other).
    groups : (K,) int32, optional
        A number per part; parts with one number may run through each other. Every part is on its
        own by default.
    threads : int, optional
        How many threads cast; all cores by default.
    seed : int, optional
        Seed of all random draws.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Notes
    -----
    Stretch of UVs is measured by the singular values of the map from the UV plane to space [1]_.

    References
    ----------
    .. [1] P. V. Sander, J. Snyder, S. J. Gortler and H. Hoppe, "Texture Mapping Progressive
       Meshes", SIGGRAPH 2001.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> found = cagecheck.inspect_low(low, map_size=1024)
    >>> [finding.check.code for finding in found.findings if finding.severity == "error"]
    []
    """
    steps = _Steps(progress)
    edges = steps.run("edges", polygon_edges, low)
    facing = steps.run("shells", judge_facing, low, edges, seed=seed)
    found = [
        *steps.run("topology", topology_findings, low, edges, facing.flipped),
        *shell_findings(low, facing),
        *steps.run("polygons", polygon_findings, low),
    ]
    missing = missing_uv_finding(low)
    density, tiles, count = None, None, 0
    if missing is not None:
        found.append(missing)
    if low.uv is not None and np.isfinite(low.uv).all(axis=(1, 2)).any():
        islands = steps.run("islands", find_islands, low, one_map=one_map)
        count = islands.count
        found += steps.run("uvs", uv_findings, low, islands, map_size, padding)
        density = steps.run("texel density", part_density, low, map_size)
        found += density_findings(low, density, map_size)
        found += steps.run("hard edges", seam_findings, low, islands)
        tiles = tile_table(low, map_size)
    found += steps.run("parts through each other", _low_crossings, low, groups, threads)
    return Inspection(
        low,
        tuple(sort_findings(found)),
        density,
        tiles,
        count,
        facing.of_parts(low),
        low.mesh.notices,
        map_size=map_size,
        padding=padding,
    )


@takes(low=LowPoly, surface=Surface)
def inspect_pair(
    low: LowPoly,
    surface: Surface,
    paired: NDArray[np.bool_] | None = None,
    *,
    map_size: int = DEFAULT_MAP_SIZE,
    padding: float = DEFAULT_PADDING,
    one_map: bool = False,
    threads: int | None = None,
    seed: int = 0,
    progress: Progress = silent,
) -> Inspection:
    """Run every check on a low poly, a high poly, and the two together.

    Parameters
    ----------
    low : LowPoly
        See `prepare_low`.
    surface : Surface
        The high poly.
    paired : (low parts, high parts) bool, optional
        Which may be baked onto which; everything with everything by default.
    map_size : int, optional
        Texels per tile and side.
    padding : float, optional
        Wanted free space between islands, texels.
    one_map : bool, optional
        All materials share one set of maps, see `inspect_low`.
    threads : int, optional
        How many threads cast; all cores by default.
    seed : int, optional
        Seed of all random draws.
    progress : Progress, optional
        Called now and then with stage, done and total.
    """
    if paired is None:
        paired = np.ones((len(low.part_names), len(surface.part_names)), bool)
    low_group, high_group = pair_groups(paired)
    inspection = inspect_low(
        low,
        map_size=map_size,
        padding=padding,
        one_map=one_map,
        groups=low_group,
        threads=threads,
        seed=seed,
        progress=progress,
    )
    steps = _Steps(progress)
    measures = steps.run("high poly", measure_parts, surface)
    opposed = steps.run(
        "low against high",
        opposed_parts, low, inspection.part_ways, surface, measures, paired,
    )  # fmt: skip
    told = _inside_out_told(low, inspection.findings, high_findings(surface, measures), opposed)
    found = [
        *_without_inward(low, inspection.findings, opposed),
        opposed_finding(low, opposed, told),
        *unpaired_findings(low, surface, measures, paired),
        *high_findings(surface, measures),
        *high_edge_findings(surface, *high_edges(surface, measures.flat, progress=progress)),
        _place_finding(low, surface, measures, paired),
    ]
    crossings = crossing_parts(
        surface, high_group, measures=measures, threads=threads, progress=progress
    )
    found.append(crossing_finding(surface, crossings, "high"))
    return replace(
        inspection,
        findings=tuple(sort_findings([f for f in found if f is not None])),
        notices=inspection.notices + surface.notices,
        surface=surface,
    )


def _inside_out_told(
    low: LowPoly, of_low: tuple[Finding, ...], of_high: list[Finding], opposed: Opposed
) -> NDArray[np.bool_]:
    """Return (N,) bool: is the one to blame told as a closed shell or part that is inside out?"""
    by_low = {name for f in of_low if f.check.code == "inverted-shell" for name in f.by_part}
    by_high = any(f.check.code == "high-inverted" for f in of_high)
    return np.array(
        [
            (who < 0 and low.part_names[k] in by_low) or (who > 0 and by_high)
            for k, who in zip(opposed.part, opposed.blame, strict=True)
        ],
        bool,
    )


def _without_inward(low: LowPoly, findings: tuple[Finding, ...], opposed: Opposed) -> list[Finding]:
    """Leave out open shells facing in where the high poly settles it.

    Either it shows that they are inside out, which is told, or it faces in as they do: then the
    inside is the side that is meant.
    """
    settled = np.concatenate([opposed.part[opposed.blame < 0], opposed.agreeing])
    names = {low.part_names[k] for k in settled}
    return [f for f in findings if f.check.code != "inward-shell" or not set(f.by_part) <= names]


def _place_finding(
    low: LowPoly, surface: Surface, measures: PartMeasures, paired: NDArray[np.bool_]
) -> Finding | None:
    """Say what is wrong as a whole; only where nothing is, part by part."""
    if len(low.triangles) == 0 or surface.triangle_count == 0:
        return None
    return alignment_finding(low, surface) or misplaced_finding(low, measures, paired)


def _low_crossings(low: LowPoly, groups: Ints | None, threads: int | None) -> list[Finding]:
    if len(low.triangles) == 0:
        return []
    surface = Surface(low.positions, low.triangles, low.triangle_part, low.part_names)
    group = np.arange(len(low.part_names), dtype=np.int32) if groups is None else groups
    finding = crossing_finding(
        surface, crossing_parts(surface, group, threads=threads), "low", low.cut.face
    )
    return [] if finding is None else [finding]


class _Steps:
    """Runs functions and reports each as a stage."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress

    def run(self, stage: str, function: Any, *args: Any, **kwargs: Any) -> Any:
        self._progress(stage, 0, 1)
        result = function(*args, **kwargs)
        self._progress(stage, 1, 1)
        return result
