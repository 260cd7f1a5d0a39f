"""The lit model in the report page: corners, maps and words for the script."""

from __future__ import annotations

import base64
from dataclasses import asdict
from typing import Any

import numpy as np

from cagecheck.maps.high_normals import high_shading
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.rendering.shading import RAISED_DEGREES, TURNED_DEGREES, Look
from cagecheck.report.lit import Lit, lit_corners
from cagecheck.report.web_scene import Box, Packed
from cagecheck.words.numbers import count_text

# Unit vectors in 16 bits: steps of 1/32767, finer than the 8 bits of the maps.
UNIT = 32767


def pack_lit(packed: Packed, box: Box, low: LowPoly) -> list[dict[str, int]]:
    """Add the low poly's corners with UVs and frames; return its runs (see `LitCorners`).

    Normals and tangents keep their length, since frames are not made unit length.
    """
    corners = lit_corners(low)
    packed.add("lit_position", box.pack(corners.position), differences=True)
    uv = np.rint(np.clip(corners.uv, 0, 1) * 65535).astype(np.uint16)
    packed.add("lit_uv", uv, differences=True)
    packed.add("lit_normal", np.rint(corners.normal * UNIT).astype(np.int16), differences=True)
    packed.add("lit_tangent", np.rint(corners.tangent * UNIT).astype(np.int16), differences=True)
    packed.add("lit_triangle", corners.triangles, differences=True)
    packed.add("lit_low_triangle", corners.low_triangle, differences=True)
    return corners.runs()


def pack_high_normals(packed: Packed, name: str, thin: Surface) -> None:
    """Add a unit normal in 8 bits to every vertex of a thinned high poly."""
    rows = high_shading(thin, "smooth").normals
    bits = np.zeros((len(rows), 4), np.int8)
    bits[:, :3] = np.rint(rows * 127)
    packed.add(f"{name}_normal", bits, differences=True)


def high_words(whole: Surface, thin: Surface) -> str:
    """Say what stands for the high poly."""
    if thin.triangle_count >= whole.triangle_count:
        return "The high poly, with smooth normals."
    return (
        f"The high poly, thinned for display from {count_text(whole.triangle_count)} to "
        f"{count_text(thin.triangle_count)} triangles with smooth normals of their own: its finest "
        "detail is lost here."
    )


def lit_data(lit: Lit, runs: list[dict[str, int]], high: str | None) -> dict[str, Any]:
    """Return what the script needs to know; without a `high` in the page there is no such side."""
    sides = [
        {"key": side.key, "title": side.title, "words": side.words if side.files else high}
        for side in lit.sides
        if side.files is not None or high is not None
    ]
    keys = [side["key"] for side in sides]
    return {
        "sides": sides,
        "left": lit.left,
        "right": lit.right if lit.right in keys else keys[-1],
        "runs": runs,
        "look": asdict(Look()),
        "turned": TURNED_DEGREES,
        "raised": RAISED_DEGREES,
    }


def lit_files(lit: Lit) -> list[dict[str, str]]:
    """Return the maps as elements of the page: an id and base64."""
    return [
        {"id": f"lit-{side.key}-{tile}", "text": base64.b64encode(data).decode("ascii")}
        for side in lit.sides
        for tile, data in (side.files or {}).items()
    ]
