"""Three ways in which what is wrong can be mended, or not; and which cure belongs to which.

This table is the one home of that: lists, pages and commands are grouped by it.
"""

from __future__ import annotations

from enum import Enum

from cagecheck.defects.reasons import Reason


class Way(Enum):
    """How something is mended."""

    DISTANCES = "distances"
    MESHES = "meshes"
    INHERENT = "inherent"

    @property
    def title(self) -> str:
        """What a group of such places is headed by."""
        return _TITLES[self]


_TITLES = {
    Way.DISTANCES: "mend by distances (tune does it)",
    Way.MESHES: "mend the meshes, their names or the bake's set-up",
    Way.INHERENT: "inherent in this low poly (model it, or accept it)",
}

# By the code of the cure, of predictions and of baked maps.
WAYS: dict[str, Way] = {
    # Where rays start, how deep they look, which way they run.
    "raise-cage": Way.DISTANCES,
    "raise-offset": Way.DISTANCES,
    "one-value-fails": Way.DISTANCES,
    "raise-depth": Way.DISTANCES,
    "keep-between": Way.DISTANCES,
    "tune-per-vertex": Way.DISTANCES,
    "straighten": Way.DISTANCES,
    "lower-or-straighten": Way.DISTANCES,
    "average-normals": Way.DISTANCES,
    "raise-or-model": Way.DISTANCES,
    "apart-or-below": Way.DISTANCES,
    "keep-below-or-split": Way.DISTANCES,
    "keep-below-or-apart": Way.DISTANCES,
    "raise-offset-or-include": Way.DISTANCES,
    # What is in the files, what they are called, how they were put together.
    "name-partner": Way.MESHES,
    "align": Way.MESHES,
    "flip-low": Way.MESHES,
    "flip-high": Way.MESHES,
    "flip-one": Way.MESHES,
    "close-hole": Way.MESHES,
    "delete-doubled": Way.MESHES,
    "flip-patch": Way.MESHES,
    "smooth-high": Way.MESHES,
    "pull-in": Way.MESHES,
    "no-offset-nothing": Way.MESHES,
    "no-offset-covered": Way.MESHES,
    "split-part": Way.MESHES,
    "bake-apart": Way.MESHES,
    "split": Way.MESHES,
    "apart": Way.MESHES,
    "close-or-pull-in": Way.MESHES,
    "close-pull-in-or-pair": Way.MESHES,
    "check-closed": Way.MESHES,
    "check-faces": Way.MESHES,
    "close-or-include": Way.MESHES,
    "include": Way.MESHES,
    "turn-outward": Way.MESHES,
    "uvs-back": Way.MESHES,
    "high-back": Way.MESHES,
    "same-basis": Way.MESHES,
    "take-as-baked": Way.MESHES,
    "more-padding": Way.MESHES,
    "more-samples": Way.MESHES,
    "check-source": Way.MESHES,
    # What rays cannot bring onto this low poly.
    "more-shape": Way.INHERENT,
    "model-pit": Way.INHERENT,
    "open-up": Way.INHERENT,
    "allow-cover": Way.INHERENT,
}


def way_of(cure: Reason) -> Way:
    """Return how a cure mends; where distances are one of two ways, they are tried first."""
    ways = [WAYS[code.code] for code in (cure.code, cure.also) if code is not None]
    return Way.DISTANCES if Way.DISTANCES in ways else ways[0]
