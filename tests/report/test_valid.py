"""Our reading of JSON Schemas against the library jsonschema (draft 2020-12)."""

from __future__ import annotations

import json
import random

import jsonschema
import pytest

from cagecheck.report.schemas import NAMES, read_schema
from cagecheck.report.valid import KNOWN, fault_of
from tests.formats.test_hostile_files import with_odd_values


def made(schema: dict, root: dict, rng: random.Random) -> object:
    """Draw a document that a schema allows, without its optional rules of form."""
    if "$ref" in schema:
        return made(root["$defs"][schema["$ref"].rpartition("/")[2]], root, rng)
    if "anyOf" in schema:
        return made(rng.choice(schema["anyOf"]), root, rng)
    for word in ("const", "enum"):
        if word in schema:
            return schema["const"] if word == "const" else rng.choice(schema["enum"])
    kind = schema.get("type", "null")
    kind = rng.choice(kind) if isinstance(kind, list) else kind
    if kind == "object":
        return {name: made(sub, root, rng) for name, sub in schema.get("properties", {}).items()}
    if kind == "array":
        count = max(schema.get("minItems", 1), min(2, schema.get("maxItems", 2)))
        return [made(schema.get("items", {}), root, rng) for _ in range(count)]
    least = schema.get("minimum", 0)
    text = "0" * 64 if "pattern" in schema else "x"
    return {"string": text, "boolean": True, "null": None, "number": least + 0.5,
            "integer": int(least) + 1}[kind]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_the_same_documents_pass_as_with_jsonschema(name: str) -> None:
    schema = read_schema(name)
    judge = jsonschema.Draft202012Validator(schema)
    rng = random.Random(5)
    outcomes = set()
    for _ in range(60):
        document = made(schema, schema, rng)
        for _ in range(rng.choice([0, 1, 2])):
            document = with_odd_values(json.loads(json.dumps(document)), rng)
        expected = judge.is_valid(document)
        assert (fault_of(document, name) is None) == expected, document
        outcomes.add(expected)
    assert outcomes == {True, False}, "the draws were all alike"


@pytest.mark.parametrize("name", NAMES)
def test_no_schema_uses_words_that_are_not_read(name: str) -> None:
    def words(schema: dict) -> set[str]:
        found = set(schema)
        for below in ("properties", "$defs"):
            for one in schema.get(below, {}).values():
                found |= words(one)
        for below in ("items", "additionalProperties"):
            if isinstance(schema.get(below), dict):
                found |= words(schema[below])
        for one in schema.get("anyOf", []):
            found |= words(one)
        return found

    assert words(read_schema(name)) <= KNOWN
