"""Two ways to find parts that run through each other, held against each other.

`inspect` casts edges at triangles; `clash` intersects triangles (libigl) and
measures depths. They share no code for it.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from cagecheck.chores.clash.find import find_clashes
from cagecheck.inspecting.crossing import crossing_parts
from cagecheck.meshes.mesh import Mesh, Surface, mesh_from_polygons

MOVE = trimesh.transformations.translation_matrix


def scene(*shapes: trimesh.Trimesh) -> Mesh:
    """One part per shape."""
    positions = np.concatenate([shape.vertices for shape in shapes])
    base = np.cumsum([0, *(len(shape.vertices) for shape in shapes)])
    faces = np.concatenate([shape.faces + b for shape, b in zip(shapes, base, strict=False)])
    mesh = mesh_from_polygons(positions, faces)
    part = np.repeat(np.arange(len(shapes)), [len(s.faces) for s in shapes]).astype(np.int32)
    names = tuple(str(k) for k in range(len(shapes)))
    return Mesh(mesh.positions, mesh.face_start, mesh.corner_vertex, part, names)


def both(mesh: Mesh) -> tuple[set[tuple[int, int]], set[tuple[int, int]]]:
    """Pairs that `inspect` and `clash` find."""
    surface = Surface(
        mesh.positions, mesh.corner_vertex.reshape(-1, 3).astype(np.int32), mesh.face_part,
        mesh.part_names,
    )  # fmt: skip
    every = np.arange(len(mesh.part_names), dtype=np.int32)
    cast = {crossing.parts for crossing in crossing_parts(surface, every)}
    met = {
        (min(int(c.part), int(c.other)), max(int(c.part), int(c.other)))
        for c in find_clashes([mesh]).passing
    }
    return cast, met


def box(centre=(0.0, 0.0, 0.0), size=(1.0, 1.0, 1.0)) -> trimesh.Trimesh:
    return trimesh.creation.box(size, MOVE(centre))


def card(turn=0.0, centre=(0.0, 0.0, 0.0)) -> trimesh.Trimesh:
    corners = 0.4 * np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]], float)
    out = trimesh.Trimesh(corners, np.array([[0, 1, 2], [0, 2, 3]]), process=False)
    out.apply_transform(trimesh.transformations.rotation_matrix(turn, [1, 0, 0]))
    out.apply_translation(centre)
    return out


@pytest.mark.parametrize("seed", range(6))
def test_random_scenes(seed: int) -> None:
    """Balls, boxes, tubes and cards of all sizes, some turned, some on whole numbers."""
    rng = np.random.default_rng(seed)
    makers = (
        lambda: trimesh.creation.icosphere(2),
        lambda: box(),
        lambda: trimesh.creation.cylinder(0.5, 2, sections=16),
        lambda: card(),
    )
    shapes = []
    for _ in range(8):
        shape = makers[rng.integers(4)]()
        shape.apply_scale(10 ** rng.uniform(-0.4, 0.2))
        if rng.random() < 0.7:
            turn = trimesh.transformations.random_rotation_matrix(rng.random(3))
            shape.apply_transform(turn)
        whole = rng.random() < 0.3
        shape.apply_translation(
            np.round(rng.uniform(-2, 2, 3)) if whole else rng.uniform(-0.8, 0.8, 3)
        )
        shapes.append(shape)
    cast, met = both(scene(*shapes))
    assert cast == met and len(met) > 0


@pytest.mark.parametrize(
    ("shapes", "through"),
    [
        ((box(), box((1, 0, 0))), False),  # face to face
        ((box(), box((1, 0.5, 0.25))), False),
        ((box(), box((1, 1, 0))), False),  # edge to edge
        ((box(), box(size=(0.5, 0.5, 0.5))), False),  # one wholly inside the other
        ((box(), box((0.999, 0.1, 0.2))), True),
        ((box(), card(centre=(0, 0, 0.5))), False),  # a card on a face
        ((box(), card(centre=(0.3, 0, 0.1))), True),
        ((card(), card(np.pi / 2)), True),  # crossed
        ((card(), card(np.pi / 2, (0, 0, 0.4))), False),  # one stands on the other
        ((card(), card(np.pi / 2, (0, 0, 0.399))), True),
    ],
)
def test_touching_is_no_crossing(shapes: tuple[trimesh.Trimesh, ...], through: bool) -> None:
    cast, met = both(scene(*shapes))
    assert bool(cast) == through and bool(met) == through
