"""How quickly the viewer follows its distance slider, at a million samples.

Run: python scripts/bench_view.py [SAMPLES [FOLDER]]

Makes the demo scene, predicts it with that many samples (into FOLDER if one is given, and only if
it holds no result yet), and prints milliseconds and frames per second of: the classification of
all samples, the colours, and the whole frame with drawing. Every number is the best of several
passes over the slider, since other work on the machine only ever makes a pass slower; the median
pass and the processor time of all threads stand beside it. Drawing is on whatever renders here;
without a graphics card that is the processor.
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
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.predicting.write import write_prediction
from cagecheck.viewing.model import ViewModel
from cagecheck.viewing.result import read_result

FRAMES, PASSES = 30, 7


def timed(what: str, frame: Callable[[float], object], factors: np.ndarray) -> None:
    frame(float(factors[0]))
    each, work = [], []
    for _ in range(PASSES):
        begin, busy = time.perf_counter(), time.process_time()
        for factor in factors:
            frame(float(factor))
        each.append((time.perf_counter() - begin) / len(factors))
        work.append((time.process_time() - busy) / len(factors))
    best, middle = min(each), float(np.median(each))
    print(
        f"{what:<44} {1000 * best:7.1f} ms {1 / best:7.1f} frames/s  (median {1000 * middle:.1f} "
        f"ms; {1000 * min(work):.1f} ms of processor time)"
    )


def make_result(samples: int, folder: Path) -> None:
    scene = make_scene()
    low = prepare_low(scene.low)
    paired = pair_parts(low.part_names, scene.high.part_names, []).matrix()
    settings = Settings(samples=samples, unseen_points=0)
    write_prediction(predict(low, scene.high, paired=paired, settings=settings), folder, page=False)


def main() -> None:
    samples = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(sys.argv[2] if len(sys.argv) > 2 else temporary)
        if not (folder / "regions.json").exists():
            make_result(samples, folder)
        model = ViewModel(read_result(folder))
    print("A frame at 15 a second has 66.7 ms. Run it on an idle machine.")
    n, k = len(model.result.samples["start"]), len(model.result.positions)
    print(f"{n:,} samples, {k:,} heat-map vertices, {os.cpu_count()} cores")
    factors = np.linspace(0.1, min(model.most_factor, 5.0), FRAMES)
    timed("classify", model.set_factor, factors)

    def colour(factor: float) -> None:
        model.set_factor(factor)
        model.colours()

    timed("classify and colour", colour, factors)
    from cagecheck.viewing.shot import without_display
    from cagecheck.viewing.window import Window

    if without_display():
        os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    window = Window(model, None, size=(1280, 800), off_screen=True)
    window.plotter.disable_anti_aliasing()
    # Drawing only begins with the first show.
    window.plotter.show(interactive=False, auto_close=False)

    def draw(factor: float) -> None:
        window.slide(factor)
        window.plotter.render()

    print("renderer:", renderer_name(window))
    timed("classify, colour and panels, not drawn", window.set_factor, factors)
    timed("whole frame at 1280x800, everything drawn", draw, factors)
    window.hold_slider()
    begin = time.perf_counter()
    draw(1.0)
    print(f"first frame of a drag: {1000 * (time.perf_counter() - begin):.0f} ms")
    timed("whole frame at 1280x800, slider held", draw, factors)
    window.let_go_of_slider()
    window.step(1)
    window.hold_slider()
    timed("the same at the worst region, with its rays", draw, factors)
    window.toggle("cage")
    timed("the same with the cage", draw, factors)
    window.close()


def renderer_name(window: object) -> str:
    report = str(window.plotter.render_window.ReportCapabilities())  # type: ignore[attr-defined]
    lines = [line for line in report.splitlines() if "renderer string" in line]
    return lines[0].split(":", 1)[1].strip() if lines else "unknown"


if __name__ == "__main__":
    main()
