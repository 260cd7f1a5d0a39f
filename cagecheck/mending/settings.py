"""What an artist may say about mending."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from cagecheck.options import MENDING, option

FrameWay = Literal["least", "smooth", "one"]


@dataclass(frozen=True)
class MendSettings:
    """Which part moves, how far it stays away, and what must not move.

    Attributes
    ----------
    outer : tuple[str, ...]
        Parts that move, from the inside out; empty to have them told from what lies outside.
    inner : tuple[str, ...]
        Parts that they are moved out of; empty for all others.
    gap : float | None
        Distance that is left where parts clashed, file units; None takes it from the scene.
    pin : tuple[str, ...]
        Parts that stay, and everything that is joined to them with it.
    pin_borders : bool
        Whether the open borders of the parts that move stay.
    blend : float | None
        Distance over which a move fades out, file units; None takes it from the clash.
    over_time : FrameWay
        ``smooth`` in time, ``one`` displacement for all frames, or whichever leaves ``least``.
    """

    outer: tuple[str, ...] = option(
        (),
        MENDING,
        "A part that moves; several from the inside out. May repeat.",
        metavar="PART",
        typed=list[str],
        parse=tuple,
    )
    inner: tuple[str, ...] = option(
        (), MENDING, "A part that it is moved out of; all others by default. May repeat.",
        metavar="PART",
        typed=list[str], parse=tuple,
    )  # fmt: skip
    gap: float | None = option(
        None, MENDING, "Distance that is left where parts clashed.", metavar="LENGTH", above=0.0
    )
    pin: tuple[str, ...] = option(
        (),
        MENDING,
        "A part that stays, with what is joined to it. May repeat.",
        metavar="PART",
        typed=list[str],
        parse=tuple,
    )
    pin_borders: bool = option(False, MENDING, "Open borders of what moves stay where they are.")
    blend: float | None = option(
        None, MENDING, "Distance over which a move fades out.", metavar="LENGTH", above=0.0
    )
    over_time: FrameWay = option(
        "least", MENDING,
        "Several frames: smooth in time, one displacement for all, or whichever leaves least.",
    )  # fmt: skip
