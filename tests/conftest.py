from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from cagecheck.predicting.result import Prediction
from cagecheck.predicting.write import write_prediction
from cagecheck.rays.engine import load_embree
from cagecheck.report.lit import LARGEST
from tests.scenes.result_folder import prediction_in

# Whether a change may land must not hang on what a run happens to draw. To look for new cases:
# pytest --hypothesis-profile=explore
settings.register_profile("same", derandomize=True)
settings.register_profile("explore", derandomize=False, max_examples=1000)
settings.load_profile("same")

# Files of few and long tests, the longest first: begun late, one of them would keep one worker
# busy while the others have nothing left to do.
LONG_FILES = (
    "tuning/test_straighten.py", "commands/test_tune.py", "locating/test_bad_bakes.py",
    "report/test_page_browser.py", "locating/test_locate.py", "mending/test_mend.py",
    "tuning/test_depth.py", "watching/test_page_follows.py", "predicting/test_open_meshes.py",
    "documents/test_attack.py", "comparing/test_scenes.py", "locating/test_open_models.py",
    "demo/test_planted.py", "predicting/test_against_oracle.py", "locating/test_map_shapes.py",
    "report/test_lit.py", "locating/test_agreement.py", "watching/test_signals.py",
    "batching/test_batch_scheduler.py", "locating/test_open_made.py", "commands/test_cli.py",
    "documents/test_mutate.py", "tuning/test_card_cage.py", "predicting/test_preview.py",
)  # fmt: skip
HERE = Path(__file__).parent
# Texels along the edge of the maps that models are lit with, in files that tests write. At their full
# size these maps are most of the time that writing a small result takes.
LIT_SIZE = 256
# Where this variable is set, a run of all tests is one of the long ones, too.
LONG_TOO = "CAGECHECK_LONG_TESTS"


def pytest_configure(config: pytest.Config) -> None:
    """Leave out long tests where neither they nor files nor marks are asked for."""
    whole = config.args_source is pytest.Config.ArgsSource.TESTPATHS
    if whole and not config.option.markexpr and not os.environ.get(LONG_TOO):
        config.option.markexpr = "not long"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Let long files begin; the others keep their order."""
    rank = {HERE / name: k for k, name in enumerate(LONG_FILES)}
    items.sort(key=lambda item: rank.get(item.path, len(rank)))


@pytest.fixture(scope="session", autouse=True)
def small_lit_maps() -> Iterator[None]:
    """Have pages and viewer records of this process hold small maps; see `whole_lit_maps`."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("cagecheck.report.lit.LARGEST", LIT_SIZE)
        yield


@pytest.fixture
def whole_lit_maps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tests that use this write maps as large as other processes do."""
    monkeypatch.setattr("cagecheck.report.lit.LARGEST", LARGEST)


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


@pytest.fixture(scope="module", params=["fast engine", "slower engine"])
def engine(request: pytest.FixtureRequest) -> Iterator[str]:
    """Tests that use this run once per ray engine."""
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "slower engine":
            patch.setattr("cagecheck.rays.scene.load_embree", lambda: None)
        elif load_embree() is None:
            pytest.skip("the fast ray engine is not available here")
        yield request.param
