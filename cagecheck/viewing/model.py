"""What the viewer shows, without drawing it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.spread import spread
from cagecheck.arrays.types import Floats
from cagecheck.defects.kinds import CLEAN, Defect
from cagecheck.defects.recolour import Recoloured, Recolourer, most_factor, rank_table
from cagecheck.errors import InputError
from cagecheck.meshes.tiles import NO_TILE
from cagecheck.rays.layers import NO_LAYER
from cagecheck.rendering.camera import (
    LEAST_SHARE,
    REGION_RADII,
    Camera,
    Outlook,
    Outlooks,
    place_camera,
    up_axis,
    whole_camera,
)
from cagecheck.rendering.shading import RAISED_DEGREES, TURNED_DEGREES
from cagecheck.report.fields import (
    FIELDS,
    Field,
    Legend,
    category_colours,
    category_legend,
    ramp_colours,
    ramp_legend,
)
from cagecheck.report.outline import outline, worst_of_triangles
from cagecheck.viewing.cut import CutPlane, plane_through
from cagecheck.viewing.field_values import field_values
from cagecheck.viewing.lit_record import LitRecord
from cagecheck.viewing.result import Result
from cagecheck.words.cage_distance import distance_words
from cagecheck.words.numbers import count_text, decimals, figures

LAYERS = ("low", "high", "cage", "edges", "rays")
# More rays than this in one picture are a thicket.
MOST_RAYS = 400
# A region's number stands this far above it, as a share of the model.
LABEL_LIFT = 0.006
# A cut shows between this many ray lengths (start to depth) across half the picture.
LEAST_CUT_RAYS, MOST_CUT_RAYS = 4.0, 14.0


@dataclass(frozen=True, eq=False)
class RayLines:
    """Rays to draw: from `begin` to `end` (n, 3), what the samples are (n,) uint8 `main`.

    `hit` (n,) bool tells rays that record something from rays that end in nothing.
    """

    begin: Floats
    end: Floats
    main: NDArray[np.uint8]
    hit: NDArray[np.bool_]


@dataclass
class LitChoice:
    """What of the lit model is shown.

    on : it is shown at all; left, right : keys of the sides; line : where the line between them
    stands, a share of the width; turned, raised : degrees of the light beside and above the eye.
    """

    on: bool = False
    left: str = ""
    right: str = ""
    line: float = 0.5
    turned: float = TURNED_DEGREES
    raised: float = RAISED_DEGREES

    @staticmethod
    def of(record: LitRecord | None) -> LitChoice:
        """Return what is shown first."""
        return LitChoice() if record is None else LitChoice(False, *record.first)


class ViewModel:
    """A result and what of it is shown: field, layers, distance, region, cut.

    Parameters
    ----------
    result : Result
        What `read_result` returns.
    """

    def __init__(self, result: Result) -> None:
        self.result = result
        self.field: Field = FIELDS[0]
        self.layers = dict.fromkeys(LAYERS, False) | {"low": True, "rays": True}
        self.factor = 1.0
        self.region: int | None = None
        # None: only where the region's place is hidden by other parts.
        self.only_parts: bool | None = None
        self.cut: CutPlane | None = None
        self.picked: int | None = None
        self.lit = LitChoice.of(result.lit)
        self._outlooks: dict[str | None, Outlooks] = {}
        self._outlook_of: dict[tuple[int, str | None], Outlook] = {}
        self.up = up_axis(result.positions)
        self._recolourer: Recolourer = result.recolourer()
        if self._recolourer.touching:
            self.factor = 0.0
        self._rank = rank_table()
        self.now: Recoloured = self._recolourer.at(self.factor)

    # Lit --------------------------------------------------------------------------------------

    def light_up(self, on: bool = True) -> None:
        """Show the model lit with normal maps, or coloured again.

        Parameters
        ----------
        on : bool, optional
            Lit or not.

        Raises
        ------
        InputError
            The result holds no maps.
        """
        if on and self.result.lit is None:
            raise InputError(
                "this result holds no maps to light the model with.",
                cure="Run cagecheck predict again with --out; the low poly needs UVs.",
            )
        self.lit.on = on

    def move_line(self, share: float) -> None:
        """Move the line between the two sides.

        Parameters
        ----------
        share : float
            Of the picture's width, from 0 to 1.
        """
        self.lit.line = float(np.clip(share, 0.0, 1.0))

    def move_light(self, turned: float, raised: float) -> None:
        """Move the light.

        Parameters
        ----------
        turned, raised : float
            Degrees beside and above the eye.
        """
        self.lit.turned = (float(turned) + 180.0) % 360.0 - 180.0
        self.lit.raised = float(np.clip(raised, -90.0, 90.0))

    # Distance ---------------------------------------------------------------------------------

    @property
    def touching(self) -> bool:
        """True when the cage lies on the low poly, so that `factor` is a distance, not a factor."""
        return self._recolourer.touching

    @property
    def most_factor(self) -> float:
        """The factor up to which the layer table knows what is recorded."""
        reach = float(self.result.document["settings"]["reach"])
        return most_factor(reach, self.result.samples["start"])

    def set_factor(self, factor: float) -> None:
        """Reclassify every sample with the cage at another distance.

        Parameters
        ----------
        factor : float
            Times its distance (a distance in world units where `touching`), up to `most_factor`.
        """
        self.factor = float(np.clip(factor, 0.0, self.most_factor))
        self.now = self._recolourer.at(self.factor)

    @property
    def starts(self) -> Floats:
        """(N,) where rays start at the distance in force, world units."""
        own: Floats = self.result.samples["start"]
        return np.full_like(own, self.factor) if self.touching else own * np.float32(self.factor)

    def cage_corners(self) -> NDArray[np.floating]:
        """Return (T, 3, 3), the cage at the distance in force."""
        view = self.result.view
        corners: NDArray[np.floating] = view["cage_corners"]
        if self.factor == 1 or self.touching:
            return corners
        low = view["low_positions"][view["low_triangles"]]
        return np.asarray(low + np.float32(self.factor) * (corners - low))

    def distance_words(self) -> str:
        """Say the cage's distance in force."""
        document = self.result.document
        return distance_words(
            self.factor, document["cage"], document["settings"].get("offset"), self.touching
        )

    # Colours ----------------------------------------------------------------------------------

    def colours(
        self, triangles: NDArray[np.int32] | None = None
    ) -> tuple[NDArray[np.uint8], Legend]:
        """Return the heat map's colours and what they mean.

        A continuous field gives (K, 3) colours of vertices. Defects give colours of triangles,
        each the worst of its vertices: mixed colours would mean nothing.

        Parameters
        ----------
        triangles : (n, 3) int32, optional
            Vertex numbers of the triangles to colour by defects; all of the heat map by default.

        Returns
        -------
        (K, 3) or (n, 3) uint8, Legend
            SRGB colours, and their legend.
        """
        if self.field.name == "defect":
            if triangles is None:
                triangles = self.result.triangles
            worst = np.empty(len(triangles), np.uint8)
            worst_of_triangles(triangles, self.now.shown, self.now.main, self._rank, worst)
            return category_colours(worst), category_legend(self.now.area)
        values = field_values(self.field, self.result, self.now, self.starts)
        legend = ramp_legend(self.field, values)
        return ramp_colours(values[self.now.shown], legend), legend

    def next_field(self, step: int = 1) -> None:
        """Go to the next colour field, round and round.

        Parameters
        ----------
        step : int, optional
            1 for the next, -1 for the one before.
        """
        self.field = FIELDS[(FIELDS.index(self.field) + step) % len(FIELDS)]

    # Regions ----------------------------------------------------------------------------------

    @property
    def chosen(self) -> dict[str, Any] | None:
        """The chosen region's row of the document."""
        return None if self.region is None else self.result.regions[self.region - 1]

    @cached_property
    def order(self) -> list[int]:
        """Numbers of all regions as terminal and page list them: way by way, entry by entry."""
        rows = self.result.document.get("entries")
        if rows is None:
            return [int(row["number"]) for row in self.result.regions]
        ways = [row["way"] for row in self.result.document.get("ways", ())]
        rows = sorted(
            rows,
            key=lambda row: (
                not row.get("shows", True),
                ways.index(row["way"]) if row.get("shows", True) and row.get("way") in ways else 0,
            ),
        )
        return [int(number) for row in rows for number in row["regions"]]

    @cached_property
    def folded(self) -> set[int]:
        """Numbers of the regions that will not show; none where none would be left."""
        rows = self.result.document.get("entries") or []
        dull = {n for row in rows if not row.get("shows", True) for n in row["regions"]}
        return dull if len(dull) < len(self.result.regions) else set()

    @property
    def listed(self) -> list[dict[str, Any]]:
        """The regions that the list shows: those that will be seen, and the chosen one."""
        regions = self.result.regions
        return [regions[n - 1] for n in self.order if n not in self.folded or n == self.region]

    def choose(self, number: int | None) -> None:
        """Choose a region by number.

        Parameters
        ----------
        number : int | None
            Counts from 1; None for no region.

        Raises
        ------
        InputError
            There is no region of that number.
        """
        count = len(self.result.regions)
        if number is not None and not 1 <= number <= count:
            raise InputError(
                f"there is no region {number}.",
                cure=f"The result has regions 1 to {count_text(count)}."
                if count
                else "It has none.",
            )
        self.region = number

    def step_region(self, step: int) -> None:
        """Choose the next or previous region in the order of the list, round and round.

        Parameters
        ----------
        step : int
            1 for the next, -1 for the one before.
        """
        order = self.order
        if order:
            at = order.index(self.region) if self.region in order else (-1 if step > 0 else 0)
            self.region = order[(at + step) % len(order)]

    def members(self, number: int) -> NDArray[np.int32]:
        """Return the sample numbers of a region (of unseen points for unseen high poly).

        Parameters
        ----------
        number : int
            The region's, from 1.

        Returns
        -------
        (n,) int32
            Numbers from 0.
        """
        first = self.result.view["region_first"]
        out: NDArray[np.int32] = self.result.view["region_sample"][
            first[number - 1] : first[number]
        ]
        return out

    def is_unseen(self, number: int) -> bool:
        """Tell whether a region lies on the high poly instead of the low poly.

        Parameters
        ----------
        number : int
            The region's, from 1.
        """
        return bool(self.result.regions[number - 1]["name"] == Defect.UNSEEN.title)

    def member_positions(self, number: int) -> Floats:
        """Return the places of a region's samples.

        Parameters
        ----------
        number : int
            The region's, from 1.

        Returns
        -------
        (n, 3) float64
            World positions.
        """
        source = (
            self.result.view["unseen_position"]
            if self.is_unseen(number)
            else self.result.samples["origin"]
        )
        return np.asarray(source[self.members(number)], np.float64)

    def member_normals(self, number: int) -> Floats:
        """Return the normals of the low poly at a region's samples.

        Parameters
        ----------
        number : int
            The region's, from 1.

        Returns
        -------
        (n, 3) float64
            Unit.
        """
        normals = self.face_normals
        if not self.is_unseen(number):
            return normals[self.result.samples["triangle"][self.members(number)]]
        # Unseen points carry no triangle here: the nearest low-poly triangle centre stands in.
        nearest = self._centre_tree.query(self.member_positions(number))[1]
        return normals[nearest]

    def region_vertices(self, number: int) -> NDArray[np.bool_]:
        """Return the heat-map vertices that stand for a region's samples.

        Parameters
        ----------
        number : int
            The region's, from 1.

        Returns
        -------
        (K,) bool
            One for each heat-map vertex.
        """
        chosen = np.zeros(len(self.result.positions), bool)
        if not self.is_unseen(number):
            chosen[self.result.view["vertex_of_sample"][self.members(number)]] = True
        return chosen

    def worst(self, most: int) -> list[int]:
        """Return the numbers of the most harmful regions.

        Parameters
        ----------
        most : int
            How many at most.
        """
        return [int(row["number"]) for row in self.result.regions[:most]]

    def seen_from(self, numbers: list[int], eye: tuple[float, float, float]) -> list[int]:
        """Return those of the regions whose label can be seen from a point.

        Parameters
        ----------
        numbers : list[int]
            The regions', from 1.
        eye : tuple[float, float, float]
            The point, world space.
        """
        if not numbers:
            return []
        places = np.array([self.label_place(n) for n in numbers])
        seen = self._outlooks_on(None).seen_from(places, np.array(eye))
        return [n for n, s in zip(numbers, seen, strict=True) if s]

    def label_place(self, number: int) -> Floats:
        """Return where a region's number stands: just above its middle.

        Parameters
        ----------
        number : int
            The region's, from 1.

        Returns
        -------
        (3,) float64
            World position.
        """
        centre = np.array(self.result.regions[number - 1]["centroid"])
        places = self.member_positions(number)
        normal = self.member_normals(number)[int(np.argmin(((places - centre) ** 2).sum(axis=1)))]
        out: Floats = centre + LABEL_LIFT * self.result.diagonal * normal
        return out

    def region_outline(self, number: int) -> NDArray[np.int32]:
        """Return the outline of a region on the heat map.

        Parameters
        ----------
        number : int
            The region's, from 1.

        Returns
        -------
        (E, 2) int32
            Pairs of heat-map vertices round it.
        """
        vertices, triangles = self.region_vertices(number), self.result.triangles
        touched = np.asarray(vertices[triangles].any(axis=1))
        owner = self.result.samples["triangle"][self.result.view["heat_sample"][triangles[:, 0]]]
        return outline(self.result.positions, triangles, touched, owner)

    def parts_shown(self) -> tuple[set[int], set[int]] | None:
        """Return the low and high parts to draw, None for all."""
        region = self.chosen
        if region is None or self.region is None or self.only_parts is False:
            return None
        if self.only_parts is None and not self.outlook(self.region).buried:
            return None
        low, high = self.result.low_parts, self.result.high_parts
        lows = {k for k, name in enumerate(low) if name == region["part"]}
        highs: set[int] = set()
        for row in self.result.document["pairing"]:
            if row["low"] == region["part"]:
                highs |= {high.index(name) for name in row["high"]}
        if region["other_part"] in high:
            highs.add(high.index(region["other_part"]))
        return lows, highs

    # Places -----------------------------------------------------------------------------------

    @cached_property
    def face_normals(self) -> Floats:
        """(T, 3) unit normals of the low poly's triangles (zero without area)."""
        corners = self.result.view["low_positions"][self.result.view["low_triangles"]]
        corners = corners.astype(np.float64)
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.linalg.norm(normal, axis=1, keepdims=True)
        return np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)

    @cached_property
    def _centre_tree(self) -> Any:
        from scipy.spatial import cKDTree

        corners = self.result.view["low_positions"][self.result.view["low_triangles"]]
        return cKDTree(corners.mean(axis=1))

    def outlook(self, number: int) -> Outlook:
        """Return from where a region is seen best among all parts.

        Parameters
        ----------
        number : int
            The region's, from 1.
        """
        return self._outlook(number, None)

    def outlook_alone(self, number: int) -> Outlook:
        """Return from where a region is seen best with nothing but its own part drawn.

        Parameters
        ----------
        number : int
            The region's, from 1.
        """
        return self._outlook(number, self.result.regions[number - 1]["part"])

    def _outlook(self, number: int, part: str | None) -> Outlook:
        key = (number, part)
        if key not in self._outlook_of:
            places, normals = [self.member_positions(number)], [self.member_normals(number)]
            self._outlook_of[key] = self._outlooks_on(part).find(places, normals)[0]
        return self._outlook_of[key]

    def _outlooks_on(self, part: str | None) -> Outlooks:
        if part not in self._outlooks:
            view = self.result.view
            triangles = view["low_triangles"]
            if part is not None:
                triangles = triangles[view["low_part"] == self.result.low_parts.index(part)]
            self._outlooks[part] = Outlooks(view["low_positions"], triangles)
        return self._outlooks[part]

    def region_size(self, number: int) -> float:
        """Return how much of the model a picture of the region shows, world units.

        Parameters
        ----------
        number : int
            The region's, from 1.
        """
        radius = float(self.result.regions[number - 1]["radius"])
        return max(REGION_RADII * radius, LEAST_SHARE * self.result.diagonal)

    def cut_size(self, number: int) -> float:
        """Return how much of the model a cut through the region shows, world units.

        About the region, but never so much or so little that its rays could not be read.

        Parameters
        ----------
        number : int
            The region's, from 1.
        """
        length = self.result.depth
        if not self.is_unseen(number):
            length += float(np.median(np.abs(self.starts[self.members(number)])))
        radius = float(self.result.regions[number - 1]["radius"])
        return float(np.clip(2.5 * radius, LEAST_CUT_RAYS * length, MOST_CUT_RAYS * length))

    def camera(self, aspect: float = 1.0) -> Camera:
        """Return the view of the chosen region, through the cut if there is one; else of all.

        Parameters
        ----------
        aspect : float, optional
            Width by height of the picture's free part; what is to be seen fits into it.
        """
        if self.region is None:
            front = None if self.cut is None else self.cut.normal
            return whole_camera(self.result.positions, self.up, aspect=aspect, front=front)
        centre = self.result.regions[self.region - 1]["centroid"]
        room = 2.0 * max(1.0, 1.0 / aspect)
        if self.cut is not None:
            away = room * self.cut_size(self.region)
            camera = place_camera(self.cut.origin, self.cut.normal, away, self.up)
            return replace(camera, up=self.cut.upward or camera.up)
        outlook = self.outlook(self.region)
        if self.parts_shown() is not None:
            outlook = self.outlook_alone(self.region)
        away = room * self.region_size(self.region)
        return place_camera(centre, outlook.direction, away, self.up)

    # Cut and rays -----------------------------------------------------------------------------

    def cut_here(self) -> CutPlane:
        """Return a plane along the chosen region's rays, or through the middle of the model."""
        if self.region is None:
            low, high = self.result.positions.min(axis=0), self.result.positions.max(axis=0)
            normal = np.array([0.0, 0.0, 1.0]) if self.up == 1 else np.array([0.0, -1.0, 0.0])
            return CutPlane.at((low + high) / 2, normal)
        place = self.member_positions(self.region)
        centre = np.array(self.result.regions[self.region - 1]["centroid"])
        # A ring's directions cancel out, so the one nearest to the middle speaks for all.
        middle = int(np.argmin(np.linalg.norm(place - centre, axis=1)))
        if self.is_unseen(self.region):
            along = self.member_normals(self.region)[middle]
        else:
            along = self.result.samples["direction"][self.members(self.region)[middle]]
        near = np.linalg.norm(place - place[middle], axis=1) <= self.cut_size(self.region)
        place = place[near]
        cut = plane_through(place, centre, along)
        middle_of_all = cut.flatten(place.mean(axis=0)[None])[0]
        return cut.moved_to(middle_of_all)

    def region_rays(self) -> RayLines | None:
        """Return rays of the chosen region, spread over it; None without one."""
        if self.region is None or self.is_unseen(self.region):
            return None
        return self.rays_of(spread(self.members(self.region), MOST_RAYS))

    def cut_rays(self) -> RayLines | None:
        """Return the rays that start near the cut and run near it, moved into it."""
        if self.cut is None:
            return None
        s = self.result.samples
        middle = np.asarray(self.cut.origin)
        size = (
            self.region_size(self.region)
            if self.region is not None
            else self.result.diagonal
        )  # fmt: skip
        near = self.cut.rays_near(
            s["origin"], s["direction"], middle, size, spacing=self._spacing, most=MOST_RAYS
        )
        rays = self.rays_of(near)
        return RayLines(
            self.cut.flatten(rays.begin), self.cut.flatten(rays.end), rays.main, rays.hit
        )

    @cached_property
    def _spacing(self) -> float:
        """Typical distance between samples, world units."""
        area = self.result.samples["area"]
        return float(np.sqrt(area[area > 0].mean())) if np.any(area > 0) else 0.0

    def rays_of(self, samples: NDArray[np.integer]) -> RayLines:
        """Return the rays of samples, from where they start to what they record.

        Parameters
        ----------
        samples : (n,) int
            Numbers of the samples.
        """
        s = self.result.samples
        origin = s["origin"][samples].astype(np.float64)
        direction = s["direction"][samples].astype(np.float64)
        layer = self.now.recorded[samples]
        hit = layer != NO_LAYER
        stop = np.full(len(samples), -self.result.depth)
        stop[hit] = s["layer_t"][layer[hit]]
        start = np.asarray(self.starts[samples], np.float64)
        return RayLines(
            origin + start[:, None] * direction,
            origin + stop[:, None] * direction,
            self.now.main[samples],
            hit,
        )

    # Records ----------------------------------------------------------------------------------

    def sample_at_vertex(self, vertex: int) -> int:
        """Return the sample that a heat-map vertex shows.

        Parameters
        ----------
        vertex : int
            Number of the vertex, from 0.
        """
        return int(self.now.shown[vertex])

    def record(self, sample: int) -> list[tuple[str, str]]:
        """Return what is known of a sample as (name, value with unit) rows for reading.

        Parameters
        ----------
        sample : int
            Number of the sample, from 0.
        """
        s, v = self.result.samples, self.result.view
        triangle = int(s["triangle"][sample])
        tile = int(v["low_tile"][triangle])
        layer = int(self.now.recorded[sample])
        recorded = "nothing"
        if layer != NO_LAYER:
            part = self.result.high_parts[int(v["layer_part"][layer])]
            recorded = f"{figures(float(s['layer_t'][layer]), 5)} on {part}"
        rows = [
            ("sample", f"{count_text(sample)} on face {count_text(int(v['low_face'][triangle]))}"),
            ("part", self.result.low_parts[int(v["low_part"][triangle])]),
            ("tile", str(tile) if tile != NO_TILE else "none"),
            ("defects", ", ".join(self.defects_of(sample)) or "none"),
            ("ray starts at", _units(float(self.starts[sample]))),
            ("records", recorded),
            ("belongs here", _units(float(s["target_distance"][sample]))),
            ("next wrong one", _units(float(s["next_distance"][sample]))),
            ("slant", f"{decimals(float(s['slant_degrees'][sample]), 1)} degrees"),
            ("slide", self._slide_words(sample, layer)),
        ]
        region = self.region_of(sample)
        if region is not None:
            rows += [
                ("region", f"{region['number']}: {region['name']}"),
                ("cause", region["cause"]),
                ("cure", region["cure"]),
            ]
        return rows

    def defects_of(self, sample: int) -> list[str]:
        """Return the names of a sample's defects, the main one first.

        Parameters
        ----------
        sample : int
            Number of the sample, from 0.
        """
        flags, main = int(self.now.flags[sample]), int(self.now.main[sample])
        found = [d for d in Defect if flags & (1 << d)]
        found.sort(key=lambda d: d != main)
        return [d.title for d in found] if main != CLEAN else []

    def region_of(self, sample: int) -> dict[str, Any] | None:
        """Return the most harmful region that holds a sample.

        Parameters
        ----------
        sample : int
            Number of the sample, from 0.

        Returns
        -------
        dict or None
            Its row of the document, None where there is none.
        """
        number = int(self.result.samples["region"][sample])
        return self.result.regions[number - 1] if number > 0 else None

    def _slide_words(self, sample: int, layer: int) -> str:
        if layer == NO_LAYER:
            return "-"
        slant = np.radians(float(self.result.samples["slant_degrees"][sample]))
        slide = abs(float(self.result.samples["layer_t"][layer])) * float(np.sin(slant))
        return _units(slide)


def _units(value: float) -> str:
    return f"{figures(value, 5)} units" if np.isfinite(value) else "none"
