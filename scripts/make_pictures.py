"""Make the pictures of the README and the tutorial: ``python scripts/make_pictures.py [FOLDER]``.

Makes the demo scene in a temporary folder, predicts it as `cagecheck demo` does, and draws into
docs/pictures (or FOLDER): scene.png, heatmap.png, region.png, cut.png, overshoot.png, lit.png,
tiles.png, clash.png, and, where Debian's chromium and chromium-driver are installed, report.png,
report-colours.png and mend.png.
"""

from __future__ import annotations

import io
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw

from cagecheck.chores.clash.find import find_clashes
from cagecheck.chores.clash.heat import write_clash_map
from cagecheck.defects.kinds import Defect
from cagecheck.demo import make_scene, write_scene
from cagecheck.demo.picture import draw_scene
from cagecheck.demo.scene import DemoScene
from cagecheck.mending.mend import mend_clashes
from cagecheck.mending.settings import MendSettings
from cagecheck.mending.write import write_mending
from cagecheck.meshes.mesh import Mesh, mesh_from_polygons
from cagecheck.predicting.heat import build_heat_map, region_of_samples
from cagecheck.predicting.inputs import read_inputs
from cagecheck.predicting.page import page_of_prediction
from cagecheck.predicting.predict import predict
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import Settings
from cagecheck.predicting.write import write_prediction
from cagecheck.progress import silent
from cagecheck.report.colours import DEFECT_COLOURS
from cagecheck.report.page import MARKS_PER_TILE, write_page
from cagecheck.report.tile_pictures import EMPTY, TilePicture, draw_tiles, heat_uv
from cagecheck.report.web_scene import least_region, worst_of_triangles
from cagecheck.viewing.model import ViewModel
from cagecheck.viewing.panels import font
from cagecheck.viewing.result import read_high, read_result
from cagecheck.viewing.shot import make_shot, without_display

FOLDER = Path(__file__).parent.parent / "docs" / "pictures"
# A README should load quickly.
MOST_BYTES = 450_000
STEP = 5
SIZE = (1240, 790)
TILE, GAP, HEAD = 620, 20, 30
INK, PAPER, GROUND = (28, 32, 38), (253, 252, 249), (236, 234, 227)


def save(image: Image.Image, path: Path) -> None:
    """Write a PNG of few enough bytes.

    Brightness is rounded to steps of `STEP` levels, which no eye sees, and hue is kept; a palette
    would save more, but moves rare colours to common ones, and here colours mean things.
    """
    levels = np.asarray(image.convert("RGB")).astype(float)
    green = levels[..., 1:2]
    levels += np.rint(green / STEP) * STEP - green
    Image.fromarray(np.clip(levels, 0, 255).astype(np.uint8)).save(path, optimize=True)
    size = path.stat().st_size
    print(f"{path.name:<14} {image.width} x {image.height}, {size:,} bytes")
    assert size < MOST_BYTES, "too heavy for a README"


def predicted(scene: DemoScene, folder: Path) -> Prediction:
    """Predict the demo scene from its files, as `cagecheck demo` does."""
    write_scene(scene, folder)
    read = read_inputs(folder / "low.obj", folder / "high.glb", progress=silent)
    settings = Settings(offset=scene.bake.offset, depth=scene.bake.depth)
    return predict(read.low, read.high, paired=read.pairing.matrix(), settings=settings)


def view_pictures(result_folder: Path, folder: Path) -> None:
    """Draw what `cagecheck view --shot` draws: all, a region, a cut."""
    result = read_result(result_folder)
    high, _ = read_high(result)
    model = ViewModel(result)

    def shot(name: str) -> None:
        with tempfile.TemporaryDirectory() as temporary:
            path = make_shot(model, high, Path(temporary, "shot.png"), size=SIZE)
            with Image.open(path) as image:
                save(image, folder / name)

    shot("heatmap.png")
    model.choose(worst_of_kind(model.result.regions, Defect.MISS_TIGHT))
    shot("region.png")
    model.cut = model.cut_here()
    shot("cut.png")
    model.choose(worst_of_kind(model.result.regions, Defect.OVERSHOOT_OTHER))
    model.cut = model.cut_here()
    shot("overshoot.png")
    model.choose(None)
    model.cut = None
    model.light_up()
    shot("lit.png")


def worst_of_kind(regions: list[dict[str, Any]], defect: Defect) -> int:
    """Return the number of the most harmful region of a kind."""
    return next(int(row["number"]) for row in regions if row["name"] == defect.title)


def tiles_picture(result: Prediction, path: Path) -> None:
    """Draw the UV tiles beside each other, with region numbers."""
    heat = build_heat_map(result)
    uv, tile = heat_uv(result.low, heat)
    main = worst_of_triangles(heat, result.findings.main)
    region = least_region(heat, region_of_samples(result))
    pictures = draw_tiles(heat, uv, tile, main, region, TILE)
    columns = min(len(pictures), 2)
    rows = -(-len(pictures) // columns)
    step = TILE + GAP
    sheet = Image.new("RGB", (GAP + columns * step, GAP + rows * (step + HEAD)), PAPER)
    pen = ImageDraw.Draw(sheet)
    for k, picture in enumerate(pictures):
        x, y = GAP + (k % columns) * step, GAP + (k // columns) * (step + HEAD)
        pen.text((x, y), f"tile {picture.tile}", fill=INK, font=font(16, True))
        draw_tile(sheet, picture, x, y + HEAD)
    save(sheet, path)


def draw_tile(sheet: Image.Image, picture: TilePicture, x: int, y: int) -> None:
    """Draw one tile and the numbers of its worst regions where they do not collide."""
    pen = ImageDraw.Draw(sheet)
    pen.rectangle((x, y, x + TILE - 1, y + TILE - 1), fill=GROUND)
    rgb = Image.open(io.BytesIO(picture.png(DEFECT_COLOURS))).convert("RGB")
    mask = Image.fromarray(np.where(picture.main == EMPTY, 0, 255).astype(np.uint8))
    sheet.paste(rgb, (x, y), mask)
    kept: list[tuple[float, float]] = []
    face = font(14, True)
    for number in np.unique(picture.region[picture.region > 0])[:MARKS_PER_TILE]:
        v, u = np.nonzero(picture.region == number)
        middle = int(np.argmin((u - np.median(u)) ** 2 + (v - np.median(v)) ** 2))
        at = (float(u[middle]), float(v[middle]))
        if any(abs(a - at[0]) < 34 and abs(b - at[1]) < 18 for a, b in kept):
            continue
        kept.append(at)
        pen.text((x + at[0], y + at[1]), str(number), INK, face, "mm", stroke_width=3,
                 stroke_fill=PAPER)  # fmt: skip


def report_pictures(result: Prediction, folder: Path) -> None:
    """Photograph the report page in headless Chromium: lit, and by defect with a region chosen."""
    sys.path.insert(0, str(Path(__file__).parent.parent))
    from tests.browser import BROWSER, DRIVER, browser, prefer

    if not (BROWSER and DRIVER):
        print("report.png and report-colours.png left out: no chromium or chromium-driver")
        return
    number = worst_of_kind([r.to_dict() for r in result.regions], Defect.MISS_TIGHT)
    with tempfile.TemporaryDirectory() as temporary:
        page = write_page(page_of_prediction(result), Path(temporary, "report.html"))
        with browser(1360, 960) as driver:
            prefer(driver, "light")
            driver.get(page.as_uri())
            while not driver.execute_script("return document.documentElement.dataset.ready"):
                time.sleep(0.1)
            for name, script in (
                ("report.png", "document.getElementById('wipe').focus()"),
                (
                    "report-colours.png",
                    "document.querySelector(\"input[name='show'][value='defects']\").click();"
                    f"document.querySelector('tr[data-number=\"{number}\"] .pick').click()",
                ),
            ):
                driver.execute_script(script)
                time.sleep(2.0)  # the eye has arrived and the last frame is drawn, sharp
                shot = Path(temporary, "shot.png")
                driver.save_screenshot(str(shot))
                with Image.open(shot) as image:
                    save(image, folder / name)


# The arm in its sleeve: radii, length, and how far its ends are bent aside.
ARM, SLEEVE, LONG, BENT = 0.5, 0.55, 2.0, 0.3


def bent_tube(radius: float, bend: float, name: str, *, capped: bool) -> Mesh:
    """A tube about the z axis, its ends `bend` aside; a capped one is closed and longer."""
    around, along, half = 64, 60, LONG * (1.15 if capped else 1.0)
    z, a = np.meshgrid(
        np.linspace(-half, half, along + 1), 2 * np.pi * np.arange(around) / around, indexing="ij"
    )
    side = bend * (z / LONG) ** 2
    points = np.stack([radius * np.cos(a) + side, radius * np.sin(a), z], -1).reshape(-1, 3)
    i = (np.arange(along)[:, None] * around + np.arange(around)).ravel()
    j = (np.arange(along)[:, None] * around + (np.arange(around) + 1) % around).ravel()
    faces = np.stack([i, j, j + around, i + around], 1).tolist()
    if capped:
        ring = list(range(around))
        faces += [ring[::-1], [along * around + k for k in ring]]
    return mesh_from_polygons(points, faces, part=name)


def clash_picture(path: Path) -> None:
    """Draw the heat map of a sleeve that a bent arm passes through."""
    import pyvista

    scene = [bent_tube(SLEEVE, 0, "sleeve", capped=False), bent_tube(ARM, BENT, "arm", capped=True)]
    found = find_clashes(scene)
    deepest = max(hit.depth or 0.0 for hit in found.found)
    with tempfile.TemporaryDirectory() as temporary:
        drawn = Path(temporary, "clash.ply")
        write_clash_map(found, deepest, drawn)
        heat = pyvista.read(drawn)
        plotter = pyvista.Plotter(off_screen=True, window_size=(1000, 560))
        plotter.set_background("white")
        plotter.add_mesh(heat, scalars="RGBA", rgb=True, smooth_shading=False)
        plotter.view_vector((0.5, -1.0, 0.25), viewup=(1, 0, 0))
        plotter.camera.zoom(1.4)
        plotter.screenshot(Path(temporary, "clash.png"))
        plotter.close()
        with Image.open(Path(temporary, "clash.png")) as image:
            save(image.convert("RGB"), path)


def mend_picture(path: Path) -> None:
    """Draw a mended sleeve before and after, as its page shows it."""
    sys.path.insert(0, str(Path(__file__).parent.parent))
    from tests.browser import BROWSER, DRIVER, browser

    if not (BROWSER and DRIVER):
        print("mend.png left out: no chromium or chromium-driver")
        return
    scene = [bent_tube(SLEEVE, 0, "sleeve", capped=False), bent_tube(ARM, BENT, "arm", capped=True)]
    mending = mend_clashes([scene], MendSettings(outer=("sleeve",)))
    with tempfile.TemporaryDirectory() as temporary, browser(1280, 900) as driver:
        write_mending(mending, temporary, names=["bent arm"])
        driver.get(Path(temporary, "mend.html").as_uri())
        halves = []
        for state in ("before", "after"):
            driver.execute_script(f"document.querySelector('input[value={state}]').click()")
            time.sleep(1.0)  # the frame is drawn
            png = driver.find_element("css selector", ".stage").screenshot_as_png
            with Image.open(io.BytesIO(png)) as image:
                middle = image.width // 2
                halves.append(
                    image.convert("RGB").crop((middle - 300, 0, middle + 300, image.height))
                )
    both = Image.new("RGB", (1200, halves[0].height))
    both.paste(halves[0], (0, 0))
    both.paste(halves[1], (600, 0))
    save(both, path)


def main() -> None:
    if without_display():
        os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    scene = make_scene()
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(temporary, "demo")
        result = predicted(scene, place)
        write_prediction(result, place / "predicted")
        drawn = draw_scene(scene, Path(temporary, "scene.png"), size=(1200, 860))
        with Image.open(drawn) as image:
            save(image, folder / "scene.png")
        view_pictures(place / "predicted", folder)
        tiles_picture(result, folder / "tiles.png")
        report_pictures(result, folder)
    clash_picture(folder / "clash.png")
    mend_picture(folder / "mend.png")


if __name__ == "__main__":
    main()
