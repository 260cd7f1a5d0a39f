"""The three kinds of trouble, kept apart.

* `InputError`: the artist's input cannot be used. The command line prints it and exits with 2.
* `Notice`: the input can be used, but something about it deserves a word. Results carry them.
* `AssertionError`: one of our own invariants broke; that is a bug and shows a traceback.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


class InputError(Exception):
    """Input that cannot be used, said for an artist.

    Parameters
    ----------
    what : what is wrong, in a sentence without the place.
    file, part, face : where it is wrong, as far as known (`face` counts from 0).
    cure : what to do about it, in a sentence.
    """

    def __init__(
        self,
        what: str,
        *,
        file: str | None = None,
        part: str | None = None,
        face: int | None = None,
        cure: str | None = None,
    ) -> None:
        self.what = what
        self.file = file
        self.part = part
        self.face = face
        self.cure = cure
        super().__init__(str(self))

    def __str__(self) -> str:
        place = [
            f"{name} {value}"
            for name, value in (("part", self.part), ("face", self.face))
            if value is not None
        ]
        head = ", ".join(([str(self.file)] if self.file is not None else []) + place)
        text = f"{head}: {self.what}" if head else self.what
        return f"{text} {self.cure}" if self.cure else text


@dataclass(frozen=True)
class Notice:
    """Something worth knowing about usable input.

    `code` is a stable short name for scripts (``zero-area-faces``), `text` says what was found
    and where, `cure` what to do. `count` is how many places it was found in.
    """

    code: str
    text: str
    cure: str = ""
    count: int = 1
    part: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the notice as plain JSON values."""
        return asdict(self)
