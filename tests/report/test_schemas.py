"""What commands print as JSON against the published schemas."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.defects.kinds import KINDS
from cagecheck.defects.reasons import Reason, Values
from cagecheck.predicting.result import Prediction, prediction_document
from cagecheck.predicting.settings import Settings
from cagecheck.report.schemas import NAMES, read_schema
from cagecheck.tuning.conflict_reasons import ConflictCause
from cagecheck.tuning.conflicts import Conflict, Remedy


def validate(name: str, document: Any) -> None:
    """Raise for a document that the schema forbids or that has fields it does not describe."""
    schema = read_schema(name)
    Draft202012Validator(schema).validate(document)
    assert undescribed(document, schema, schema) == []


def undescribed(value: Any, schema: Any, root: Any, at: str = "") -> list[str]:
    """Return the places of a document that its schema says nothing about."""
    if "$ref" in schema:
        return undescribed(value, root["$defs"][schema["$ref"].rsplit("/", 1)[-1]], root, at)
    if "anyOf" in schema:
        found = [undescribed(value, s, root, at) for s in schema["anyOf"]]
        return min(found, key=len)
    out = []
    if isinstance(value, dict) and "properties" in schema:
        for key, item in value.items():
            if key in schema["properties"]:
                out += undescribed(item, schema["properties"][key], root, f"{at}/{key}")
            else:
                out.append(f"{at}/{key}")
    if isinstance(value, dict) and "additionalProperties" in schema:
        for key, item in value.items():
            out += undescribed(item, schema["additionalProperties"], root, f"{at}/{key}")
    if isinstance(value, list) and "items" in schema:
        for k, item in enumerate(value):
            out += undescribed(item, schema["items"], root, f"{at}/{k}")
    return out


@pytest.fixture(scope="module")
def meshes(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """A plate and the same with a hill; the plate has two UV islands."""
    folder = tmp_path_factory.mktemp("plate")

    def grid(n: int, height: float, uv: bool) -> str:
        t = np.linspace(0, 1, n + 1)
        rows = ["o plate"]
        for y in t:
            for x in t:
                z = height * np.exp(-((x - 0.5) ** 2 + (y - 0.5) ** 2) / 0.02)
                rows.append(f"v {x:.6f} {y:.6f} {z:.6f}")
        if uv:
            for side in range(2):
                rows += [f"vt {0.02 + 0.9 * x + 0.05 * side:.6f} {y:.6f}" for y in t for x in t]
        for j in range(n):
            for i in range(n):
                a = j * (n + 1) + i + 1
                shift = (n + 1) ** 2 if i >= n // 2 else 0
                corners = [a, a + 1, a + n + 2, a + n + 1]
                words = (f"{c}/{c + shift}" if uv else str(c) for c in corners)
                rows.append("f " + " ".join(words))
        return "\n".join(rows) + "\n"

    (folder / "low.obj").write_text(grid(8, 0.0, True))
    (folder / "high.obj").write_text(grid(60, 0.12, False))
    return str(folder / "low.obj"), str(folder / "high.obj")


def run(*words: str) -> Any:
    result = CliRunner().invoke(app, list(words))
    assert result.exit_code in (0, 1), result.output
    return json.loads(result.stdout)


@pytest.mark.parametrize("name", NAMES)
def test_schemas_are_schemas(name: str) -> None:
    Draft202012Validator.check_schema(read_schema(name))


def test_a_rich_prediction(demo_prediction: Prediction) -> None:
    document = json.loads(json.dumps(prediction_document(demo_prediction), allow_nan=False))
    validate("prediction", document)
    assert document["regions"]


def test_defects_of_the_schema_are_the_defects() -> None:
    titles = [kind.title for kind in KINDS.values()]
    assert read_schema("prediction")["$defs"]["defect"]["enum"] == titles


@pytest.mark.parametrize("spoil", ["drop", "type", "name", "more"])
def test_the_check_fails_where_it_should(demo_prediction: Prediction, spoil: str) -> None:
    document = json.loads(json.dumps(prediction_document(demo_prediction)))
    if spoil == "drop":
        del document["regions"][0]["cause"]
    elif spoil == "type":
        document["regions"][0]["tile"] = "1001"
    elif spoil == "name":
        document["regions"][0]["name"] = "bad luck"
    else:
        document["regions"][0]["colour"] = "red"
    with pytest.raises(Exception, match=r"cause|1001|bad luck|colour"):
        validate("prediction", document)


def test_predict_prints_it(meshes: tuple[str, str]) -> None:
    validate(
        "prediction", run("predict", *meshes, "--offset", "0.05", "--samples", "3000", "--json")
    )


def test_tune_prints_and_writes_it(meshes: tuple[str, str], tmp_path: Path) -> None:
    out = tmp_path / "out"
    words = ["--offset", "0.05", "--samples", "3000", "--json", "--out", str(out)]
    validate("tuning", run("tune", *meshes, *words))
    validate("tuning", json.loads((out / "tuning.json").read_text()))
    validate("push", json.loads((out / "push.json").read_text()))


def test_conflicts_and_remedies_are_described() -> None:
    remedy = Remedy("raise offset", "raise it to 0.1", 0.1, 3, 0)
    reason = Reason(ConflictCause.ENDS_BELOW, Values(part="a", short=0.1))
    conflict = Conflict(
        1, "miss", "belt", (0.0, 1.0, 2.0), 3, 12.0, "a", None, 0.1, reason, (remedy,)
    )
    row = json.loads(json.dumps(conflict.to_dict()))
    schema = read_schema("tuning")
    items = schema["properties"]["conflicts"]["items"]
    Draft202012Validator(items).validate(row)
    assert undescribed(row, items, schema) == []


def test_locate_prints_it(meshes: tuple[str, str], tmp_path: Path) -> None:
    out = tmp_path / "out"
    words = ["--offset", "0.05", "--samples", "3000"]
    run(
        "predict", *meshes, *words, "--maps", "normal", "--size", "128", "--out", str(out), "--json"
    )
    (found,) = out.glob("*normal*.png")
    validate("location", run("locate", str(found), *meshes, "--offset", "0.05", "--json"))


def test_straightening_is_described(meshes: tuple[str, str]) -> None:
    words = ["--offset", "0.05", "--samples", "3000", "--straighten", "--json"]
    document = run("tune", *meshes, *words)
    assert document["straightening"]["table"]
    validate("tuning", document)
    document["straightening"]["table"][0]["percent_before"] = "a lot"
    with pytest.raises(Exception, match="a lot"):
        validate("tuning", document)


def test_demo_prints_a_prediction_with_scores(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    few = partial(Settings, samples=2_000, unseen_points=2_000)
    monkeypatch.setattr("cagecheck.commands.demo.Settings", few)
    document = run("demo", str(tmp_path / "scene"), "--detail", "0.02", "--json")
    assert document["scores"] and document["files"]
    validate("prediction", document)


def test_inspect_prints_it(meshes: tuple[str, str]) -> None:
    document = run("inspect", *meshes, "--json")
    assert document["findings"] and document["tiles"]["rows"] and document["pairing"]
    validate("inspection", document)
    validate("inspection", run("inspect", meshes[0], "--json"))


def test_tiles_print_it(meshes: tuple[str, str], tmp_path: Path) -> None:
    low = meshes[0]
    validate("tiles", run("tiles", "show", low, "--json"))
    out = tmp_path / "tiles.obj"
    validate(
        "materials", run("tiles", "materials", low, "--out", str(out), "--first-tile", "--json")
    )
    record = ["--restore", f"{out}.tiles.json", "--out", str(tmp_path / "back.obj"), "--json"]
    validate("materials", run("tiles", "materials", str(out), *record))


def test_renames_print_it(meshes: tuple[str, str], tmp_path: Path) -> None:
    from PIL import Image

    bakes = tmp_path / "bakes"
    bakes.mkdir()
    Image.new("RGB", (64, 64), (128, 128, 255)).save(bakes / "plate_normal_1001.png")
    Image.new("RGB", (64, 64), (128, 128, 255)).save(bakes / "something.png")
    words = ["tiles", "rename", str(bakes), "--mesh", meshes[0], "--json"]
    document = run(*words)
    assert {m["action"] for m in document["maps"]} >= {"rename", "unclear"}
    validate("renames", document)
    validate("renames", run(*words, "--apply"))
    undone = run("tiles", "rename", str(bakes), "--undo", "--json")
    assert undone["moves"]
    validate("renames", undone)


def test_clash_prints_and_writes_it(meshes: tuple[str, str], tmp_path: Path) -> None:
    import trimesh

    for name, x in (("a", 0.0), ("b", 0.8)):
        ball = trimesh.creation.icosphere(2)
        ball.apply_translation([x, 0, 0])
        ball.export(tmp_path / f"{name}.obj")
    words = [str(tmp_path / "a.obj"), "--with", str(tmp_path / "b.obj")]
    document = run("clash", *words, "--out", str(tmp_path / "out"), "--json")
    assert document["frames"][0]["clashes"] and document["written"]
    validate("clash", document)
    validate("clash", json.loads((tmp_path / "out" / "clash.json").read_text()))


def test_compare_prints_and_writes_it(meshes: tuple[str, str], tmp_path: Path) -> None:
    for name, offset in (("old", "0.05"), ("new", "0.2")):
        words = ["--depth", "0.1", "--offset", offset, "--samples", "3000", "--size", "256"]
        run("predict", *meshes, *words, "--out", str(tmp_path / name), "--json")
    both = [str(tmp_path / "old"), str(tmp_path / "new")]
    document = run("compare", *both, "--max-harm", "0", "--out", str(tmp_path / "out"), "--json")
    assert document["counts"]["mended"] and document["changes"]
    validate("comparison", document)
    validate("comparison", json.loads((tmp_path / "out" / "comparison.json").read_text()))
    back = run("compare", *reversed(both), "--no-worse", "--json")
    assert back["breaches"] and not back["passed"]
    validate("comparison", back)


def test_batch_prints_and_writes_it(
    meshes: tuple[str, str], tmp_path: Path, here: list[str]
) -> None:
    manifest = tmp_path / "assets.toml"
    rows = [f'[[asset]]\nname = "plate"\nlow = "{meshes[0]}"\nhigh = "{meshes[1]}"\n',
            f'[[asset]]\nname = "gone"\nlow = "{meshes[0]}x"\nhigh = "{meshes[1]}"\n']  # fmt: skip
    manifest.write_text("".join(f"{r}samples = 2000\noffset = 0.05\nsize = 256\n" for r in rows))
    document = run("batch", str(manifest), "--out", str(tmp_path / "out"), "--json")
    assert [row["status"] for row in document["assets"]] == ["done", "failed"]
    validate("batch", document)
    validate("batch", json.loads((tmp_path / "out" / "results.json").read_text()))


def test_every_command_with_json_has_a_schema() -> None:
    """Commands that take --json, found from the program itself, are all validated above.

    `watch` prints the documents of predict, a line each: tests/watching/test_signals.py.
    """
    import typer

    def with_json(group: Any, before: str = "") -> set[str]:
        found = set()
        for name in group.list_commands(typer.Context(group)):
            command = group.get_command(typer.Context(group), name)
            if hasattr(command, "list_commands"):
                found |= with_json(command, f"{before}{name} ")
            elif any("--json" in p.opts for p in command.params):
                found.add(before + name)
        return found

    validated = {
        "predict", "tune", "locate", "demo", "inspect", "batch", "clash", "compare", "watch",
        "tiles show", "tiles rename", "tiles materials",
    }  # fmt: skip
    assert with_json(typer.main.get_command(app)) == validated
