"""`cagecheck inspect` from files to exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.inspecting import ALL_CHECKS, inspect_pair
from cagecheck.meshes.mesh import Mesh, Surface, join_meshes
from tests.paths import ROOT
from tests.scenes.sound_lows import box, codes, flipped, low_of, moved_uv, surface_of, the


def write_obj(path: Path, mesh: Mesh) -> Path:
    """A plain OBJ with an object per part."""
    lines = [f"v {x:.9g} {y:.9g} {z:.9g}" for x, y, z in mesh.positions]
    if mesh.corner_uv is not None:
        lines += [f"vt {u:.9g} {v:.9g}" for u, v in mesh.corner_uv]
    part = -1
    for f in range(mesh.face_count):
        if mesh.face_part[f] != part:
            part = mesh.face_part[f]
            lines.append(f"o {mesh.part_names[part]}")
        corners = range(mesh.face_start[f], mesh.face_start[f + 1])
        texture = "" if mesh.corner_uv is None else "/{0}"
        lines.append(
            "f " + " ".join(f"{mesh.corner_vertex[c] + 1}" + texture.format(c + 1) for c in corners)
        )
    path.write_text("\n".join(lines) + "\n")
    return path


def run(*arguments: object):
    return CliRunner().invoke(app, ["inspect", *map(str, arguments)])


def as_json(*arguments: object) -> tuple[int, dict]:
    result = run(*arguments, "--normals", "hardness", "--json")
    return result.exit_code, json.loads(result.stdout)


def found(document: dict) -> list[str]:
    return [f["code"] for f in document["findings"]]


@pytest.fixture
def sound(tmp_path) -> Path:
    return write_obj(tmp_path / "sound_low.obj", box("arm_low"))


def test_a_sound_mesh_is_clean(sound):
    code, document = as_json(sound)
    assert (code, document["findings"], document["uv_islands"]) == (0, [], 6)
    assert document["parts"][0]["tiles"] == [1001]
    assert document["counts"] == {"error": 0, "warning": 0, "information": 0}
    result = run(sound, "--normals", "hardness")
    assert result.exit_code == 0 and "Nothing found." in result.stdout


def test_an_error_ends_with_1_and_says_where(tmp_path):
    path = write_obj(tmp_path / "low.obj", flipped(box("arm")))
    code, document = as_json(path)
    assert code == 1 and found(document) == ["inverted-shell", "uv-mirrored"]
    finding = document["findings"][0]
    assert finding["severity"] == "error" and finding["places"][0]["part"] == "arm"
    assert finding["harm"] and finding["cure"]
    text = run(path, "--normals", "hardness").stdout
    for word in ("ERROR [inverted-shell]", "part arm", "tile 1001", "Harm:", "Cure:"):
        assert word in text


def test_warnings_end_with_0_unless_asked(tmp_path):
    mesh = join_meshes([box("a"), box("b", at=(0.5, 0.5, 0.5), uv_at=(1.1, 0.1))])
    path = write_obj(tmp_path / "low.obj", mesh)
    code, document = as_json(path)
    assert (code, found(document)) == (0, ["crossing-parts"])
    assert as_json(path, "--fail-on", "warning")[0] == 1


def test_what_is_often_meant_is_one_line(tmp_path):
    mesh = join_meshes([box("a"), box("b", at=(0.5, 0.5, 0.5), uv_at=(1.1, 0.1))])
    path = write_obj(tmp_path / "low.obj", mesh)
    text = run(path, "--normals", "hardness").stdout
    assert "Often meant" in text and "Harm:" not in text
    assert "  parts that run through each other: 1 pair." in text
    text = run(path, "--normals", "hardness", "--verbose").stdout
    assert "Often meant" not in text and "WARNING [crossing-parts]" in text and "Harm:" in text


def test_errors_are_never_folded_away():
    for check in ALL_CHECKS:
        assert not check.often_meant or check.severity == "warning", check.code
        assert not check.often_meant or check.often_meant.endswith("."), check.code


def test_map_size_and_padding_matter(sound):
    # The islands are 0.05 apart: 51 texels at 1024.
    assert found(as_json(sound, "--size", 1024, "--padding", 51)[1]) == []
    assert found(as_json(sound, "--size", 1024, "--padding", 52)[1]) == ["uv-spacing"]


def test_pairs_are_matched_by_name(tmp_path, sound):
    high = write_obj(tmp_path / "high.obj", join_meshes([box("arm_high"), box("nail", size=0.5)]))
    code, document = as_json(sound, high)
    assert code == 0 and found(document) == ["unpaired-high"]
    assert document["pairing"][0]["low"] == "arm_low"
    other = write_obj(tmp_path / "other.obj", join_meshes([box("x"), box("y")]))
    code, document = as_json(sound, other, "--no-pairing")
    assert code == 0 and found(document) == []


def test_a_high_of_another_scale_is_told_with_the_flag(tmp_path, sound):
    high = write_obj(tmp_path / "high.obj", box("arm_high", size=100))
    code, document = as_json(sound, high)
    assert code == 1 and found(document) == ["alignment"]
    cure = document["findings"][0]["cure"]
    assert "--high-scale 0.01" in cure
    assert as_json(sound, high, "--high-scale", 0.01) == (
        0,
        as_json(sound)[1]
        | {
            "high": str(high),
            "pairing": document["pairing"],
        },
    )


@pytest.mark.parametrize("text", ["", "v 0 0 0\n", "f 1 2 3\n", "v 0 0 nan\nf 1 1 1\n"])
def test_bad_files_end_with_2(tmp_path, text):
    path = tmp_path / "bad.obj"
    path.write_text(text)
    result = run(path)
    assert result.exit_code == 2 and "bad.obj" in result.stderr
    assert "Traceback" not in result.output
    assert run(tmp_path / "none.obj").exit_code == 2


def test_a_mesh_without_uvs_is_still_inspected(tmp_path):
    mesh = box()
    path = write_obj(tmp_path / "low.obj", mesh.with_positions(mesh.positions))
    assert found(as_json(path)[1]) == []
    bare = Mesh(mesh.positions, mesh.face_start, mesh.corner_vertex, mesh.face_part, ("box",))
    code, document = as_json(write_obj(tmp_path / "bare.obj", bare))
    assert (code, found(document), document["tiles"]) == (1, ["uv-missing"], None)


def test_the_same_input_gives_the_same_words(tmp_path):
    path = write_obj(tmp_path / "low.obj", moved_uv(flipped(box(), [2, 3]), [1], (0.3, 0.02)))
    first, second = run(path), run(path)
    assert first.stdout == second.stdout and first.exit_code == 1


def test_every_check_has_its_own_code_harm_and_cure():
    assert len({c.code for c in ALL_CHECKS}) == len(ALL_CHECKS)
    assert len({c.title for c in ALL_CHECKS}) == len(ALL_CHECKS)
    for check in ALL_CHECKS:
        assert check.harm.endswith(".") and check.cure.endswith(".")
        assert check.severity in ("error", "warning", "information")


def test_findings_are_plain_json_with_the_worst_first():
    low = low_of(moved_uv(flipped(box(), [0]), [1], (-3, 0)))
    inspection = inspect_pair(low, surface_of(box(size=60)))
    order = ["error", "warning", "information"]
    ranks = [order.index(f.severity) for f in inspection.findings]
    assert ranks == sorted(ranks)
    json.dumps(inspection.to_dict(), allow_nan=False)


def test_a_high_that_is_nowhere_near():
    high = surface_of(box(at=(500, 0, 0)))
    inspection = inspect_pair(low_of(box()), high, map_size=1024, padding=8)
    finding = the(inspection, "alignment")
    assert codes(inspection) == ["alignment"] and finding.measures["gap_in_low_diagonals"] > 100


def test_a_high_without_triangles_does_not_crash():
    high = Surface(np.zeros((0, 3)), np.zeros((0, 3), np.int32), np.zeros(0, np.int32), ("box",))
    inspection = inspect_pair(low_of(box()), high, map_size=1024, padding=8)
    assert codes(inspection) == []


def test_the_manual_lists_every_check_as_it_is():
    page = (ROOT / "docs" / "inspect.md").read_text(encoding="utf-8")
    for c in ALL_CHECKS:
        assert f"| `{c.code}` | {c.severity} | {c.title} | {c.harm} | {c.cure} |" in page
