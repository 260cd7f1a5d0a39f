from __future__ import annotations

from pathlib import Path

import pytest

from cagecheck.predicting.result import Prediction
from cagecheck.predicting.write import write_prediction
from tests.scenes.result_folder import prediction_in


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
