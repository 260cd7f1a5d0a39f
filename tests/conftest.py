from __future__ import annotations

import json
import os
import signal
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from cagecheck.predicting.result import Prediction
from cagecheck.predicting.write import write_prediction
from cagecheck.rays.engine import load_embree
from tests.scenes.result_folder import prediction_in

# Whether a change may land must not hang on what a run happens to draw. To look for new cases:
# pytest --hypothesis-profile=explore
settings.register_profile("same", derandomize=True)
settings.register_profile("explore", derandomize=False, max_examples=1000)
settings.load_profile("same")

# Files of few and long tests, the longest first: begun late, one of them would keep one worker
# busy while the others have nothing left to do.
LONG_FILES = (
    "tuning/test_straighten.py", "locating/test_bad_bakes.py", "report/test_page_browser.py",
    "locating/test_locate.py", "locating/test_page.py", "report/test_page_lit.py",
    "predicting/test_open_meshes.py", "mending/test_mend.py", "tuning/test_depth.py",
    "watching/test_page_follows.py", "batching/test_batch_clashes.py", "documents/test_attack.py",
    "comparing/test_scenes.py", "locating/test_open_models.py", "demo/test_planted.py",
    "predicting/test_against_oracle.py", "locating/test_map_shapes.py", "report/test_lit.py",
    "locating/test_agreement.py", "watching/test_signals.py", "viewing/test_window.py",
    "commands/test_locate.py", "batching/test_batch_scheduler.py", "locating/test_open_made.py",
    "commands/test_tune.py", "commands/test_cli.py", "watching/test_assets.py",
    "documents/test_mutate.py", "tuning/test_card_cage.py", "predicting/test_preview.py",
)  # fmt: skip
HERE = Path(__file__).parent
# Pictures in files that tests write are small: at their full size (texels of the maps that models
# are lit with, pixels of a view) they are most of the time that a small scene takes.
SMALL_PICTURES = {
    "cagecheck.report.lit.LARGEST": 256,
    "cagecheck.tuning.cage_picture.SIZE": 180,
    "cagecheck.chores.clash.page.CELL": 140,
    "cagecheck.inspecting.picture.CELL": 190,
}
# Where this variable is set, a run of all tests is one of the long ones, too.
LONG_TOO = "CAGECHECK_LONG_TESTS"


def pytest_configure(config: pytest.Config) -> None:
    """Leave out long tests where neither they nor files nor marks are asked for."""
    # A shell that begins something in the background has it ignore Ctrl-C, and what that begins.
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    whole = config.args_source is pytest.Config.ArgsSource.TESTPATHS
    if whole and not config.option.markexpr and not os.environ.get(LONG_TOO):
        config.option.markexpr = "not long"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Let long files begin; the others keep their order."""
    rank = {HERE / name: k for k, name in enumerate(LONG_FILES)}
    items.sort(key=lambda item: rank.get(item.path, len(rank)))


@pytest.fixture(scope="session", autouse=True)
def small_pictures() -> Iterator[pytest.MonkeyPatch]:
    """Have what this process writes hold small pictures; see `whole_pictures`."""
    with pytest.MonkeyPatch.context() as patch:
        for name, size in SMALL_PICTURES.items():
            patch.setattr(name, size)
        yield patch


@pytest.fixture
def whole_pictures(small_pictures: pytest.MonkeyPatch) -> Iterator[None]:
    """Tests that use this write pictures as large as other processes do."""
    small_pictures.undo()
    yield
    for name, size in SMALL_PICTURES.items():
        small_pictures.setattr(name, size)


@pytest.fixture(scope="session")
def demo_prediction(tmp_path_factory: pytest.TempPathFactory) -> Prediction:
    """The demo scene, coarse, predicted from its files."""
    return prediction_in(tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="session")
def result_folder(demo_prediction: Prediction, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The result folder of `demo_prediction`; do not write into it."""
    folder = tmp_path_factory.mktemp("result") / "out"
    write_prediction(demo_prediction, folder)
    return folder


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Run a batch's jobs in this process, as the JSON that they travel as, and note their names."""
    from cagecheck.batching.job import run_job

    seen = []

    def jobs_here(jobs: Iterable[dict[str, Any]]) -> Iterator[dict[str, Any]]:
        for job in jobs:
            seen.append(job["name"])
            yield run_job(json.loads(json.dumps(job)))

    monkeypatch.setattr("cagecheck.batching.run._runner", lambda workers, scheduler: jobs_here)
    return seen


@pytest.fixture(scope="module", params=["fast engine", "slower engine"])
def engine(request: pytest.FixtureRequest) -> Iterator[str]:
    """Tests that use this run once per ray engine."""
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "slower engine":
            patch.setattr("cagecheck.rays.scene.load_embree", lambda: None)
        elif load_embree() is None:
            pytest.skip("the fast ray engine is not available here")
        yield request.param
