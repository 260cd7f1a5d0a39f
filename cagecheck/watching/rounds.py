"""Predicts the same files again and again, and keeps in memory what did not change.

A round gives what a fresh `predict` of the same files gives, to the byte: nothing is kept but what
follows from files whose content is the same. Samples, rays and regions are made anew each time.
The samples' spacing follows from the area of the whole low poly and what belongs to one part from
all the others, so that a part cast by itself would not give the same answer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.defects.match import Matcher
from cagecheck.formats.references import data_files
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.predicting.inputs import bring_together, read_cage, read_high, read_low
from cagecheck.predicting.predict import build_scene, predict_with
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import check_settings
from cagecheck.progress import Progress, silent
from cagecheck.rays.scene import Scene
from cagecheck.watching.bake import Bake
from cagecheck.watching.contents import Contents, stamps


class Rounds:
    """Predicts a bake again and again.

    Parameters
    ----------
    bake : Bake
        The files and how they are predicted.

    Attributes
    ----------
    result : Prediction | None
        What the last round that went well gave.

    Examples
    --------
    >>> import cagecheck
    >>> few = cagecheck.Settings(offset=0.05, depth=0.05, samples=500)
    >>> rounds = cagecheck.Rounds(cagecheck.Bake("hero_low.obj", "hero_high.ply", settings=few))
    >>> first = rounds.predict()
    >>> rounds.changed()
    ()
    """

    def __init__(self, bake: Bake) -> None:
        self.bake = bake
        self.result: Prediction | None = None
        self._contents = Contents()
        self._kept: dict[str, tuple[Any, Any]] = {}
        self._scene: Scene | None = None
        self._held: dict[Path, str] | None = None

    def changed(self) -> tuple[Path, ...]:
        """Return the files whose content is another than in the last round that went well."""
        now = self._contents.of(self.bake.data())
        held = self._held or {}
        return tuple(path for path in now if now[path] != held.get(path))

    def predict(self, *, progress: Progress = silent) -> Prediction:
        """Predict the files as they are now.

        Parameters
        ----------
        progress : Progress, optional
            Called now and then with stage, done and total; what it raises ends the round.

        Raises
        ------
        InputError
            As `read_inputs`, `read_cage` and `predict`; the last result stays.
        """
        bake, how = self.bake, self.bake.reading
        paths = bake.data()
        before, contents = stamps(paths), self._contents.of(paths)
        low = self._keep("low", bake.low, lambda: read_low(bake.low, how, progress=progress))
        high = self._keep("high", bake.high, lambda: self._read_high(progress))
        inputs = bring_together(low, high, how)
        cage, more = read_cage(
            low, offset=bake.settings.offset, push=bake.files.push, cage=bake.files.cage,
            directions=bake.settings.directions, progress=progress,
        )  # fmt: skip
        if self._scene is None or self._scene.surface is not high:
            self._scene = build_scene(high, progress)
        result = predict_with(
            self._match(low, self._scene, inputs.pairing.matrix()), cage,
            check_settings(bake.settings), progress=progress,
        )  # fmt: skip
        notices = (*inputs.notices, *more, *result.notices)
        self.result = replace(result, notices=notices, reading=how)
        # A file that was written meanwhile may have been read half old, half new.
        self._held = contents if stamps(paths) == before else None
        return self.result

    def _match(self, low: LowPoly, scene: Scene, paired: NDArray[np.bool_]) -> Matcher:
        if self.result is not None and self.result.scene is scene:
            return self.result.matcher.on(low, paired)
        settings = self.bake.settings
        return Matcher(low, scene, paired, settings.along, settings.apart)

    def _read_high(self, progress: Progress) -> Surface:
        # Memory for two scenes may not be there.
        self._scene = self.result = None
        own_normals = self.bake.high_normals == "file"
        return read_high(self.bake.high, self.bake.reading, normals=own_normals, progress=progress)

    def _keep(self, what: str, path: Path, make: Callable[[], Any]) -> Any:
        """Return what follows from one file, made anew only where its content is another."""
        files = [path, *data_files(path)]
        key = tuple(self._contents.of(files).items())
        known = self._kept.get(what)
        if known is not None and known[0] == key:
            return known[1]
        self._kept.pop(what, None)
        before = stamps(files)
        value = make()
        if stamps(files) == before:
            self._kept[what] = key, value
        return value
