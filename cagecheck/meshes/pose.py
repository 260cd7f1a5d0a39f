"""Which frame of a file that moves a mesh is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from cagecheck.words.numbers import as_given

# Where a format counts seconds; films run so (common practice, no source).
FRAMES_A_SECOND = 24.0


@dataclass(frozen=True)
class Pose:
    """One frame of a scene that moves.

    Attributes
    ----------
    frame : float | None
        Its number: a time code in USD, in glTF and Alembic the time in seconds times `rate`. None
        is the rest pose: without skeletons and morphs, what else moves as the file has it before
        any animation.
    animation : str | None
        The animation's name in a file with several (glTF); None is the only one.
    rate : float
        Frames a second where the format counts seconds.
    """

    frame: float | None = None
    animation: str | None = None
    rate: float = FRAMES_A_SECOND

    @property
    def words(self) -> str:
        """The frame as it is told."""
        if self.frame is None:
            return "rest pose"
        of = "" if self.animation is None else f" of “{self.animation}”"
        return f"frame {as_given(self.frame)}{of}"

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; `pose_of` reads them back."""
        return {"frame": self.frame, "animation": self.animation, "rate": self.rate}


def pose_of(row: dict[str, Any] | None) -> Pose | None:
    """Return the pose that `Pose.to_dict` wrote, None for none."""
    return None if row is None else Pose(row["frame"], row["animation"], row["rate"])
