"""What the commands print: lists that stay short, numbers and places that read."""

from __future__ import annotations

import numpy as np
import trimesh
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.commands.predict import first_words, others_words
from cagecheck.commands.terminal import Terminal, place
from cagecheck.commands.tune import say_conflicts
from cagecheck.defects.entries import gather
from cagecheck.defects.kinds import Defect
from cagecheck.defects.reasons import CauseCode, CureCode, Reason, Values
from cagecheck.defects.region_words import amount_words
from cagecheck.defects.regions import Region
from cagecheck.inspecting.finding import density_text
from cagecheck.tuning.conflict_reasons import ConflictCause
from cagecheck.tuning.conflicts import Conflict, Remedy


def region(
    number,
    texels,
    part="arm_low",
    cause=CauseCode.RECORDS_OTHER,
    other="sleeve_high",
    x=0.0,
    gap=0.1,
):
    return Region(
        number, Defect.OVERSHOOT_OTHER, part, 1001, (x, 0.0, 0.0), 0.1, texels / 1000, 1.0,
        texels, 0.1, "units", Reason(cause, Values(other_part=other, part=part, gap=gap)),
        Reason(CureCode.BAKE_APART), 5, other, np.zeros(0, np.int64),
    )  # fmt: skip


def test_regions_of_one_cause_on_one_part_are_told_together():
    told = gather(
        [
            region(1, 90.0, part="eye_low"),
            region(2, 50.0),
            region(3, 45.0, gap=-1.2e-05),
            region(4, 40.0, cause=CauseCode.HOLE),
            region(5, 30.0, other="glove_high"),
        ]
    )
    assert [(g.first.number, [r.number for r in g.others]) for g in told] == [
        (2, [3]),
        (1, []),
        (4, []),
        (5, []),
    ]
    assert told[0].texels == 95.0 and told[0].area == 0.095
    assert [g.see_first for g in told] == [()] * 4


def test_what_spoils_a_part_comes_first_and_what_may_be_meant_last():
    told = gather(
        [
            region(1, 90.0, cause=CauseCode.COVERED),
            region(2, 50.0),
            region(3, 5.0, cause=CauseCode.NOT_ALIGNED),
            region(4, 60.0, part="eye_low"),
        ]
    )
    assert [(e.first.number, e.see_first) for e in told] == [(3, ()), (4, ()), (2, (3,)), (1, (3,))]
    assert first_words(told[2]) == "after 3, which spoils the whole part: "
    assert first_words(told[0]) == first_words(told[1]) == ""


def test_regions_whose_balls_touch_lie_at_one_place():
    """Balls of radius 0.1 along a line: three that touch one after the other, and one alone."""
    (entry,) = gather([region(k, 9.0 - k, x=x) for k, x in enumerate((0.0, 0.19, 5.0, 0.38), 1)])
    assert entry.places == 2 and [r.number for r in entry.others] == [2, 3, 4]
    assert others_words(entry).startswith("and 3 more like it on this part, in 2 places; together")
    (apart,) = gather([region(1, 2.0), region(2, 1.0, x=5.0)])
    assert others_words(apart) == ("and 1 more like it on this part; together 3 texels, none show")


def test_places_have_no_rounding_noise():
    assert place([-8.1e-18, 0.905, np.float64(-5.8e-19)]) == "0 0.905 0"
    assert place([1e-3, 2.0, 168.25], ", ") == "0.001, 2, 168.2"
    assert place([0, 0, 0]) == "0 0 0"
    assert place([1e-17, 0, -1e-17], size=2.0) == "0 0 0"


def test_amounts_and_densities_read_without_exponents():
    assert amount_words(1234.6, 0.5) == "1,235 texels"
    assert amount_words(0.0, 0.5) == "0.5 sq. units"
    assert density_text(10810.2) == "10,810" and density_text(12.3456) == "12.35"


def test_names_in_tables_are_never_cut(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    names = ("a_very_long_part_name_of_the_left_boot_low", "another_long_part_name_right_boot_low")
    Terminal().table("Parts", ("part", "high", "x"), [(*names, 1.0)])
    shown = capsys.readouterr().out
    assert "…" not in shown
    cells = [
        [c.strip() for c in line.split("│")[1:3]] for line in shown.splitlines() if "│" in line
    ]
    assert ["".join(column) for column in zip(*cells, strict=True)] == list(names)


def test_without_a_window_tables_are_wide(capsys, monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)
    Terminal().table("Parts", ("part", "high"), [("p" * 60, "h" * 60)])
    assert "p" * 60 in capsys.readouterr().out


def test_clash_tells_a_pair_once(tmp_path):
    """Four teeth of a comb go through both faces of a plate: one line, not eight."""
    plate = trimesh.creation.box(bounds=[[0, 0, -0.1], [9, 1, 0.1]])
    teeth = [trimesh.creation.box(bounds=[[x, 0.4, -0.5], [x + 1, 0.6, 0.5]]) for x in (1, 3, 5, 7)]
    lines, base = [], 1
    for name, pieces in (("plate", [plate]), ("comb", teeth)):
        lines.append(f"o {name}")
        for piece in pieces:
            lines += ["v " + " ".join(map(str, v)) for v in piece.vertices]
            lines += ["f " + " ".join(str(i + base) for i in f) for f in piece.faces]
            base += len(piece.vertices)
    (tmp_path / "comb.obj").write_text("\n".join(lines) + "\n")
    done = CliRunner().invoke(app, ["clash", str(tmp_path / "comb.obj")])
    told = [line for line in done.stdout.splitlines() if " deep into " in line]
    assert done.exit_code == 1 and len(told) == 1 and "and 7 more places" in told[0]
    assert "There are parts that pass through each other." in done.stdout


def test_turned_meshes_come_first_in_the_verdict_and_no_uvs_have_no_texels(tmp_path):
    cone = trimesh.creation.cone(0.3, 1.0, sections=24)
    cone.export(tmp_path / "low.stl")
    turned = cone.copy()
    turned.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [1, 0, 0]))
    turned.export(tmp_path / "high.stl")
    pair = [str(tmp_path / "low.stl"), str(tmp_path / "high.stl")]
    done = CliRunner().invoke(app, ["predict", *pair, "--samples", "2000"])
    last = done.stdout.splitlines()[-1]
    assert last.startswith("First see to this: ") and "--high-axes" in last
    row = next(line for line in done.stdout.splitlines() if "steep normals" in line)
    assert row.split("│")[-2].strip() == "-"
    assert "sq. units" in done.stdout and "in the files" not in done.stdout


def flat_pair(folder, shift):
    """A square with UVs moved by `shift`, and a high poly on it."""
    uv = [[x + shift, y] for x, y in ((0.1, 0.1), (0.9, 0.1), (0.9, 0.9), (0.1, 0.9))]
    lines = ["v 0 0 0", "v 1 0 0", "v 1 1 0", "v 0 1 0", *(f"vt {u} {v}" for u, v in uv)]
    (folder / "low.obj").write_text("\n".join([*lines, "f 1/1 2/2 3/3 4/4"]) + "\n")
    (folder / "high.obj").write_text("\n".join([*lines[:4], "f 1 2 3 4"]) + "\n")
    return [str(folder / "low.obj"), str(folder / "high.obj"), "--samples", "100"]


def test_uvs_off_the_tiles_are_not_called_missing(tmp_path):
    pair = flat_pair(tmp_path, -3)
    for more in (["--texels", "16"], ["--maps", "normal", "--out", str(tmp_path / "o")]):
        done = CliRunner().invoke(app, ["predict", *pair, *more])
        assert done.exit_code == 2 and "lie off the tile grid" in done.stderr
        assert "no UVs" not in done.stderr
    assert not (tmp_path / "o").exists()


def test_taken_folders_are_refused_before_the_work(tmp_path, monkeypatch):
    pair = flat_pair(tmp_path, 0)
    out = tmp_path / "a folder"
    done = CliRunner().invoke(app, ["predict", *pair, "--out", str(out)])
    assert f"cagecheck view '{out}'" in done.stdout  # as the shell wants it
    monkeypatch.setattr("cagecheck.commands.predict.read_inputs", None)
    again = CliRunner().invoke(app, ["predict", *pair, "--out", str(out)])
    assert again.exit_code == 2 and "exists already" in again.stderr
    taken = CliRunner().invoke(app, ["predict", *pair, "--out", str(tmp_path / "low.obj")])
    assert taken.exit_code == 2 and "not a folder" in taken.stderr


def test_conflicts_of_one_kind_on_one_part_are_one_row(capsys, monkeypatch):
    def conflict(number, cause, short, before):
        remedy = Remedy("bake apart", "bake apart", 0.0, before, 1)
        return Conflict(
            number, "overshoot: other part", "arm_low", (0.0, 0.0, 0.0), before, 9.0,
            "arm", "sleeve", 0.01,
            Reason(cause, Values(part="arm", other_part="sleeve", short=short)), (remedy,),
        )  # fmt: skip

    monkeypatch.setenv("COLUMNS", "200")
    found = (conflict(3, ConflictCause.PART_ABOVE, 0.01, 40),
             conflict(9, ConflictCause.PART_BESIDE, 0.01, 7),
             conflict(12, ConflictCause.PART_ABOVE, 0.02, 20))  # fmt: skip
    say_conflicts(Terminal(), found)
    rows = [line for line in capsys.readouterr().out.splitlines() if "arm_low" in line]
    assert len(rows) == 2 and "3 (and 1 more)" in rows[0] and "60 to 2 wrong" in rows[0]
