"""What a round of `cagecheck watch` takes, from a save to the new result, and where it goes.

Run: python scripts/bench_watch.py [DETAIL ...]

Makes the demo scene (DETAIL 1 is 1.5 million triangles; 1 and 3.4, which is 5 million, by default),
saves its low poly a few times, and prints for 200,000 samples: the stages of a round in seconds of
processor time (of all threads together) and of the clock, and the same of a fresh `predict` in this
process, which reads everything again. Then a whole watch, its own process and all, by the clock:
from the save to the line on the terminal and the page, and to the last file. Every number is the
best of several rounds, since other work on the machine only ever makes one slower.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from cagecheck.comparing.compare import compare_placed
from cagecheck.comparing.read import read_placed
from cagecheck.demo import make_scene
from cagecheck.demo.scene import write_scene
from cagecheck.predicting.page import page_of_prediction
from cagecheck.predicting.settings import Settings
from cagecheck.predicting.write import write_prediction
from cagecheck.report.page import page_html
from cagecheck.report.thin import KeptThin
from cagecheck.watching.bake import Bake
from cagecheck.watching.rounds import Rounds
from cagecheck.watching.watch import QUIET_SECONDS, Watch

SAMPLES, ROUNDS = 200_000, 4
DETAILS = (1.0, 3.4)
T = TypeVar("T")
Times = dict[str, tuple[float, float]]


def timed(times: Times, name: str, work: Callable[[], T]) -> T:
    """Do some work and keep its times if they are the best so far: processor, clock."""
    busy, begin = time.process_time(), time.perf_counter()
    out = work()
    spent = time.process_time() - busy, time.perf_counter() - begin
    known = times.get(name, spent)
    times[name] = min(known[0], spent[0]), min(known[1], spent[1])
    return out


def print_times(title: str, times: Times) -> None:
    print(title)
    for name, (busy, clock) in times.items():
        print(f"  {name:<52} {busy:6.2f} s of processor time  {clock:6.2f} s by the clock")


def save(low: Path, text: str, number: int) -> None:
    """Save the low poly with other bytes: a comment more."""
    beside = low.with_suffix(".new")
    beside.write_text(f"{text}# save {number}\n")
    beside.replace(low)


def stages(bake: Bake, folder: Path) -> None:
    text = bake.low.read_text()
    rounds, thin, times = Rounds(bake), KeptThin(), {}
    before = None
    for number in range(ROUNDS + 1):
        save(bake.low, text, number)
        mine: Times = {} if number == 0 else times  # the first reads the high poly
        result = timed(mine, "predict (reads the low poly, casts, judges)", rounds.predict)
        placed = timed(mine, "places of its regions", lambda r=result: read_placed(r))
        if before is not None:
            timed(mine, "line of words", lambda a=before, b=placed: compare_placed(a, b).summary)
        before = placed
        content = timed(mine, "page: what it shows", lambda r=result: page_of_prediction(
            r, with_lit=False))  # fmt: skip
        timed(mine, "page: HTML", lambda c=content: page_html(c, thin=thin))
        timed(mine, "afterwards: lit maps and all files", lambda r=result: write_prediction(
            r, folder / "stages", force=True, thin=thin))  # fmt: skip
    shown = [t for name, t in times.items() if not name.startswith("afterwards")]
    times["from the save to the page, all together"] = (
        sum(t[0] for t in shown),
        sum(t[1] for t in shown),
    )
    print_times("a round in which the low poly changed:", times)
    fresh: Times = {}
    timed(fresh, "fresh predict, with reading", lambda: Rounds(bake).predict())
    print_times("beside:", fresh)


def whole(bake: Bake, folder: Path) -> None:
    text = bake.low.read_text()
    shown, written = [], []
    with Watch(bake, folder / "watched") as watch:
        begin, number = 0.0, 0
        for news in watch:
            if news.kind == "round" and number:
                shown.append(time.perf_counter() - begin)
            if news.kind != "written":
                continue
            if number:
                written.append(time.perf_counter() - begin)
            if number == ROUNDS:
                break
            number += 1
            begin = time.perf_counter()
            save(bake.low, text, 100 + number)
    print(
        f"a whole watch, by the clock ({QUIET_SECONDS} s of it waiting for more of the save): "
        f"{min(shown):.2f} s to line and page, {min(written):.2f} s to the last file"
    )


def main() -> None:
    for detail in [float(word) for word in sys.argv[1:]] or DETAILS:
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            scene = make_scene(detail=detail)
            write_scene(scene, folder)
            count = scene.high.triangle_count
            del scene
            print(f"{count:,} triangles, {SAMPLES:,} samples, {os.cpu_count()} cores, "
                  f"load {os.getloadavg()[0]:.1f}")  # fmt: skip
            bake = Bake(folder / "low.obj", folder / "high.glb", settings=Settings(samples=SAMPLES))
            stages(bake, folder)
            whole(bake, folder)


if __name__ == "__main__":
    main()
