"""The regions' numbers in the picture: they follow the eye, and hide where surface hides them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from vtkmodules.vtkCommonCore import VTK_FONT_FILE
from vtkmodules.vtkRenderingCore import vtkTextActor

from cagecheck.arrays.types import Floats
from cagecheck.report.fonts import font_file

# Labels closer than this, in pixels, would cover each other.
LABEL_WIDE, LABEL_HIGH = 34, 24
_SIZE = 15


class Labels:
    """Numbers that stand at places in space.

    `seen_from` tells which of some numbers can be seen from a point; it is asked again whenever
    the camera has moved, just before the picture is drawn.
    """

    def __init__(
        self,
        renderer: Any,
        seen_from: Callable[[list[int], tuple[float, float, float]], list[int]],
    ) -> None:
        self._renderer = renderer
        self._seen_from = seen_from
        self._actors: dict[int, vtkTextActor] = {}
        self._places: dict[int, Floats] = {}
        self._wanted: list[int] = []
        self._always: set[int] = set()
        self._stamp = -1
        self.shown: list[int] = []
        renderer.AddObserver("StartEvent", lambda *_: self.follow())

    def put(self, places: dict[int, Floats], always: Sequence[int] = ()) -> None:
        """Number these places, the first before the others; `always` those never hidden."""
        self._places, self._wanted, self._always = places, list(places), set(always)
        self._stamp = -1
        for number in set(self._actors) - set(places):
            self._actors[number].SetVisibility(False)
        for number, place in places.items():
            if number not in self._actors:
                self._actors[number] = self._new(number)
            self._actors[number].GetPositionCoordinate().SetValue(*place)
        self.follow()

    def follow(self) -> None:
        """Show what can be seen from where the camera is now."""
        camera = self._renderer.GetActiveCamera()
        size = tuple(self._renderer.GetSize())
        stamp = hash((camera.GetMTime(), size))
        if stamp == self._stamp:
            return
        self._stamp = stamp
        eye = camera.GetPosition()
        hideable = [n for n in self._wanted if n not in self._always]
        seen = set(self._seen_from(hideable, eye)) | self._always
        self.shown = self._apart([n for n in self._wanted if n in seen])
        kept = set(self.shown)
        for number, actor in self._actors.items():
            actor.SetVisibility(number in kept)

    def _apart(self, numbers: list[int]) -> list[int]:
        """Drop labels that would cover a worse region's."""
        kept: list[int] = []
        taken: list[tuple[float, float]] = []
        for number in numbers:
            self._renderer.SetWorldPoint(*self._places[number], 1.0)
            self._renderer.WorldToDisplay()
            x, y, _ = self._renderer.GetDisplayPoint()
            if all(abs(x - u) > LABEL_WIDE or abs(y - v) > LABEL_HIGH for u, v in taken):
                taken.append((x, y))
                kept.append(number)
        return kept

    def _new(self, number: int) -> vtkTextActor:
        actor = vtkTextActor()
        actor.SetInput(str(number))
        actor.GetPositionCoordinate().SetCoordinateSystemToWorld()
        text = actor.GetTextProperty()
        text.SetFontFamily(VTK_FONT_FILE)
        text.SetFontFile(font_file(bold=True))
        text.SetFontSize(_SIZE)
        text.BoldOn()
        text.SetColor(0, 0, 0)
        text.SetBackgroundColor(1, 1, 1)
        text.SetBackgroundOpacity(0.88)
        text.SetFrame(True)
        text.SetFrameColor(0.36, 0.38, 0.42)
        text.SetJustificationToCentered()
        text.SetVerticalJustificationToCentered()
        self._renderer.AddViewProp(actor)
        return actor
