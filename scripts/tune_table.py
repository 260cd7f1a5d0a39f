"""Tune meshes, and compare with what an artist could have had without it: docs/evidence_tune.md.

    python scripts/tune_meshes.py FOLDER                      once, where the registries can be had
    python scripts/tune_table.py --meshes FOLDER --jobs 4     writes the page and its pictures
    python scripts/tune_table.py --only demo cape --samples 20000 --print

Rows: the cage that the scene suggests (before), the best single number, the best for each part, the
farthest nearest point per vertex (common practice, no source) and tuned. All are cast on the same
points, which none of them was made from, at the depth that tuning hands out. With --area each mesh
is tuned once more with conflicts decided by area instead of by what shows. Every mesh runs in a
process of its own, so that memory is its alone. Nothing here needs a network or a window.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np
from compare_offsets import nearest_offsets

import cagecheck
from cagecheck.defects.kinds import Defect
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.predicting.settings import Settings
from cagecheck.rays.cage import Cage, cage_from_push
from cagecheck.rays.points import sample_points
from cagecheck.tuning.assurance import BLOCKED, wrong_points
from cagecheck.tuning.cage_picture import draw_tuned_cage
from cagecheck.tuning.corridors import low_graph
from cagecheck.tuning.folds import cage_crossings, check_shell
from cagecheck.tuning.measure import measure_on
from cagecheck.tuning.single import single_numbers, uniform_prediction
from cagecheck.tuning.steady import steadiness
from cagecheck.tuning.tune import TuneSettings, Tuning, tune
from cagecheck.words.sentences import count_words

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "evidence_tune.md"
PICTURES = ROOT / "docs" / "pictures"
FRESH_SEED = 9000
MOST_POINTS = 400_000
MISSED = (Defect.MISS_TIGHT, Defect.MISS_DEEP)
OVERSHOT = (Defect.OVERSHOOT_OWN, Defect.OVERSHOOT_OTHER)
COLUMNS = (
    ("missed", "missed %"), ("overshot", "overshot %"), ("bare", "no surface %"),
    ("harm", "harm"), ("folds", "folds"), ("skew", "skew %"), ("back", "back-facing %"),
    ("crossings", "self-crossings"), ("largest", "largest offset"), ("steepest", "steepest rise"),
    ("spike", "largest against neighbours"),
)  # fmt: skip


def load(name: str, folder: Path | None) -> tuple[LowPoly, Surface, np.ndarray]:
    """Return low poly, high poly and pairs of a mesh by its name."""
    if name == "demo":
        scene = cagecheck.make_scene(detail=0.2)
        low = prepare_low(scene.low)
        return low, scene.high, cagecheck.pair_parts(
            low.part_names, scene.high.part_names
        ).matrix()  # fmt: skip
    assert folder is not None, "--meshes is needed"
    z = np.load(folder / f"{name}.npz")
    low = prepare_low(mesh_from_polygons(z["low_positions"], z["low_faces"], uv=z["low_uv"]))
    faces = z["high_faces"].astype(np.int32)
    high = Surface(
        z["high_positions"].astype(np.float64), faces, np.zeros(len(faces), np.int32), (name,)
    )
    return low, high, np.ones((1, 1), bool)


def one(name: str, folder: Path | None, samples: int, area: bool) -> dict[str, Any]:
    """Tune a mesh and measure every way of choosing offsets on points of their own."""
    low, high, paired = load(name, folder)
    settings = Settings(samples=samples, unseen_points=0)
    began = time.perf_counter()
    tuned = tune(low, high, paired=paired, settings=settings)
    seconds = time.perf_counter() - began
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    numbers = single_numbers(
        uniform_prediction(tuned.before), tuned.margin, tuned.limit, tuned.depth
    )
    asset = next(n for n in numbers if n.scope == "asset")
    by_part = {n.name: n.offset_out for n in numbers if n.scope == "part"}
    vertex_part = np.zeros(low.mesh.vertex_count, np.int64)
    vertex_part[low.triangles.ravel()] = np.repeat(low.triangle_part, 3)
    ways = {
        "before": np.full(low.mesh.vertex_count, tuned.before.settings.offset),
        "best single": np.full(low.mesh.vertex_count, asset.offset_out),
        "best per part": np.array(
            [by_part.get(low.part_names[p], asset.offset_out) for p in vertex_part]
        ),
        "nearest per vertex": nearest_offsets(low, high, paired),
        "tuned": tuned.offset_out,
    }
    if area:
        other = tune(
            low, tuned.scene, paired=paired, settings=settings, tuning=TuneSettings(decide="area")
        )
        ways["tuned, by area"] = other.offset_out
    count = min(4 * samples, MOST_POINTS)
    points = sample_points(low, float(np.sqrt(low.area.sum() / count)), seed=FRESH_SEED)
    rows = {way: row_of(tuned, cage_from_push(low, offsets), offsets, points)
            for way, offsets in ways.items()}  # fmt: skip
    slug = "".join(c if c.isalnum() else "_" for c in name).strip("_")
    picture = PICTURES / f"tuned_{slug}.png"
    with picture.open("wb") as file:
        draw_tuned_cage(tuned, low_graph(low), file, f"Tuned cage: {name}")
    return {
        "name": name,
        "low": len(low.triangles),
        "high": high.triangle_count,
        "diagonal": low.diagonal(),
        "suggested": [tuned.before.settings.offset, tuned.before.settings.depth],
        "depth": tuned.depth,
        "deepest_vertex": float(tuned.offset_in.max()),
        "given_up": len(tuned.depths.places),
        "known": tuned.assurance.known,
        "bound": tuned.assurance.bound,
        "low_crossings": tuned.low_crossings,
        "harm": {
            k: getattr(tuned.harm, k) for k in ("before", "asset", "parts", "solved", "tuned")
        },
        "taken": tuned.harm.taken,
        "curve": [[p.slope, p.harm] for p in tuned.smooth_curve],
        "seconds": seconds,
        "gigabytes": memory,
        "rows": rows,
        "picture": picture.name,
    }


def row_of(tuned: Tuning, cage: Cage, offsets: np.ndarray, points: Any) -> dict[str, float]:
    """Cast the points through a cage, and sum up what is wrong."""
    low, matcher, depth = tuned.low, tuned.matcher, tuned.depth
    _, reach = tuned.settings.depth_and_reach()
    cast = matcher.deeper(matcher.cast(cage, points, depth, reach))
    findings = matcher.classify(cage, cast, depth=depth, map_size=tuned.settings.map_size)
    area = points.area / points.area.sum()
    measure = measure_on(matcher, points, tuned.settings, depth)
    graph = low_graph(low)
    position = np.zeros(low.position_count)
    position[low.position_id] = offsets
    steady = steadiness(low, graph, position, 1e-4 * low.diagonal())
    positions = cage.positions
    if positions is None:
        positions = low.positions + offsets[:, None] * low.ray_normals[low.position_id]

    def percent(*kinds: Defect) -> float:
        return 100 * float(area[wrong_points(findings, kinds)].sum())

    return {
        "missed": percent(*MISSED),
        "overshot": percent(*OVERSHOT),
        "blocked": percent(*BLOCKED),
        "bare": percent(Defect.MISS_NOTHING),
        "harm": float(measure.harm(cage).sum()),
        "folds": int(check_shell(low, cage).folded.sum()),
        "skew": percent(Defect.SKEW),
        "back": percent(Defect.BACK_FACING),
        "crossings": int(cage_crossings(low, positions).same_part.sum()),
        "largest": float(offsets.max()),
        "steepest": steady.steepest,
        "spike": steady.spike,
    }


def page(found: list[dict[str, Any]], samples: int) -> str:
    """Return the page in Markdown."""
    out = [
        "# What tuning does, mesh by mesh",
        "",
        "Written by `python scripts/tune_table.py`; the meshes come from `scripts/tune_meshes.py`. "
        f"{samples:,} samples for the tuning; every row is cast on the same points, which none of "
        "the cages was made from, at the depth that tuning hands out. *Harm* is what will be seen: "
        "degrees of visible error that count, times texels of maps of 2048. *Folds* are triangles "
        "of the shell, *self-crossings* places where the cage passes through itself within a part, "
        "the *steepest rise* is that of offsets along an edge, against its length.",
        "",
    ]
    for m in found:
        places = count_words(m["given_up"], "place")
        given_up = f", {places} given up as too deep" if m["given_up"] else ""
        out += [
            f"## {m['name']}",
            "",
            f"{m['low']:,} against {m['high']:,} triangles, diagonal {m['diagonal']:.4g}. "
            f"{m['seconds']:.0f} s, {m['gigabytes']:.2f} GB. The scene suggested an offset of "
            f"{m['suggested'][0]:.4g} and a depth of {m['suggested'][1]:.4g}; handed out: a depth "
            f"of {m['depth']:.4g}, at a vertex {m['deepest_vertex']:.4g} at most"
            f"{given_up}. Known to be wrong: {100 * m['known']:.3g} %, less than "
            f"{100 * m['bound']:.2g} % besides. The low poly passes through itself at "
            f"{count_words(m['low_crossings'], 'place')}.",
            "",
            "| | " + " | ".join(title for _, title in COLUMNS) + " |",
            "|---|" + "---:|" * len(COLUMNS),
        ]
        for way, row in m["rows"].items():
            cells = [f"{row[k]:,.0f}" if k in ("harm", "folds", "crossings") else f"{row[k]:.3g}"
                     for k, _ in COLUMNS]  # fmt: skip
            out.append(f"| {way} | " + " | ".join(cells) + " |")
        if "tuned, by area" in m["rows"]:
            by_harm, by_area = m["rows"]["tuned"]["harm"], m["rows"]["tuned, by area"]["harm"]
            saved = 100 * (1 - by_harm / by_area) if by_area else 0.0
            out += [
                "",
                f"Deciding by what shows instead of by area saves {saved:.2g} % of the harm.",
            ]
        if m["taken"]:
            names = ", ".join(sorted(m["taken"]))
            out += ["", f"Parts that showed less with one number, and took it: {names}."]
        curve = "; ".join(f"{slope:.2g}: {harm:,.0f}" for slope, harm in m["curve"])
        out += ["", f"Harm over smoothness (steepest rise let be: harm): {curve}.", "",
                f"![The tuned cage](pictures/{m['picture']})", ""]  # fmt: skip
    return "\n".join(out)


def run_one(name: str, arguments: list[str]) -> dict[str, Any] | None:
    """Tune a mesh in a process of its own; None, and a line, where that fails."""
    command = [sys.executable, __file__, "--one", name, *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        print(f"{name}: {done.stderr.strip()[-2000:]}", file=sys.stderr, flush=True)
        return None
    result: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    tuned = result["rows"]["tuned"]
    print(f"{name}: {result['seconds']:.0f} s, {result['gigabytes']:.2f} GB, "
          f"missed {tuned['missed']:.3g} %, overshot {tuned['overshot']:.3g} %, "
          f"harm {tuned['harm']:,.0f} (best single {result['rows']['best single']['harm']:,.0f})",
          flush=True)  # fmt: skip
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--meshes", type=Path, help="folder that tune_meshes.py made")
    parser.add_argument("--only", nargs="*", help="names of meshes; demo is one")
    parser.add_argument("--samples", type=int, default=50_000)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--area", action="store_true", help="also decide conflicts by area")
    parser.add_argument("--print", action="store_true", help="print the page instead of writing it")
    parser.add_argument("--json", type=Path, help="keep all numbers in this file as well")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.one:
        print(json.dumps(one(chosen.one, chosen.meshes, chosen.samples, chosen.area)))
        return
    carried = sorted(p.stem for p in chosen.meshes.glob("*.npz")) if chosen.meshes else []
    names = chosen.only or ["demo", *carried]
    arguments = ["--samples", str(chosen.samples), *(["--area"] if chosen.area else [])]
    if chosen.meshes:
        arguments += ["--meshes", str(chosen.meshes)]
    PICTURES.mkdir(exist_ok=True)
    with ThreadPoolExecutor(chosen.jobs) as pool:
        found = [m for m in pool.map(lambda n: run_one(n, arguments), names) if m is not None]
    if chosen.json:
        chosen.json.write_text(json.dumps(found, indent=1) + "\n")
    text = page(found, chosen.samples)
    if chosen.print:
        print(text)
    else:
        PAGE.write_text(text)
        print(f"written: {PAGE}")
    if len(found) < len(names):
        raise SystemExit(1)


if __name__ == "__main__":
    main()
