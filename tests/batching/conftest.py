import json

import pytest

from cagecheck.batching import run as batch_module
from cagecheck.batching.job import run_job


@pytest.fixture
def here(monkeypatch):
    """Run jobs in this process, as the JSON that they travel as, and note their names."""
    seen = []

    def jobs_here(jobs):
        for job in jobs:
            seen.append(job["name"])
            yield run_job(json.loads(json.dumps(job)))

    monkeypatch.setattr(batch_module, "_runner", lambda workers, scheduler: jobs_here)
    return seen
