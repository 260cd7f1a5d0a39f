"""Hold the licences of what is installed against THIRD_PARTY.md.

    python scripts/check_licences.py [--write]

Looks at every package that cagecheck and its extras bring, as far as it is installed here, but not
at what only the tests use. Ends with 1 where a package is not listed, has a licence that is not in
its row, or none that can be told. With `--write` the list of what is brought along is written anew.
"""

from __future__ import annotations

import argparse
import re
import tomllib
from dataclasses import dataclass
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "THIRD_PARTY.md"
BEGIN, END = "<!-- brought: scripts/check_licences.py -->", "<!-- /brought -->"
NONE_NAMED = "none named"
# Extras that nobody needs who only uses cagecheck.
NOT_USED = ("test",)

# Names that packages give their licences, by the identifiers of SPDX (spdx.org/licenses).
IDENTIFIERS = {
    "MIT License": "MIT", "The MIT License": "MIT", "MIT license": "MIT",
    "Apache Software License": "Apache-2.0", "Apache 2.0": "Apache-2.0",
    "Apache License 2.0": "Apache-2.0", "Apache License, Version 2.0": "Apache-2.0",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0", "ISC License": "ISC",
    "ISC License (ISCL)": "ISC", "BSD 3-Clause License": "BSD-3-Clause",
    "BSD 2-Clause License": "BSD-2-Clause", "LicenseRef-TOST-1.0": "TOST-1.0",
    "Python Software Foundation License": "PSF",
}  # fmt: skip
KNOWN = {
    "MIT", "MIT-0", "MIT-CMU", "BSD-2-Clause", "BSD-3-Clause", "0BSD", "ISC", "Zlib", "Apache-2.0",
    "MPL-2.0", "PSF-2.0", "PSF", "CC0-1.0", "TOST-1.0", "LLVM-exception", "Unlicense",
}  # fmt: skip
# Sentences that stand in one licence and in no other of these, the first that is found counts.
SENTENCES = (
    ("Neither the name", "BSD-3-Clause"),
    ("Neither name of", "BSD-3-Clause"),
    ("Redistribution and use in source and binary forms", "BSD-2-Clause"),
    ("Permission is hereby granted, free of charge", "MIT"),
    ("Mozilla Public License Version 2.0", "MPL-2.0"),
    ("Python Software Foundation", "PSF"),
    ("matplotlib", "PSF"),
)
_LONGEST_NAME = 60


@dataclass(frozen=True)
class Package:
    """An installed package: its name, its licences (none where none can be told), who brings it."""

    name: str
    licences: frozenset[str]
    by: str


def plain(name: str) -> str:
    """Return a package's name as indexes compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def installed(project: Path = ROOT / "pyproject.toml") -> list[Package]:
    """Return what the project's requirements bring, as far as it is installed, by name."""
    table = tomllib.loads(project.read_text(encoding="utf-8"))["project"]
    wanted = list(table["dependencies"])
    for extra, lines in table.get("optional-dependencies", {}).items():
        wanted += [] if extra in NOT_USED else lines
    found: dict[str, Package] = {}
    seen: set[tuple[str, str]] = set()
    queue = [(Requirement(line), "", "cagecheck") for line in wanted]
    while queue:
        requirement, asked, by = queue.pop(0)
        if requirement.marker and not requirement.marker.evaluate({"extra": asked}):
            continue
        name = plain(requirement.name)
        for extra in ("", *requirement.extras):
            if (name, extra) in seen:
                continue
            seen.add((name, extra))
            try:
                there = distribution(name)
            except PackageNotFoundError:
                continue
            found.setdefault(name, Package(name, licences_of(there), by))
            queue += [(Requirement(line), extra, name) for line in there.requires or []]
    return sorted(found.values(), key=lambda package: package.name)


def licences_of(package: Distribution) -> frozenset[str]:
    """Return the SPDX identifiers of a package's licences, from the first place that names any."""
    about = package.metadata
    short = (about.get("License") or "").strip()
    names = [c.rpartition(" :: ")[2] for c in about.get_all("Classifier") or () if "License" in c]
    for said in (
        about.get("License-Expression") or "",
        short if len(short) < _LONGEST_NAME else "",
        *names,
    ):
        if identifiers := _identifiers(said):
            return identifiers
    texts = [short, *(_text(package, str(file)) for file in package.files or ())]
    return frozenset(next(filter(None, map(_recognised, texts)), ()))


def _identifiers(said: str) -> frozenset[str]:
    """Return the identifiers in an expression; none where a part of it is not known."""
    said = IDENTIFIERS.get(said.strip(), said.strip())
    words = [word for word in re.split(r"\s+(?:AND|OR|WITH)\s+|[()]", said) if word.strip()]
    return frozenset(words) if words and all(word in KNOWN for word in words) else frozenset()


def _text(package: Distribution, file: str) -> str:
    is_licence = re.search(r"dist-info/.*(licen[sc]e|copying)", file, re.IGNORECASE)
    return (package.read_text(file.partition("dist-info/")[2]) or "") if is_licence else ""


def _recognised(text: str) -> tuple[str, ...]:
    one_line = " ".join(text.split())
    return next(((name,) for sentence, name in SENTENCES if sentence in one_line), ())


def listed(page: str) -> dict[str, str]:
    """Return by package what the page says of its licence, those in brackets included."""
    rows: dict[str, str] = {}
    for line in page.splitlines():
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        if not line.startswith("|") or len(cells) < 3 or cells[0] in ("package", "what"):
            continue
        rows[plain(cells[0])] = cells[1] if len(cells) == 3 else cells[2]
        for name, said in re.findall(r"brings ([\w.-]+) [\w.]+: ([^)]+)\)", line):
            rows[plain(name)] = said
    return rows


def faults(packages: list[Package], rows: dict[str, str]) -> list[str]:
    """Return a sentence for every package that the page does not have as it is."""
    out = []
    for package in packages:
        said = rows.get(package.name)
        if said is None:
            out.append(f"{package.name} (brought by {package.by}) is not listed.")
        elif not package.licences and not said.startswith(NONE_NAMED):
            out.append(f"{package.name}: no licence that is known here is named; listed: {said}.")
        elif missing := sorted(n for n in package.licences if not _has(said, n)):
            out.append(f"{package.name} is under {', '.join(missing)}; listed: {said}.")
    return out


def _has(said: str, identifier: str) -> bool:
    if identifier == "PSF":
        return "Python Software Foundation" in said or "PSF" in said
    return re.search(rf"(?<![\w.-]){re.escape(identifier)}(?![\w.-])", said) is not None


def brought(packages: list[Package], others: dict[str, str]) -> str:
    """Return the table of what the listed packages bring along."""
    lines = ["| package | licence | brought by |", "|---|---|---|"]
    for package in packages:
        if package.name not in others:
            said = ", ".join(sorted(package.licences)) or "unknown"
            lines.append(f"| {package.name} | {said} | {package.by} |")
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--write", action="store_true", help="write the list of what is brought")
    args = parser.parse_args()
    text, packages = PAGE.read_text(encoding="utf-8"), installed()
    if args.write:
        begin, end = text.index(BEGIN) + len(BEGIN), text.index(END)
        others = listed(text[:begin] + text[end:])
        text = f"{text[:begin]}\n\n{brought(packages, others)}\n\n{text[end:]}"
        PAGE.write_text(text, encoding="utf-8")
    wrong = faults(packages, listed(text))
    for line in wrong:
        print(line)
    print(f"{len(packages)} packages are installed with cagecheck, {len(wrong)} not as listed.")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
