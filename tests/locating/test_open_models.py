"""`locate` on the own normal maps of open glTF models.

The models (npm @webxr-input-profiles/assets 1.0.20, MIT, its generic profiles) come with an
authored map each but without the high poly that it was baked from. A high poly is made from the
map: every low triangle is cut into small ones about a texel wide, whose corners have the normals
that a glTF viewer shades with there. That viewer is written out below from the standard (glTF 2.0,
3.9.3) and takes its tangents from the npm package `mikktspace`; nothing of `cagecheck.maps` is in
it. As glTF counts v downwards, the sign of those tangents is turned, as in glTF-Sample-Viewer since
pull request 531 (see also issue 174 of glTF-Sample-Models).

What this proves: authored maps, with their lossy compression, islands and paddings, are read by the
conventions of the standard and shaded as a viewer shades them, nothing is found where nothing is
wrong, and planted faults are found. What it cannot prove: how the unknown bake went, since the high
poly agrees with the map by construction. The maps' own seams cannot tell either: they run along
hard edges, or the bumps were laid onto each island by itself (the two sides differ by 17 degrees at
the median whichever way green points).
"""

from __future__ import annotations

import json
import struct
from dataclasses import dataclass
from pathlib import Path

import imagecodecs
import numpy as np
import pytest

from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.locating.conventions import encode_srgb
from cagecheck.locating.locate import LocateSettings, Location, locate
from cagecheck.locating.read_maps import BakedMap, as_shares
from cagecheck.maps.encode import BasisRule, tangent_basis
from cagecheck.maps.tangent import corner_tangents
from cagecheck.maps.texels import texel_points
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh
from cagecheck.rays.scene import Scene
from tests.formats.test_read_open_meshes import folder as open_folder
from tests.maps.test_tangent import needs_node, reference

pytestmark = pytest.mark.long

TEXELS_APART = 1.0  # between the high poly's vertices
MOST_CUTS = 96


@dataclass(frozen=True, eq=False)
class Model:
    """A low poly as read, its map's values as stored, and the high poly made from both."""

    low: Mesh
    values: np.ndarray
    scene: Scene
    prepared: LowPoly
    offset: float


def authored_map(path: Path) -> np.ndarray:
    """Return the (H, W, 3) uint8 normal map inside a GLB, by the standard's own pointers."""
    data = path.read_bytes()
    length = struct.unpack_from("<I", data, 12)[0]
    tree, binary = json.loads(data[20 : 20 + length]), data[28 + length :]
    texture = tree["textures"][tree["materials"][0]["normalTexture"]["index"]]
    view = tree["bufferViews"][tree["images"][texture["source"]]["bufferView"]]
    begin = view.get("byteOffset", 0)
    return np.asarray(imagecodecs.jpeg_decode(binary[begin : begin + view["byteLength"]]))


def sampled(values: np.ndarray, uv: np.ndarray) -> np.ndarray:
    """Return the map's normals, bilinear, at (N, 2) UVs with v upwards (glTF 2.0, 3.8.4)."""
    height, width = values.shape[:2]
    x, y = uv[:, 0] * width - 0.5, (1 - uv[:, 1]) * height - 0.5
    c, r = np.floor(x).astype(int), np.floor(y).astype(int)
    s, t = (x - c)[:, None], (y - r)[:, None]

    def at(rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
        texel = values[rows % height, columns % width].astype(float)
        return texel / 255 * 2 - 1  # glTF 2.0, 3.9.3

    above = (1 - s) * at(r, c) + s * at(r, c + 1)
    below = (1 - s) * at(r + 1, c) + s * at(r + 1, c + 1)
    return (1 - t) * above + t * below


def viewer_normals(
    low: LowPoly, tangents: np.ndarray, triangle: np.ndarray, weights: np.ndarray, n: np.ndarray
) -> np.ndarray:
    """Shade (N, 3) tangent-space normals as a viewer does: ``normalize(x T + y B + z N)``."""
    normal = np.einsum("nk,nki->ni", weights, low.shading_normals[triangle])
    tangent = np.einsum("nk,nki->ni", weights, tangents[triangle])
    bitangent = np.cross(normal, tangent[:, :3]) * np.sign(tangents[triangle, 0, 3])[:, None]
    out = n[:, :1] * tangent[:, :3] + n[:, 1:2] * bitangent + n[:, 2:] * normal
    return out / np.linalg.norm(out, axis=1, keepdims=True)


def viewer_tangents(low: LowPoly, folder: Path) -> np.ndarray:
    """MikkTSpace tangents from npm, on the file's own UVs (v down), with the sign turned."""
    assert low.uv is not None
    corners = low.positions[low.triangles], low.shading_normals, low.uv * [1, -1] + [0, 1]
    tangents = reference(corners, folder).astype(float)
    tangents[:, :, 3] *= -1
    return tangents


def dense_high(low: LowPoly, values: np.ndarray, tangents: np.ndarray, path: Path) -> None:
    """Write the high poly as a PLY file with normals."""
    assert low.uv is not None
    longest = np.linalg.norm(low.uv - np.roll(low.uv, -1, axis=1), axis=2).max(axis=1)
    cuts = np.clip(np.ceil(longest * len(values) / TEXELS_APART), 1, MOST_CUTS).astype(int)
    rows, faces, base = [], [], 0
    for n in np.unique(cuts):
        mine = np.flatnonzero(cuts == n)
        i, j = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
        inside = i + j <= n
        number = np.full((n + 1, n + 1), -1)
        number[inside] = np.arange(inside.sum())
        b, c = i[inside] / n, j[inside] / n
        weights = np.stack([1 - b - c, b, c], axis=1)
        up = (i + j < n)[:-1, :-1] if n else inside
        down = (i + j < n - 1)[:-1, :-1]
        corner = number[:-1, :-1], number[1:, :-1], number[:-1, 1:], number[1:, 1:]
        cell = np.concatenate(
            [
                np.stack([corner[0][up], corner[1][up], corner[2][up]], axis=1),
                np.stack([corner[1][down], corner[3][down], corner[2][down]], axis=1),
            ]
        )
        w = np.tile(weights, (len(mine), 1))
        triangle = np.repeat(mine, len(weights))
        place = np.einsum("nk,nki->ni", w, low.positions[low.triangles[triangle]])
        uv = np.einsum("nk,nki->ni", w, low.uv[triangle])
        normal = viewer_normals(low, tangents, triangle, w, sampled(values, uv))
        rows.append(np.concatenate([place, normal], axis=1).astype("<f4"))
        faces.append(
            (cell[None] + np.arange(len(mine))[:, None, None] * len(weights) + base).reshape(-1, 3)
        )
        base += len(w)
    vertices, triangles = np.concatenate(rows), np.concatenate(faces)
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(vertices)}\n"
    head += "".join(f"property float {name}\n" for name in ("x", "y", "z", "nx", "ny", "nz"))
    head += f"element face {len(triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
    packed = np.empty(len(triangles), np.dtype([("n", "u1"), ("v", "<i4", 3)]))
    packed["n"], packed["v"] = 3, triangles
    path.write_bytes(head.encode() + vertices.tobytes() + packed.tobytes())


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Model:
    path = open_folder("controllers") / "trigger" / "right.glb"
    folder = tmp_path_factory.mktemp("open_model")
    low, values = read_mesh(path), authored_map(path)
    prepared = prepare_low(low)
    dense_high(prepared, values, viewer_tangents(prepared, folder), folder / "high.ply")
    high = read_surface(folder / "high.ply")
    assert high.normals is not None and not high.notices
    return Model(low, values, Scene(high), prepared, 2e-4 * prepared.diagonal())


def located(model: Model, values: np.ndarray) -> Location:
    baked = BakedMap(Path("authored_normal.png"), None, np.ascontiguousarray(values), None)
    settings = LocateSettings(offset=model.offset, depth=model.offset)
    return locate([baked], model.low, model.scene, settings=settings)


def codes(result: Location) -> list[str]:
    return [c.code for m in result.maps for c in m.conventions]


@needs_node
def test_our_frames_shade_the_authored_map_as_a_viewer_does(model: Model, tmp_path: Path) -> None:
    texels = texel_points(model.prepared, len(model.values), 1001)
    triangle, weights = texels.points.triangle, texels.points.barycentric
    stored = as_shares(model.values)[texels.y, texels.x].astype(float) * 2 - 1
    theirs = viewer_normals(
        model.prepared, viewer_tangents(model.prepared, tmp_path), triangle, weights, stored
    )
    mine = tangent_basis(model.prepared).decode(triangle, weights, stored)
    apart = np.degrees(2 * np.arcsin(np.clip(np.linalg.norm(mine - theirs, axis=1) / 2, 0, 1)))
    # Tangents agree to float32, except at corners whose own UV triangles have no area.
    assert np.quantile(apart, 0.999) < 0.01


@needs_node
def test_the_authored_map_is_read_as_the_standard_says_and_found_clean(model: Model) -> None:
    result = located(model, model.values)
    (found,) = result.maps
    reading = found.reading
    assert codes(result) == []
    assert (reading.space, reading.transfer, reading.turn) == ("tangent", "plain", 0)
    assert reading.channels == (0, 1, 2) and reading.signs == (1, 1, 1)
    assert reading.basis == BasisRule() and reading.normals == "file"
    # Between its vertices the high poly interpolates: bumps four texels long lose a few degrees.
    assert reading.agreement > 0.7
    found_texels = sum(r.texels for r in result.regions if r.name != "padding too thin")
    assert found_texels < 1e-4 * model.values[..., 0].size, "a speck here and there, no more"


# One of every kind; test_conventions.py reads any mixture of them back.
FAULTS = {
    "green-flipped": lambda v: v * [1, -1, 1] + np.array([0, 255, 0]),
    "rotated": lambda v: np.rot90(v),
    "srgb": lambda v: np.rint(encode_srgb(v / 255) * 255),
    "banding": lambda v: v.astype(np.uint16) * 257,
}


@needs_node
@pytest.mark.parametrize("fault", FAULTS)
def test_planted_conventions_are_named(model: Model, fault: str) -> None:
    values = FAULTS[fault](model.values.astype(int))
    kind = np.uint16 if fault == "banding" else np.uint8
    assert codes(located(model, np.asarray(values, kind))) == [fault]


@needs_node
def test_planted_defects_are_placed(model: Model) -> None:
    values = model.values.copy()
    rng = np.random.default_rng(4)
    y, x = np.mgrid[: len(values), : len(values)]
    bumpy = np.hypot(x - 420, y - 190) < 30  # on the knurled piece
    plain = np.hypot(x - 150, y - 700) < 30
    values[bumpy] = (128, 128, 255)
    noise = rng.normal(0, 25, (plain.sum(), 3))
    values[plain] = np.clip(values[plain] + noise, 0, 255).astype(np.uint8)
    result = located(model, values)
    fault = result.maps[0].fault
    assert codes(result) == [] and fault is not None
    assert (fault[bumpy] == 3).mean() > 0.5, "missed"
    assert (fault[plain] == 7).mean() > 0.5, "noise"
    assert {r.name for r in result.regions} - {"padding too thin"} == {"missed", "noise"}


def test_tangents_that_a_model_carries_have_our_sign() -> None:
    """The hands of the same package come with TANGENT, written by another program."""
    path = open_folder("controllers") / "fixed-hand" / "right.glb"
    low = prepare_low(read_mesh(path))
    data = path.read_bytes()
    length = struct.unpack_from("<I", data, 12)[0]
    tree, binary = json.loads(data[20 : 20 + length]), data[28 + length :]
    primitive = tree["meshes"][0]["primitives"][0]
    stored = {}
    for name, index in (("t", primitive["attributes"]["TANGENT"]), ("i", primitive["indices"])):
        entry = tree["accessors"][index]
        view = tree["bufferViews"][entry["bufferView"]]
        kind, width = {5126: "<f4", 5123: "<u2", 5125: "<u4"}[entry["componentType"]], 4
        count = entry["count"] * (width if name == "t" else 1)
        begin = view.get("byteOffset", 0) + entry.get("byteOffset", 0)
        stored[name] = np.frombuffer(binary, kind, count, begin)
    theirs = stored["t"].reshape(-1, 4)[stored["i"].reshape(-1, 3)]
    mine = corner_tangents(low, "mikktspace")
    assert (mine[..., 3] == theirs[..., 3]).mean() > 0.99
