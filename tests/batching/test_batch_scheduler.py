"""A batch on a real dask.distributed cluster: workers, scheduler and client are killed, in turn."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time

import pytest

distributed = pytest.importorskip("distributed")

import dask  # noqa: E402

from cagecheck.batching.job import run_job  # noqa: E402
from cagecheck.batching.manifest import read_manifest  # noqa: E402
from cagecheck.batching.on_scheduler import run_on_scheduler  # noqa: E402
from cagecheck.batching.run import run_batch  # noqa: E402
from cagecheck.errors import InputError  # noqa: E402
from tests.batching.test_batch import SHARED, asset, job_of, results, write_ball  # noqa: E402
from tests.paths import ROOT  # noqa: E402

pytestmark = pytest.mark.long

COUNT = 4


@pytest.fixture(scope="module")
def cluster():
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        yield cluster


@pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")
def test_a_killed_worker_loses_nothing(tmp_path, cluster):
    write_ball(tmp_path, "one")
    files = {"low": "one_low.obj", "high": "one_high.ply"}
    text = SHARED + "".join(asset(f"a{k}", seed=k, **files) for k in range(COUNT))
    (tmp_path / "m.toml").write_text(text)
    out = tmp_path / "out"
    held = []
    thread = threading.Thread(
        target=lambda: held.append(
            run_batch(read_manifest(tmp_path / "m.toml"), out, scheduler=cluster.scheduler_address)
        )
    )
    with distributed.Client(cluster.scheduler_address, set_as_default=False) as client:
        before = client.run(os.getpid)
        thread.start()
        end = time.monotonic() + 120
        while not results(out):
            assert time.monotonic() < end and thread.is_alive()
            time.sleep(0.01)
        busy = [worker for worker, tasks in client.processing().items() if tasks]
        assert busy, "the batch was over before a worker could be killed"
        os.kill(before[busy[0]], signal.SIGKILL)
        thread.join(180)
        assert not thread.is_alive()
        assert before[busy[0]] not in client.run(os.getpid).values()
    (result,) = held
    assert [row["status"] for row in result.rows] == ["done"] * COUNT
    assert len(results(out)) == COUNT
    # What came back after the loss is what an undisturbed run gives.
    for k in (0, COUNT - 1):
        job = job_of(tmp_path, f"again{k}")
        job["options"] |= {"seed": k}
        assert run_job(job)["summary"] == result.rows[k]["summary"]
    assert not [p for p in out.rglob(".cagecheck-*") if p.is_file()]


def test_a_faulty_asset_stops_no_other_on_the_scheduler(tmp_path, cluster):
    write_ball(tmp_path, "one")
    gone = job_of(tmp_path, "gone", files={"low": "/none.obj", "high": "/none.obj"})
    broken = job_of(tmp_path, "broken", options=None)  # a fault of our own: no options at all
    rows = {
        row["name"]: row
        for row in run_on_scheduler([gone, broken, job_of(tmp_path, "good")],
                                    cluster.scheduler_address)
    }  # fmt: skip
    assert rows["good"]["status"] == "done"
    assert "no such file" in rows["gone"]["error"]
    assert "error of its own" in rows["broken"]["error"]


def test_a_scheduler_that_does_not_answer(tmp_path, monkeypatch):
    monkeypatch.setattr("cagecheck.batching.on_scheduler._CONNECT_SECONDS", 1)
    with pytest.raises(InputError, match="no scheduler answers"):
        list(run_on_scheduler([job_of(tmp_path, "x")], "tcp://127.0.0.1:9"))
    with pytest.raises(InputError, match="no scheduler answers"):
        list(run_on_scheduler([job_of(tmp_path, "x")], "nonsense://"))


@pytest.mark.parametrize("address", ["127.0.0.1", "foo", "foo://x:1"])
def test_a_mistyped_address_ends_in_one_sentence(tmp_path, address):
    """In a process of its own: what libraries say when Python ends counts, too."""
    write_ball(tmp_path, "one")
    (tmp_path / "m.toml").write_text(SHARED + asset("a", low="one_low.obj", high="one_high.ply"))
    words = ["batch", "m.toml", "--out", "out", "--scheduler", address]
    done = subprocess.run(
        [sys.executable, "-m", "cagecheck", *words], cwd=tmp_path, capture_output=True, text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)}, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1 and f"no scheduler answers at {address}." in done.stderr


# --- killed scheduler, killed client -----------------------------------------------------------


def several(tmp_path, samples=20_000):
    """Write a manifest of `COUNT` assets that take long enough to be disturbed."""
    write_ball(tmp_path, "one")
    files = {"low": "one_low.obj", "high": "one_high.ply"}
    text = SHARED.replace("1500", str(samples))
    text += "".join(asset(f"a{k}", seed=k, **files) for k in range(COUNT))
    (tmp_path / "m.toml").write_text(text)
    return read_manifest(tmp_path / "m.toml")


def wait_for(ready, seconds=120):
    end = time.monotonic() + seconds
    while not ready():
        assert time.monotonic() < end, "nothing happened"
        time.sleep(0.01)


def address_in(told):
    """Return the address in a scheduler's file, None while it is not written."""
    try:
        return json.loads(told.read_text())["address"]
    except (OSError, ValueError):
        return None


def resumed(plan, out, before, **how):
    """Run a batch again; check that it repeats nothing and loses nothing."""
    result = run_batch(plan, out, **how)
    assert [row["status"] for row in result.rows] == ["done"] * COUNT
    assert sum(row["reused"] for row in result.rows) >= len(before)
    assert {path: path.stat().st_mtime_ns for path in before} == before
    assert len(results(out)) == COUNT


def stamps_of(out):
    return {path: path.stat().st_mtime_ns for path in results(out)}


@pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")
def test_a_killed_scheduler_loses_and_repeats_nothing(tmp_path):
    plan, out, told = several(tmp_path), tmp_path / "out", tmp_path / "scheduler.json"
    common = ["--scheduler-file", str(told), "--no-dashboard"]
    started = [
        subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.dask_{what}", *common, *more],
            env=os.environ | {"PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for what, more in (
            ("scheduler", ["--host", "127.0.0.1", "--port", "0"]),
            ("worker", ["--nthreads", "1", "--no-nanny"]),
        )
    ]  # fmt: skip
    try:
        wait_for(lambda: address_in(told))
        address = address_in(told)
        held = []
        thread = threading.Thread(
            target=lambda: held.append(run_batch(plan, out, scheduler=address))
        )
        thread.start()
        wait_for(lambda: results(out))
        started[0].kill()
        thread.join(180)
        assert not thread.is_alive(), "the batch waits for a scheduler that is gone"
        (result,) = held
        done = {row["name"] for row in result.rows if row["status"] == "done"}
        assert 1 <= len(done) < COUNT, "the batch was over before the scheduler was killed"
        assert len(result.rows) == COUNT
        for row in result.failed:
            assert "scheduler went away" in row["error"]
        # What was known to be done when the batch ended is told as done.
        assert results(out)[0].parent.name in {
            row["slug"] for row in result.rows if not row["error"]
        }
        resumed(plan, out, stamps_of(out))
    finally:
        for process in started:
            process.kill()
            process.wait()


@pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")
def test_a_killed_client_is_taken_up_by_the_next(tmp_path, cluster):
    plan, out = several(tmp_path), tmp_path / "out"
    words = ["batch", "m.toml", "--out", "out", "--scheduler", cluster.scheduler_address]
    with subprocess.Popen(
        [sys.executable, "-m", "cagecheck", *words], cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as client:  # fmt: skip
        wait_for(lambda: results(out))
        with pytest.raises(InputError, match="another batch"):
            run_batch(plan, out, scheduler=cluster.scheduler_address)
        client.kill()
    resumed(plan, out, stamps_of(out), scheduler=cluster.scheduler_address)


# --- TLS ---------------------------------------------------------------------------------------


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl makes the certificates")
def test_a_scheduler_behind_tls(tmp_path, monkeypatch):
    """With the certificates in the settings of dask.distributed; without, and with others, not."""
    for name in ("ours", "other"):
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
             "-nodes", "-days", "2", "-subj", "/CN=studio", "-keyout", f"{name}.key",
             "-out", f"{name}.pem"],
            cwd=tmp_path, check=True, capture_output=True,
        )  # fmt: skip
    plan = several(tmp_path, 1500)
    with (
        distributed.LocalCluster(
            n_workers=1, processes=False, protocol="tls://", dashboard_address=":0",
            security=distributed.Security(**certificates(tmp_path, "ours")),
        ) as cluster,
    ):  # fmt: skip
        address = cluster.scheduler_address
        assert address.startswith("tls://")
        monkeypatch.setattr("cagecheck.batching.on_scheduler._CONNECT_SECONDS", 3)
        with pytest.raises(InputError, match=re.escape("distributed.comm.tls")):
            run_batch(plan, tmp_path / "out", scheduler=address)
        with (
            dask.config.set(settings_of(certificates(tmp_path, "other"))),
            pytest.raises(InputError, match=re.escape("distributed.comm.tls")),
        ):
            run_batch(plan, tmp_path / "out", scheduler=address)
        with dask.config.set(settings_of(certificates(tmp_path, "ours"))):
            result = run_batch(plan, tmp_path / "out", scheduler=address)
    assert [row["status"] for row in result.rows] == ["done"] * COUNT


def certificates(folder, name):
    key, certificate = str(folder / f"{name}.key"), str(folder / f"{name}.pem")
    out = {"tls_ca_file": certificate, "require_encryption": True}
    for role in ("client", "scheduler", "worker"):
        out |= {f"tls_{role}_key": key, f"tls_{role}_cert": certificate}
    return out


def settings_of(given):
    """Return what docs/chores.md tells to set."""
    return {
        "distributed.comm.require-encryption": True,
        "distributed.comm.tls.ca-file": given["tls_ca_file"],
        "distributed.comm.tls.client.key": given["tls_client_key"],
        "distributed.comm.tls.client.cert": given["tls_client_cert"],
    }
