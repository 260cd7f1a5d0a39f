"""The page of a mending: every frame before and after, its stretch, and what was left."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.mending.result import MendedFrame, Mending
from cagecheck.mending.stretch_map import stretch_map
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.meshes.triangulate import triangulate
from cagecheck.rendering.camera import up_axis, up_vector, whole_camera
from cagecheck.report.colours import hex_of
from cagecheck.report.json_values import plain
from cagecheck.report.page import import_map, read_text, script_json
from cagecheck.report.thin import thin_surface
from cagecheck.report.web_scene import Packed
from cagecheck.version import __version__
from cagecheck.words.lengths import length_words
from cagecheck.words.sentences import count_words, names_words, percent_text

# What lies around the cloth takes at most so many triangles on the page, over all frames.
_AROUND = 300_000
_LEAST_AROUND = 3_000
# Warm for what moves, cool for what stands around it; stretch has its own colours.
_CLOTH, _OTHER = (198, 150, 110), (150, 164, 178)


def mending_html(mending: Mending, names: Sequence[str]) -> str:
    """Return the page; `names` are the frames'."""
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    template = environment.from_string(read_text("templates/mend.html.j2"))
    packed = Packed()
    data = _scene(mending, names, packed)
    unpacking, theme = (read_text(f"templates/script/{n}") for n in ("1_data.js", "7_theme.js"))
    begin = "\nsetUpTheme(() => look && look.draw());\n"
    return template.render(
        version=__version__,
        content=_content(mending, names),
        css=Markup(read_text("templates/report.css")),
        script=Markup(unpacking + read_text("templates/mend.js") + theme + begin),
        importmap=Markup(import_map()),
        licence=Markup(read_text("vendor/three/LICENSE").replace("--", "- -")),
        data=Markup(script_json(plain(data))),
        scene=Markup(packed.base64()),
    )


def _scene(mending: Mending, names: Sequence[str], packed: Packed) -> dict[str, Any]:
    frames = mending.frames
    points = np.concatenate(
        [np.concatenate([p.after for p in f.parts] or [f.meshes[0].positions]) for f in frames]
    )
    low, high = points.min(axis=0), points.max(axis=0)
    centre, size = (low + high) / 2, float(np.linalg.norm(high - low)) or 1.0
    most = max(abs(frame.largest_stretch) for frame in frames)
    around: list[int] = []
    budget = max(_AROUND // len(frames), _LEAST_AROUND)
    for k, frame in enumerate(frames):
        if frame.parts:
            heat = stretch_map(frame, most)
            before = np.concatenate([part.before for part in frame.parts])
            packed.add(f"before_{k}", _single(before, centre))
            packed.add(f"after_{k}", _single(heat.positions, centre))
            packed.add(f"colour_{k}", heat.colours[:, :3].copy())
            if k == 0:
                packed.add("cloth", heat.triangles.astype(np.uint32), differences=True)
        else:
            _add_nothing(packed, k)
        same = k > 0 and _stand_still(frames[k - 1], frame)
        around.append(around[-1] if same else _add_around(frame, centre, budget, packed, k))
    up = up_axis(points)
    camera = whole_camera(points - centre, up)
    return {
        "names": list(names),
        "scene": packed.entries,
        "around": around,
        "size": size,
        "camera": {"eye": camera.eye, "target": camera.target},
        "up": up_vector(up),
        "cloth_colour": hex_of(_CLOTH),
        "other_colour": hex_of(_OTHER),
    }


def _single(points: Floats, centre: Floats) -> NDArray[np.float32]:
    return (points - centre).astype("<f4")


def _add_nothing(packed: Packed, frame: int) -> None:
    for name in ("before", "after"):
        packed.add(f"{name}_{frame}", np.zeros((0, 3), "<f4"))
    packed.add(f"colour_{frame}", np.zeros((0, 3), np.uint8))
    if frame == 0:
        packed.add("cloth", np.zeros((0, 3), np.uint32))


def _others(frame: MendedFrame) -> list[tuple[Mesh, NDArray[np.int64]]]:
    """Return every mesh with its triangles of parts that do not move."""
    moving = {(part.cloth.mesh, part.cloth.name) for part in frame.parts}
    out = []
    for number, mesh in enumerate(frame.meshes):
        cut = triangulate(mesh)
        stays = np.array([(number, name) not in moving for name in mesh.part_names], bool)
        kept = stays[mesh.face_part[cut.face]]
        out.append((mesh, mesh.corner_vertex[cut.corners[kept]].astype(np.int64)))
    return out


def _stand_still(one: MendedFrame, other: MendedFrame) -> bool:
    """Whether what lies around the cloth is the same in both frames."""
    moving = {part.cloth.mesh for part in other.parts}
    return all(
        a is b or (k in moving and len(a.part_names) == 1)
        for k, (a, b) in enumerate(zip(one.meshes, other.meshes, strict=True))
    )


def _add_around(frame: MendedFrame, centre: Floats, most: int, packed: Packed, number: int) -> int:
    points, faces, base = [], [], 0
    for mesh, triangles in _others(frame):
        used, local = np.unique(triangles, return_inverse=True)
        points.append(mesh.positions[used])
        faces.append(local.reshape(-1, 3) + base)
        base += len(used)
    triangles = np.concatenate(faces)
    if len(triangles) == 0:
        return -1
    surface = Surface(
        np.concatenate(points) - centre, triangles.astype(np.int32),
        np.zeros(len(triangles), np.int32),
    )  # fmt: skip
    if len(triangles) > most:
        surface = thin_surface(surface, most)
    packed.add(f"around_{number}", surface.positions.astype("<f4"))
    packed.add(f"around_faces_{number}", surface.triangles.astype(np.uint32), differences=True)
    return number


def mending_verdict(mending: Mending) -> str:
    """Say in a sentence what crosses still."""
    clashing = sum(bool(frame.before) for frame in mending.frames)
    left = sum(bool(frame.after) for frame in mending.frames)
    if not clashing:
        return "Nothing clashes, and nothing was moved."
    if not left:
        return f"Nothing crosses any more, where {count_words(clashing, 'frame')} had clashes."
    return f"Clashes are left in {left} of {count_words(clashing, 'frame')} that had any."


def proposal_verdict(mending: Mending) -> str:
    """Say in two sentences what crosses still, and what the mended files are."""
    return f"{mending_verdict(mending)} This is a proposal: look at it before it is used."


def _content(mending: Mending, names: Sequence[str]) -> dict[str, Any]:
    frames = mending.frames
    left = sum(bool(frame.after) for frame in frames)
    facts = [("moves", names_words(mending.outer) or "nothing"),
             ("gap", f"{length_words(mending.gap)} ({mending.gap_reason})")]  # fmt: skip
    if mending.over_time is not None:
        how = {"one": "one displacement for all", "smooth": "smooth in time"}[mending.over_time]
        facts += [("frames", how), ("flicker", length_words(mending.flicker))]
    deepest = max(range(len(frames)), key=lambda k: frames[k].depth_before)
    return {
        "title": "Clashes mended" + (f" in {names[0]}" if len(frames) == 1 else ""),
        "verdict": mending_verdict(mending),
        "passed": not left,
        "facts": facts,
        "first": deepest + 1,
        "most": percent_text(100 * max(abs(frame.largest_stretch) for frame in frames)),
        "rows": [_row(frame, name) for frame, name in zip(frames, names, strict=True)],
        "left": [
            {"frame": name, "reason": one.reason}
            for frame, name in zip(frames, names, strict=True)
            for one in frame.not_mended
        ],
    }


def _row(frame: MendedFrame, name: str) -> dict[str, Any]:
    gap = frame.to_dict()["gap_left"]
    return {
        "name": name,
        "cells": [
            length_words(frame.depth_before),
            length_words(frame.depth_after),
            "–" if gap is None else length_words(gap),
            length_words(frame.largest_move),
            f"{percent_text(100 * abs(frame.largest_stretch))} %",
        ],
    }
