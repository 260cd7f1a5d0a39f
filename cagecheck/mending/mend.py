"""Mending the clashes of a scene, or of several frames of it: the stages in order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.find import Clash, Clashes, find_clashes, split_parts
from cagecheck.errors import InputError
from cagecheck.mending.bodies import Body
from cagecheck.mending.cloth import Cloth, border_places, cloth_of
from cagecheck.mending.frames import Moves, mend_frames
from cagecheck.mending.mend_cloth import Left
from cagecheck.mending.pose import Pose, Start, look_at, side_of, ways_from_rest
from cagecheck.mending.result import MendedFrame, Mending, MovedPart, NotMended
from cagecheck.mending.roles import outer_parts
from cagecheck.mending.settings import FrameWay, MendSettings
from cagecheck.mending.stretch import stretch_of
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.normals import normalised
from cagecheck.options import check_options
from cagecheck.progress import Progress, silent
from cagecheck.words.sentences import names_words

# A gap that is not given is this share of the median edge of what moves: too little to be seen
# from where edges are not (common practice, no source) ...
_GAP_SHARE = 0.05
# ... and at least so many times the depth up to which parts only touch, so that files' rounding
# does not close it.
_GAP_TOUCHING = 20.0

_REASONS = {
    "pinned": "places that lie in {other} are pinned, or joined to parts that stay",
    "entangled": "{part} and {other} stay entangled: nothing tells a way out that faces can take",
    "other part": "moving {part} out would push it through {other}",
    "folds": "moving {part} out would fold it through itself",
    "stays": "neither {part} nor {other} is a part that moves",
}


def mend_clashes(
    frames: Sequence[Sequence[Mesh]],
    settings: MendSettings | None = None,
    *,
    rest: Sequence[Mesh] = (),
    ignore: float | None = None,
    found: Sequence[Clashes] | None = None,
    progress: Progress = silent,
) -> Mending:
    """Move parts out of those that they pass through, by the least smooth displacement.

    Parameters
    ----------
    frames : Sequence[Sequence[Mesh]]
        The scenes, one per frame, each with the same meshes in the same order.
    settings : MendSettings, optional
        Which part moves, the gap that is left, what stays.
    rest : Sequence[Mesh], optional
        Meshes of the rest pose; each stands for the scene's mesh with the same parts and vertices.
    ignore : float, optional
        Depth up to which parts count as touching, as for `find_clashes`.
    found : Sequence[Clashes], optional
        What `find_clashes` returns for every frame with this `ignore`, where it is known already.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Raises
    ------
    InputError
        A part that is named does not exist, frames are not of the same meshes, a rest mesh fits
        none of them, or which part lies outside cannot be told.

    Notes
    -----
    A proposal to look at: what is gone is the clash, not the need to see whether the result is
    what was meant. Nothing moves in a scene without clashes.

    Examples
    --------
    >>> import cagecheck
    >>> coat, body = cagecheck.read_mesh("coat.obj"), cagecheck.read_mesh("body.obj")
    >>> mending = cagecheck.mend_clashes([[coat, body]])
    >>> mending.frames[0].depth_after
    0.0
    """
    settings = check_options(settings or MendSettings())
    scenes = [list(scene) for scene in frames]
    _check_frames(scenes)
    rests = _match_rest(scenes[0], rest)
    if found is None:
        found = [find_clashes(scene, ignore=ignore, progress=progress) for scene in scenes]
    _check_names(scenes[0], settings)
    in_rest = None
    if not settings.outer and rest and any(clashes.passing for clashes in found):
        in_rest = find_clashes([r or m for r, m in zip(rests, scenes[0], strict=True)])
    outer = settings.outer or tuple(outer_parts(found, in_rest))
    before = [clashes.passing for clashes in found]
    work = _Work(scenes, rests, settings, outer, ignore, progress)
    limit = max(clashes.limit for clashes in found)
    gap, gap_reason = work.gap(outer, limit)
    parts: list[list[MovedPart]] = [[] for _ in scenes]
    left: list[list[NotMended]] = [[] for _ in scenes]
    chosen: FrameWay | None = None
    flicker = 0.0
    for number, name in enumerate(outer):
        if number:
            found = [find_clashes(s, ignore=ignore, progress=progress) for s in work.scenes]
        moves = work.mend(name, found, gap, parts, left)
        if moves is not None:
            chosen, flicker = moves.way or chosen, max(flicker, moves.flicker)
    out = []
    for k, scene in enumerate(work.scenes):
        moved = np.array([m is not o for m, o in zip(scene, frames[k], strict=True)])
        after = find_clashes(scene, ignore=ignore).passing if moved.any() else before[k]
        if new := _pairs(after) - _pairs(before[k]):
            left[k] += _undo(scene, frames[k], parts[k], new)
            after, moved = before[k], np.zeros(len(scene), bool)
        told = (*left[k], *_told_of_others(after, outer, settings, left[k]))
        out.append(MendedFrame(tuple(scene), moved, before[k], after, tuple(parts[k]), told))
    return Mending(tuple(out), outer, gap, gap_reason, chosen, flicker, ignore)


def _pairs(clashes: Sequence[Clash]) -> set[tuple[str, str]]:
    return {(min(c.part, c.other), max(c.part, c.other)) for c in clashes}


def _undo(
    scene: list[Mesh],
    original: Sequence[Mesh],
    parts: list[MovedPart],
    pairs: set[tuple[str, str]],
) -> list[NotMended]:
    """Put a frame back as it was: parts clash in it that did not before."""
    scene[:] = original
    told = []
    for k, part in enumerate(parts):
        still = replace(part, after=part.before, stretch=np.zeros_like(part.stretch))
        parts[k] = replace(still, gap_left=None)
        for one, other in sorted(pairs):
            if part.cloth.name in (one, other):
                beside = other if part.cloth.name == one else one
                reason = _REASONS["other part"].format(part=part.cloth.name, other=beside)
                point = part.before.mean(axis=0)
                told.append(NotMended(part.cloth.name, beside, "other part", reason, point))
    return told


@dataclass(eq=False)
class _Work:
    """The scenes as they are so far."""

    scenes: list[list[Mesh]]
    rests: list[Mesh | None]
    settings: MendSettings
    outer: tuple[str, ...]
    ignore: float | None
    progress: Progress

    def gap(self, outer: Sequence[str], limit: float) -> tuple[float, str]:
        if self.settings.gap is not None:
            return self.settings.gap, "as given"
        least = _GAP_TOUCHING * limit
        edges = [self._cloth(name).edge_length for name in outer]
        share = _GAP_SHARE * min(edges, default=0.0)
        if share > least:
            return share, "a twentieth of the median edge of what moves"
        return least, "twenty times the depth up to which parts only touch"

    def _cloth(self, name: str) -> Cloth:
        mesh = next(k for k, m in enumerate(self.scenes[0]) if name in m.part_names)
        poses = [scene[mesh] for scene in self.scenes]
        cloth = cloth_of(poses, mesh, name, self.rests[mesh])
        return replace(cloth, fixed=self._fixed(cloth))

    def _fixed(self, cloth: Cloth) -> NDArray[np.bool_]:
        """Return (P,) the places that stay: shared with other parts, at pinned ones, at borders."""
        own = self.scenes[0][cloth.mesh]
        number = own.part_names.index(cloth.name)
        others = np.zeros(own.vertex_count, bool)
        others[own.corner_vertex[own.face_part[own.corner_face] != number]] = True
        held = others[cloth.vertices]
        for pin in self.settings.pin:
            for mesh in self.scenes[0]:
                if pin in mesh.part_names:
                    of_pin = mesh.face_part[mesh.corner_face] == mesh.part_names.index(pin)
                    points = mesh.positions[np.unique(mesh.corner_vertex[of_pin])]
                    known = {tuple(p) for p in points.tolist()}
                    places = own.positions[cloth.vertices].tolist()
                    held |= np.array([tuple(p) in known for p in places], bool)
        fixed = np.zeros(len(cloth.first), bool)
        fixed[cloth.place[held]] = True
        if self.settings.pin_borders:
            fixed |= border_places(cloth.triangles, len(fixed))
        return fixed

    def mend(
        self,
        name: str,
        found: Sequence[Clashes],
        gap: float,
        parts: list[list[MovedPart]],
        left: list[list[NotMended]],
    ) -> Moves | None:
        """Mend one part in all frames, and put what came of it into the scenes."""
        cloth = self._cloth(name)
        names = frozenset(n for clashes in found for n in self._inner_of(cloth, clashes))
        poses = [
            self._pose(cloth, scene, clashes, names)
            for scene, clashes in zip(self.scenes, found, strict=True)
        ]
        moves = None
        if names:
            wanted = [self._ways(cloth, pose) for pose in poses]
            many = len(poses) > 1
            starts = [
                look_at(cloth, pose, gap, clashes, ways, every=many)
                for pose, clashes, ways in zip(poses, found, wanted, strict=True)
            ]
            moves = mend_frames(
                cloth, starts, gap, self.settings.blend, self.settings.over_time, self.progress
            )
            for k, lefts in enumerate(moves.left):
                left[k] += [_not_mended(one, cloth, poses[k].positions) for one in lefts]
        for k, pose in enumerate(poses):
            by = np.zeros_like(pose.positions) if moves is None else moves.moves[k]
            mesh = self.scenes[k][cloth.mesh]
            if (by != 0).any():
                self.scenes[k][cloth.mesh] = mesh.with_positions(cloth.moved(mesh, by))
            after = pose.positions + by
            stretch = stretch_of(cloth.triangles, pose.positions, after)
            gap_left = None if moves is None else _gap_left(starts[k], after)
            parts[k].append(MovedPart(cloth, pose.positions, after, stretch, gap_left))
        return moves

    def later(self, name: str) -> tuple[str, ...]:
        """Return the parts that are mended after this one."""
        return tuple(self.outer[self.outer.index(name) + 1 :])

    def _inner_of(self, cloth: Cloth, clashes: Clashes) -> frozenset[str]:
        """Return the parts that the cloth passes through and is to be moved out of."""
        out = set()
        me = (cloth.mesh, cloth.name)
        later = self.later(cloth.name)
        for hit in clashes.passing:
            ends = [(hit.mesh, hit.part), (hit.other_mesh, hit.other)]
            if me in ends:
                other = ends[1 - ends.index(me)][1]
                if other not in later and other in (self.settings.inner or (other,)):
                    out.add(other)
        return frozenset(out)

    def _pose(
        self, cloth: Cloth, scene: Sequence[Mesh], clashes: Clashes, inner: frozenset[str]
    ) -> Pose:
        positions = cloth.places_of(scene[cloth.mesh])
        # What lies farther out is mended after this one, so it is no hindrance now.
        free = {cloth.name, *self.later(cloth.name)}
        others = tuple(part for part in clashes.parts if part.name not in free)
        bodies = []
        for part in others:
            if part.name in inner:
                body = Body(part, clashes.frame)
                if not part.is_closed:
                    body = replace(body, side=self._side(cloth, positions, body))
                bodies.append(body)
        turn = _turns(cloth, positions) if len(self.scenes) > 1 else None
        return Pose(positions, clashes.frame, tuple(bodies), others, clashes.limit, turn)

    def _side(self, cloth: Cloth, positions: Floats, body: Body) -> int:
        at_rest = self._body_at_rest(body)
        if at_rest is None or self.rests[cloth.mesh] is None:
            return side_of(cloth, positions, body)
        return side_of(cloth, cloth.rest, at_rest)

    def _body_at_rest(self, body: Body) -> Body | None:
        solid = body.solid
        rest = self.rests[solid.mesh]
        if rest is None:
            return None
        posed = self.scenes[0][solid.mesh]
        same = Mesh(
            rest.positions, posed.face_start, posed.corner_vertex, posed.face_part,
            posed.part_names,
        )  # fmt: skip
        parts, frame = split_parts([same])
        part = next(p for p in parts if p.name == solid.name)
        return Body(replace(part, mesh=solid.mesh), frame, body.side)

    def _ways(self, cloth: Cloth, pose: Pose) -> dict[str, Floats] | None:
        """Return per body the way out of every place, from the rest pose; None without one."""
        if self.rests[cloth.mesh] is None:
            return None
        out = {}
        for body in pose.bodies:
            at_rest = self._body_at_rest(body)
            if at_rest is not None and body.solid.is_closed:
                out[body.name] = ways_from_rest(cloth.rest, at_rest, body)
        return out


def _turns(cloth: Cloth, positions: Floats) -> NDArray[np.float64]:
    """Return (P, 3, 3) from directions at the places of the rest pose to those of this one."""
    here, rest = (_tangent_frames(cloth, x) for x in (positions, cloth.rest))
    return np.einsum("pij,pkj->pik", here, rest)


def _tangent_frames(cloth: Cloth, positions: Floats) -> NDArray[np.float64]:
    """Return (P, 3, 3) orthonormal columns: along an edge, across it, and the normal."""
    normal = cloth.normals(positions)
    partner = np.zeros(len(positions), np.int64)
    begin, end = cloth.edges.T
    partner[end], partner[begin] = begin, end
    along = positions[partner] - positions
    along = normalised(along - np.einsum("ij,ij->i", along, normal)[:, None] * normal)
    flat = (np.linalg.norm(along, axis=1) < 0.5) | (np.linalg.norm(normal, axis=1) < 0.5)
    frames = np.stack([along, np.cross(normal, along), normal], axis=2)
    frames[flat] = np.eye(3)
    return frames


def _gap_left(start: Start, after: Floats) -> float | None:
    """Return the least height, over their bodies, of places that had clashed; None without any."""
    heights = []
    for contact in start.contacts:
        rows = contact.clashing
        if rows.any():
            feet = contact.body.feet(after[rows], contact.wanted[rows])
            heights.append(float(feet.height.min()))
    finite = [h for h in heights if np.isfinite(h)]
    return min(finite, default=None)


def _not_mended(left: Left, cloth: Cloth, positions: Floats) -> NotMended:
    reason = _REASONS[left.reason].format(part=cloth.name, other=left.part)
    point = positions[left.places].mean(axis=0)
    return NotMended(cloth.name, left.part, left.reason, reason, point)


def _told_of_others(
    after: Sequence[Clash],
    outer: Sequence[str],
    settings: MendSettings,
    told: Sequence[NotMended],
) -> list[NotMended]:
    """Return what is left between parts that do not move out of each other."""
    out = []
    known = {one.part for one in told}
    for hit in after:
        if known & {hit.part, hit.other}:
            continue
        code = "entangled" if {hit.part, hit.other} & set(outer) else "stays"
        if settings.inner and not {hit.part, hit.other} & set(settings.inner):
            code = "stays"
        mover, other = (hit.part, hit.other) if hit.part in outer else (hit.other, hit.part)
        out.append(
            NotMended(mover, other, code, _REASONS[code].format(part=mover, other=other), hit.point)
        )
    return out


def _check_frames(scenes: Sequence[Sequence[Mesh]]) -> None:
    if not scenes:
        raise InputError("there is no frame to mend.")
    first = scenes[0]
    names = [name for mesh in first for name in mesh.part_names]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(
            f"several meshes have a part named {names_words(twice)}, "
            "so names do not say which moves.",
            cure="Name the parts differently.",
        )
    for number, scene in enumerate(scenes[1:], start=2):
        for one, other in zip(first, scene, strict=False):
            if not _is_same_mesh(one, other):
                raise InputError(
                    f"frame {number} is not the same mesh as the first frame: its vertices, faces "
                    "or parts differ.",
                    file=other.label,
                    cure="Export all frames from one mesh.",
                )
        if len(scene) != len(first):
            raise InputError(f"frame {number} has another number of meshes than the first frame.")


def _is_same_mesh(one: Mesh, other: Mesh) -> bool:
    """Whether two meshes differ in positions alone: vertices, faces and parts are the same."""
    return (
        one.vertex_count == other.vertex_count
        and one.part_names == other.part_names
        and np.array_equal(one.corner_vertex, other.corner_vertex)
    )


def _match_rest(scene: Sequence[Mesh], rest: Sequence[Mesh]) -> list[Mesh | None]:
    out: list[Mesh | None] = [None] * len(scene)
    for mesh in rest:
        fits = [k for k, own in enumerate(scene) if _is_same_mesh(own, mesh)]
        if not fits:
            raise InputError(
                "this rest pose fits no mesh of the frames: its vertices, faces or parts differ.",
                file=mesh.label,
                cure="Export it from the same mesh as the frames.",
            )
        for k in fits:
            out[k] = mesh
    return out


def _check_names(scene: Sequence[Mesh], settings: MendSettings) -> None:
    names = [name for mesh in scene for name in mesh.part_names]
    for what, asked in (
        ("outer", settings.outer),
        ("inner", settings.inner),
        ("pin", settings.pin),
    ):
        for name in asked:
            if name not in names:
                raise InputError(
                    f"there is no part named {name} (asked for with `{what}`).",
                    cure=f"There are {names_words(names)}.",
                )
    both = sorted(set(settings.outer) & set(settings.pin))
    if both:
        raise InputError(f"{names_words(both)} cannot both move and stay (`outer` and `pin`).")
