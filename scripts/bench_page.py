"""How quickly a report page turns its model, in a browser without a graphics card.

Run: python scripts/bench_page.py [PAGE.html]

Opens a page that `predict` wrote (by default that of the demo scene with 200,000 samples, made for
this), in headless Chromium at 1,280 by 900 pixels with its software rendering, which any graphics
chip outdoes. Prints the page's size and, for the model lit with the baked map and for the colours
by defect, how many frames a second turn it, best and median of several turns. Lit, the page draws
fewer pixels and a thinner high poly while it moves where frames come late: what it drew at the end
of the best turn is printed.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

import cagecheck  # noqa: E402
from tests.report.test_page_browser import opened_page  # noqa: E402

SAMPLES, FRAMES, TURNS = 200_000, 48, 4
# Frames as the browser paces them: each is asked for when the last is on its way to the screen.
TURN = """
const [frames, done] = arguments, model = window.cagecheck.state.model;
const centre = model.controls.target.clone(), from = model.camera.position.clone().sub(centre);
let k = 0, begin = 0;
function step() {
  if (k === 0) begin = performance.now();
  if (k === frames) {
    const gl = model.renderer.getContext(), { calls, triangles } = model.renderer.info.render;
    const size = [gl.drawingBufferWidth, gl.drawingBufferHeight];
    return done({ took: (performance.now() - begin) / frames, calls, triangles, size });
  }
  const a = 2 * Math.PI * k++ / frames, c = Math.cos(a), s = Math.sin(a);
  model.camera.position.set(
    centre.x + c * from.x + s * from.z, centre.y + from.y, centre.z - s * from.x + c * from.z);
  model.camera.lookAt(centre);
  model.draw();
  requestAnimationFrame(step);
}
requestAnimationFrame(step);
"""


def demo_page(folder: Path) -> Path:
    """Predict the demo scene, four tiles, and return its page."""
    scene = cagecheck.make_scene()
    low = cagecheck.prepare_low(scene.low)
    result = cagecheck.predict(low, scene.high, settings=cagecheck.Settings(samples=SAMPLES))
    cagecheck.write_prediction(result, folder)
    return folder / "report.html"


def measured(driver: Any, lit: bool) -> str:
    """Return what a frame takes, in words."""
    way = "lit" if lit else "defects"
    driver.find_element("css selector", f"input[name=show][value={way}]").click()
    turns = [driver.execute_async_script(TURN, FRAMES) for _ in range(TURNS)]
    best = min(turns, key=lambda turn: float(turn["took"]))
    middle = float(np.median([turn["took"] for turn in turns]))
    width, height = best["size"]
    return (
        f"{1000 / best['took']:5.1f} frames a second (median {1000 / middle:.1f}), "
        f"{width} x {height} pixels, {best['triangles']:,} triangles in the last pass"
    )


def main() -> None:
    """Measure one page."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(sys.argv[1]) if len(sys.argv) > 1 else demo_page(Path(folder) / "demo")
        print(f"page: {path.stat().st_size / 1e6:.1f} MB")
        with opened_page(path) as driver:
            for what, lit in (("lit with the baked map", True), ("colours by defect", False)):
                print(f"{what:<24} {measured(driver, lit)}")


if __name__ == "__main__":
    main()
