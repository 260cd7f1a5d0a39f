"""How quickly the viewer follows its distance slider, at a million samples.

Run: python scripts/bench_view.py [SAMPLES]

Makes the demo scene, predicts it with that many samples, and prints milliseconds and frames per
second of: the classification of all samples, the colours, and the whole frame with drawing.
Drawing is on whatever renders here; without a graphics card that is the processor.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from cagecheck.demo import make_scene
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.pairs import pair_parts
from cagecheck.prediction import Settings, predict
from cagecheck.report.write import write_prediction
from cagecheck.view.model import ViewModel
from cagecheck.view.result import read_result

FRAMES = 60


def timed(what: str, frame: Callable[[float], object], factors: np.ndarray) -> None:
    frame(float(factors[0]))
    begin = time.perf_counter()
    for factor in factors:
        frame(float(factor))
    each = (time.perf_counter() - begin) / len(factors)
    print(f"{what:<44} {1000 * each:8.1f} ms {1 / each:8.1f} frames/s")


def main() -> None:
    samples = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    scene = make_scene()
    low = prepare_low(scene.low)
    paired = pair_parts(low.part_names, scene.high.part_names, []).matrix()
    result = predict(
        low, scene.high, paired=paired, settings=Settings(samples=samples, unseen_points=0)
    )
    with tempfile.TemporaryDirectory() as folder:
        write_prediction(result, Path(folder, "out"))
        model = ViewModel(read_result(Path(folder, "out")))
    print("A frame at 15 a second has 66.7 ms. Run it on an idle machine.")
    n, k = len(model.result.samples["start"]), len(model.result.positions)
    print(f"{n:,} samples, {k:,} heat-map vertices, {os.cpu_count()} cores")
    factors = np.linspace(0.1, min(model.most_factor, 5.0), FRAMES)
    timed("classify", model.set_factor, factors)

    def colour(factor: float) -> None:
        model.set_factor(factor)
        model.colours()

    timed("classify and colour", colour, factors)
    from cagecheck.view.shot import without_display
    from cagecheck.view.window import Window

    if without_display():
        os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    window = Window(model, None, size=(1280, 800), off_screen=True)
    window.plotter.disable_anti_aliasing()
    # Drawing only begins with the first show.
    window.plotter.show(interactive=False, auto_close=False)

    def draw(factor: float) -> None:
        window.set_factor(factor)
        window.plotter.render()

    print("renderer:", renderer_name(window))
    timed("classify, colour and panels, not drawn", window.set_factor, factors)
    timed("whole frame, drawn at 1280x800", draw, factors)
    window.close()


def renderer_name(window: object) -> str:
    report = str(window.plotter.render_window.ReportCapabilities())  # type: ignore[attr-defined]
    lines = [line for line in report.splitlines() if "renderer string" in line]
    return lines[0].split(":", 1)[1].strip() if lines else "unknown"


if __name__ == "__main__":
    main()
