"""Meshes that skeletons and blend shapes move, for `usd_child`.

Source: the documentation of UsdSkel (OpenUSD): blend shapes first, then linear blend skinning.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Moved:
    """(V, 3) points of a mesh that a skeleton holds, in world space or (blend only) its own."""

    points: NDArray[Any]
    is_in_world: bool


class Skeletons:
    """The skeletons of a stage at one time."""

    def __init__(self, stage: Any, time: Any) -> None:
        from pxr import Usd, UsdGeom, UsdSkel

        self.time = time
        self.cache = UsdSkel.Cache()
        self.places = UsdGeom.XformCache(time)
        predicate = Usd.TraverseInstanceProxies(Usd.PrimDefaultPredicate)
        for prim in Usd.PrimRange(stage.GetPseudoRoot(), predicate):
            if prim.IsA(UsdSkel.Root):
                self.cache.Populate(UsdSkel.Root(prim), predicate)

    def moved(self, prim: Any) -> Moved | None:
        """Return a mesh's points as its skeleton holds them; None for what none holds."""
        from pxr import UsdGeom, UsdSkel, Vt

        query = self.cache.GetSkinningQuery(prim)
        if not query:
            return None
        skeleton = UsdSkel.BindingAPI(prim).GetInheritedSkeleton()
        held = self.cache.GetSkelQuery(skeleton) if skeleton else None
        points = UsdGeom.Mesh(prim).GetPointsAttr().Get(self.time)
        if not held or not points:
            return None
        points = Vt.Vec3fArray.FromNumpy(np.array(points, np.float32))
        if query.HasBlendShapes():
            points = self._blended(prim, query, held, points)
        if not query.HasJointInfluences():
            return Moved(np.array(points), False)
        transforms = held.ComputeSkinningTransforms(self.time)
        if query.IsRigidlyDeformed():
            matrix = np.array(query.ComputeSkinnedTransform(transforms, self.time))
        elif query.ComputeSkinnedPoints(transforms, points, self.time):
            matrix = np.eye(4)
        else:
            return None
        matrix = matrix @ np.array(self.places.GetLocalToWorldTransform(skeleton.GetPrim()))
        return Moved(np.array(points) @ matrix[:3, :3] + matrix[3, :3], True)

    def _blended(self, prim: Any, query: Any, held: Any, points: Any) -> Any:
        from pxr import UsdSkel

        animation = held.GetAnimQuery()
        weights = animation.ComputeBlendShapeWeights(self.time) if animation else None
        if not weights:
            return points
        mapper = query.GetBlendShapeMapper()
        own = mapper.Remap(weights, 1, 0.0) if mapper and not mapper.IsIdentity() else weights
        shapes = UsdSkel.BlendShapeQuery(UsdSkel.BindingAPI(prim))
        sub_weights, which, sub = shapes.ComputeSubShapeWeights(own)
        shapes.ComputeDeformedPoints(
            sub_weights, which, sub, shapes.ComputeBlendShapePointIndices(),
            shapes.ComputeSubShapePointOffsets(), points,
        )  # fmt: skip
        return points
