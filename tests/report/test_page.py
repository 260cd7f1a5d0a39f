"""The report page's parts without a browser: packing, thinning, tile pictures, the text."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import zlib
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import igl
import numpy as np
import pytest
import trimesh
from markupsafe import escape

from cagecheck.commands.predict import say_entries
from cagecheck.commands.terminal import Terminal
from cagecheck.defects.kinds import CLEAN, Defect
from cagecheck.errors import InputError
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.predicting.heat import build_heat_map
from cagecheck.predicting.next_steps import way_words
from cagecheck.predicting.page import page_of_prediction
from cagecheck.predicting.predict import predict
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import Settings
from cagecheck.predicting.slide import slide_of
from cagecheck.report.colours import DEFECT_COLOURS
from cagecheck.report.page import page_html, script_json, write_page
from cagecheck.report.thin import thin_surface
from cagecheck.report.tile_pictures import EMPTY, draw_tiles, heat_uv
from cagecheck.report.web_scene import Box, Packed, worst_last
from cagecheck.words.sentences import percent_text
from tests.scenes.dirty_scan import NAMES, predicted_scan

MOST_BYTES = 25_000_000


@pytest.fixture(scope="module")
def page(demo_prediction: Prediction) -> str:
    content = page_of_prediction(demo_prediction, heat_vertices=30_000)
    return page_html(content, high_triangles=20_000)


def page_data(page: str) -> dict[str, Any]:
    found = re.search(r'<script type="application/json" id="facts-data">(.*?)</script>', page, re.S)
    assert found is not None
    out: dict[str, Any] = json.loads(found[1])
    return out


def unpacked(page: str) -> dict[str, np.ndarray]:
    """Decode the page's arrays as its script does."""
    found = re.search(r'id="scene-data">(.*?)</script>', page, re.S)
    assert found is not None
    block = zlib.decompress(base64.b64decode(found[1]))
    out = {}
    for e in page_data(page)["scene"]:
        count = e["rows"] * e["columns"]
        flat = np.frombuffer(block, "<" + e["type"], count, e["offset"])
        rows = flat.reshape(e["columns"], e["rows"])
        if e["differences"]:
            rows = np.cumsum(rows, axis=1, dtype=rows.dtype)
        out[e["name"]] = rows.T
    return out


# Packing ----------------------------------------------------------------------------------------


def test_packed_arrays_come_back() -> None:
    rng = np.random.default_rng(3)
    arrays = {
        "a": rng.integers(-32767, 32768, (100, 3), dtype=np.int16),
        "b": rng.integers(0, 1 << 30, (57, 2), dtype=np.int32),
        "c": rng.integers(0, 255, 31).astype(np.uint8),
        "d": np.zeros((0, 3), np.int16),
    }
    packed = Packed()
    for name, values in arrays.items():
        packed.add(name, values, differences=True)
    text = packed.base64()
    data = json.dumps({"scene": packed.entries})
    page = f'<script type="application/json" id="facts-data">{data}</script>'
    back = unpacked(page + f'<script type="text/plain" id="scene-data">{text}</script>')
    for name, values in arrays.items():
        assert np.array_equal(back[name].reshape(values.shape), values), name


def test_positions_keep_16_bits() -> None:
    rng = np.random.default_rng(4)
    points = rng.normal(0, [3.0, 70.0, 0.2], (1000, 3)) + [1000, -5, 2]
    box = Box.around(points)
    back = box.pack(points).astype(float) / 32767 * box.half + box.centre
    assert np.abs(back - points).max() <= 0.51 * box.half / 32767


def test_the_worst_vertex_comes_last_and_triangles_keep_their_side() -> None:
    triangles = np.array([[0, 1, 2], [5, 6, 7], [2, 0, 1]], np.int32)
    rank = np.array([3, 1, 2, 0, 0, 9, 9, 0], np.uint8)
    turned = worst_last(triangles, rank)
    assert turned[:, 2].tolist() == [1, 7, 1]
    for before, after in zip(triangles, turned, strict=True):
        k = before.tolist().index(after[0])
        assert np.array_equal(np.roll(before, -k), after)


def test_the_page_holds_the_heat_map_and_the_regions(
    demo_prediction: Prediction, page: str
) -> None:
    arrays, data = unpacked(page), page_data(page)
    heat = build_heat_map(demo_prediction, most_vertices=30_000)
    place = arrays["heat_position"] / 32767 * data["box"]["half"] + data["box"]["centre"]
    assert np.allclose(place, heat.positions, atol=data["box"]["half"] / 30_000)
    assert np.array_equal(arrays["heat_main"][:, 0], demo_prediction.findings.main[heat.sample])
    assert len(arrays["heat_triangle"]) == len(heat.triangles)
    first, vertices = arrays["region_vertex_first"][:, 0], arrays["region_vertex"][:, 0]
    for region in demo_prediction.regions[:40]:
        mine = vertices[first[region.number - 1] : first[region.number]]
        if region.name == Defect.UNSEEN.title:
            assert len(mine) == 0
        else:
            assert set(mine) == set(heat.vertex_of_sample[region.samples])


def test_rays_in_the_page_start_on_the_cage(demo_prediction: Prediction, page: str) -> None:
    arrays, data = unpacked(page), page_data(page)
    region = next(r for r in demo_prediction.regions if r.name == Defect.MISS_TIGHT.title)
    first = arrays["ray_first"][:, 0]
    begin = arrays["ray_begin"][first[region.number - 1] : first[region.number]]
    place = begin / 32767 * data["box"]["half"] + data["box"]["centre"]
    rays = demo_prediction.rays
    start = rays.origin + rays.start[:, None] * rays.direction
    gap = np.linalg.norm(place[:, None] - start[region.samples][None], axis=2).min(axis=1)
    assert len(begin) > 0 and gap.max() < data["box"]["half"] / 15_000


# Thinning ---------------------------------------------------------------------------------------


def test_a_thinned_surface_stays_near_and_keeps_its_parts() -> None:
    ball = trimesh.creation.icosphere(5)
    n = len(ball.vertices)
    positions = np.concatenate([ball.vertices, ball.vertices + [3, 0, 0]]).astype(np.float32)
    triangles = np.concatenate([ball.faces, ball.faces + n]).astype(np.int32)
    part = np.repeat([0, 1], len(ball.faces)).astype(np.int32)
    thin = thin_surface(Surface(positions, triangles, part, ("a", "b")), 4000)
    assert 3000 < thin.triangle_count <= 4100
    for k, shift in ((0, 0.0), (1, 3.0)):
        used = thin.positions[np.unique(thin.triangles[thin.triangle_part == k])] - [shift, 0, 0]
        assert np.abs(np.linalg.norm(used, axis=1) - 1).max() < 0.01
    assert np.array_equal(np.sort(thin.triangle_part), thin.triangle_part)


def test_a_very_dense_part_is_binned_first_and_stays_near() -> None:
    ball = trimesh.creation.icosphere(7)
    surface = Surface(
        ball.vertices.astype(np.float32),
        ball.faces.astype(np.int32),
        np.zeros(len(ball.faces), np.int32),
    )
    thin = thin_surface(surface, 3000)
    assert 1500 < thin.triangle_count <= 3100
    squared, _, _ = igl.point_mesh_squared_distance(
        np.ascontiguousarray(ball.vertices[::50]),
        thin.positions.astype(np.float64),
        thin.triangles.astype(np.int64),
    )
    assert np.sqrt(squared.max()) < 0.03


# Tiles ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def two_tiles() -> Prediction:
    """Two squares on tiles 1001 and 1012, each over the middle of its tile."""
    positions = [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]]
    positions += [[x + 2, y, z] for x, y, z in positions]
    uv = [[0.25, 0.25], [0.75, 0.25], [0.75, 0.75], [0.25, 0.75]]
    uv += [[u + 1, v + 1] for u, v in uv]
    low = prepare_low(mesh_from_polygons(positions, [[0, 1, 2, 3], [4, 5, 6, 7]], uv=uv))
    high = Surface(
        np.array([[-1, -1, 0], [1.5, -1, 0], [1.5, 2, 0], [-1, 2, 0]], np.float32),
        np.array([[0, 1, 2], [0, 2, 3]], np.int32),
        np.zeros(2, np.int32),
    )
    settings = Settings(offset=0.1, depth=0.1, reach=0.2, samples=2000, map_size=256)
    return predict(low, high, settings=settings)


def test_tile_pictures_cover_what_the_islands_cover(two_tiles: Prediction) -> None:
    heat = build_heat_map(two_tiles)
    uv, tile = heat_uv(two_tiles.low, heat)
    assert np.allclose(uv, heat.positions[:, :2] * 0.5 + 0.25 - np.where(
        tile[:, None] == 1012, [1.0, 0.0], [0.0, 0.0]))  # fmt: skip
    main = np.where(heat.positions[heat.triangles[:, 0], 0] < 1.5, CLEAN, Defect.MISS_NOTHING)
    region = np.where(main == CLEAN, 0, 1).astype(np.uint16)
    pictures = draw_tiles(heat, uv, tile, main.astype(np.uint8), region, 64)
    assert [p.tile for p in pictures] == [1001, 1012]
    for picture, code, number in zip(pictures, (CLEAN, Defect.MISS_NOTHING), (0, 1), strict=True):
        inside = np.zeros((64, 64), bool)
        inside[16:48, 16:48] = True
        assert np.all(picture.main[inside] == code)
        assert np.all(picture.main[2:-2, 2:10] == EMPTY)
        assert np.all(picture.region[inside] == number)
        assert picture.png(DEFECT_COLOURS).startswith(b"\x89PNG")


def test_tiles_are_not_upside_down() -> None:
    """A triangle in the lower left half of its tile is drawn there, row 0 on top."""
    low = prepare_low(
        mesh_from_polygons([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]],
                           uv=[[0, 0], [1, 0], [0, 1]])
    )  # fmt: skip
    high = Surface(
        np.array([[-1, -1, 0], [3, -1, 0], [-1, 3, 0]], np.float32),
        np.array([[0, 1, 2]], np.int32),
        np.zeros(1, np.int32),
    )
    result = predict(low, high, settings=Settings(offset=0.1, depth=0.1, reach=0.2, samples=300))
    heat = build_heat_map(result)
    uv, tile = heat_uv(low, heat)
    clean = np.full(len(heat.triangles), CLEAN, np.uint8)
    (picture,) = draw_tiles(heat, uv, tile, clean, np.zeros(len(clean), np.uint16), 32)
    assert picture.main[30, 1] == CLEAN and picture.main[1, 30] == EMPTY
    # Half of the tile and the pixels whose centres lie on the long side.
    assert np.sum(picture.main == CLEAN) == 32 * 31 / 2 + 32


# The text ---------------------------------------------------------------------------------------


def test_one_file_that_asks_for_nothing(page: str) -> None:
    assert len(page.encode()) < MOST_BYTES
    outside = re.sub(r"<script.*?</script>", "", page, flags=re.S)
    assert not re.findall(r'(?:src|href)="(?!data:|#)', outside)
    assert "default-src 'none'" in page
    assert "Permission is hereby granted" in page, "the library's licence goes with it"


def test_verdict_notices_and_every_region_are_in_the_page(
    demo_prediction: Prediction, page: str
) -> None:
    count = len(demo_prediction.regions)
    assert f"goes wrong in {count:,} places" in page
    assert page.count('class="pick"') == count
    assert [r["number"] for r in page_data(page)["regions"]] == list(range(1, count + 1))


def test_the_list_goes_as_the_terminal_does_and_folds_away_what_will_not_show(
    demo_prediction: Prediction, page: str
) -> None:
    """Way by way, entry by entry; an entry is one row until it is opened."""
    ways = demo_prediction.ways
    assert len(ways) == 3
    shown = [e for w in ways for e in demo_prediction.entries if e.shows and e.way is w.way]
    rest = [e for e in demo_prediction.entries if not e.shows]
    rows = re.findall(r'<tr data-number="(\d+)"[^>]*?( hidden)?>', page)
    assert [int(n) for n, _ in rows] == [r.number for e in (*shown, *rest) for r in e.regions]
    assert [int(n) for n, away in rows if not away] == [e.first.number for e in shown]
    folded = sum(len(e.regions) for e in rest)
    assert folded and f"+ {folded} that will not show" in page
    heads = re.findall(r'<tr class="way"><th[^>]*>(.*?)</th></tr>', page)
    assert len(heads) == len(ways) + 1
    for way, head in zip(ways, heads, strict=False):
        assert str(escape(way.way.title))[1:] in head and way_words(way) in head
        assert way.next_named and f"<code>{escape(way.next_named)}</code>" in head


def test_the_terminal_lists_in_the_order_of_the_page(
    demo_prediction: Prediction, page: str, capsys: pytest.CaptureFixture[str]
) -> None:
    say_entries(Terminal(False), demo_prediction.entries, demo_prediction.ways, in_files=True)
    said = re.findall(r"^ *(\d+)  \S.* at ", capsys.readouterr().out, re.M)
    rows = re.findall(r'<tr data-number="(\d+)"[^>]*?>', page)
    assert len(said) > 5 and said == [number for number in rows if number in said]


def test_names_cannot_break_the_page(two_tiles: Prediction) -> None:
    evil = "</script><script>alert(1)</script>"
    mesh = replace(two_tiles.low.mesh, part_names=(evil,))
    low = replace(two_tiles.low, mesh=mesh)
    regions = [replace(r, part=evil) for r in two_tiles.regions]
    assert regions
    spoilt = replace(two_tiles, matcher=two_tiles.matcher.on(low), regions=regions)
    page = page_html(page_of_prediction(spoilt, title="<b>bold</b>"))
    assert "alert(1)</script>" not in page
    assert "<b>bold</b>" not in page and "&lt;b&gt;bold" in page
    assert json.loads(script_json({"a": evil}))["a"] == evil


def test_before_and_after_stand_side_by_side(two_tiles: Prediction) -> None:
    assert "Before and after" not in page_html(page_of_prediction(two_tiles))
    page = page_html(page_of_prediction(two_tiles, before=two_tiles))
    row = next(t for t in two_tiles.totals() if t["regions"])
    cells = re.findall(rf"{re.escape(row['name'])}</td>(.*?)</tr>", page, re.S)[-1]
    numbers = re.findall(r'<td class="n">(.*?)</td>', cells)
    assert numbers[0] == numbers[1] == str(row["regions"])
    assert page == page_html(page_of_prediction(two_tiles, before=two_tiles.totals()))


def test_clean_and_without_uvs(two_tiles: Prediction) -> None:
    """No UVs, no unseen points, nothing wrong: a page all the same."""
    low = prepare_low(mesh_from_polygons([[0, 0, 0], [1, 0, 0], [1, 1, 0]], [[0, 1, 2]]))
    settings = Settings(offset=0.1, depth=0.1, reach=0.2, samples=200, unseen_points=0)
    result = predict(low, two_tiles.scene, settings=settings)
    assert result.clean
    page = page_html(page_of_prediction(result), high_triangles=0)
    assert "Nothing found" in page and 'id="tiles"' not in page and "layer-high" not in page[:20000]
    assert "heat_uv" not in unpacked(page)
    # Nobody looked for unseen high poly, so nothing is said of it.
    rows = page_of_prediction(result).tables[0].rows
    assert "unseen high poly" not in [row.cells[0] for row in rows]
    rows = page_of_prediction(two_tiles).tables[0].rows
    assert "unseen high poly" in [row.cells[0] for row in rows]


def test_pages_are_written_whole_and_not_over_others(two_tiles: Prediction, tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    write_page(page_of_prediction(two_tiles), path)
    first = path.read_bytes()
    with pytest.raises(InputError, match="`force`"):
        write_page(page_of_prediction(two_tiles), path)
    write_page(page_of_prediction(two_tiles), path, force=True)
    assert path.read_bytes() == first, "same input, same bytes"


def test_vendored_files_are_those_of_the_notice() -> None:
    folder = files("cagecheck.report") / "vendor"
    notice = (folder / "NOTICE.md").read_text(encoding="utf-8")
    rows = re.findall(r"^([0-9a-f]{64})  (\S+)$", notice, re.M)
    assert len(rows) == 4
    for digest, name in rows:
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest, name


# A scan -----------------------------------------------------------------------------------------


@pytest.mark.long
def test_a_scan_of_more_than_a_thousand_regions_reads_as_calmly() -> None:
    scan = predicted_scan()
    assert len(scan.regions) > 1000 and not scan.low.uv_area.any()
    content = page_of_prediction(scan, heat_vertices=30_000)
    page = page_html(content, high_triangles=20_000)
    rows = re.findall(r'<tr data-number="(\d+)"[^>]*?( hidden)?>', page)
    assert len(rows) == len(scan.regions)
    assert len([n for n, away in rows if not away]) == sum(e.shows for e in scan.entries) < 30
    text = re.sub(r"<script.*?</script>|<style.*?</style>", "", page, flags=re.S)
    # Sizes are shares of the part, which say more than square units of a scan.
    assert "sq. units" not in text and "% of part" in text
    assert all("sq. units" not in r["size_words"] for r in page_data(page)["regions"])
    region = scan.regions[0]
    assert page_data(page)["regions"][0]["size_words"].startswith(
        f"{percent_text(100 * region.area / part_area(scan, region.part))} % of the part"
    )
    # The headline says what one sees, and long names are cut in their middle.
    verdict = re.search(r'<p class="verdict[^>]*>(.*?)</p>', page)
    assert verdict is not None and verdict[1].startswith("One will see ")
    assert "offset" not in verdict[1] and NAMES[0] not in verdict[1]
    assert len(verdict[1]) < 420
    assert page_data(page)["marks_on_model"] <= 20


def part_area(prediction: Prediction, part: str) -> float:
    low = prediction.low
    mine = low.triangle_part == low.part_names.index(part)
    a, b, c = (low.positions[low.triangles[mine, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


# Other distances of the cage ----------------------------------------------------------------------


def test_the_page_knows_every_defect_at_other_distances(demo_prediction: Prediction) -> None:
    """Against predictions cast anew with a cage at those distances."""
    heat = build_heat_map(demo_prediction, most_vertices=30_000)
    slide = slide_of(demo_prediction, heat)
    assert np.array_equal(slide.code[slide.own], demo_prediction.findings.main[heat.sample])
    assert slide.factors[slide.own] == 1 and np.all(np.diff(slide.factors) > 0)
    for stop in (slide.own // 2, slide.own + 4):
        offset = demo_prediction.settings.offset * float(slide.factors[stop])
        chosen = replace(demo_prediction.settings, offset=offset, unseen_points=0)
        anew = predict(
            demo_prediction.low, demo_prediction.scene, paired=demo_prediction.paired,
            settings=chosen,
        )  # fmt: skip
        same = build_heat_map(anew, most_vertices=30_000)
        assert np.array_equal(same.positions, heat.positions)
        differ = slide.code[stop] != anew.findings.main[same.sample]
        # Places where a measure lies on its threshold to the last digit may fall either way.
        assert differ.mean() < 1e-3
        assert slide.area[stop].sum() == pytest.approx(demo_prediction.points.area.sum())


def test_slider_data_come_back(demo_prediction: Prediction, page: str) -> None:
    arrays, data = unpacked(page), page_data(page)
    heat = build_heat_map(demo_prediction, most_vertices=30_000)
    slide = slide_of(demo_prediction, heat)
    first = np.concatenate([[0], np.cumsum(arrays["slide_count"][:, 0].astype(int))])
    stop, code = arrays["slide_stop"][:, 0], arrays["slide_code"][:, 0]
    for v in range(0, len(heat.positions), 97):
        own = slice(first[v], first[v + 1])
        for k in range(len(slide.factors)):
            at = np.searchsorted(stop[own], k, side="right") - 1
            assert code[own][at] == slide.code[k, v]
    small = sum(arrays[name].nbytes for name in ("slide_count", "slide_stop", "slide_code"))
    assert small < 8 * len(heat.positions)
    assert data["slide"]["own"] == slide.own
