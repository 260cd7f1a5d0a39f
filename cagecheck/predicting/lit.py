"""The bake before it is baked: the low poly lit with the maps that it gives and should give."""

from __future__ import annotations

from collections.abc import Callable

from cagecheck.maps.normal_maps import NormalMaps
from cagecheck.maps.texels import tiles_touched
from cagecheck.predicting.maps.shown import ideal_maps, predicted_maps
from cagecheck.predicting.result import Prediction
from cagecheck.progress import Progress, silent
from cagecheck.report.lit import BASIS, Lit, LitSide, fitting_maps, size_words

BAKED, BEFORE, IDEAL, HIGH = "baked", "before", "ideal", "high"


def lit_of(
    prediction: Prediction, *, before: Prediction | None = None, progress: Progress = silent
) -> Lit | None:
    """Return what can be compared of a prediction; None where the low poly has no tiles.

    before : an earlier bake of the same meshes, shown beside this one.
    """
    tiles = tiles_touched(prediction.low)
    if not tiles:
        return None
    bakes = [prediction] if before is None else [before, prediction]

    def maker(make: Callable[..., NormalMaps], bake: Prediction) -> Callable[[int], NormalMaps]:
        return lambda size: make(bake, size, basis=BASIS, progress=progress)

    makers = [maker(predicted_maps, bake) for bake in bakes]
    makers.append(maker(ideal_maps, prediction))
    map_size = prediction.settings.map_size
    size, files = fitting_maps(makers, len(tiles), map_size)
    words = size_words(size, map_size)
    sides = [LitSide(BAKED, "as it will bake", _baked_words(words), files[-2])]
    if before is not None:
        sides[0] = LitSide(BAKED, "tuned distances", _baked_words(words), files[1])
        old = f"The low poly lit with the normal map of the bake before tuning, {words}."
        sides.insert(0, LitSide(BEFORE, "distances before", old, files[0]))
    sides.append(LitSide(IDEAL, "as it should bake", _ideal_words(words), files[-1]))
    sides.append(LitSide(HIGH, "high poly", "", None))
    return Lit(tuple(sides), sides[0].key, BAKED if before is not None else HIGH, size)


def _baked_words(size: str) -> str:
    return f"The low poly lit with the normal map that this bake will give, {size}."


def _ideal_words(size: str) -> str:
    return (
        "The low poly lit with the map of a bake without artefacts: at every texel the surface "
        f"that belongs there, met by a straight ray, {size}."
    )
