"""One frame of a glTF animation, put into the asset's nodes and weights.

Source: Khronos Group, "glTF 2.0 Specification" (ISO/IEC 12113:2022), 3.11 (animations) and
appendix C (interpolation).
"""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.errors import InputError, Notice
from cagecheck.formats.frames import frame_notices
from cagecheck.formats.gltf_accessor import accessor, scaled
from cagecheck.formats.gltf_document import Document, MalformedError, is_whole
from cagecheck.meshes.pose import Pose
from cagecheck.words.sentences import names_words

_WIDTHS = {"translation": 3, "rotation": 4, "scale": 3, "weights": 1}
_MODES = ("LINEAR", "STEP", "CUBICSPLINE")
# Between nearer directions than this the arc is straight, and its sine must not divide.
_SAME_TURN = 1e-9


@dataclass(frozen=True, eq=False)
class _Channel:
    node: int
    path: str
    times: Floats
    values: Floats  # (K, width), or (3 K, width) for splines
    mode: str


def put_pose(document: Document, pose: Pose) -> list[Notice]:
    """Move the nodes and weights of an asset to a frame; say what is odd about it.

    Raises `MalformedError`, or `InputError` where the animation is not clear.
    """
    document.is_rest = pose.frame is None
    document.is_morphed = pose.frame is not None
    if pose.frame is None:
        return []
    name = document.file.name
    animation = _animation(document, pose)
    if animation is None:
        return [Notice("no-frames", f"{name}: this file holds no animation; read as it is.")]
    channels = _channels(document, animation)
    nodes = copy.deepcopy(document.items("nodes"))
    time = pose.frame / pose.rate
    for channel in channels:
        value = _at(channel, time)
        node = nodes[channel.node]
        if channel.path != "weights":
            node.pop("matrix", None)
        node[channel.path] = value.tolist()
    document.tree = document.tree | {"nodes": nodes}
    first = min((float(c.times[0]) for c in channels), default=0.0) * pose.rate
    last = max((float(c.times[-1]) for c in channels), default=0.0) * pose.rate
    return frame_notices(pose, name, first, last)


def _animation(document: Document, pose: Pose) -> dict[str, Any] | None:
    held = document.items("animations")
    names = [
        str(a["name"]) if isinstance(a.get("name"), str) else f"animation {k}"
        for k, a in enumerate(held)
    ]
    if pose.animation is None:
        if len(held) > 1:
            raise InputError(
                f"this file holds {len(held)} animations: {names_words(names)}.",
                file=document.file.path,
                cure="Name one with `animation`.",
            )
        return held[0] if held else None
    if pose.animation not in names:
        raise InputError(
            f"this file holds no animation “{pose.animation}”"
            + (f"; it has {names_words(names)}." if names else "."),
            file=document.file.path,
            cure="Check `animation`.",
        )
    return held[names.index(pose.animation)]


def _channels(document: Document, animation: dict[str, Any]) -> list[_Channel]:
    samplers, out = animation.get("samplers"), []
    channels = animation.get("channels")
    if not isinstance(samplers, list) or not isinstance(channels, list):
        raise MalformedError("an animation has no channels and samplers")
    for entry in channels:
        target = entry.get("target") if isinstance(entry, dict) else None
        if not isinstance(target, dict):
            raise MalformedError("a channel of its animation has no target")
        node, path = target.get("node"), target.get("path")
        if node is None or path not in _WIDTHS:
            continue  # an extension's; the standard has it left out
        document.item("nodes", node)
        number = entry.get("sampler")
        if not is_whole(number) or not 0 <= number < len(samplers):
            raise MalformedError("a channel of its animation has no sampler")
        assert is_whole(node)
        out.append(_channel(document, node, str(path), samplers[number]))
    return out


def _channel(document: Document, node: int, path: str, sampler: Any) -> _Channel:
    if not isinstance(sampler, dict):
        raise MalformedError("a sampler of its animation is no object")
    mode = sampler.get("interpolation", "LINEAR")
    if mode not in _MODES:
        raise MalformedError(f"the interpolation {str(mode)[:40]!r} is none of glTF's")
    times = _floats(document, sampler.get("input"), 1)[:, 0]
    values = _floats(document, sampler.get("output"), _WIDTHS[path])
    if not len(times) or not (np.diff(times) > 0).all():
        raise MalformedError("the times of its animation do not rise")
    rows = len(times) * (3 if mode == "CUBICSPLINE" else 1)
    if path == "weights" and len(values) and len(values) % rows == 0:
        values = values.reshape(rows, -1)
    if len(values) != rows:
        raise MalformedError("an animation has not one value for each of its times")
    return _Channel(node, path, times, values, mode)


def _floats(document: Document, index: object, width: int) -> Floats:
    out = scaled(document, index, accessor(document, index, width)).astype(np.float64)
    if not np.isfinite(out).all():
        raise MalformedError("an animation holds values that are no numbers")
    return out


def _at(channel: _Channel, time: float) -> Floats:
    """Return the value at a time in seconds; the ends hold."""
    times = channel.times
    k = int(np.clip(np.searchsorted(times, time, "right") - 1, 0, len(times) - 1))
    n = min(k + 1, len(times) - 1)
    span = times[n] - times[k]
    t = float(np.clip((time - times[k]) / span, 0.0, 1.0)) if span > 0 else 0.0
    if channel.mode == "CUBICSPLINE":
        value = _spline(channel.values, k, n, t, float(span))
    elif channel.mode == "STEP":
        value = channel.values[k]
    elif channel.path == "rotation":
        value = _turned(channel.values[k], channel.values[n], t)
    else:
        value = (1 - t) * channel.values[k] + t * channel.values[n]
    if channel.path == "rotation":
        length = float(np.linalg.norm(value))
        if not length > 0:
            raise MalformedError("a rotation of its animation has no length")
        value = value / length
    return value


def _spline(values: NDArray[Any], k: int, n: int, t: float, span: float) -> Floats:
    """Return a cubic Hermite spline between keys k and n (appendix C.5)."""
    if n == k:
        held: Floats = values[3 * k + 1]
        return held
    start, leave = values[3 * k + 1], values[3 * k + 2] * span
    arrive, end = values[3 * n] * span, values[3 * n + 1]
    out: Floats = (
        (2 * t**3 - 3 * t**2 + 1) * start
        + (t**3 - 2 * t**2 + t) * leave
        + (-2 * t**3 + 3 * t**2) * end
        + (t**3 - t**2) * arrive
    )
    return out


def _turned(first: Floats, second: Floats, t: float) -> Floats:
    """Return the rotation on the shorter arc between two (appendix C.4)."""
    along = float(first @ second)
    angle = float(np.arccos(min(abs(along), 1.0)))
    if angle < _SAME_TURN:
        return first
    sign = 1.0 if along >= 0 else -1.0
    out: Floats = (np.sin(angle * (1 - t)) * first + sign * np.sin(angle * t) * second) / np.sin(
        angle
    )
    return out
