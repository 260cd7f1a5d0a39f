"""Bakes without a fault whose settings are known: what `locate` tells is compared with them."""

from __future__ import annotations

from dataclasses import dataclass

from tests.bad_bakes.faults import CLEAN, Kitchen, Picture


@dataclass(frozen=True)
class Known:
    """A bake with some settings changed, or a clean variant, and what its settings are.

    told : (name of the setting, words that its value must hold).
    """

    name: str
    told: tuple[tuple[str, str], ...]
    changes: tuple[tuple[str, object], ...] = ()
    variant: str = ""

    def make(self, kitchen: Kitchen) -> list[Picture]:
        """Return the maps."""
        if self.variant:
            return CLEAN[self.variant](kitchen)
        bakes = kitchen.baked(**dict(self.changes))
        return kitchen.pictures(
            {t: b.vector for t, b in bakes.items()}, {t: b.hit for t, b in bakes.items()}
        )


SAMPLES, ALONG = "samples a texel", "rays along"
KNOWN = (
    Known(
        "one sample, averaged normals",
        ((SAMPLES, "1"), (ALONG, "averaged"), ("green", "up"), ("space", "tangent"),
         ("bits", "8 bits"), ("normals of the low poly", "as in the file")),
    ),
    Known("2 x 2 samples", ((SAMPLES, "2 x 2"),), (("samples", 2),)),
    Known("4 x 4 samples", ((SAMPLES, "4 x 4"),), (("samples", 4),)),
    Known("filtered afterwards", ((SAMPLES, "filtered"),), variant="mip-filtered"),
    Known("16 bits", ((SAMPLES, "1"), ("bits", "16 bits")), variant="16 bits"),
    Known("corner normals", ((ALONG, "corner"), (SAMPLES, "1")), (("along", "corner"),)),
    Known("face normals", ((ALONG, "face"), (SAMPLES, "1")), (("along", "face"),)),
    Known("face normals, 2 x 2 samples", ((ALONG, "face"), (SAMPLES, "2 x 2")),
          (("along", "face"), ("samples", 2))),
    Known("object space", (("space", "object"), (SAMPLES, "1")), (("space", "object"),)),
    Known("faceted low poly", (("normals of the low poly", "faceted"), (ALONG, "averaged")),
          (("low_normals", "face"),)),
)  # fmt: skip
