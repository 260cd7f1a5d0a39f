"""Documents held to their JSON Schema (draft 2020-12), as far as our schemas use it.

The words known here are those of `cagecheck/report/schema`; `tests/report/test_valid.py` holds the
outcome against the library jsonschema.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from cagecheck.report.schemas import read_schema

KNOWN = {
    "$schema", "$id", "$defs", "$ref", "title", "description", "type", "properties", "required",
    "additionalProperties", "items", "enum", "const", "anyOf", "minimum", "maximum",
    "minItems", "maxItems", "pattern", "format",
}  # fmt: skip
_TYPES: dict[str, type | tuple[type, ...]] = {
    "object": dict, "array": list, "string": str, "boolean": bool, "null": type(None),
    "number": (int, float), "integer": (int, float),
}  # fmt: skip


def fault_of(document: Any, name: str) -> str | None:
    """Return where a document first departs from the schema `name`, in words, or None."""
    schema = read_schema(name)
    return _fault(document, schema, schema, "")


def _fault(value: Any, schema: Mapping[str, Any], root: Mapping[str, Any], at: str) -> str | None:
    if "$ref" in schema:
        found = _fault(value, _resolved(schema["$ref"], root), root, at)
        if found:
            return found
    if "anyOf" in schema and all(_fault(value, one, root, at) for one in schema["anyOf"]):
        return f"{at or 'the document'} has none of the forms it may have"
    return _fault_of_value(value, schema, at) or _fault_of_parts(value, schema, root, at)


def _fault_of_value(value: Any, schema: Mapping[str, Any], at: str) -> str | None:
    at = at or "the document"
    wanted = schema.get("type", [])
    kinds = [wanted] if isinstance(wanted, str) else wanted
    if kinds and not any(_is_of(value, kind) for kind in kinds):
        return f"{at} is not of the kind {' or '.join(kinds)}"
    if "const" in schema and not _same(value, schema["const"]):
        return f"{at} is not {schema['const']}"
    if "enum" in schema and not any(_same(value, one) for one in schema["enum"]):
        return f"{at} is none of the words known"
    if _is_of(value, "number") and "minimum" in schema and value < schema["minimum"]:
        return f"{at} is below {schema['minimum']}"
    if _is_of(value, "number") and "maximum" in schema and value > schema["maximum"]:
        return f"{at} is above {schema['maximum']}"
    if isinstance(value, str) and "pattern" in schema and not re.search(schema["pattern"], value):
        return f"{at} is not of its form"
    if isinstance(value, list) and not (
        schema.get("minItems", 0) <= len(value) <= schema.get("maxItems", len(value))
    ):
        return f"{at} has another length"
    return None


def _fault_of_parts(
    value: Any, schema: Mapping[str, Any], root: Mapping[str, Any], at: str
) -> str | None:
    if isinstance(value, list) and "items" in schema:
        for k, item in enumerate(value):
            if found := _fault(item, schema["items"], root, f"{at}[{k}]"):
                return found
    if isinstance(value, dict):
        for key in schema.get("required", ()):
            if key not in value:
                return f"{at + ' ' if at else ''}lacks {key}"
        known, more = schema.get("properties", {}), schema.get("additionalProperties", True)
        for key, item in value.items():
            below = known.get(key, more)
            if below is False:
                return f"{at or 'the document'} holds a field too many"
            if isinstance(below, dict) and (
                found := _fault(item, below, root, f"{at}.{key[:40]}" if at else key[:40])
            ):
                return found
    return None


def _is_of(value: Any, kind: str) -> bool:
    if isinstance(value, bool):
        return kind == "boolean"
    if kind == "integer" and isinstance(value, float):
        return value.is_integer()
    return isinstance(value, _TYPES[kind])


def _same(value: Any, other: Any) -> bool:
    return value == other and isinstance(value, bool) == isinstance(other, bool)


def _resolved(reference: str, root: Mapping[str, Any]) -> Mapping[str, Any]:
    found: Any = root
    for part in reference.removeprefix("#/").split("/"):
        found = found[part]
    out: Mapping[str, Any] = found
    return out
