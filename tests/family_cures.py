"""Printed cures, followed: each changes the scene or the bake as the sentence says.

Numbers are read from the sentence, as the artist would; a number that is to be passed is passed
by a twentieth.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

import cagecheck
from cagecheck.defects.kinds import Defect
from cagecheck.defects.regions import Region
from cagecheck.predicting.result import Prediction
from cagecheck.rays.layers import NO_LAYER
from tests.family_score import COMPARED, Setup, high_surface, low_mesh, predicted, told_flags
from tests.scenes.families.plants import turned

NUMBER = r"([0-9][0-9.,]*(?:e[+-]?[0-9]+)?)"
# So far past a number that is to be passed.
PAST = 1.05
# A defect counts as removed when no more than this share of its samples' area has it still, and
# as mended without harm when no more than this share of that area is newly wrong elsewhere.
LEFT = 0.01

Change = Callable[[Setup, Prediction, Region, list[float]], Setup]


@dataclass(frozen=True)
class Tried:
    """A cure that was followed: its name, did it remove the defect, did it harm elsewhere."""

    defect: str
    cure: str
    removed: bool
    harmless: bool


def _push(setup: Setup) -> np.ndarray:
    if setup.push is not None:
        return setup.push
    return np.full(len(setup.scene.low_positions), setup.scene.offset)


def _vertices(result: Prediction, region: Region) -> np.ndarray:
    """Vertices of the low triangles under a region, with all that share their places."""
    low = result.low
    used = np.unique(low.triangles[result.points.triangle[region.samples]])
    return np.flatnonzero(np.isin(low.position_id, low.position_id[used]))


def _set_push(setup: Setup, result: Prediction, region: Region, value: float) -> Setup:
    push = _push(setup).copy()
    push[_vertices(result, region)] = value
    return replace(setup, push=push)


def _raise_offset(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    return _set_push(setup, result, region, PAST * said[0])


def _raise_cage(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    return _set_push(setup, result, region, setup.scene.offset + PAST * said[0])


def _between(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    return _set_push(setup, result, region, (said[0] + said[1]) / 2)


def _halve(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    return _set_push(setup, result, region, setup.scene.offset / 2)


def _raise_depth(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    return replace(setup, scene=replace(setup.scene, depth=PAST * said[0]))


def _apart(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    return replace(setup, apart=True)


def _tune(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    scene = setup.scene
    settings = cagecheck.Settings(
        offset=scene.offset, depth=scene.depth, samples=setup.samples, unseen_points=0
    )
    low = cagecheck.prepare_low(low_mesh(scene))
    tuning = cagecheck.tune(low, high_surface(scene), paired=scene.paired, settings=settings)
    return replace(setup, push=np.asarray(tuning.offset_out))


def _flip_low(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    faces = setup.scene.low_triangles[:, ::-1].copy()
    return replace(setup, scene=replace(setup.scene, low_triangles=faces))


def _flip_part(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    """All faces of the high parts that the region's rays record."""
    scene = setup.scene
    part = np.unique(scene.high_part[_recorded(setup, result, region)])
    return replace(setup, scene=turned(scene, np.isin(scene.high_part, part)))


def _flip_patch(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    """The faces round those that the region's rays record, as far as they are turned alike."""
    scene = setup.scene
    label = _alike(scene.high_triangles)
    patch = np.unique(label[_recorded(setup, result, region)])
    return replace(setup, scene=turned(scene, np.isin(label, patch)))


def _recorded(setup: Setup, result: Prediction, region: Region) -> np.ndarray:
    layer = result.findings.recorded[region.samples]
    face = np.unique(result.layers.face[layer[layer != NO_LAYER]])
    corners = result.scene.surface.triangles[face]
    mine = setup.scene.high_triangles
    if len(mine) == result.scene.surface.triangle_count:
        return face
    wanted = {tuple(sorted(c)) for c in corners.tolist()}
    return np.array([f for f, c in enumerate(mine.tolist()) if tuple(sorted(c)) in wanted])


def _alike(triangles: np.ndarray) -> np.ndarray:
    """(T,) numbers of sets of faces joined over edges that both sides run through oppositely."""
    ends = triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    face = np.repeat(np.arange(len(triangles)), 3)
    there = {(a, b): f for (a, b), f in zip(ends.tolist(), face.tolist(), strict=True)}
    pairs = [
        (f, there[b, a])
        for (a, b), f in zip(ends.tolist(), face.tolist(), strict=True)
        if (b, a) in there
    ]
    one, two = np.array(pairs).reshape(-1, 2).T
    graph = coo_array((np.ones(len(one), np.int8), (one, two)), shape=(len(triangles),) * 2)
    return connected_components(graph, directed=False)[1]


def _close_hole(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    """The scene before its hole; as it is where it never had one."""
    scene = setup.scene
    closed = scene
    while closed.fault == "hole" and closed.whole is not None:
        closed = closed.whole
    return replace(setup, scene=replace(closed, offset=scene.offset, depth=scene.depth))


def _pull_in(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    low, scene = result.low, setup.scene
    chosen = _vertices(result, region)
    positions = scene.low_positions.copy()
    positions[chosen] -= scene.depth * low.ray_normals[low.position_id[chosen]]
    return replace(setup, scene=replace(scene, low_positions=positions))


def _name_partner(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    """Pair by name, as `PART_low` with `PART_high`."""
    scene = setup.scene
    paired = np.array([
        [low.removesuffix("_low") == high.removesuffix("_high") for high in scene.high_names]
        for low in scene.low_names
    ])  # fmt: skip
    return replace(setup, scene=replace(scene, paired=paired))


def _undouble(setup: Setup, result: Prediction, region: Region, said: list[float]) -> Setup:
    scene = setup.scene
    _, first = np.unique(np.sort(scene.high_triangles, axis=1), axis=0, return_index=True)
    kept = np.sort(first)
    return replace(setup, scene=replace(
        scene, high_triangles=scene.high_triangles[kept], high_part=scene.high_part[kept],
        high_group=scene.high_group[kept], high_piece=scene.high_piece[kept],
        home=scene.home[kept],
    ))  # fmt: skip


# What a sentence asks for: the first that matches is followed. A cure that offers per-vertex
# tuning because one value will not do is followed by tuning.
CURES: tuple[tuple[str, str, Change], ...] = (
    ("name a partner", r"name a partner", _name_partner),
    ("tune per vertex", r"tune per vertex", _tune),
    ("bake apart", r"bake each pair by itself", _apart),
    ("raise the offset", rf"raise the offset here above {NUMBER}", _raise_offset),
    ("raise the cage", rf"raise the cage here by more than {NUMBER}", _raise_cage),
    ("keep the offset between", rf"offset here between {NUMBER} and {NUMBER}", _between),
    ("raise the depth", rf"raise the depth to more than {NUMBER}", _raise_depth),
    ("flip the low poly", r"flip (?:all|the) (?:its )?faces of the low.poly", _flip_low),
    ("flip the high part", r"flip all faces of the high", _flip_part),
    ("flip the patch", r"flip the faces of this patch", _flip_patch),
    ("close the hole", r"close the hole", _close_hole),
    ("delete doubled faces", r"delete the doubled faces", _undouble),
    ("lower the offset", r"lower the offset here", _halve),
    ("pull the low poly in", r"pull the low poly in", _pull_in),
)


def followed(setup: Setup, result: Prediction, region: Region) -> tuple[str, Setup] | None:
    """The name of the region's cure and the bake with it, None where hands or taste are needed."""
    for name, pattern, change in CURES:
        match = re.search(pattern, region.cure)
        if match:
            said = [float(x.replace(",", "").rstrip(".")) for x in match.groups()]
            return name, change(setup, result, region, said)
    return None


def tried(setup: Setup, result: Prediction, region: Region) -> Tried | None:
    """Follow a region's cure and predict again."""
    made = followed(setup, result, region)
    if made is None:
        return None
    name, mended = made
    again = predicted(mended)
    defect = next(d for d in Defect if d.title == region.name)
    bit = np.int64(1) << COMPARED.index(defect)
    before, after = told_flags(result), told_flags(again)
    area = result.points.area
    here = np.zeros(len(area), bool)
    here[region.samples] = True
    if len(again.points) == len(result.points):
        left = area[here & ((after & bit) != 0)].sum()
        harm = area[~here & (before == 0) & (after != 0)].sum()
    else:
        # Other samples, as the low poly is another: compare sums.
        left = max(again.points.area[(after & bit) != 0].sum()
                   - area[~here & ((before & bit) != 0)].sum(), 0)  # fmt: skip
        harm = max(again.points.area[after != 0].sum() - area[before != 0].sum(), 0)
    return Tried(region.name, name, bool(left <= LEFT * region.area),
                 bool(harm <= LEFT * region.area))  # fmt: skip


def worth_trying(result: Prediction, most: int) -> list[Region]:
    """The first regions of compared defects."""
    titles = {d.title for d in COMPARED}
    return [r for r in result.regions if r.name in titles][:most]
