"""What mending gives back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.find import Clash
from cagecheck.mending.cloth import Cloth
from cagecheck.mending.settings import FrameWay
from cagecheck.meshes.mesh import Mesh


@dataclass(frozen=True, eq=False)
class NotMended:
    """A place that was left as it was.

    Attributes
    ----------
    part, other : str
        What should have moved, and what it clashes with or would have run into.
    code : str
        ``pinned``, ``entangled``, ``other part``, ``folds`` or ``stays`` (neither part moves).
    reason : str
        The same in a sentence.
    point : (3,) float64
        World position of the middle of the place.
    """

    part: str
    other: str
    code: str
    reason: str
    point: Floats

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return dict(vars(self)) | {"point": [float(x) for x in self.point]}


@dataclass(frozen=True, eq=False)
class MovedPart:
    """One part that moved in one frame.

    Attributes
    ----------
    cloth : Cloth
        The part: its places and triangles.
    before, after : (P, 3) float64
        Where its places lay and lie, world space.
    stretch : (T,) float64
        Largest change of length of every triangle, as a share (-0.1 is a tenth shorter).
    gap_left : float | None
        Least distance of what had clashed from what it clashed with; None where nothing had.
    """

    cloth: Cloth
    before: Floats
    after: Floats
    stretch: Floats
    gap_left: float | None

    @property
    def move(self) -> Floats:
        """(P, 3) how the places moved."""
        return self.after - self.before


@dataclass(frozen=True, eq=False)
class MendedFrame:
    """One frame, mended.

    Attributes
    ----------
    meshes : tuple[Mesh, ...]
        The scene's meshes, in the order given; those of which nothing moved are the same objects.
    moved : NDArray[np.bool_]
        (meshes,) of which anything moved.
    before, after : tuple[Clash, ...]
        Where surfaces cross, the deepest first, as `find_clashes` finds it.
    parts : tuple[MovedPart, ...]
        The parts that may move, in the order in which they were mended.
    not_mended : tuple[NotMended, ...]
        Places that were left as they were.
    """

    meshes: tuple[Mesh, ...]
    moved: NDArray[np.bool_]
    before: tuple[Clash, ...]
    after: tuple[Clash, ...]
    parts: tuple[MovedPart, ...]
    not_mended: tuple[NotMended, ...]

    @property
    def depth_before(self) -> float:
        """The depth of the deepest clash before."""
        return max((clash.depth or 0.0 for clash in self.before), default=0.0)

    @property
    def depth_after(self) -> float:
        """The depth of the deepest clash after."""
        return max((clash.depth or 0.0 for clash in self.after), default=0.0)

    @property
    def largest_move(self) -> float:
        """How far the farthest vertex moved."""
        moves = [float(np.linalg.norm(p.move, axis=1).max(initial=0.0)) for p in self.parts]
        return max(moves, default=0.0)

    @property
    def largest_stretch(self) -> float:
        """The largest change of length of any face, as a share."""
        values = [p.stretch[np.abs(p.stretch).argmax()] for p in self.parts if len(p.stretch)]
        return float(max(values, key=abs, default=0.0))

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        gaps = [part.gap_left for part in self.parts if part.gap_left is not None]
        return {
            "depth_before": self.depth_before,
            "depth_after": self.depth_after,
            "clashes_before": len(self.before),
            "clashes_after": [clash.to_dict() for clash in self.after],
            "largest_move": self.largest_move,
            "largest_stretch": self.largest_stretch,
            "vertices_moved": sum(int((p.move != 0).any(axis=1).sum()) for p in self.parts),
            "gap_left": min(gaps, default=None),
            "not_mended": [one.to_dict() for one in self.not_mended],
        }


@dataclass(frozen=True, eq=False)
class Mending:
    """A scene, or several frames of one, with its clashes mended.

    Attributes
    ----------
    frames : tuple[MendedFrame, ...]
        Frame by frame.
    outer : tuple[str, ...]
        The parts that move, in the order in which they were mended.
    gap : float
        The distance that was to be left, file units.
    gap_reason : str
        Where it is from.
    over_time : FrameWay | None
        How several frames were made consistent; None for one frame.
    flicker : float
        How far a vertex is at most from the middle of where the frames before and after it move
        it, in directions that turn with the surface; 0 for fewer than three frames.
    ignore : float | None
        Depth up to which parts counted as touching, as given.
    """

    frames: tuple[MendedFrame, ...]
    outer: tuple[str, ...]
    gap: float
    gap_reason: str
    over_time: FrameWay | None
    flicker: float
    ignore: float | None = None

    def __repr__(self) -> str:
        return f"<Mending: {len(self.frames)} frames, {', '.join(self.outer) or 'nothing'} moves>"

    @property
    def left(self) -> float:
        """The sum over frames of the depth of the deepest clash that is left."""
        return sum(frame.depth_after for frame in self.frames)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "outer": list(self.outer),
            "gap": self.gap,
            "gap_reason": self.gap_reason,
            "over_time": self.over_time,
            "flicker": self.flicker,
            "frames": [frame.to_dict() for frame in self.frames],
        }
