"""Do low and high lie on each other? If not, is it their scale, their up axis, their place?

Vertices of both are sampled. For each likely mistake (a unit mix-up, y up against z up) the high
is corrected and the median distance from low vertices to the nearest high vertex is measured; a
mistake is named only where its correction brings the two much closer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.box import box_of
from cagecheck.arrays.near_points import nearest_distances, tree_in_order
from cagecheck.arrays.types import Floats
from cagecheck.errors import InputError, Notice
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.options import with_flags
from cagecheck.words.numbers import as_given, exact_text, figures

HighAxes = Literal["as-is", "y-up", "z-up"]
AXES: tuple[HighAxes, ...] = ("as-is", "y-up", "z-up")
# Rows are the new x, y, z: a z-up high is turned so that its z becomes y, and the reverse.
_TURNS: dict[str, Floats] = {
    "as-is": np.eye(3),
    "z-up": np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]]),
    "y-up": np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]]),
}
# Ratios between the units that scenes are modelled in: decimal steps, inches, feet.
_UNIT_RATIOS = (10.0, 100.0, 1000.0, 2.54, 25.4, 12.0, 39.3700787, 30.48, 304.8, 3.2808399)
_LOW_SAMPLE, _HIGH_SAMPLE = 4_000, 60_000
_SEED = 20_011

# A low poly lies within a few percent of its high; a wrong unit or axis leaves it tens away.
CLOSE = 0.05
MUCH_CLOSER = 0.25
# Beyond this a correction that brings the two close always brings them much closer, and it is
# enough to ask so many points: seen from far off all of a mesh is about equally near, and the
# search looks at every point of it.
_FAR = CLOSE / MUCH_CLOSER
_FEW = 200
# Sizes that differ more than this are said even where no unit explains them: a few parts of a
# character against all of it stay below.
_ODD_RATIO = 5.0
_HOPELESS_RATIO = 50.0
_BLOCK = 1 << 20


@dataclass(frozen=True)
class Alignment:
    """What was measured.

    distance : median from low vertices to the nearest high vertex, in low diagonals.
    size_ratio : high diagonal over low diagonal. gap : between the boxes, in low diagonals.
    scale, axes : the correction that fits best (1, ``as-is``: none), and its `distance`.
    """

    distance: float
    size_ratio: float
    gap: float
    scale: float = 1.0
    axes: HighAxes = "as-is"
    corrected_distance: float = 0.0


def transform_surface(surface: Surface, scale: float = 1.0, axes: HighAxes = "as-is") -> Surface:
    """Return the surface scaled about the origin, and turned if it is y-up or z-up.

    Precision and triangles stay.

    Parameters
    ----------
    surface : Surface
        The high poly as read.
    scale : float, optional
        The factor, above 0.
    axes : HighAxes, optional
        ``y-up`` or ``z-up``, which way the high's up points, if the low's points the other way;
        ``as-is`` leaves it.

    Raises
    ------
    InputError
        The scale is not a positive number.
    """
    if not (np.isfinite(scale) and scale > 0):
        raise InputError(
            f"{as_given(scale)} is no scale.", cure="Give `high_scale` a positive number."
        )
    if axes not in AXES:
        raise InputError(f"“{axes}” is no up axis.", cure=f"Choose one of {', '.join(AXES)}.")
    if scale == 1.0 and axes == "as-is":
        return surface
    normals = surface.normals
    if normals is not None and axes != "as-is":
        normals = replace(normals, rows=_times(normals.rows, _TURNS[axes]))
    return replace(
        surface, positions=_times(surface.positions, scale * _TURNS[axes]), normals=normals
    )


def _times(rows: NDArray[Any], matrix: Floats) -> NDArray[Any]:
    """Return (N, 3) rows under a (3, 3) matrix, in their own precision."""
    out = np.empty_like(rows)
    for begin in range(0, len(out), _BLOCK):
        out[begin : begin + _BLOCK] = rows[begin : begin + _BLOCK].astype(np.float64) @ matrix.T
    return out


def measure_alignment(low: Mesh, high: Surface) -> Alignment:
    """Measure how low and high lie to each other, and which correction of the high would help."""
    low_points = _sample(low.positions, low.corner_vertex, _LOW_SAMPLE)
    high_points = _sample(high.positions, high.triangles, _HIGH_SAMPLE)
    low_box, high_box = _box(low.positions, low.corner_vertex), _box(high.positions, None)
    size = _diagonal(low_box)
    if size == 0 or _diagonal(high_box) == 0:
        return Alignment(0.0, 1.0, 0.0)
    ratio = _diagonal(high_box) / size
    distance = _median_distance(low_points, high_points, size)
    best = Alignment(distance, ratio, _gap(low_box, high_box) / size, 1.0, "as-is", distance)
    if distance <= CLOSE:
        return best
    for scale, axes in product(_scales(ratio), AXES):
        moved = high_points @ (scale * _TURNS[axes]).T
        after = _median_distance(low_points, moved, size)
        if after < best.corrected_distance:
            best = Alignment(distance, ratio, best.gap, scale, axes, after)
    return best


def check_alignment(low: Mesh, high: Surface) -> tuple[Notice, ...]:
    """Return notices where scale, axes or place of the high look wrong, with the flag that mends.

    Parameters
    ----------
    low : Mesh
        The low poly as read.
    high : Surface
        The high poly as read (and moved by `transform_surface`).

    Raises
    ------
    InputError
        No ray could meet: sizes more than 50 times apart, or boxes further apart than the low poly
        is large.
    """
    found = measure_alignment(low, high)
    helps = (
        found.corrected_distance <= CLOSE
        and found.corrected_distance <= MUCH_CLOSER * found.distance
    )
    place = high.source.path if high.source else None
    hopeless = max(found.size_ratio, 1 / found.size_ratio) > _HOPELESS_RATIO or found.gap > 1.0
    what, cure, code = _words(found, helps)
    if not what:
        return ()
    if hopeless:
        raise InputError(what, file=place, cure=cure)
    return (Notice(code, f"{place + ': ' if place else ''}{what}", with_flags(cure)),)


def _words(found: Alignment, helps: bool) -> tuple[str, str, str]:
    """Return what is wrong, the cure and a code; empty texts where nothing is."""
    if helps and (found.scale != 1.0 or found.axes != "as-is"):
        wrong, flags = [], []
        if found.scale != 1.0:
            larger = found.scale < 1
            times = 1 / found.scale if larger else found.scale
            wrong.append(f"{figures(times)} times {'larger' if larger else 'smaller'}")
            flags.append(f"`high_scale` {exact_text(found.scale)}")
        if found.axes != "as-is":
            wrong.append(f"turned by 90 degrees ({found.axes[0]} is up in it)")
            flags.append(f"`high_axes` {found.axes}")
        code = "scale-mismatch" if found.scale != 1.0 else "axis-mismatch"
        return (
            f"against the low poly, the high poly is {' and '.join(wrong)}.",
            f"Pass {' '.join(flags)}, or export it again with the low poly's settings.",
            code,
        )
    ratio = max(found.size_ratio, 1 / found.size_ratio)
    if ratio > _ODD_RATIO:
        word = "larger" if found.size_ratio > 1 else "smaller"
        return (
            f"the high poly is {figures(ratio, 3)} times {word} than the low poly.",
            "If that is not meant, pass `high_scale` FACTOR or export with the same units.",
            "size-differs",
        )
    if found.gap > 0:
        return (
            f"the low and the high poly do not meet: they are {figures(found.gap, 3)} low-poly "
            "sizes apart.",
            "Export both from the same place in the scene.",
            "far-apart",
        )
    return "", "", ""


def _scales(ratio: float) -> list[float]:
    """Return 1 and the unit ratios that would bring the sizes within a factor of 2."""
    factors = [f for r in _UNIT_RATIOS for f in (r, 1 / r)]
    return [1.0] + [f for f in factors if 0.5 <= ratio * f <= 2.0]


def _sample(positions: NDArray[Any], index: NDArray[Any], count: int) -> Floats:
    flat = index.reshape(-1)
    rng = np.random.default_rng(_SEED)
    pick = rng.integers(0, len(flat), count) if len(flat) > count else np.arange(len(flat))
    return np.asarray(positions[flat[pick]], np.float64)


def _box(positions: NDArray[Any], index: NDArray[np.int32] | None) -> Floats:
    used = positions if index is None else positions[index]
    return np.array(box_of(used))


def _diagonal(box: Floats) -> float:
    return float(np.linalg.norm(box[1] - box[0]))


def _gap(a: Floats, b: Floats) -> float:
    apart = np.maximum(np.maximum(b[0] - a[1], a[0] - b[1]), 0.0)
    return float(np.linalg.norm(apart))


def _median_distance(low: Floats, high: Floats, size: float) -> float:
    """Return the median distance from low to the nearest high points, in sizes of the low."""
    tree, _ = tree_in_order(high)
    for asked in (low[:: max(len(low) // _FEW, 1)], low):
        distance = float(np.median(nearest_distances(tree, asked))) / size
        if distance > _FAR:
            break
    return distance
