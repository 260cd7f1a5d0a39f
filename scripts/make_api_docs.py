"""Write docs/api.md, the reference of the public names, from their docstrings.

    python scripts/make_api_docs.py            # write it
    python scripts/make_api_docs.py --check    # say whether it is up to date (exit code 1: no)

Public names are those of `cagecheck.__all__`. A name that no chapter below mentions comes last.
"""

from __future__ import annotations

import argparse
import dataclasses
import enum
import inspect
import re
import sys
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any

import cagecheck

PAGE = Path(__file__).resolve().parent.parent / "docs" / "api.md"
CHAPTERS: dict[str, tuple[str, ...]] = {
    "Meshes in and out": (
        "read_mesh", "read_surface", "write_mesh", "write_surface", "write_cage",
        "mesh_from_polygons", "Mesh", "Surface", "transform_surface", "check_alignment",
    ),
    "The low poly and its pairs": (
        "prepare_low", "LowPoly", "NormalRule", "pair_parts", "Pairing",
        "read_inputs", "Inputs", "MeshOptions", "read_cage", "CageFiles", "tiles_touched",
        "NO_TILE",
    ),
    "Inspecting": (
        "inspect_low", "inspect_pair", "Inspection", "Finding", "Place", "part_rows",
        "write_inspection", "inspection_document",
        "needed_padding",
    ),
    "Predicting": (
        "predict", "Settings", "Prediction", "Region", "Defect", "Thresholds",
        "write_prediction", "MapFormat", "MapFiles", "MAP_KINDS", "HighNormals", "HighShading",
        "Sampling", "build_heat_map", "prediction_document",
    ),
    "Tuning": ("tune", "TuneSettings", "Tuning", "single_numbers",
               "uniform_prediction", "SingleNumber", "straighten", "Straightening",
               "explain_conflicts", "Conflict", "carried_cage", "kept_offsets", "read_keep",
               "write_tuning", "FIELD_KINDS",
               "FieldKind", "tuning_document"),
    "Locating": ("find_maps", "read_map", "BakedMap", "find_beside", "beside_map", "BesideMap",
        "BesideKind", "locate", "LocateSettings", "Location",
                 "LocatedMap", "write_location", "location_document"),
    "Comparing": (
        "compare", "Comparison", "Change", "Became", "Tolerance", "Limits", "summary_line",
        "write_comparison",
    ),
    "Working in rounds": ("Watch", "Bake", "News", "Rounds", "BatchWatch"),
    "Pages, pictures and schemas": (
        "page_of_prediction", "page_of_tuning", "page_of_location", "write_page", "read_result",
        "read_high", "ViewModel", "field_named", "make_shot", "Window", "read_schema",
    ),
    "Rays and cages": (
        "cage_from_offset", "cage_from_push", "cage_from_mesh", "Cage", "sample_points",
        "spacing_for_count", "SurfacePoints", "rays_through", "Rays", "Scene", "Layers",
        "read_push", "PushRecord",
    ),
    "Chores": (
        "tile_table", "write_tile_page", "TileTable", "plan_renames", "RenameOptions",
        "RenamePlan", "MapPlan",
        "apply_renames", "finish_renames", "undo_renames", "Journal", "write_tile_materials",
        "restore_tiles", "find_clashes", "Clashes", "Clash", "write_clash_map", "colour_clash_map",
        "write_clash_page", "shown_frame", "ShownFrame",
        "write_legend",
        "ClashFiles", "find_clash_frames", "FoundFrames", "mend_found",
        "mend_clashes", "MendSettings", "Mending", "MendedFrame", "MovedPart", "NotMended",
        "write_mending",
        "read_manifest", "Manifest", "run_batch", "BatchResult",
    ),
    "The sample scenes": (
        "make_scene", "SceneName", "write_scene", "DemoScene", "score_prediction", "KindScore",
    ),
    "Trouble": ("InputError", "Notice", "Progress"),
}  # fmt: skip
OTHERS = "More"
# What is no function and no class has no docstring.
CONSTANTS = {
    "FIELD_KINDS": "The greyscale maps that `write_tuning` can write.",
    "SceneName": "Which sample scene is made.",
    "FieldKind": "One of `FIELD_KINDS`.",
    "HighNormals": "What the high poly is shaded with in maps.",
    "BesideKind": "What a map beside the normal map holds.",
    "MAP_KINDS": "The maps that `write_prediction` can write.",
    "NO_TILE": "Stands for no tile where a UDIM number is asked for.",
    "Progress": "What is called now and then: `(stage, done, total)`.",
}

INTRODUCTION = """# From Python

<!-- Made by scripts/make_api_docs.py from the docstrings; change those and run it again. -->

Whatever the commands do, a script can do with `import cagecheck`. Names are loaded on first use.

Lengths are in the units of the files, angles in degrees unless a name says otherwise, indices
count from 0. Shapes stand in brackets: `(V, 3)` is an array with one row of three for each of V
vertices. `Floats` is an array of float64 and `Ints` one of int32. What `progress` takes is a
function `(stage, done, total)` that is called now and then; the default is silent. Input that
cannot be used raises `InputError` with a message for an artist.
"""
# The sections that are lists, and the line below a section's title.
LISTS = ("Parameters", "Attributes", "Returns", "Raises")
UNDERLINE = re.compile(r"-{3,}")
# `name : text` opens an entry of a list; another may follow on the same line after a full stop.
ENTRY = re.compile(r"^(\w+(?:, \w+)*) : (.*)$")
NEXT_ENTRY = re.compile(r"(?<=[.;]) (?=\w+(?:, \w+)* : )")


def page() -> str:
    """Return the whole page."""
    placed = {name for names in CHAPTERS.values() for name in names}
    public = [name for name in cagecheck.__all__ if name != "__version__"]
    chapters = {title: [n for n in names if n in public] for title, names in CHAPTERS.items()}
    chapters[OTHERS] = [name for name in public if name not in placed]
    parts = [INTRODUCTION, *contents(chapters)]
    for title, names in chapters.items():
        if names:
            parts += [f"## {title}\n", *(entry(name) for name in names)]
    return "\n".join(parts).rstrip() + "\n"


def contents(chapters: dict[str, list[str]]) -> list[str]:
    """Return a line per chapter that links to its names."""
    rows = [
        f"- {title}: " + ", ".join(f"[`{name}`](#{name.lower()})" for name in names)
        for title, names in chapters.items()
        if names
    ]
    return ["\n".join(rows) + "\n"]


def entry(name: str) -> str:
    """Return the section of one public name."""
    thing = getattr(cagecheck, name)
    lines = [f"### `{name}`", ""]
    if name in CONSTANTS:
        shown = repr(thing).replace("typing.", "").replace("collections.abc.", "").replace("'", '"')
        return "\n".join([*lines, "```python", f"{name} = {shown}", "```", "", CONSTANTS[name], ""])
    if isinstance(thing, type) and issubclass(thing, enum.Enum):
        members = ", ".join(f"`{member.name}` = {member.value}" for member in thing)
        return "\n".join([*lines, markdown(doc_of(thing)), f"Members: {members}.", ""])
    lines += ["```python", signature(name, thing), "```", "", markdown(doc_of(thing))]
    if isinstance(thing, type):
        lines += methods(name, thing)
    return "\n".join(lines)


def methods(owner: str, cls: type) -> list[str]:
    """Return one part per public method and property that the class itself defines."""
    fields = (
        {field.name for field in dataclasses.fields(cls)} if dataclasses.is_dataclass(cls) else ()
    )
    parts = []
    for name, member in vars(cls).items():
        if name.startswith("_") or name in fields:
            continue
        if isinstance(member, property | cached_property):
            getter = member.func if isinstance(member, cached_property) else member.fget
            returns = getter.__annotations__.get("return", "") if getter else ""
            head = f"{owner}.{name}: {plain(returns)}"
        elif callable(member) or isinstance(member, classmethod | staticmethod):
            head = signature(f"{owner}.{name}", getattr(cls, name), skip_self=True)
        else:
            continue
        parts += [f"```python\n{head}\n```", "", markdown(doc_of(member))]
    return parts


def doc_of(thing: Any) -> str:
    """Return a docstring; a name without one is an error here."""
    text = inspect.getdoc(thing)
    if not text:
        raise SystemExit(f"{thing} is public and has no docstring.")
    return text


def signature(name: str, thing: Any, *, skip_self: bool = False) -> str:
    """Return ``name(parameters) -> result``, one parameter per line where one line is too long."""
    found = inspect.signature(thing)
    words: list[str] = []
    keyword_only = False
    for k, parameter in enumerate(found.parameters.values()):
        if skip_self and k == 0 and parameter.name == "self":
            continue
        if parameter.kind is parameter.KEYWORD_ONLY and not keyword_only:
            keyword_only = True
            words.append("*")
        words.append(parameter_text(parameter))
    result = "" if isinstance(thing, type) else f" -> {plain(found.return_annotation)}"
    line = f"{name}({', '.join(words)}){result}"
    if len(line) <= 100:
        return line
    return f"{name}(\n" + "".join(f"    {word},\n" for word in words) + f"){result}"


def parameter_text(parameter: inspect.Parameter) -> str:
    """Return ``name: type = default``."""
    text = parameter.name
    if parameter.annotation is not parameter.empty:
        text += f": {plain(parameter.annotation)}"
    if parameter.default is parameter.empty:
        return text
    default = parameter.default
    shown = getattr(default, "__name__", None) or repr(default)
    return f"{text} = {'...' if shown.startswith('<') else shown}"


def plain(annotation: Any) -> str:
    """Return a type as it is written in the code."""
    return annotation if isinstance(annotation, str) else getattr(annotation, "__name__", "")


def markdown(text: str) -> str:
    """Return a docstring as Markdown: section titles in bold, entries as lists."""
    out: list[str] = []
    for title, lines in sections(text):
        if title == "Examples":
            out += ["**Examples**", "", "```pycon", *lines, "```", ""]
            continue
        lines = [line.replace("``", "`") for line in lines]
        if title:
            out += [f"**{title}**", ""]
        if title in LISTS and is_headed(lines):
            out += [*(line for piece in entries(lines) for line in piece), ""]
        elif title == "References":
            out += [*references(lines), ""]
        else:
            out += [*inline_lists(lines), ""]
    return re.sub(r"\[(\d+)\]_", r"[\1]", "\n".join(out)).rstrip() + "\n"


def sections(text: str) -> list[tuple[str, list[str]]]:
    """Return the titles of a docstring's sections and their lines; the first has no title."""
    lines = text.split("\n")
    titles = [k for k in range(len(lines) - 1) if UNDERLINE.fullmatch(lines[k + 1])]
    ends = [*titles, len(lines)]
    found = [("", lines[: ends[0]])]
    found += [(lines[begin], lines[begin + 2 : end]) for begin, end in pairwise(ends)]
    return [(title, "\n".join(body).strip("\n").split("\n")) for title, body in found]


def is_headed(lines: list[str]) -> bool:
    """Tell whether names stand on lines of their own, above what is said of them."""
    return not any(line.endswith((".", ";")) for line in lines if not line.startswith(" "))


def entries(lines: list[str]) -> list[list[str]]:
    """Return the entries of a list, each ``name : type`` with the text indented below."""
    out: list[list[str]] = []
    for line in lines:
        if line.startswith(" "):
            out[-1].append(f"  {line.strip()}")
        elif line:
            names, _, kind = line.partition(" : ")
            told = ", ".join(f"`{name}`" for name in names.split(", ")) if kind else kind_text(line)
            out.append([f"- {told} ({kind_text(kind)}):" if kind else f"- {told}:"])
    return out


def kind_text(kind: str) -> str:
    """Return a type as code; ``optional`` is none."""
    plain_kind, comma, rest = kind.partition(", optional")
    return f"`{plain_kind}`{comma}{rest}"


def references(lines: list[str]) -> list[str]:
    """Return sources as paragraphs that begin with their numbers."""
    return [line.removeprefix(".. ").strip() for line in lines]


def inline_lists(lines: list[str]) -> list[str]:
    """Return text in which ``name : text`` opens an entry of a list."""
    out: list[str] = []
    in_list = False
    for line in lines:
        found = ENTRY.match(line)
        if found:
            if not in_list and out and out[-1]:
                out.append("")
            in_list = True
            out += [item(piece) for piece in NEXT_ENTRY.split(line)]
        elif in_list and line.strip():
            first, *more = NEXT_ENTRY.split(line.strip())
            out += [f"  {first}", *(item(piece) for piece in more)]
        else:
            in_list = in_list and not line.strip()
            out.append(line)
    return out


def item(line: str) -> str:
    """Return ``name : text`` as an entry of a list."""
    found = ENTRY.match(line)
    assert found is not None
    names = ", ".join(f"`{name}`" for name in found[1].split(", "))
    return f"- {names}: {found[2].removesuffix(';')}"


def main() -> int:
    """Write the page, or check it."""
    options = argparse.ArgumentParser(description="Write docs/api.md from the docstrings.")
    options.add_argument("--check", action="store_true", help="Only say whether it is up to date.")
    chosen = options.parse_args()
    text = page()
    if not chosen.check:
        PAGE.write_text(text, encoding="utf-8")
        return 0
    if PAGE.exists() and PAGE.read_text(encoding="utf-8") == text:
        return 0
    print("docs/api.md is not up to date: run python scripts/make_api_docs.py")
    return 1


if __name__ == "__main__":
    sys.exit(main())
