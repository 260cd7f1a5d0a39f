"""Parts that pass through each other: where, and how deep.

Two parts clash where their triangles meet and one reaches into the other deeper than a limit;
touching is no clash. A place is a connected patch of both parts' triangles that cross or lie
inside. Depth is the distance from the deepest point of one part inside the other to that other's
surface. It needs a closed part to be inside of; between two open sheets the depth is estimated
from the pieces that the crossing cuts off, and said to be.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from cagecheck.arrays.components import connected
from cagecheck.arrays.rows import rows_by_label
from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.crossings import Crossings, find_crossings
from cagecheck.chores.clash.deepest import Deepest, deepest_points, in_four
from cagecheck.chores.clash.places import Patch, Places, components, find_places, merged
from cagecheck.chores.clash.sheets import sheet_depths
from cagecheck.chores.clash.sides import Sides, corner_sides, triangle_sides
from cagecheck.chores.clash.solids import Solid, crossing_segments, straddling
from cagecheck.errors import InputError
from cagecheck.meshes.mesh import Mesh, scale_of
from cagecheck.meshes.normals import equal_positions
from cagecheck.meshes.triangulate import triangulate
from cagecheck.progress import Progress, silent

Kind = Literal["through", "inside", "sheets"]

# Below this share of the scene's diagonal surfaces count as touching: float32 coordinates, as
# most files hold them, are no finer at the scene's far end.
TOUCHING = 1e-6
# Ends of crossing segments nearer than this share of the diagonal are the same.
_SAME_END = 1e-9
# A triangle with several holes is cut in four this often to tell their depths apart.
_HOLE_CUTS = 4
_NONE = np.zeros(0, np.int64)


@dataclass(frozen=True, eq=False)
class Frame:
    """Where the parts' own coordinates are in the file's: file = own * size + origin."""

    origin: Floats
    size: float


@dataclass(frozen=True, eq=False)
class Clash:
    """One place where two parts clash.

    Attributes
    ----------
    part, other : str
        Names. The deepest point is of `part` and lies in `other`.
    mesh, other_mesh : int
        Numbers of the meshes they are from, in the order given.
    kind : Kind
        ``through`` (surfaces cross), ``inside`` (wholly inside, surfaces do not cross) or
        ``sheets`` (open sheets cross).
    depth : float | None
        Distance from the deepest point to the surface of `other`, units of the file. None between
        sheets where the crossing cuts nothing off.
    tolerance : float | None
        How much deeper a point may be that was not looked at; None for an estimate.
    point : (3,) float64
        World position of the deepest point.
    face, other_face : int
        Polygons (of the meshes) that the point lies on, and nearest to it.
    length : float
        Length of the line in which the surfaces cross.
    faces : int
        Polygons of both parts that cross or lie inside.
    """

    part: str
    other: str
    mesh: int
    other_mesh: int
    kind: Kind
    depth: float | None
    tolerance: float | None
    point: Floats
    face: int
    other_face: int
    length: float
    faces: int

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return dict(vars(self)) | {"point": [float(x) for x in self.point]}


@dataclass(frozen=True, eq=False)
class Clashes:
    """The clashes of one scene, deepest first, and the parts that were looked at.

    Attributes
    ----------
    found : tuple[Clash, ...]
        The deepest first.
    parts : tuple[Solid, ...]
        The parts that were looked at.
    frame : Frame
        Where and how large the parts' own coordinates are.
    limit : float
        The depth up to which parts only touch.
    pairs : int
        Number of pairs of parts near enough to be looked at.
    open_parts : tuple[str, ...]
        Names of parts that have no inside.
    involved : tuple of (T,) bool
        The triangles of every part that meet or lie inside another part at a clash.
    sides : mapping of (int, int) to (T,) int8
        For parts that clash, by their numbers: 1 for the triangles of the first that lie inside the
        second, 0 for those outside, -1 for those that meet it (for all, if the second is open).
    metres_per_unit : float | None
        How long a unit of all lengths is, None where the files do not say, or not the same.
    """

    found: tuple[Clash, ...]
    parts: tuple[Solid, ...]
    frame: Frame
    limit: float
    pairs: int
    open_parts: tuple[str, ...]
    involved: tuple[NDArray[np.bool_], ...]
    sides: Mapping[tuple[int, int], NDArray[np.int8]]
    metres_per_unit: float | None = None

    def __repr__(self) -> str:
        return f"<Clashes: {len(self.found)} among {len(self.parts)} parts>"

    @property
    def passing(self) -> tuple[Clash, ...]:
        """The clashes where surfaces cross; what lies wholly inside may be meant."""
        return tuple(clash for clash in self.found if clash.kind != "inside")

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "clashes": [clash.to_dict() for clash in self.found],
            "parts": len(self.parts),
            "pairs": self.pairs,
            "open_parts": list(self.open_parts),
            "touching_up_to": self.limit,
        }


def find_clashes(
    meshes: Sequence[Mesh],
    *,
    ignore: float | None = None,
    pieces: bool = False,
    progress: Progress = silent,
) -> Clashes:
    """Find where parts of one or several meshes in one space pass through each other.

    Parameters
    ----------
    meshes : Sequence[Mesh]
        The meshes, two parts at least among them.
    ignore : float, optional
        Depth up to which parts count as touching, file units; `TOUCHING` of the scene's diagonal
        by default.
    pieces : bool, optional
        Take every connected piece of a part as a part of its own.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Raises
    ------
    InputError
        There are fewer than two parts, or `ignore` is negative.

    Notes
    -----
    What lies inside a part is told by its winding number, and which triangles meet by signs of
    determinants; both exactly.
    """
    if ignore is not None and not ignore >= 0:
        raise InputError("`ignore` must be zero or more.")
    parts, frame = split_parts(meshes, pieces)
    if len(parts) < 2:
        raise InputError(
            "there is only one part, and a part is not checked against itself.",
            cure="Pass `pieces` to check its connected pieces, or several meshes with `together`.",
        )
    margin = TOUCHING
    limit = max(margin, (ignore or 0.0) / frame.size)
    low = np.array([part.box[0] for part in parts])
    high = np.array([part.box[1] for part in parts])
    near = np.all((low[:, None] <= high[None]) & (low[None] <= high[:, None]), axis=2)
    pairs = np.argwhere(np.triu(near, 1))
    found: list[Clash] = []
    sides: dict[tuple[int, int], Sides] = {}
    involved = [np.zeros(len(part.triangles), bool) for part in parts]
    for k, (a, b) in enumerate(pairs.tolist()):
        progress("comparing parts", k, len(pairs))
        compared = _compare(parts[a], parts[b], limit, margin)
        found += [_in_file_units(clash, frame) for clash in compared.found]
        involved[a][compared.mine], involved[b][compared.theirs] = True, True
        if compared.found:
            sides[a, b], sides[b, a] = compared.sides
    progress("comparing parts", len(pairs), len(pairs))
    found.sort(key=lambda c: (c.kind == "inside", -(c.depth or 0.0), c.part, c.other, c.face))
    return Clashes(
        tuple(found),
        tuple(parts),
        frame,
        limit * frame.size,
        len(pairs),
        tuple(part.name for part in parts if not part.is_closed),
        tuple(involved),
        sides,
        _common_scale(meshes),
    )


def _common_scale(meshes: Sequence[Mesh]) -> float | None:
    """Return how many metres a unit is, None where files do not say, or not the same."""
    scales = {scale_of(mesh.source) for mesh in meshes}
    return scales.pop() if len(scales) == 1 else None


def split_parts(meshes: Sequence[Mesh], pieces: bool = False) -> tuple[list[Solid], Frame]:
    """Return the parts of all meshes in a common frame of size 1 about the origin, and the frame.

    Libraries of geometry hold absolute tolerances; in this frame they are harmless.
    """
    cuts = [triangulate(mesh) for mesh in meshes]
    corners = [
        mesh.corner_vertex[cut.corners].astype(np.int64)
        for mesh, cut in zip(meshes, cuts, strict=True)
    ]
    used = [mesh.positions[_local(own)[0]] for mesh, own in zip(meshes, corners, strict=True)]
    frame = _frame(np.concatenate(used) if used else np.zeros((0, 3)))
    out = []
    for number, (mesh, cut, triangles) in enumerate(zip(meshes, cuts, corners, strict=True)):
        label = mesh.face_part[cut.face].astype(np.int64)
        names = list(mesh.part_names)
        if pieces:
            label, names = _pieces(mesh, triangles, label)
        members = rows_by_label(label, len(names))
        for part, (name, mine) in enumerate(zip(names, members, strict=True)):
            if len(mine) == 0:
                continue
            vertices, local = _local(triangles[mine])
            positions = (mesh.positions[vertices] - frame.origin) / frame.size
            out.append(Solid(positions, local, number, part, cut.face[mine], name))
    return out, frame


def _local(triangles: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the vertices (V,) of triangles (T, 3), ascending, and the triangles in their numbers.

    A part's vertices mostly follow one another in the mesh, so no sort is needed.
    """
    if len(triangles) == 0:
        return np.zeros(0, np.int64), triangles
    least = int(triangles.min())
    used = np.zeros(int(triangles.max()) - least + 1, bool)
    used[triangles - least] = True
    return np.flatnonzero(used) + least, (np.cumsum(used) - 1)[triangles - least]


def _frame(points: Floats) -> Frame:
    if len(points) == 0:
        return Frame(np.zeros(3), 1.0)
    low, high = points.min(axis=0), points.max(axis=0)
    return Frame((low + high) / 2, float(np.linalg.norm(high - low)) or 1.0)


def _pieces(
    mesh: Mesh, triangles: NDArray[np.int64], part: NDArray[np.int64]
) -> tuple[NDArray[np.int64], list[str]]:
    """Number the connected pieces of all parts; name them after their part, counted from 1."""
    place = equal_positions(mesh.positions)
    # One node per part and position, so that parts that meet in a seam stay apart.
    node = part[:, None] * (int(place.max(initial=0)) + 1) + place[triangles]
    _, node = np.unique(node, return_inverse=True)
    node = node.reshape(-1, 3)
    label = components(node[:, [0, 1]], node[:, [1, 2]], int(node.max(initial=-1)) + 1)
    _, first, piece = np.unique(label[node[:, 0]], return_index=True, return_inverse=True)
    owner = part[first]
    counts = np.bincount(owner, minlength=len(mesh.part_names))
    seen = dict.fromkeys(range(len(mesh.part_names)), 0)
    names = []
    for index in owner.tolist():
        seen[index] += 1
        name = mesh.part_names[index]
        names.append(f"{name} piece {seen[index]}" if counts[index] > 1 else name)
    return piece.ravel().astype(np.int64), names


@dataclass(frozen=True, eq=False)
class _Compared:
    """The clashes of two parts, the triangles of both that belong to them, and their sides."""

    found: list[Clash]
    mine: NDArray[np.int64]
    theirs: NDArray[np.int64]
    sides: tuple[Sides, Sides]


def _compare(one: Solid, other: Solid, limit: float, margin: float) -> _Compared:
    """Return the places where two parts clash, and the triangles of both that belong to them."""
    crossings = find_crossings(one, other, margin)
    sides = (
        triangle_sides(one, other, crossings.pairs[:, 0]),
        triangle_sides(other, one, crossings.pairs[:, 1]),
    )
    is_sheets = not one.is_closed and not other.is_closed
    if is_sheets:  # without an inside, only a true crossing tells a clash from a seam
        crossings = crossings.only_crossing()
    depth_one = _corner_depths(one, other, sides[0], margin)
    depth_other = _corner_depths(other, one, sides[1], margin)
    places = find_places(
        one, other, crossings.pairs, depth_one > limit, depth_other > limit,
        crossings.joined,
    )  # fmt: skip
    if places.count == 0:
        return _Compared([], places.one.triangle, places.other.triangle, sides)
    comes_out = (
        (_lengths(crossings, places) > margin)
        | _straddled(depth_one, places.one, places.count, margin)
        | _straddled(depth_other, places.other, places.count, margin)
    )
    places, comes_out = _joined_inside(one, other, places, comes_out, limit)
    meeting = _Meeting(
        one,
        other,
        crossings,
        places,
        sides,
        comes_out,
        _lengths(crossings, places),
        _face_counts(one, places.one, places.count)
        + _face_counts(other, places.other, places.count),
    )
    find = _sheet_clashes if is_sheets else _solid_clashes
    found = find(meeting, limit, margin)
    kept = [place for place, _ in found]
    return _Compared(
        [clash for _, clash in found],
        places.one.triangle[np.isin(places.one.place, kept)],
        places.other.triangle[np.isin(places.other.place, kept)],
        sides,
    )


@dataclass(frozen=True, eq=False)
class _Meeting:
    """What is known of two parts before depths.

    Attributes
    ----------
    sides : (T,) int8 of either part, see `sides.triangle_sides`.
    comes_out : (G,) bool, whether surfaces cross at a place, rather than touch or do not meet.
    length : (G,) float64, of its lines of crossing.
    faces : (G,) int64, how many polygons of both parts belong to it.
    """

    one: Solid
    other: Solid
    crossings: Crossings
    places: Places
    sides: tuple[Sides, Sides]
    comes_out: NDArray[np.bool_]
    length: Floats
    faces: NDArray[np.int64]


def _corner_depths(solid: Solid, into: Solid, sides: Sides, margin: float) -> Floats:
    """Return (T, 3): how deep triangle corners lie in the other part, negative outside.

    Beyond the part's box, and where it is open, -inf and 0.
    """
    if not into.is_closed:
        return np.zeros(solid.triangles.shape)
    depth = np.full(len(solid.positions), -np.inf)
    low, high = into.box
    low, high = low - margin, high + margin
    near = np.flatnonzero(np.all((solid.positions >= low) & (solid.positions <= high), axis=1))
    depth[near] = into.depth(solid.positions[near], corner_sides(solid, sides)[near])[0]
    return depth[solid.triangles]


def _straddled(depth: Floats, patch: Patch, count: int, margin: float) -> NDArray[np.bool_]:
    """Return (count,): has any triangle of a place corners beyond the margin on both sides?"""
    corner = depth[patch.triangle]
    both = (corner.max(axis=1) > margin) & (corner.min(axis=1) < -margin)
    return np.bincount(patch.place[both], minlength=count) > 0


def _joined_inside(
    one: Solid, other: Solid, places: Places, comes_out: NDArray[np.bool_], limit: float
) -> tuple[Places, NDArray[np.bool_]]:
    """Join places of one piece inside the other part that touches its surface here and there.

    Two such places are of one piece when an edge inside the part has triangles of both.
    """
    first, second = [_NONE], [_NONE]
    for solid, into, patch in ((one, other, places.one), (other, one, places.other)):
        if not into.is_closed:
            continue
        stays = ~comes_out[patch.place]
        edge = solid.edges.edge.reshape(-1, 3)[patch.triangle[stays]].ravel()
        half = (3 * patch.triangle[stays][:, None] + np.arange(3)).ravel()
        place = np.repeat(patch.place[stays], 3)
        order = np.lexsort((place, edge))
        edge, half, place = edge[order], half[order], place[order]
        same = np.flatnonzero((edge[1:] == edge[:-1]) & (place[1:] != place[:-1]))
        ends = (
            solid.triangles.ravel()[half[same]],
            np.roll(solid.triangles, -1, 1).ravel()[half[same]],
        )
        same = same[into.depth(solid.positions[np.stack(ends)].mean(axis=0))[0] > limit]
        first.append(place[same])
        second.append(place[same + 1])
    group = connected(places.count, np.concatenate(first), np.concatenate(second))[1]
    out = np.zeros(int(group.max()) + 1, bool)
    out[group[comes_out]] = True
    return merged(places, group.astype(np.int64)), out


def _lengths(crossings: Crossings, places: Places) -> Floats:
    """Return the length of crossing per place; a line along an edge of two triangles counts once.

    Ends are compared on a grid far coarser than rounding and far finer than any triangle.
    """
    segments, place, count = crossings.line, places.of_pair[crossings.line_pair], places.count
    ends = np.round(segments / _SAME_END).astype(np.int64)
    swap = (ends[:, 0] != ends[:, 1]).argmax(axis=1)
    row = np.arange(len(ends))
    backwards = ends[row, 0, swap] > ends[row, 1, swap]
    ends[backwards] = ends[backwards, ::-1]
    key = np.concatenate([place[:, None], ends.reshape(-1, 6)], axis=1)
    _, first = np.unique(key, axis=0, return_index=True)
    lengths = np.linalg.norm(segments[first, 1] - segments[first, 0], axis=1)
    return np.bincount(place[first], lengths, minlength=count).astype(np.float64)


def _solid_clashes(meeting: _Meeting, limit: float, margin: float) -> list[tuple[int, Clash]]:
    """Places where at least one of the parts is closed: the deepest point inside it.

    What touches the other's surface from inside, and does not come out, lies inside.
    """
    places = meeting.places
    ways = [
        (solid, into, _deepest(solid, patch, into, sides, meeting, limit))
        for solid, into, patch, sides in (
            (meeting.one, meeting.other, places.one, meeting.sides[0]),
            (meeting.other, meeting.one, places.other, meeting.sides[1]),
        )
        if into.is_closed
    ]
    out = []
    for place in range(places.count):
        solid, into, best = max(ways, key=lambda way: way[2].depth[place])
        if best.depth[place] <= limit:
            continue
        clash = Clash(
            part=solid.name,
            other=into.name,
            mesh=solid.mesh,
            other_mesh=into.mesh,
            kind="through" if meeting.comes_out[place] else "inside",
            depth=float(best.depth[place]),
            tolerance=float(best.tolerance[place]),
            point=best.point[place],
            face=int(solid.face[best.triangle[place]]),
            other_face=int(into.face[best.nearest[place]]),
            length=float(meeting.length[place]),
            faces=int(meeting.faces[place]),
        )
        out.append((place, clash))
    return out


def _deepest(
    solid: Solid, patch: Patch, into: Solid, sides: Sides, meeting: _Meeting, limit: float
) -> Deepest:
    """Find the deepest point of every place on one part, inside the other."""
    corners = solid.positions[solid.triangles[patch.triangle]]
    owner, group = patch.triangle, patch.place
    times = np.bincount(patch.triangle, minlength=len(solid.triangles))[patch.triangle]
    if (times > 1).any():
        # A triangle with several holes: cut finely, each piece goes with the nearest crossing.
        shared = np.flatnonzero(times > 1)
        shared = shared[np.unique(owner[shared], return_index=True)[1]]
        pieces = corners[shared]
        for _ in range(_HOLE_CUTS):
            pieces = in_four(pieces)
        segments = crossing_segments(meeting.one, meeting.other, meeting.crossings.pairs)
        middles = segments.mean(axis=1)
        _, nearest = cKDTree(middles).query(pieces.mean(axis=1))
        single = times == 1
        corners = np.concatenate([corners[single], pieces])
        group = np.concatenate([group[single], meeting.places.of_pair[nearest]])
        owner = np.concatenate([owner[single], np.repeat(owner[shared], 4**_HOLE_CUTS)])
    best = deepest_points(corners, group, meeting.places.count, into, limit, sides[owner])
    triangle = owner[best.triangle] if len(owner) else best.triangle
    return replace(best, triangle=triangle)


def _sheet_clashes(meeting: _Meeting, limit: float, margin: float) -> list[tuple[int, Clash]]:
    """Two open sheets: a place needs a line of crossing, its depth is an estimate or unknown."""
    one, other, crossings = meeting.one, meeting.other, meeting.crossings
    place_of_line = meeting.places.of_pair[crossings.line_pair]
    length_of_line = np.linalg.norm(crossings.line[:, 1] - crossings.line[:, 0], axis=1)
    count = meeting.places.count
    depths = sheet_depths(one, other, crossings.pairs, meeting.places.of_pair, count, margin)
    # Where nothing is cut off, only what the triangles themselves reach says what may be ignored.
    reaches = straddling(one, other, crossings.pairs, limit) | (limit <= margin)
    reaching = np.bincount(meeting.places.of_pair[reaches], minlength=count) > 0
    out = []
    for place in np.flatnonzero(meeting.length > margin).tolist():
        # Where only the middle of a face reaches through, its corners tell no depth.
        known = bool(depths.known[place] and depths.depth[place] > margin)
        if depths.depth[place] <= limit if known else not reaching[place]:
            continue
        here = np.flatnonzero(place_of_line == place)
        longest = here[length_of_line[here].argmax()]
        part, into = one, other
        triangle, nearest = crossings.pairs[crossings.line_pair[longest]]
        if known:
            part, into = (one, other) if depths.side[place] == 0 else (other, one)
            triangle, nearest = depths.triangle[place], depths.nearest[place]
        clash = Clash(
            part=part.name,
            other=into.name,
            mesh=part.mesh,
            other_mesh=into.mesh,
            kind="sheets",
            depth=float(depths.depth[place]) if known else None,
            tolerance=None,
            point=depths.point[place] if known else crossings.line[longest].mean(axis=0),
            face=int(part.face[triangle]),
            other_face=int(into.face[nearest]),
            length=float(meeting.length[place]),
            faces=int(meeting.faces[place]),
        )
        out.append((place, clash))
    return out


def _face_counts(solid: Solid, patch: Patch, count: int) -> NDArray[np.int64]:
    """Return how many polygons of a part belong to each place."""
    pairs = np.unique(np.stack([patch.place, solid.face[patch.triangle]], axis=1), axis=0)
    return np.bincount(pairs[:, 0], minlength=count).astype(np.int64)


def _in_file_units(clash: Clash, frame: Frame) -> Clash:
    return replace(
        clash,
        depth=None if clash.depth is None else clash.depth * frame.size,
        tolerance=None if clash.tolerance is None else clash.tolerance * frame.size,
        point=clash.point * frame.size + frame.origin,
        length=clash.length * frame.size,
    )
