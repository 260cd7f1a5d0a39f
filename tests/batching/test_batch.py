"""Batches: manifests, resuming, gates, faults that stay where they are."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import trimesh
from junitparser import JUnitXml
from typer.testing import CliRunner

from cagecheck.batching import run as batch_module
from cagecheck.batching.gate import Gate, junit_xml
from cagecheck.batching.job import run_job
from cagecheck.batching.manifest import read_manifest
from cagecheck.batching.on_processes import failed_row, run_locally
from cagecheck.batching.run import run_batch
from cagecheck.cli import app
from cagecheck.errors import InputError

runner = CliRunner()
SHARED = "[options]\nsamples = 1500\nsize = 256\noffset = 0.05\nreach = 0.3\ndepth = 0.1\n"


def write_ball(folder, name, sides=2):
    trimesh.creation.icosphere(subdivisions=sides).export(folder / f"{name}_low.obj")
    trimesh.creation.icosphere(subdivisions=4).export(folder / f"{name}_high.ply")


def asset(name, **more):
    values = {"name": name, "low": f"{name}_low.obj", "high": f"{name}_high.ply", **more}
    return "[[asset]]\n" + "".join(f"{k} = {json.dumps(v)}\n" for k, v in values.items())


@pytest.fixture
def studio(tmp_path):
    """Two balls and a manifest."""
    for name in ("one", "two"):
        write_ball(tmp_path, name)
    path = tmp_path / "m.toml"
    path.write_text(SHARED + asset("one") + asset("two"))
    return path


# --- manifests ---------------------------------------------------------------------------------


def test_toml_and_csv_say_the_same(tmp_path):
    toml, table, other = (tmp_path / n for n in ("m.toml", "m.csv", "semicolons.csv"))
    toml.write_text(
        '[gate]\npercent = 0.5\n[[asset]]\nname = "hero"\nlow = "a.obj"\nhigh = "sub/b.ply"\n'
        'cage = "c.obj"\nsamples = 1000\ntune = true\npair = ["{name}_lo={name}_hi", "a=b"]\n'
        'directions = "face"\nmargin = 0.25\ngate = { texels_of = { skew = 20 } }\n'
    )
    table.write_text(
        "name,low,high,cage,samples,tune,pair,directions,margin,gate_percent,gate_texels_of_skew\n"
        "hero,a.obj,sub/b.ply,c.obj,1000,yes,{name}_lo={name}_hi;a=b,face,0.25,0.5,20\n\n"
    )
    other.write_text(table.read_text().replace(";", "|").replace(",", ";").replace("|", ","))
    one, two = read_manifest(toml), read_manifest(table)
    assert one.assets == two.assets and one.is_gate
    (hero,) = one.assets
    assert hero.files["high"] == tmp_path / "sub" / "b.ply"
    assert hero.gate == Gate(percent=0.5, texels_of={"skew": 20.0})
    assert hero.options["samples"] == 1000 and hero.options["tune"] is True
    assert read_manifest(other).assets[0].files == hero.files


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "names no assets"),
        ("[[asset]]\nlow = 'a.obj'\n", "high is missing"),
        ("[[asset]]\nlow = 1\nhigh = 'b'\n", "low is not a path"),
        ("[[asset]]\nlow = 'a'\nhigh = 'b'\nsample = 3\n", "“sample” is no option"),
        ("[[asset]]\nlow = 'a'\nhigh = 'b'\nsamples = 1.5\n", "not a whole number"),
        ("[[asset]]\nlow = 'a'\nhigh = 'b'\nsamples = true\n", "not a whole number"),
        ("[[asset]]\nlow = 'a'\nhigh = 'b'\noffset = nan\n", "not a number"),
        ("[[asset]]\nlow = 'a'\nhigh = 'b'\ntune = 'perhaps'\n", "tune is 'perhaps'"),
        ("[[asset]]\nlow = 'a'\nhigh = 'b'\nalong = 'x'\n", "along is 'x'"),
        ("[[asset]]\nlow = 'a'\nhigh = 'b'\npair = [1]\n", "not a list of texts"),
        ("[[asset]]\nlow = 'a'\nhigh = 'b'\n" * 2, "two assets are named a"),
        ("[gate]\nfun = 1\n[[asset]]\nlow = 'a'\nhigh = 'b'\n", "“fun” is no threshold"),
        ("[gate]\nregions = -1\n[[asset]]\nlow = 'a'\nhigh = 'b'\n", "below zero"),
        ("[gate.texels_of]\nluck = 1\n[[asset]]\nlow = 'a'\nhigh = 'b'\n", "“luck” is no defect"),
        ("gate = 3\n[[asset]]\nlow = 'a'\nhigh = 'b'\n", "not a table"),
        ("asset = 3\n", r"not written as \[\[asset\]\]"),
        ("[assets]\n", "“assets” is not known"),
        ("[[asset]]\nlow = 'a'\nhigh = 'b'\nframe = true\n", "frame is True"),
        ("a =", "does not read"),
    ],
)
def test_bad_manifests_are_said_plainly(tmp_path, text, said):
    path = tmp_path / "m.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=said):
        read_manifest(path)


def test_frames_and_animations_are_texts_or_numbers(tmp_path):
    wanted = {"frame": "12.5", "animation": "walk", "rate": 30.0}
    head = '[options]\nanimation = "walk"\nrate = 30\n'
    for frame in ("12.5", '"12.5"'):
        text = f'{head}frame = {frame}\n[[asset]]\nlow = "a.glb"\nhigh = "b.glb"\n'
        (tmp_path / "m.toml").write_text(text)
        assert read_manifest(tmp_path / "m.toml").assets[0].options == wanted
    (tmp_path / "m.csv").write_text(
        "low,high,frame,animation,rate\na.glb,b.glb,12.5,walk,30\nc.glb,b.glb,rest,,\n"
    )
    assert read_manifest(tmp_path / "m.csv").assets[0].options == wanted


def test_lengths_may_be_in_percent_of_the_low_poly(tmp_path):
    text = '[options]\nmargin = "0.5%"\nlimit = 2\n[[asset]]\nlow = "a.obj"\nhigh = "b.obj"\n'
    (tmp_path / "m.toml").write_text(text)
    (one,) = read_manifest(tmp_path / "m.toml").assets
    assert one.options == {"margin": "0.5%", "limit": 2.0}
    (tmp_path / "m.csv").write_text("low,high,margin,limit\na.obj,b.obj,0.5%,2\n")
    assert read_manifest(tmp_path / "m.csv").assets[0].options == one.options
    (tmp_path / "m.csv").write_text("low,high,margin\na.obj,b.obj,wide%\n")
    with pytest.raises(InputError, match="margin is 'wide'"):
        read_manifest(tmp_path / "m.csv")


def test_manifest_files_that_do_not_read(tmp_path):
    (tmp_path / "m.toml").write_bytes(b"\xff\xfe\x00")
    (tmp_path / "m.json").write_text("{}")
    (tmp_path / "m.csv").write_text("low,high\na,b,c\n")
    for name, said in (("m.toml", "not UTF-8"), ("m.json", "ends in"), ("none.toml", "cannot"),
                       ("m.csv", "more cells")):  # fmt: skip
        with pytest.raises(InputError, match=said):
            read_manifest(tmp_path / name)


def test_slugs_are_safe_and_unlike(tmp_path):
    names = ["../x", "..", "A b", "a_b", "über"]
    text = "".join(f"[[asset]]\nname = {json.dumps(n)}\nlow = 'l'\nhigh = 'h'\n" for n in names)
    (tmp_path / "m.toml").write_text(text)
    slugs = [a.slug for a in read_manifest(tmp_path / "m.toml").assets]
    assert slugs == ["x", "asset", "A_b", "a_b_2", "über"]


# --- running and resuming ----------------------------------------------------------------------


def test_all_assets_run_and_one_fault_stops_no_other(studio, here, tmp_path):
    (tmp_path / "bad_low.obj").write_text("v 0 0 nonsense\nf 1 2 3\n")
    studio.write_text(SHARED + asset("one") + asset("bad", high="one_high.ply")
                      + asset("gone") + asset("two"))  # fmt: skip
    result = run_batch(read_manifest(studio), tmp_path / "out")
    assert [row["status"] for row in result.rows] == ["done", "failed", "failed", "done"]
    assert "nonsense" in result.rows[1]["error"] and "no such file" in result.rows[2]["error"]
    assert here == ["one", "bad", "gone", "two"]
    names = {p.name for p in (tmp_path / "out" / "assets" / "two" / "predicted").iterdir()}
    assert {"heatmap.ply", "regions.csv", "samples.npz"} <= names
    document = json.loads((tmp_path / "out" / "results.json").read_text())
    assert [row["name"] for row in document["assets"]] == ["one", "bad", "gone", "two"]
    assert not result.passed


def test_done_work_is_kept_until_something_it_depends_on_changes(studio, here, tmp_path):
    out = tmp_path / "out"

    def run():
        here.clear()
        result = run_batch(read_manifest(studio), out)
        assert [row["status"] for row in result.rows] == ["done"] * len(result.rows)
        assert [row["name"] for row in result.rows if not row["reused"]] == here
        return list(here)

    assert run() == ["one", "two"]
    assert run() == []
    low = tmp_path / "one_low.obj"
    os.utime(low, (1, 1))  # another date, the same contents
    assert run() == []
    low.write_text(low.read_text() + "# changed\n")
    assert run() == ["one"]
    studio.write_text(SHARED + asset("one", seed=3) + asset("two"))
    assert run() == ["one"]
    write_ball(tmp_path, "three")
    studio.write_text(SHARED + asset("three") + asset("two") + asset("one", seed=3))
    assert run() == ["three"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(batch_module, "__version__", "99")
        assert run() == ["three", "two", "one"]


def test_failures_are_tried_again(studio, here, tmp_path):
    high = tmp_path / "two_high.ply"
    data = high.read_bytes()
    high.unlink()
    first = run_batch(read_manifest(studio), tmp_path / "out")
    assert [row["status"] for row in first.rows] == ["done", "failed"]
    high.write_bytes(data)
    here.clear()
    second = run_batch(read_manifest(studio), tmp_path / "out")
    assert here == ["two"] and not second.failed
    here.clear()
    run_batch(read_manifest(studio), tmp_path / "out", again=True)
    assert here == ["one", "two"]


def test_a_gltf_depends_on_its_buffers_too(tmp_path):
    scene = trimesh.Scene(trimesh.creation.box())
    for name, data in scene.export(file_type="gltf").items():
        (tmp_path / name).write_bytes(data)
    gltf = next(tmp_path.glob("*.gltf"))
    (tmp_path / "m.toml").write_text(f"[[asset]]\nlow = '{gltf.name}'\nhigh = '{gltf.name}'\n")
    (item,) = read_manifest(tmp_path / "m.toml").assets
    before = batch_module.asset_key(item, {})
    buffer = next(tmp_path.glob("*.bin"))
    buffer.write_bytes(buffer.read_bytes()[:-1] + b"\x01")
    assert batch_module.asset_key(item, {}) != before


@pytest.mark.long
def test_tuned_assets_are_measured_after_tuning(studio, here, tmp_path):
    studio.write_text(
        SHARED.replace("offset = 0.05", "offset = 0.001") + asset("one", tune=True) + asset("two")
    )
    tuned, plain = run_batch(read_manifest(studio), tmp_path / "out").rows
    assert tuned["tuned"] and not plain["tuned"]
    assert tuned["predicted"]["percent"] == pytest.approx(plain["summary"]["percent"], rel=0.2)
    assert tuned["predicted"]["percent"] > 50  # a cage within the ball misses most of it
    assert tuned["summary"]["percent"] < 1
    folder = tmp_path / "out" / "assets" / "one" / "tuned"
    assert (folder / "cage.obj").exists() and (folder / "push.json").exists()


def test_other_peoples_folders_are_left_alone(studio, here, tmp_path):
    out = tmp_path / "full"
    out.mkdir()
    (out / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match="other things"):
        run_batch(read_manifest(studio), out)
    assert [p.name for p in out.iterdir()] == ["mine.txt"]
    with pytest.raises(InputError, match="not a folder"):
        run_batch(read_manifest(studio), out / "mine.txt")
    for wrong in ({"workers": 0}, {"memory_gb": 0.0}):
        with pytest.raises(InputError):
            run_batch(read_manifest(studio), tmp_path / "new", **wrong)


# --- gate --------------------------------------------------------------------------------------


def test_thresholds_decide_and_junit_says_so(studio, here, tmp_path):
    gates = {"one": {"percent": 100.0}, "two": {"percent": 0.0, "texels_of": {"skew": 0.0}}}
    text = SHARED.replace("offset = 0.05", "offset = 0.001")
    for name, gate in gates.items():
        of = gate.pop("texels_of", None)
        text += asset(name) + f"[asset.gate]\npercent = {gate['percent']}\n"
        text += "[asset.gate.texels_of]\nskew = 0\n" if of else ""
    studio.write_text(text + asset("gone"))
    result = run_batch(read_manifest(studio), tmp_path / "out")
    one, two, gone = result.rows
    assert one["breaches"] == [] and len(two["breaches"]) >= 1 and gone["status"] == "failed"
    assert not result.passed
    suites = JUnitXml.fromfile(str(tmp_path / "out" / "junit.xml"))
    assert (suites.tests, suites.failures, suites.errors) == (3, 1, 1)
    (suite,) = suites
    kinds = {case.name: [type(r).__name__ for r in case.result] for case in suite}
    assert kinds == {"one": [], "two": ["Failure"], "gone": ["Error"]}


def test_gate_sentences():
    summary = {"regions": 3, "texels": 120.0, "percent": 0.4, "texels_seen": 40.0, "harm": 900.0,
               "defects": [{"name": "skew", "texels": 30.0}]}  # fmt: skip
    assert Gate(regions=3, texels=120, percent=0.4, texels_of={"skew": 30}).breaches(summary) == []
    said = Gate(regions=2, texels=119, percent=0.3, texels_of={"skew": 29, "fold": 0})
    assert said.breaches(summary) == [
        "3 regions with defects, 2 allowed",
        "120 texels with defects, 119 allowed",
        "0.4 % of the area with defects, 0.3 allowed",
        "30 texels of skew, 29 allowed",
    ]
    assert Gate(texels_seen=40, harm=900).breaches(summary) == []
    assert Gate(texels_seen=39, harm=899).breaches(summary) == [
        "40 texels with defects that show, 39 allowed",
        "900 degrees times texels of visible harm, 899 allowed",
    ]


def test_junit_counts_times_and_reasons():
    """Read back by junitparser: times add up, a failure says every breach and the worst place."""
    worst = {"name": "miss", "part": "arm", "cause": "too close", "cure": "push"}
    rows = [
        {"name": "ok", "status": "done", "breaches": [], "seconds": 1.25, "summary": {}},
        {"name": "bad", "status": "done", "breaches": ["one", "two"], "seconds": 2.5,
         "summary": {"worst": worst}},
        {"name": "few", "status": "done", "breaches": ["one"], "seconds": 0.125, "summary": {}},
        {"name": "gone", "status": "failed", "breaches": [], "seconds": None, "error": "no file"},
    ]  # fmt: skip
    suites = JUnitXml.fromstring(junit_xml("night", rows))
    (suite,) = suites
    for counts in (suites, suite):
        assert (counts.tests, counts.failures, counts.errors, counts.time) == (4, 2, 1, 3.875)
    assert suite.name == "night" and suite.skipped == 0
    ok, bad, few, gone = suite
    assert [case.time for case in (ok, bad, few, gone)] == [1.25, 2.5, 0.125, 0.0]
    assert [len(case.result) for case in (ok, bad, few, gone)] == [0, 1, 1, 1]
    assert bad.result[0].message == "one" and few.result[0].text == "one"
    assert bad.result[0].text == "one\ntwo\nworst: miss on arm: too close. Cure: push."
    assert gone.result[0].message == gone.result[0].text == "no file"


def test_junit_holds_any_name():
    row = {"name": "a<b>&\x00\ud800\x1b", "status": "failed", "error": "x \x0b]]>", "breaches": []}
    data = junit_xml("su\x01ite", [row])
    (suite,) = JUnitXml.fromstring(data)
    (case,) = suite
    assert case.name == "a<b>&???"


# --- page and command --------------------------------------------------------------------------


def test_the_page_escapes_names_and_asks_for_nothing_outside(studio, here, tmp_path):
    studio.write_text(SHARED + asset("one").replace('"one"\nlow', '"<script>x"\nlow', 1))
    run_batch(read_manifest(studio), tmp_path / "out")
    page = (tmp_path / "out" / "index.html").read_text()
    assert "<script" not in page and "&lt;script&gt;x" in page
    assert not re.search(r"https?:|//|@import|url\(", page.replace("<!doctype", ""))
    for link in re.findall(r'href="([^"]+)"', page):
        assert (tmp_path / "out" / link).exists()


def test_errors_name_files_without_their_folders(studio, here, tmp_path):
    studio.write_text(SHARED + asset("gone"))
    (row,) = run_batch(read_manifest(studio), tmp_path / "out").rows
    assert row["status"] == "failed" and row["error"].startswith("gone")
    for name in ("index.html", "results.csv"):
        assert str(here) not in (tmp_path / "out" / name).read_text()


def test_exit_codes(studio, here, tmp_path):
    def run(*arguments):
        result = runner.invoke(app, ["batch", *map(str, arguments)])
        assert "Traceback" not in result.output
        return result

    result = run(studio, "--out", tmp_path / "a", "--json")
    document = json.loads(result.output)
    clean = all(row["summary"]["clean"] for row in document["assets"])
    assert result.exit_code == (0 if clean else 1)
    studio.write_text(SHARED + "[gate]\npercent = 100\n" + asset("one"))
    assert run(studio, "--out", tmp_path / "b").exit_code == 0
    studio.write_text(SHARED + "[gate]\npercent = 100\n" + asset("gone"))
    assert run(studio, "--out", tmp_path / "c").exit_code == 1
    studio.write_text("x")
    assert run(studio, "--out", tmp_path / "d").exit_code == 2
    assert not (tmp_path / "d").exists()


# --- real processes ----------------------------------------------------------------------------


def job_of(folder, name, **more):
    return {
        "name": name,
        "key": name,
        "folder": str(folder / name),
        "files": {"low": str(folder / "one_low.obj"), "high": str(folder / "one_high.ply")},
        "options": {"samples": 1500, "size": 256, "offset": 0.05, "reach": 0.3, "depth": 0.1},
        "memory_gb": None,
        **more,
    }


def test_local_processes_give_the_same_and_are_held_to_their_memory(tmp_path):
    write_ball(tmp_path, "one")
    jobs = [job_of(tmp_path, "free"), job_of(tmp_path, "starved", memory_gb=0.02)]
    rows = {row["name"]: row for row in run_locally(jobs, 2)}
    assert rows["starved"]["status"] == "failed" and rows["starved"]["error"]
    mine = run_job(job_of(tmp_path, "here"))
    assert rows["free"]["status"] == "done", rows["free"]["error"]
    assert rows["free"]["summary"] == mine["summary"]


@pytest.mark.skipif(os.name == "nt", reason="needs a shell and signals")
def test_a_crash_is_one_assets_failure_and_is_tried_twice(tmp_path, monkeypatch):
    count = tmp_path / "count"
    fake = tmp_path / "python"
    fake.write_text(f"#!/bin/sh\necho x >> {count}\nkill -9 $$\n")
    fake.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(fake))
    (row,) = run_locally([job_of(tmp_path, "one")], 1)
    assert row["status"] == "failed" and "SIGKILL" in row["error"]
    assert count.read_text().count("x") == 2
    fake.write_text("#!/bin/sh\necho went wrong >&2\nexit 3\n")
    (row,) = run_locally([job_of(tmp_path, "one")], 1)
    assert "went wrong" in row["error"]


@pytest.mark.long
@pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")
def test_a_batch_killed_half_way_is_finished_by_the_next_run(studio, tmp_path):
    out = tmp_path / "out"
    arguments = [sys.executable, "-c", "from cagecheck.cli import main; main()", "batch",
                 str(studio), "--out", str(out)]  # fmt: skip
    process = subprocess.Popen(arguments, start_new_session=True, stdout=subprocess.DEVNULL)
    wait_until(lambda: results(out), process)
    os.killpg(process.pid, signal.SIGKILL)
    process.wait()
    done = results(out)
    assert 0 < len(done) < 2
    stamp = {path: path.stat().st_mtime_ns for path in done}
    result = run_batch(read_manifest(studio), out)
    assert [row["status"] for row in result.rows] == ["done", "done"]
    assert {path: path.stat().st_mtime_ns for path in done} == stamp
    assert sum(row["reused"] for row in result.rows) == len(done)
    assert not list(out.rglob(".cagecheck-*"))


def results(out: Path) -> list[Path]:
    return sorted(out.glob("assets/*/result.json"))


def wait_until(ready, process=None, seconds=120):
    end = time.monotonic() + seconds
    while not ready():
        assert time.monotonic() < end, "nothing happened"
        assert process is None or process.poll() is None, "it ended too early"
        time.sleep(0.02)


# --- inputs that would stop or hold up the others ----------------------------------------------


@pytest.mark.skipif(os.name == "nt", reason="pipes and devices are POSIX's")
def test_odd_inputs_fail_for_themselves_and_hold_nobody_up(tmp_path, here):
    """A pipe waits for ever, a device never ends; both are refused, for every kind of file."""
    write_ball(tmp_path, "good")
    good = {"low": "good_low.obj", "high": "good_high.ply"}
    os.mkfifo(tmp_path / "pipe.obj")
    os.mkfifo(tmp_path / "pipe.json")
    (tmp_path / "nul.gltf").write_text(
        '{"asset": {"version": "2.0"}, "buffers": [{"uri": "a\\u0000b.bin", "byteLength": 4}]}'
    )
    (tmp_path / "deep.gltf").write_text("[" * 200_000)
    (tmp_path / "far.gltf").write_text(
        '{"asset": {"version": "2.0"}, "buffers": [{"uri": "/dev/zero", "byteLength": 4}, '
        '{"uri": "file:///dev/zero"}, {"uri": 3}, {"uri": "//[", "byteLength": 1}]}'
    )
    odd = {
        "low-pipe": {"low": "pipe.obj"}, "high-pipe": {"high": "pipe.obj"},
        "push-pipe": {"push": "pipe.json"}, "cage-pipe": {"cage": "pipe.obj"},
        "device": {"high": "/dev/zero"}, "push-device": {"push": "/dev/zero"},
        "nul": {"high": "nul.gltf"}, "deep": {"high": "deep.gltf"}, "far": {"low": "far.gltf"},
        "folder": {"low": "."},
    }  # fmt: skip
    text = "".join(asset(name, **(good | more)) for name, more in odd.items())
    (tmp_path / "m.toml").write_text(SHARED + text + asset("good"))
    result = run_batch(read_manifest(tmp_path / "m.toml"), tmp_path / "out")
    rows = {row["name"]: row for row in result.rows}
    assert rows["good"]["status"] == "done", rows["good"]["error"]
    for name in odd:
        assert rows[name]["status"] == "failed" and rows[name]["error"], name
        assert "Traceback" not in rows[name]["error"]


def test_a_process_without_a_result_is_one_assets_failure(tmp_path, monkeypatch):
    fake = tmp_path / "python"
    for says in ("", "not json", '{"name": "else", "status": "done"}', "[" * 100_000, "\\377"):
        fake.write_text(f"#!/bin/sh\nprintf '{says}'\n")
        fake.chmod(0o755)
        monkeypatch.setattr(sys, "executable", str(fake))
        (row,) = run_locally([job_of(tmp_path, "one")], 1)
        assert row["status"] == "failed" and "without a result" in row["error"]
    monkeypatch.setattr(sys, "executable", str(tmp_path / "none"))
    (row,) = run_locally([job_of(tmp_path, "one")], 1)
    assert "no process could be started" in row["error"]


def test_a_second_client_is_kept_out_until_the_first_is_gone(studio, here, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    code = (
        "import sys, time; from pathlib import Path; from cagecheck.locks import take\n"
        "lock = take(Path(sys.argv[1])); print('held', flush=True); time.sleep(60)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(out / batch_module.LOCK)], stdout=subprocess.PIPE
    ) as first:
        assert first.stdout.readline() == b"held\n"
        with pytest.raises(InputError, match="another batch"):
            run_batch(read_manifest(studio), out)
        assert here == []
        first.kill()
    # Killed before it did anything: its lock's file alone is no other thing than a batch.
    assert run_batch(read_manifest(studio), out).rows[0]["status"] == "done"
    assert not (out / batch_module.LOCK).exists()


def test_an_asset_that_was_done_is_not_told_as_failed(studio, tmp_path, monkeypatch):
    """Its result is whole on the disk, but who was to tell went away."""
    monkeypatch.setattr(batch_module, "_runner", lambda workers, scheduler: run_and_lose)
    out = tmp_path / "out"
    result = run_batch(read_manifest(studio), out)
    assert [row["status"] for row in result.rows] == ["done", "done"]
    stamps = [path.stat().st_mtime_ns for path in results(out)]
    again = run_batch(read_manifest(studio), out)
    assert all(row["reused"] for row in again.rows)
    assert [path.stat().st_mtime_ns for path in results(out)] == stamps
    # A failure that wrote nothing stays one, whatever an earlier run had found.
    monkeypatch.setattr(
        batch_module, "_runner", lambda *_: lambda jobs: (failed_row(job, "no") for job in jobs)
    )
    assert len(run_batch(read_manifest(studio), out, again=True).failed) == 2


def run_and_lose(jobs):
    for job in jobs:
        assert run_job(job)["status"] == "done"
        yield failed_row(job, "went away")


@pytest.mark.long
def test_kept_results_that_were_damaged_are_done_again(studio, here, tmp_path):
    out = tmp_path / "out"
    run_batch(read_manifest(studio), out)
    first = results(out)[0]
    whole = json.loads(first.read_text())
    for data in (b"", b"[]", b"[" * 10**5, json.dumps(whole | {"summary": {}}).encode(),
                 json.dumps(whole | {"summary": None}).encode(),
                 json.dumps({k: whole[k] for k in ("key", "version")}).encode()):  # fmt: skip
        here.clear()
        first.write_bytes(data)
        result = run_batch(read_manifest(studio), out)
        assert here == ["one"] and len(result.failed) == 0


# --- against an accepted run -------------------------------------------------------------------


def test_against_an_accepted_run(here, studio, tmp_path):
    """Under the same files nothing is worse; with a shallower bake places are new, and it fails."""
    accepted, again, worse = (tmp_path / name for name in ("accepted", "again", "worse"))
    run_batch(read_manifest(studio), accepted)
    same = run_batch(read_manifest(studio), again, against=accepted)
    assert same.passed and same.is_gate
    assert all(row["compared"]["summary"].startswith("nothing changed") for row in same.rows)
    text = studio.read_text().replace("offset = 0.05", "offset = 0.003")
    studio.write_text(text + asset("late", low="one_low.obj", high="one_high.ply"))
    now = run_batch(read_manifest(studio), worse, against=accepted)
    assert not now.passed
    one, two, late = now.rows
    assert one["compared"]["counts"]["new"] + one["compared"]["counts"]["grown"] > 0
    assert "since the accepted run" in one["breaches"][0]
    assert two["breaches"] and late["compared"] is None and late["breaches"] == []
    assert JUnitXml.fromfile(str(worse / "junit.xml")).failures == 2
    assert "Since the accepted run" in (worse / "index.html").read_text()


def test_against_wants_another_batch(here, studio, tmp_path):
    with pytest.raises(InputError, match="not the folder of a batch"):
        run_batch(read_manifest(studio), tmp_path / "out", against=tmp_path)
    run_batch(read_manifest(studio), tmp_path / "out")
    with pytest.raises(InputError, match="with itself"):
        run_batch(read_manifest(studio), tmp_path / "out", against=tmp_path / "out")
    words = [
        "batch",
        str(studio),
        "--out",
        str(tmp_path / "new"),
        "--against",
        str(tmp_path / "out"),
    ]
    assert runner.invoke(app, words).exit_code == 0
