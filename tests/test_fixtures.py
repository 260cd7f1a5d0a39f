"""The fixtures: the script makes their bytes, and `cagecheck` agrees with their truth."""

from __future__ import annotations

import importlib.util
import json
import sys
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

import cagecheck
from cagecheck.defects.kinds import KINDS, Defect
from cagecheck.locating.compare import Fault
from tests.family_score import COMPARED
from tests.paths import ROOT

FOLDER = ROOT / "fixtures"
NAMES = sorted(p.name for p in FOLDER.iterdir() if p.is_dir())
SAMPLES = 6000
# Listed distances have six digits.
DIGITS = 2e-5


def _script():
    spec = importlib.util.spec_from_file_location("fixtures", ROOT / "scripts/make_fixtures.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["fixtures"] = module
    spec.loader.exec_module(module)
    return module


def _truth(name):
    return json.loads((FOLDER / name / "truth.json").read_text())


def _read(name):
    low = cagecheck.prepare_low(cagecheck.read_mesh(str(FOLDER / name / "low.obj")))
    (path,) = (FOLDER / name).glob("high.*")
    return low, cagecheck.read_surface(str(path))


def test_the_script_makes_the_same_bytes():
    script = _script()
    assert sorted(script.FIXTURES) == NAMES
    for name in NAMES:
        made = script.files_of(name)
        assert sorted(made) == sorted(p.name for p in (FOLDER / name).iterdir())
        for file, data in made.items():
            assert (FOLDER / name / file).read_bytes() == data, (name, file)


def test_shares_by_hand_are_those_of_the_oracle():
    script = _script()
    for name in NAMES:
        fixture = script.FIXTURES[name]()
        if fixture.shares is not None:
            counted = script.truth_document(replace(fixture, shares=None), fixture.scene)["shares"]
            assert counted == pytest.approx(fixture.shares, abs=0.005), name


def test_the_readme_lists_every_fixture_and_field():
    words = (FOLDER / "README.md").read_text()
    fields = {key for name in NAMES for key in _truth(name)}
    for word in [*NAMES, *fields]:
        assert f"`{word}`" in words, word


def _expected_shares(truth):
    titles = {KINDS[d].title for d in COMPARED}
    for name in truth["shares"]:
        assert name == "undecided" or set(name.split(" | ")) <= titles
    return truth["shares"]


@pytest.mark.parametrize("name", NAMES)
def test_predict_agrees_on_areas(name):
    truth = _truth(name)
    low, high = _read(name)
    pairing = cagecheck.pair_parts(low.part_names, high.part_names)
    settings = cagecheck.Settings(**truth["bake"], samples=SAMPLES, unseen_points=2000)
    result = cagecheck.predict(low, high, paired=pairing.matrix(), settings=settings)
    shares = _expected_shares(truth)
    open_share = shares.get("undecided", 0.0)
    area = result.points.area / result.points.area.sum()
    for defect in COMPARED:
        told = area[result.findings.has(defect)].sum()
        mine = [s for names, s in shares.items() if defect.title in names.split(" | ")]
        alone = shares.get(defect.title, 0.0)
        least, most = alone - truth["shares_within"], sum(mine) + truth["shares_within"]
        assert least <= told <= most + open_share, (defect.title, told, mine)
    if not shares:
        wrong = [result.findings.has(d)[result.points.area > 0].sum() for d in COMPARED]
        assert sum(wrong) == 0, "sound scenes have nothing at all"
    if "inside_out" in truth:
        causes = [r.cause for r in result.regions if r.name == Defect.BACK_FACING.title]
        assert causes and all(f"{truth['inside_out']} poly" in c for c in causes), causes
    if name == "wholly-inside":
        assert not any(r.name == Defect.UNSEEN.title for r in result.regions)


@pytest.mark.parametrize("name", NAMES)
def test_rays_record_the_listed_distances(name):
    truth = _truth(name)
    _, high = _read(name)
    points, depth = truth["points"], truth["bake"]["depth"]
    origin = np.array([p["origin"] for p in points])
    direction = np.array([p["direction"] for p in points])
    start = np.array([p["start"] for p in points])
    layers = cagecheck.Scene(high).cast(origin, direction, depth, start.max())
    layer = layers.recorded(start, depth)
    told = [None if k < 0 else float(layers.t[k]) for k in layer]
    for point, distance in zip(points, told, strict=True):
        if point["recorded"] is None:
            assert distance is None, point
        else:
            assert distance == pytest.approx(point["recorded"], abs=DIGITS), point


WITH_MAPS = [n for n in NAMES if (FOLDER / n / "normal.1001.png").exists()]
# How the defects that truth.json names show in a map that was baked so.
SHOWN_AS = {KINDS[Defect.OVERSHOOT_OTHER].title: "recorded another part"}


def _above(place, positions, triangles):
    """Heights (T,) of triangles over a place, by their planes; NaN where they are not over it."""
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    weights = np.stack(
        [np.linalg.det(np.stack([q[:, :2] - place, r[:, :2] - place], axis=1))
         for q, r in ((b, c), (c, a), (a, b))], axis=1
    )  # fmt: skip
    weights /= weights.sum(axis=1, keepdims=True)
    height = np.einsum("tk,tk->t", weights, positions[triangles][:, :, 2])
    return np.where(weights.min(axis=1) >= -1e-9, height, np.nan)


def _recorded_faces(name):
    """(H, W) the high-poly triangle that every texel records: the highest below the ray's start.

    By brute force. UVs are (x, y) + 0.5 and the low poly faces up, so rays are, too.
    """
    low, high = _read(name)
    corners = low.mesh.positions[low.mesh.corner_vertex]
    assert np.allclose(low.mesh.corner_uv, corners[:, :2] + 0.5)
    size, start = _map_texels(name).shape[0], _truth(name)["bake"]["offset"]
    out = np.empty((size, size), int)
    for y, x in np.ndindex(size, size):
        place = np.array([(x + 0.5) / size - 0.5, 0.5 - (y + 0.5) / size])
        height = _above(place, high.positions.astype(float), high.triangles)
        out[y, x] = np.argmax(np.where(height <= start, height, -np.inf))
    return out


def _map_texels(name):
    return np.asarray(Image.open(FOLDER / name / "normal.1001.png"), float)


@pytest.mark.parametrize("name", WITH_MAPS)
def test_maps_hold_the_normals_of_what_lies_over_every_texel(name):
    """The recorded triangle's plane, to half a step of 8 bits; tangent space is the world's."""
    truth = _truth(name)
    _, high = _read(name)
    face = _recorded_faces(name)
    green = {"up": 1, "down": -1}[truth["map_green"]]
    vectors = (_map_texels(name) / 255 * 2 - 1) * [1, green, 1]
    p = high.positions.astype(float)[high.triangles]
    normal = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    assert np.abs(vectors - normal[face]).max() <= 1 / 255 + 1e-6
    other = high.triangle_part[face] != 0
    shown = {KINDS[Defect.OVERSHOOT_OTHER].title: other.mean()} if other.any() else {}
    assert shown == truth["map_shows"]
    if "map_normal" in truth:
        slope = np.array([0.1, 0.05])
        assert np.allclose(truth["map_normal"], [*-slope, 1] / np.sqrt(1 + slope @ slope))


@pytest.mark.parametrize("name", WITH_MAPS)
def test_locate_finds_what_the_maps_show(name):
    """Nothing but that, and all of it but for texels beside another facet, which filters blur."""
    truth = _truth(name)
    low, high = _read(name)
    pairing = cagecheck.pair_parts(low.part_names, high.part_names)
    baked = cagecheck.read_map(str(FOLDER / name / "normal.1001.png"), 1001)
    found = cagecheck.locate(
        [baked], low.mesh, high, paired=pairing.matrix(),
        settings=cagecheck.LocateSettings(**truth["bake"]),
    )  # fmt: skip
    codes = [fault.code for fault in found.maps[0].conventions]
    assert codes == (["green-flipped"] if truth["map_green"] == "down" else [])
    names = {SHOWN_AS[defect] for defect in truth["map_shows"]}
    assert {region.name for region in found.regions} == names
    assert found.clean == (not codes and not names)
    face = _recorded_faces(name)
    other, cell = high.triangle_part[face] != 0, face // 2
    around = [np.roll(cell, step, (0, 1)) for step in ((0, 1), (0, -1), (1, 0), (-1, 0))]
    inner = np.all([cell == a for a in around], axis=0)
    wrong = found.maps[0].fault != Fault.CLEAN
    assert not (wrong & ~other).any() and wrong[other & inner].all()
    assert sum(region.texels for region in found.regions) == wrong.sum()


@pytest.mark.parametrize("name", [n for n in NAMES if (FOLDER / n / "cage.obj").exists()])
def test_cages_are_the_offset_along_averaged_normals(name):
    truth = _truth(name)
    low, _ = _read(name)
    mesh = cagecheck.read_mesh(str(FOLDER / name / "cage.obj"))
    cage = cagecheck.cage_from_offset(low, truth["bake"]["offset"])
    assert np.allclose(mesh.positions, cage.positions, atol=1e-8)
