"""Which frame of a moving mesh is read."""

from __future__ import annotations

from cagecheck.errors import InputError, Notice
from cagecheck.formats.stored import parse_number
from cagecheck.meshes.pose import Pose
from cagecheck.words.numbers import as_given

REST = "rest"
_MOST_FRAMES = 10_000


def frame_notices(pose: Pose, name: str, start: float | None, end: float | None) -> list[Notice]:
    """Say where the frame lies outside the file's own, `start` to `end`."""
    if pose.frame is None:
        return []
    if start is None or end is None:
        return [Notice("no-frames", f"{name}: this file names no frames; it may stand still.")]
    if start <= pose.frame <= end:
        return []
    return [
        Notice(
            "frame-outside",
            f"{name}: frame {as_given(pose.frame)} lies outside its frames, "
            f"{as_given(start)} to {as_given(end)}; the nearest stands.",
        )
    ]


def parse_frames(text: str) -> list[float]:
    """Return the numbers of ``FIRST:LAST:STEP`` (LAST included; STEP is 1) or ``A,B,C``.

    Parameters
    ----------
    text : str
        What was written.

    Raises
    ------
    InputError
        It reads as neither.
    """
    wrong = InputError(
        f"the frames {text[:60]!r} cannot be read.",
        cure="Write FIRST:LAST:STEP, such as 0:120:5, or numbers with commas.",
    )
    try:
        if ":" not in text:
            return [parse_number(word) for word in text.split(",")]
        first, last, *step = [parse_number(word) for word in text.split(":")]
    except ValueError:
        raise wrong from None
    by = step[0] if step else 1.0
    if len(step) > 1 or not by > 0 or not first <= last or not (last - first) / by < _MOST_FRAMES:
        raise wrong
    return [first + k * by for k in range(int((last - first) / by + 1e-9) + 1)]


def parse_frame(text: str) -> float | None:
    """Return the number of a frame, None for ``rest``. Raises `InputError`."""
    if text.strip().lower() == REST:
        return None
    try:
        return parse_number(text)
    except ValueError:
        raise InputError(
            f"the frame {text[:60]!r} cannot be read.", cure="Write a number, or rest."
        ) from None
