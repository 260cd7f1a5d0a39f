"""A batch on a real dask.distributed cluster of two workers, one of which is killed."""

import os
import signal
import subprocess
import sys
import threading
import time

import pytest

distributed = pytest.importorskip("distributed")

from cagecheck.chores.batch.job import run_job  # noqa: E402
from cagecheck.chores.batch.manifest import read_manifest  # noqa: E402
from cagecheck.chores.batch.on_scheduler import run_on_scheduler  # noqa: E402
from cagecheck.chores.batch.run import run_batch  # noqa: E402
from cagecheck.errors import InputError  # noqa: E402
from tests.chores.test_batch import SHARED, asset, job_of, results, write_ball  # noqa: E402
from tests.paths import ROOT  # noqa: E402

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
    monkeypatch.setattr("cagecheck.chores.batch.on_scheduler._CONNECT_SECONDS", 1)
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
