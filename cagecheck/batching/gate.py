"""Thresholds for automated checks, and their outcome as JUnit XML.

JUnit XML is the de-facto exchange format of test results: one ``testcase`` per asset, with a
``failure`` where a threshold is passed and an ``error`` where the asset could not be checked.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET  # only written here, never read
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

from cagecheck.defects.kinds import KINDS, Defect
from cagecheck.words.numbers import decimals, figures

# Defects by the names that manifests use: "miss-tight", "overshoot-own", ...
DEFECT_SLUGS: dict[str, str] = {
    defect.name.lower().replace("_", "-"): KINDS[defect].title for defect in Defect
}
# What the numbers of a gate count, in the order of `Gate.NUMBERS`.
_UNITS = (
    "regions with defects", "texels with defects", "% of the area with defects",
    "texels with defects that show", "degrees times texels of visible harm",
)  # fmt: skip
# XML 1.0 allows no other characters (W3C, "Extensible Markup Language", 2.2).
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True)
class Gate:
    """The most that an asset may have. None is no threshold.

    regions : defect regions. texels : texels with any defect. texels_seen : those of them that will
    show. harm : degrees beyond what shows, times texels. percent : of the low poly's area
    with any defect. texels_of : texels by defect, see `DEFECT_SLUGS`. clashes : places where parts
    pass through each other, over all frames. clash_depth : how deep. A tuned or mended asset is
    measured after that.
    """

    NUMBERS: ClassVar[tuple[str, ...]] = ("regions", "texels", "percent", "texels_seen", "harm")
    OF_CLASHES: ClassVar[tuple[str, ...]] = ("clashes", "clash_depth")

    regions: float | None = None
    texels: float | None = None
    percent: float | None = None
    texels_seen: float | None = None
    harm: float | None = None
    texels_of: Mapping[str, float] = field(default_factory=dict)
    clashes: float | None = None
    clash_depth: float | None = None

    def breaches(
        self, summary: Mapping[str, Any] | None, clashed: Mapping[str, Any] | None = None
    ) -> list[str]:
        """Return a sentence for every threshold that a row's summary or clashes pass."""
        return [
            *(self._of_the_bake(summary) if summary is not None else []),
            *(self._of_clashes(clashed) if clashed is not None else []),
        ]

    def _of_clashes(self, clashed: Mapping[str, Any]) -> list[str]:
        out = []
        if self.clashes is not None and clashed["clashes"] > self.clashes:
            out.append(
                f"{figures(clashed['clashes'], 6)} places where parts pass through each other, "
                f"{figures(self.clashes, 6)} allowed"
            )
        if self.clash_depth is not None and clashed["depth"] > self.clash_depth:
            out.append(
                f"parts pass {figures(clashed['depth'], 6)} deep into each other, "
                f"{figures(self.clash_depth, 6)} allowed"
            )
        return out

    def _of_the_bake(self, summary: Mapping[str, Any]) -> list[str]:
        out = []
        for name, unit in zip(self.NUMBERS, _UNITS, strict=True):
            most = getattr(self, name)
            if most is not None and summary[name] > most:
                out.append(f"{figures(summary[name], 6)} {unit}, {figures(most, 6)} allowed")
        texels = {row["name"]: row["texels"] for row in summary["defects"]}
        for slug, most in self.texels_of.items():
            title = DEFECT_SLUGS[slug]
            if texels.get(title, 0.0) > most:
                out.append(
                    f"{figures(texels[title], 6)} texels of {title}, {figures(most, 6)} allowed"
                )
        return out


def junit_xml(suite: str, rows: Sequence[Mapping[str, Any]]) -> bytes:
    """Return JUnit XML for result rows (see `batch`), UTF-8."""
    failures = sum(bool(row["breaches"]) for row in rows)
    errors = sum(row["status"] == "failed" for row in rows)
    seconds = sum(row.get("seconds") or 0.0 for row in rows)
    counts = {
        "tests": str(len(rows)),
        "failures": str(failures),
        "errors": str(errors),
        "time": decimals(seconds, 3),
    }
    root = ET.Element("testsuites", {"name": "cagecheck", **counts})
    holder = ET.SubElement(root, "testsuite", {"name": _clean(suite), "skipped": "0", **counts})
    for row in rows:
        case = ET.SubElement(
            holder,
            "testcase",
            {
                "classname": "cagecheck",
                "name": _clean(row["name"]),
                "time": decimals(row.get("seconds") or 0.0, 3),
            },
        )
        if row["status"] == "failed":
            message = _clean(row["error"])
            ET.SubElement(case, "error", {"message": message, "type": "failed"}).text = message
        elif row["breaches"]:
            first = _clean(row["breaches"][0])
            breach = ET.SubElement(case, "failure", {"message": first, "type": "threshold"})
            breach.text = _clean("\n".join([*row["breaches"], *_regions(row)]))
    ET.indent(root)
    return bytes(ET.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


def _regions(row: Mapping[str, Any]) -> list[str]:
    """Return the worst region in words."""
    worst = (row["summary"] or {}).get("worst")
    if not worst:
        return []
    return [f"worst: {worst['name']} on {worst['part']}: {worst['cause']}. Cure: {worst['cure']}."]


def _clean(text: str) -> str:
    return _NOT_XML.sub("?", str(text))
