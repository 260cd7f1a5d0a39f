"""`cagecheck demo`: make the sample scene, run the main job on it, score it."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from shlex import quote
from typing import Annotated, Any

import typer

from cagecheck.commands.options import ForceFlag, JsonFlag, add_command
from cagecheck.commands.predict import say_files, say_prediction
from cagecheck.commands.terminal import EXIT_CLEAN, Terminal
from cagecheck.demo import SceneName, make_scene, write_scene
from cagecheck.demo.evaluate import score_prediction
from cagecheck.demo.score import KindScore
from cagecheck.files import refuse_existing
from cagecheck.predicting.inputs import read_inputs
from cagecheck.predicting.predict import predict
from cagecheck.predicting.result import prediction_document
from cagecheck.predicting.settings import Settings
from cagecheck.predicting.write import write_prediction
from cagecheck.words.numbers import readable

RESULT_FOLDER = "predicted"


def register(app: typer.Typer) -> None:
    """Add the `demo` command."""
    add_command(app, "demo", demo)


def demo(
    folder: Annotated[Path, typer.Argument(help="Folder to make.", metavar="DIR")],
    seed: Annotated[
        int, typer.Option("--seed", metavar="N", help="Seed of the surface noise.")
    ] = 7,
    detail: Annotated[
        float,
        typer.Option(
            "--detail",
            min=0.01,
            max=20,
            metavar="FACTOR",
            help="How dense the high poly is; 1 is 1.5 million triangles.",
        ),
    ] = 1.0,
    scene_name: Annotated[
        SceneName,
        typer.Option(
            "--scene",
            help="lamplighter: many parts, every kind of defect planted; cloak: a garment with two "
            "walls, sunken pieces, a pennant of two sheets and a scan, in which little is wrong.",
        ),
    ] = "lamplighter",
    force: ForceFlag = False,
    as_json: JsonFlag = False,
) -> int:
    """Make a sample scene with planted defects and predict its bake.

    Writes low.obj, high.glb and planted.json (what is wrong on purpose, and where) into DIR, and
    what `predict` finds into DIR/predicted. Exit code 0 when that worked: the scene is meant to
    have defects.

    Example:
      cagecheck demo demo-scene
    """
    terminal = Terminal(as_json)
    refuse_existing(folder / RESULT_FOLDER / "regions.json", force)
    with terminal.progress() as progress:
        progress("making the scene", 0, 2)
        scene = make_scene(seed, detail, scene_name)
        progress("making the scene", 1, 2)
        files = write_scene(scene, folder, force)
        progress("making the scene", 2, 2)
        # From here on as anyone would: from the files.
        read = read_inputs(folder / "low.obj", folder / "high.glb", progress=progress)
        settings = Settings(offset=scene.bake.offset, depth=scene.bake.depth)
        result = predict(
            read.low, read.high, paired=read.pairing.matrix(), settings=settings,
            progress=progress,
        )  # fmt: skip
        result = replace(result, notices=(*read.notices, *result.notices))
        out = folder / RESULT_FOLDER
        written = write_prediction(result, out, force=force, progress=progress)
        scores = score_prediction(scene, result)
    document: dict[str, Any] = prediction_document(result)
    document["files"] = [str(path) for path in (*files, *written)]
    document["scores"] = [
        {**asdict(score), "recall": score.recall, "precision": score.precision} for score in scores
    ]
    terminal.result(document)
    terminal.say(scene.description)
    terminal.say("Written: " + ", ".join(str(path) for path in files))
    say_prediction(terminal, result, read.pairing, in_files=True)
    say_scores(terminal, scores)
    say_files(terminal, written, out)
    low, high, tuned = (quote(str(folder / name)) for name in ("low.obj", "high.glb", "tuned"))
    terminal.say(f"Tune it: cagecheck tune {low} {high} --out {tuned}")
    return EXIT_CLEAN


def say_scores(terminal: Terminal, scores: list[KindScore]) -> None:
    """Print how well the findings match what was planted for this bake."""

    def ratio(value: float | None) -> str:
        return "-" if value is None else readable(value, 3)

    terminal.table(
        "Planted defects of this bake: found and reported rightly",
        ("defect", "planted", "found", "recall", "regions", "right", "precision"),
        [
            (s.kind, s.planted, s.found, ratio(s.recall), s.regions, s.right, ratio(s.precision))
            for s in scores
        ],
    )
