"""The result of a prediction: the record of every stage, its sums, its document."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.classify import Findings
from cagecheck.defects.entries import Entry, gather
from cagecheck.defects.harm import Seen, seen_of
from cagecheck.defects.headline import headline
from cagecheck.defects.kinds import CLEAN, KINDS, Defect
from cagecheck.defects.match import Matched, Matcher
from cagecheck.defects.regions import Region
from cagecheck.defects.targets import Targets
from cagecheck.defects.unseen import Unseen
from cagecheck.defects.visible import Ideal
from cagecheck.errors import Notice
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.predicting.inputs import MeshOptions
from cagecheck.predicting.next_steps import WayStep, way_steps
from cagecheck.predicting.notebook import prediction_html
from cagecheck.predicting.settings import Settings
from cagecheck.rays.cage import Cage, Rays
from cagecheck.rays.layers import Layers
from cagecheck.rays.points import SurfacePoints
from cagecheck.rays.scene import Scene
from cagecheck.report.json_values import plain, source_row
from cagecheck.version import __version__
from cagecheck.words.sentences import count_words, percent_text

# Raised when a field changes its meaning or goes away; new fields do not raise it.
DOCUMENT_VERSION = 1


@dataclass(frozen=True, eq=False)
class Prediction:
    """What a bake would record, and where that is wrong.

    `matcher` and `cast` hold what was cast and what it gave; `low`, `points` and so on are read
    off them.

    Attributes
    ----------
    matcher : Matcher
        The low poly and the scene around it, and which parts may be baked onto which.
    cage : Cage
        The cage that the rays start on.
    settings : Settings
        The numbers in force (nothing None but what does not apply).
    cast : Matched
        Samples, rays, crossings and targets.
    findings : Findings
        What is wrong with every sample.
    unseen : Unseen | None
        What no ray records of the high poly; None where it was not looked for.
    regions : list[Region]
        Places with one defect each, the most harmful first.
    texel_area : (N,) float64
        The texels each sample stands for.
    ideal : Ideal
        What each sample should record.
    visible_error : (N,) float64
        Angle between what each sample records and what it should, degrees.
    notices : tuple[Notice, ...]
        What the artist should know besides.
    reading : MeshOptions | None
        How the meshes were read from their files, None for meshes that were not.
    """

    matcher: Matcher
    cage: Cage
    settings: Settings
    cast: Matched
    findings: Findings
    unseen: Unseen | None
    regions: list[Region]
    texel_area: Floats
    ideal: Ideal
    visible_error: Floats
    notices: tuple[Notice, ...] = ()
    reading: MeshOptions | None = None

    def __repr__(self) -> str:
        return (
            f"<Prediction: {count_words(len(self.regions), 'region')} from "
            f"{count_words(len(self.points), 'sample')} of {self.low!r}>"
        )

    @property
    def low(self) -> LowPoly:
        """The low poly."""
        return self.matcher.low

    @property
    def scene(self) -> Scene:
        """The high poly as a scene."""
        return self.matcher.scene

    @property
    def paired(self) -> NDArray[np.bool_]:
        """(low parts, high parts) bool, which may be baked onto which."""
        return self.matcher.paired

    @property
    def points(self) -> SurfacePoints:
        """The N samples."""
        return self.cast.points

    @property
    def rays(self) -> Rays:
        """Their rays."""
        return self.cast.rays

    @property
    def layers(self) -> Layers:
        """Every crossing along the rays."""
        return self.cast.layers

    @property
    def targets(self) -> Targets:
        """What belongs to every sample."""
        return self.cast.targets

    @property
    def engine(self) -> str:
        """Name of the ray engine."""
        return self.scene.engine

    @property
    def positions(self) -> Floats:
        """(N, 3) world positions of the samples."""
        return self.rays.origin

    @property
    def clean(self) -> bool:
        """True when no defect was found."""
        return not self.regions

    @cached_property
    def entries(self) -> list[Entry]:
        """The regions as one tells of them, in the order to see to them (see `gather`)."""
        return gather(self.regions)

    @cached_property
    def ways(self) -> tuple[WayStep, ...]:
        """How what shows is mended, with the command that goes on from here."""
        low, high = self.low.mesh.source, self.scene.surface.source
        return way_steps(
            self.entries, low.path if low else None, high.path if high else None, self.reading
        )

    def totals(self) -> list[dict[str, Any]]:
        """Return one row per defect: name, regions, area, percent, texels, what shows of it."""
        return defect_totals(self)

    def _repr_html_(self) -> str:
        return prediction_html(verdict(self), self.totals(), self.entries, len(self.points))

    def to_dict(self) -> dict[str, Any]:
        """Return the prediction as plain JSON values (without the samples)."""
        return prediction_document(self)


def defect_totals(prediction: Prediction) -> list[dict[str, Any]]:
    """Return one row per defect: name, regions, samples, area, percent of the low poly, texels,
    and what shows of it: texels_seen, area_seen, harm.
    """
    area = prediction.points.area
    whole = float(area.sum()) or 1.0
    rows = []
    for defect in Defect:
        regions = [r for r in prediction.regions if r.defect is defect]
        if defect in (Defect.UNSEEN, Defect.SPLIT):
            samples = sum(r.sample_count for r in regions)
            covered = sum(r.area for r in regions)
            texels = sum(r.texels for r in regions)
            seen = Seen(
                texels=sum(r.texels_seen for r in regions),
                area=sum(r.area_seen for r in regions),
                harm=sum(r.harm for r in regions),
            )
        else:
            mask = prediction.findings.has(defect)
            samples = int(mask.sum())
            covered = float(area[mask].sum())
            texels = float(prediction.texel_area[mask].sum())
            seen = seen_of(prediction.visible_error[mask], prediction.texel_area[mask], area[mask])
        rows.append(
            {
                "name": defect.title,
                "regions": len(regions),
                "samples": samples,
                "area": covered,
                "percent": 100 * covered / whole,
                "texels": texels,
                "texels_seen": seen.texels,
                "area_seen": seen.area,
                "harm": seen.harm,
            }
        )
    return rows


def verdict(prediction: Prediction) -> str:
    """Return what one will see, and how much goes wrong in all."""
    said = headline(prediction.entries)
    if prediction.clean:
        return said
    area = prediction.points.area
    wrong = prediction.findings.main != CLEAN
    percent = 100 * float(area[wrong].sum()) / (float(area.sum()) or 1.0)
    places = count_words(len(prediction.regions), "place")
    kinds = count_words(len({r.name for r in prediction.regions}), "kind")
    return (
        f"{said} In all the bake goes wrong in {places} ({kinds} of defect, "
        f"{percent_text(percent)} % of the surface)."
    )


def pairing_rows(prediction: Prediction) -> list[dict[str, Any]]:
    """Return one row per low part: its name and the names of its high parts."""
    names = prediction.scene.surface.part_names
    return [
        {"low": low, "high": [names[h] for h in np.flatnonzero(prediction.paired[k])]}
        for k, low in enumerate(prediction.low.part_names)
    ]


def prediction_document(prediction: Prediction) -> dict[str, Any]:
    """Return everything but the samples, as plain JSON values.

    Parameters
    ----------
    prediction : Prediction
        What `predict` returns.
    """
    low, surface = prediction.low, prediction.scene.surface
    unpaired = np.asarray(~prediction.paired.any(axis=0))
    document = {
        "document": "cagecheck prediction",
        "version": DOCUMENT_VERSION,
        "tool_version": __version__,
        "low": {
            "source": source_row(low.mesh.source),
            "vertices": low.mesh.vertex_count,
            "faces": low.mesh.face_count,
            "triangles": len(low.triangles),
            "parts": list(low.part_names),
            "normals": low.normal_rule.describe(),
        },
        "high": {
            "source": source_row(surface.source),
            "triangles": surface.triangle_count,
            "parts": list(surface.part_names),
            "unpaired_parts": [n for n, lone in zip(surface.part_names, unpaired, strict=True)
                               if lone],
        },
        "cage": prediction.cage.label,
        "engine": prediction.engine,
        "settings": asdict(prediction.settings),
        "samples": len(prediction.points),
        "pairing": pairing_rows(prediction),
        "clean": prediction.clean,
        "totals": prediction.totals(),
        "regions": [region.to_dict() for region in prediction.regions],
        "headline": headline(prediction.entries),
        "ways": [step.to_dict() for step in prediction.ways],
        "entries": [entry.to_dict() for entry in prediction.entries],
        "notices": [notice.to_dict() for notice in prediction.notices],
        "defects": {kind.title: kind.definition for kind in KINDS.values()},
    }  # fmt: skip
    out: dict[str, Any] = plain(document)
    return out
