"""`cagecheck.predict` on a family scene, held against the scene's truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

import cagecheck
from cagecheck.defects.kinds import Defect
from cagecheck.predicting.result import Prediction
from tests.family_oracle import BURIED, SEEN, Truth, high_truth, truth
from tests.scenes.families.scene import FamilyScene

SAMPLES = 1000
HIGH_POINTS = 600
# The defects that the oracle tells, by its own numbers.
COMPARED = (
    Defect.MISS_TIGHT,
    Defect.MISS_NOTHING,
    Defect.MISS_DEEP,
    Defect.OVERSHOOT_OWN,
    Defect.OVERSHOOT_OTHER,
    Defect.BACK_FACING,
)


@dataclass(frozen=True)
class Setup:
    """How a scene is baked: its own offset and depth, or pushes per low vertex; apart."""

    scene: FamilyScene
    push: np.ndarray | None = None
    apart: bool = False
    samples: int = SAMPLES
    high_points: int = HIGH_POINTS


def low_mesh(scene: FamilyScene) -> cagecheck.Mesh:
    count = len(scene.low_triangles)
    return cagecheck.Mesh(
        scene.low_positions,
        3 * np.arange(count + 1, dtype=np.int64),
        scene.low_triangles.ravel().astype(np.int32),
        scene.low_part.astype(np.int32),
        scene.low_names,
    )


def high_surface(scene: FamilyScene) -> cagecheck.Surface:
    return cagecheck.Surface(
        scene.high_positions,
        scene.high_triangles.astype(np.int32),
        scene.high_part.astype(np.int32),
        scene.high_names,
    )


def predicted(setup: Setup) -> Prediction:
    scene = setup.scene
    low = cagecheck.prepare_low(low_mesh(scene))
    cage = None if setup.push is None else cagecheck.cage_from_push(low, setup.push)
    settings = cagecheck.Settings(
        offset=scene.offset, depth=scene.depth, samples=setup.samples, apart=setup.apart,
        unseen_points=setup.high_points,
    )  # fmt: skip
    return cagecheck.predict(
        low, high_surface(scene), cage=cage, paired=scene.paired, settings=settings
    )


@dataclass(frozen=True)
class Score:
    """Areas as shares of the low poly, over interior samples that the oracle can decide.

    true, told: area with a defect by the oracle, by the tool; right: with the same one by both;
    decided: share that the oracle can decide; lost_seen, lost_buried: shares of the high poly that
    are told as lost although they are recorded, or buried; buried: share that is buried.
    """

    true: float
    told: float
    right: float
    decided: float
    lost_seen: float
    lost_buried: float
    buried: float
    places: int

    @property
    def recall(self) -> float:
        return self.right / self.true if self.true > 0 else 1.0

    @property
    def precision(self) -> float:
        return self.right / self.told if self.told > 0 else 1.0


def pooled(scores: list[Score]) -> Score:
    """The mean of the shares over scenes of one family; places are summed."""
    names = ("true", "told", "right", "decided", "lost_seen", "lost_buried", "buried")
    means = {name: float(np.mean([getattr(s, name) for s in scores])) for name in names}
    return Score(**means, places=sum(s.places for s in scores))


def told_flags(result: Prediction) -> np.ndarray:
    """(N,) the tool's defects of every sample, in the oracle's bits."""
    out = np.zeros(len(result.points), np.int64)
    for bit, defect in enumerate(COMPARED):
        out[result.findings.has(defect)] |= 1 << bit
    return out


def sample_truth(setup: Setup, result: Prediction) -> Truth:
    """The oracle's answer at the tool's own samples."""
    low, points = result.low, result.points
    triangle, weights = in_scene(
        low.positions, low.triangles, points.triangle, points.barycentric,
        setup.scene.low_positions, setup.scene.low_triangles,
    )  # fmt: skip
    assert setup.push is None, "the truth is made for one offset"
    rays = (result.rays.direction, result.rays.start)
    return truth(setup.scene, triangle, weights, rays, apart=setup.apart)


def in_scene(positions, triangles, used, barycentric, scene_positions, scene_triangles):
    """Points on a mesh's triangles as points on the scene's: by the corners' places.

    The tool may set faces aside, so that its numbers are not those of the scene.
    """
    if np.array_equal(triangles, scene_triangles) and np.array_equal(positions, scene_positions):
        return used.astype(np.int64), barycentric
    order = [np.lexsort(p.T) for p in scene_positions[scene_triangles]]
    number = {}
    for f in range(len(scene_triangles) - 1, -1, -1):
        number[scene_positions[scene_triangles[f][order[f]]].tobytes()] = f
    faces, of = np.unique(used, return_inverse=True)
    triangle, weights = np.empty(len(used), np.int64), np.empty((len(used), 3))
    for k, face in enumerate(faces):
        mine = np.lexsort(positions[triangles[face]].T)
        f = number[positions[triangles[face]][mine].astype(np.float64).tobytes()]
        rows = np.flatnonzero(of == k)
        triangle[rows] = f
        weights[np.ix_(rows, order[f])] = barycentric[np.ix_(rows, mine)]
    return triangle, weights


def scored(setup: Setup, result: Prediction | None = None) -> Score:
    result = result or predicted(setup)
    expected, told = sample_truth(setup, result), told_flags(result)
    area = result.points.area
    sure = expected.known & (area > 0)
    weight = np.where(sure, area, 0) / area.sum()
    true, said = expected.allowed != 0, told != 0
    right = true & ((told & expected.allowed) != 0) & ((told & ~expected.allowed) == 0)
    lost = _lost(setup.scene, result)
    return Score(
        float(weight[true].sum()), float(weight[said].sum()), float(weight[right].sum()),
        float(weight.sum()), *lost, places=len(result.regions),
    )  # fmt: skip


def _lost(scene: FamilyScene, result: Prediction) -> tuple[float, float, float]:
    unseen = result.unseen
    if unseen is None or len(unseen.points.face) == 0:
        return 0.0, 0.0, 0.0
    surface, points = result.scene.surface, unseen.points
    corners = surface.positions[surface.triangles[points.face]].astype(np.float64)
    weights = barycentric_of(points.position, corners)
    face, weights = in_scene(
        surface.positions, surface.triangles, points.face, weights,
        scene.high_positions, scene.high_triangles,
    )  # fmt: skip
    fate, sure = high_truth(scene, face, weights)
    share = points.area / points.area.sum()
    buried = float(share[fate == BURIED].sum())
    lost = unseen.lost & sure
    return (
        float(share[lost & (fate == SEEN)].sum()),
        float(share[lost & (fate == BURIED)].sum()),
        buried,
    )


def barycentric_of(place: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """(M, 3) barycentric coordinates of places on triangles (M, 3, 3), by areas."""
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    out = np.empty((len(place), 3))
    for k in range(3):
        b, c = corners[:, (k + 1) % 3] - place, corners[:, (k + 2) % 3] - place
        out[:, k] = np.einsum("ij,ij->i", np.cross(b, c), normal)
    return out / out.sum(axis=1, keepdims=True)
