"""UVs of the low poly: missing, off the grid, across tiles, flat, mirrored, overlapping."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.inspecting.checks import CHECKS
from cagecheck.inspecting.finding import (
    PLACES_NAMED,
    Finding,
    Place,
    count_by_part,
    how_many,
    point,
)
from cagecheck.inspecting.islands import SAME_UV, Islands, island_boxes, segment_ends
from cagecheck.inspecting.overlap import Overlaps, uv_overlaps
from cagecheck.inspecting.spacing import island_gaps
from cagecheck.inspecting.topology import face_places
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.tiles import FIRST_TILE, NO_TILE, TILES_PER_ROW
from cagecheck.words.numbers import as_given, count_text, decimals, figures, share_text

# Two faces whose shared area is at least this share of the larger are copies stacked on purpose.
STACKED_SHARE = 0.99
# From this share of copies on an overlap is stacking, and up to that one it is none; between them
# both advices are given (common practice, no source).
MOSTLY_STACKED, HARDLY_STACKED = 0.9, 0.1
STACKED_CURE = {
    "uv-overlap": "Copies are stacked. Before baking move all but one by exactly one whole tile; "
    "afterwards they come back, and all share the one map.",
    "uv-overlap-inside": "Copies that hang together are stacked. Cut the island where the copies "
    "meet, then move all but one by exactly one whole tile before baking.",
}
MIRRORED_HALVES_CURE = (
    "These are mirrored copies stacked on their other halves: leave them mirrored, and move them "
    "by exactly one whole tile before baking."
)
HANGING_HALVES_CURE = (
    "These are mirrored halves that hang together: cut the island along their middle. The halves "
    "may stay stacked; for the bake one of them moves by exactly one whole tile."
)
ALL_MIRRORED_CURE = (
    "Turn v round when exporting, or flip the faces if the mesh is inside out. One mirrored island "
    "among others would be flipped by itself."
)
NO_UVS_CURE = "The file holds no UVs at all: unwrap the mesh, or export it with its UVs."
REPEATING_CURE = (
    "UVs that reach over several tiles repeat a picture, and cannot hold a bake: lay out UVs of "
    "their own for it, each island within one tile."
)
# A face that is longer than a whole tile repeats what lies there.
REPEATS = 1.0
APART_CURE = {"uv-overlap": "Move them apart: they are no copies of each other."}

# Twice an island's area over its outline, the width of a long strip or half the side of a square:
# below so many texels a strip has texels on half of its length at most, and a square one in all.
THIN_TEXELS = 0.5


def missing_uv_finding(low: LowPoly) -> Finding | None:
    """Find faces with a corner that has no UV."""
    if low.uv is None:
        faces = np.arange(low.mesh.face_count)
    else:
        faces = np.unique(low.cut.face[~np.isfinite(low.uv).all(axis=(1, 2)) & (low.area > 0)])
    if len(faces) == 0:
        return None
    text = f"{how_many(len(faces), 'faces')} of {count_text(low.mesh.face_count)} without UVs."
    return _of_faces(low, "uv-missing", faces, text, NO_UVS_CURE if low.uv is None else "")


def uv_findings(low: LowPoly, islands: Islands, map_size: int, padding: float) -> list[Finding]:
    """Run every check on UVs but `missing_uv_finding`.

    `map_size` is texels per tile and side, `padding` the wanted free space in texels.
    """
    mapped = np.where((islands.of_triangle >= 0)[:, None, None], _uv(low), np.nan)
    overlaps = uv_overlaps(mapped, islands.map_id, map_size)
    found = [
        *_tile_findings(low, islands),
        _zero_area(low),
        *_mirror_findings(low, islands, _faces_of_copies(low, overlaps)),
        *_overlap_findings(low, islands, overlaps, map_size),
        *_spacing_findings(low, islands, overlaps, map_size, padding),
        _near_border(low, islands, map_size, padding),
        _thin(low, islands, map_size),
    ]
    return [f for f in found if f is not None]


def _uv(low: LowPoly) -> Floats:
    assert low.uv is not None
    return low.uv


def _of_faces(
    low: LowPoly,
    code: str,
    faces: NDArray[np.integer[Any]],
    text: str,
    own_cure: str = "",
) -> Finding:
    return Finding(
        CHECKS[code],
        len(faces),
        text,
        places=face_places(low, faces),
        by_part=count_by_part(low.mesh.face_part[faces], low.part_names),
        own_cure=own_cure,
        faces=np.sort(faces).astype(np.int32),
    )


def _triangle_place(
    low: LowPoly, triangles: tuple[int, ...], measure: float | None, note: str = ""
) -> Place:
    first = triangles[0]
    return Place(
        part=low.part_names[low.triangle_part[first]],
        faces=tuple(int(low.cut.face[t]) for t in triangles),
        position=point(low.positions[low.triangles[first]].mean(axis=0)),
        tile=int(low.tile[first]) if low.tile[first] != NO_TILE else None,
        measure=measure,
        note=note,
    )


# Tiles


def _tile_corner(tile: Ints) -> Floats:
    index = np.where(tile == NO_TILE, 0, tile - FIRST_TILE)
    out: Floats = np.stack([index % TILES_PER_ROW, index // TILES_PER_ROW], axis=1).astype(float)
    return out


def _tile_findings(low: LowPoly, islands: Islands) -> list[Finding | None]:
    uv = _uv(low)
    has_uv = islands.of_triangle >= 0
    off = has_uv & (low.tile == NO_TILE)
    local = uv - _tile_corner(low.tile)[:, None]
    with np.errstate(invalid="ignore"):
        beyond = np.maximum(-local, local - 1).max(axis=(1, 2))
        crossing = has_uv & ~off & (beyond > SAME_UV)
    off_faces = np.unique(low.cut.face[off])
    crossing_faces = np.setdiff1d(np.unique(low.cut.face[crossing]), off_faces)
    found: list[Finding | None] = []
    if len(off_faces):
        text = f"{how_many(len(off_faces), 'faces')} with UVs off the tile grid."
        found.append(_of_faces(low, "uv-off-grid", off_faces, text))
    if len(crossing_faces):
        text = f"{how_many(len(crossing_faces), 'faces')} reach from one tile into another."
        longest = np.ptp(uv[crossing], axis=1).max()
        cure = REPEATING_CURE if longest > REPEATS + SAME_UV else ""
        found.append(_of_faces(low, "uv-crosses-tile", crossing_faces, text, cure))
    found.append(_islands_in_tiles(low, islands, off | crossing))
    return found


def _islands_in_tiles(
    low: LowPoly, islands: Islands, already_told: NDArray[np.bool_]
) -> Finding | None:
    known = islands.of_triangle >= 0
    least = np.full(islands.count, np.iinfo(np.int32).max)
    most = np.zeros(islands.count, np.int32)
    np.minimum.at(least, islands.of_triangle[known], low.tile[known])
    np.maximum.at(most, islands.of_triangle[known], low.tile[known])
    spread = most > least
    spread[islands.of_triangle[known & already_told]] = False
    chosen = np.flatnonzero(spread)
    return _of_islands(
        low,
        islands,
        "uv-island-in-tiles",
        chosen,
        f"{how_many(len(chosen), 'islands')} with faces in more than one tile.",
        [f"tiles {least[k]} to {most[k]}" for k in chosen[:PLACES_NAMED]],
    )


def _of_islands(
    low: LowPoly,
    islands: Islands,
    code: str,
    chosen: NDArray[np.int64],
    text: str,
    notes: list[str],
    own_cure: str = "",
) -> Finding | None:
    if len(chosen) == 0:
        return None
    first = islands.first_triangle()[chosen]
    mine = np.isin(islands.of_triangle, chosen)
    return Finding(
        CHECKS[code],
        len(chosen),
        text,
        places=tuple(
            _triangle_place(low, (int(t),), None, note)
            for t, note in zip(first[:PLACES_NAMED], notes, strict=True)
        ),
        by_part=count_by_part(low.triangle_part[first], low.part_names),
        own_cure=own_cure,
        faces=np.unique(low.cut.face[mine]).astype(np.int32),
    )


# Area and mirroring


def _has_uv_area(low: LowPoly) -> NDArray[np.bool_]:
    """Return (T,) bool: is the UV triangle higher than the rounding of UVs?"""
    uv = _uv(low)
    edges = uv - np.roll(uv, 1, axis=1)
    longest = np.sqrt(np.einsum("tki,tki->tk", edges, edges).max(axis=1))
    with np.errstate(invalid="ignore"):
        has: NDArray[np.bool_] = 2 * np.abs(low.uv_area) > SAME_UV * longest
    return has


def _zero_area(low: LowPoly) -> Finding | None:
    flat = ~_has_uv_area(low) & np.isfinite(_uv(low)).all(axis=(1, 2))
    # A triangle without area in space (a corner on a face's edge) may have none in the map.
    flat &= low.area > 0
    faces = np.unique(low.cut.face[flat])
    if len(faces) == 0:
        return None
    text = f"{how_many(len(faces), 'faces')} with area in space but none in the map."
    return _of_faces(low, "uv-zero-area", faces, text)


def _faces_of_copies(low: LowPoly, overlaps: Overlaps) -> NDArray[np.bool_]:
    """Return (F,) bool: faces whose UVs are stacked exactly on those of another face."""
    out = np.zeros(low.mesh.face_count, bool)
    stacked = _stacked(low, overlaps.pairs, overlaps.area)
    out[low.cut.face[overlaps.pairs[stacked].ravel()]] = True
    return out


def _mirror_findings(
    low: LowPoly, islands: Islands, copied: NDArray[np.bool_]
) -> list[Finding | None]:
    known = islands.of_triangle >= 0
    total = np.bincount(
        islands.of_triangle[known], weights=low.uv_area[known], minlength=islands.count
    )
    mirrored = np.flatnonzero(total < 0)
    text = f"{how_many(len(mirrored), 'islands')} of {count_text(islands.count)} mirrored."
    if len(mirrored) == islands.count > 1:
        text += " All of them: is v turned upside down in the file, or is the mesh inside out?"
        cure = ALL_MIRRORED_CURE
    elif _mostly(copied[low.cut.face[np.isin(islands.of_triangle, mirrored)]]):
        cure = MIRRORED_HALVES_CURE
    else:
        cure = ""
    notes = [""] * min(len(mirrored), PLACES_NAMED)
    against = known & _has_uv_area(low)
    against &= (low.uv_area < 0) != (total[islands.of_triangle] < 0)
    faces = np.unique(low.cut.face[against])
    flipped = None
    if len(faces):
        many = how_many(len(faces), "faces")
        flipped = _of_faces(
            low, "uv-flipped-inside", faces, f"{many} turned against the rest of their island.",
            HANGING_HALVES_CURE if _mostly(copied[faces]) else "",
        )  # fmt: skip
    return [_of_islands(low, islands, "uv-mirrored", mirrored, text, notes, cure), flipped]


def _mostly(stacked: NDArray[np.bool_]) -> bool:
    return len(stacked) > 0 and float(stacked.mean()) >= MOSTLY_STACKED


# Overlap and spacing


def _overlap_findings(
    low: LowPoly, islands: Islands, overlaps: Overlaps, map_size: int
) -> list[Finding | None]:
    of_pair = np.sort(islands.of_triangle[overlaps.pairs], axis=1)
    inside = of_pair[:, 0] == of_pair[:, 1]
    return [
        _overlap_finding(low, islands, overlaps, of_pair, ~inside, "uv-overlap", map_size),
        _overlap_finding(low, islands, overlaps, of_pair, inside, "uv-overlap-inside", map_size),
    ]


def _overlap_finding(
    low: LowPoly,
    islands: Islands,
    overlaps: Overlaps,
    of_pair: Ints,
    wanted: NDArray[np.bool_],
    code: str,
    map_size: int,
) -> Finding | None:
    if not wanted.any():
        return None
    pairs, area, of_pair = overlaps.pairs[wanted], overlaps.area[wanted], of_pair[wanted]
    key = of_pair[:, 0].astype(np.int64) * islands.count + of_pair[:, 1]
    unique, group = np.unique(key, return_inverse=True)
    group_area = np.bincount(group, weights=area)
    texels = group_area * map_size**2
    order = np.lexsort((pairs[:, 1], pairs[:, 0], -area, group))
    worst = order[np.unique(group[order], return_index=True)[1]]
    places = []
    for k in np.argsort(-group_area, kind="stable")[:PLACES_NAMED]:
        a, b = (int(x) for x in pairs[worst[k]])
        other = low.part_names[low.triangle_part[b]]
        note = f"{count_text(texels[k])} texels"
        if other != low.part_names[low.triangle_part[a]]:
            note += f" with {other}"
        places.append(_triangle_place(low, (a, b), float(texels[k]), note))
    concerned = np.unique(of_pair)
    stacked = _stacked(low, pairs, area)
    total = float(texels.sum())
    most = "" if overlaps.complete else "at least "
    text = (
        f"{most}{how_many(len(concerned), 'islands')}, {how_many(len(unique), 'pairs')}: "
        f"{most}{count_text(total)} texels at {map_size} (exact area, summed over pairs of "
        "triangles)."
    )
    share = float(area[stacked].sum() / area.sum())
    if stacked.any():
        text += f" {share_text(share)} of it is copies stacked exactly."
    first = islands.first_triangle()[concerned]
    return Finding(
        CHECKS[code],
        len(concerned),
        text,
        places=tuple(places),
        by_part=count_by_part(low.triangle_part[first], low.part_names),
        measures={
            "area_uv": float(area.sum()),
            "area_texels": total,
            "stacked_area_uv": float(area[stacked].sum()),
            "triangle_pairs": float(len(pairs)),
            "complete": float(overlaps.complete),
        },
        own_cure=_overlap_cure(code, share),
        faces=np.unique(low.cut.face[pairs.ravel()]).astype(np.int32),
    )


def _stacked(low: LowPoly, pairs: Ints, area: Floats) -> NDArray[np.bool_]:
    """Return (N,) bool: do pairs of triangles belong to two faces that are copies?

    Faces are compared: a mirrored copy of a quad may be cut along the other diagonal.
    """
    of_face = np.bincount(low.cut.face, weights=np.abs(np.nan_to_num(low.uv_area)))
    faces = np.sort(low.cut.face[pairs], axis=1).astype(np.int64)
    _, group = np.unique(faces[:, 0] * len(of_face) + faces[:, 1], return_inverse=True)
    shared = np.bincount(group, weights=area)[group]
    copies: NDArray[np.bool_] = shared >= STACKED_SHARE * of_face[faces].max(axis=1)
    return copies & (faces[:, 0] != faces[:, 1])


def _overlap_cure(code: str, stacked: float) -> str:
    """Return the advice for an overlap of which a share is copies; empty for the check's own."""
    if stacked >= MOSTLY_STACKED:
        return STACKED_CURE[code]
    return APART_CURE.get(code, "") if stacked <= HARDLY_STACKED else ""


def _spacing_findings(
    low: LowPoly, islands: Islands, overlaps: Overlaps, map_size: int, padding: float
) -> list[Finding | None]:
    gaps = island_gaps(low, islands, max(padding, 1.0) / map_size)
    # Islands that lie over each other have no space between them: told as overlap.
    over = np.sort(islands.of_triangle[overlaps.pairs], axis=1).astype(np.int64)
    apart = ~np.isin(
        gaps.islands[:, 0].astype(np.int64) * islands.count + gaps.islands[:, 1],
        over[:, 0] * islands.count + over[:, 1],
    )
    texels = gaps.distance * map_size
    found: list[Finding | None] = []
    for code, wanted in (
        ("uv-touching", apart & (texels < 1)),
        ("uv-spacing", apart & (texels >= 1) & (texels < padding)),
    ):
        chosen = np.flatnonzero(wanted)
        if len(chosen) == 0:
            continue
        triangles = gaps.half_edges[chosen] // 3
        places = tuple(
            _triangle_place(
                low,
                (int(a), int(b)),
                float(texels[k]),
                f"{decimals(texels[k], 2)} texels to {low.part_names[low.triangle_part[b]]}",
            )
            for k, (a, b) in zip(chosen[:PLACES_NAMED], triangles, strict=False)
        )
        most = "" if gaps.complete else "at least "
        text = (
            f"{most}{how_many(len(chosen), 'pairs')} of islands; the nearest are "
            f"{decimals(texels[chosen[0]], 2)} texels apart at {map_size}, {as_given(padding)} "
            "are wanted."
        )
        found.append(
            Finding(
                CHECKS[code],
                len(chosen),
                text,
                places=places,
                by_part=count_by_part(low.triangle_part[triangles[:, 0]], low.part_names),
                measures={
                    "nearest_texels": float(texels[chosen[0]]),
                    "padding_texels": float(padding),
                    "map_size": float(map_size),
                },
                faces=np.unique(low.cut.face[triangles.ravel()]).astype(np.int32),
            )
        )
    return found


def _near_border(low: LowPoly, islands: Islands, map_size: int, padding: float) -> Finding | None:
    """Find islands within one tile that come nearer to its border than half the padding."""
    if islands.count == 0:
        return None
    lows, highs = island_boxes(low, islands)
    corner = np.floor(0.5 * (lows + highs))
    room = np.minimum(lows - corner, corner + 1 - highs).min(axis=1) * map_size
    chosen = np.flatnonzero((room >= -SAME_UV * map_size) & (room < 0.5 * padding))
    chosen = chosen[np.argsort(room[chosen], kind="stable")]
    notes = [f"{decimals(max(room[k], 0.0), 2)} texels" for k in chosen[:PLACES_NAMED]]
    nearest = decimals(max(float(room[chosen[0]]), 0.0), 2) if len(chosen) else ""
    return _of_islands(
        low,
        islands,
        "uv-near-border",
        chosen,
        f"{how_many(len(chosen), 'islands')} nearer than {as_given(0.5 * padding)} texels to the "
        f"border; the nearest {nearest} texels.",
        notes,
    )


def _thin(low: LowPoly, islands: Islands, map_size: int) -> Finding | None:
    """Find islands so thin or small that few centres of texels lie on them, or none."""
    known = islands.of_triangle >= 0
    label, count = islands.of_triangle[known], islands.count
    texels = np.bincount(label, weights=np.abs(low.uv_area[known]), minlength=count) * map_size**2
    outline = _outline_lengths(low, islands) * map_size
    width = np.divide(2 * texels, outline, out=np.full(count, np.inf), where=outline > 0)
    # Those without any area are told as such.
    chosen = np.flatnonzero((width < THIN_TEXELS) & (texels > 0))
    if len(chosen) == 0:
        return None
    area = np.bincount(label, weights=low.area[known], minlength=count)
    chosen = chosen[np.argsort(-area[chosen], kind="stable")]
    notes = [f"{figures(texels[k], 2)} texels in all" for k in chosen[:PLACES_NAMED]]
    share = figures(100 * area[chosen].sum() / low.area.sum(), 2)
    text = (
        f"{how_many(len(chosen), 'islands')} ({share} % of the area) thinner than half a texel, or "
        f"smaller than one, at {map_size}: few texels lie on them, or none."
    )
    return _of_islands(low, islands, "uv-thin", chosen, text, notes)


def _outline_lengths(low: LowPoly, islands: Islands) -> Floats:
    """Return (count,) the length of every island's outline in the UVs."""
    begin, end = segment_ends(low, islands.border)
    length, island = np.linalg.norm(end - begin, axis=1), islands.of_triangle[islands.border // 3]
    return np.bincount(island, weights=length, minlength=islands.count).astype(np.float64)
