"""Rays of a bake: points on the low poly, cages, the scene and the layer table."""

from cagecheck.arrays.morton import coherent_order
from cagecheck.rays.cage import (
    Cage,
    Rays,
    cage_from_mesh,
    cage_from_offset,
    cage_from_push,
    rays_through,
)
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.points import (
    PointKind,
    SurfacePoints,
    join_points,
    sample_points,
    spacing_for_count,
)
from cagecheck.rays.scene import Scene

__all__ = [
    "NO_LAYER",
    "Cage",
    "Layers",
    "PointKind",
    "Rays",
    "Scene",
    "SurfacePoints",
    "cage_from_mesh",
    "cage_from_offset",
    "cage_from_push",
    "coherent_order",
    "join_points",
    "rays_through",
    "sample_points",
    "spacing_for_count",
]
