"""Why texels of a baked map are wrong and what to do: codes, and the sentences that say them."""

from __future__ import annotations

from cagecheck.defects.reasons import Code


class FaultCause(Code):
    """Why a place of a map is wrong."""

    SHOWS_PART = (
        "shows-part",
        "the map shows {other_part} here, {gap} above the surface of {part} at the median",
    )
    RECORDED_PART = (
        "recorded-part",
        "{other_part} was recorded here, as another map of the bake says, {gap} above the surface "
        "of {part} at the median",
    )
    SHOWS_LAYER = (
        "shows-layer",
        "the map shows another layer here, {gap} above the surface of {part} at the median",
    )
    SHOWS_PART_BEHIND = (
        "shows-part-behind",
        "no surface of {part} belongs here, and the map shows what lies behind ({other_part})",
    )
    SHOWS_LAYER_BEHIND = (
        "shows-layer-behind",
        "no surface of {part} belongs here, and the map shows what lies behind (another layer)",
    )
    STARTED_BENEATH = (
        "started-beneath",
        "the map shows a layer up to {gap} below the surface of {part}: the surface rises to "
        "{rise} and the rays started beneath it",
    )
    NOT_THERE = (
        "not-there",
        "the map shows a layer up to {gap} below the surface of {part}: the surface was not there "
        "for the bake",
    )
    MISSED_NOTHING = (
        "missed-nothing",
        "nothing was recorded, and no surface of {part} lies here",
    )
    MISSED_UNDER_CAGE = (
        "missed-under-cage",
        "nothing was recorded: the surface rises to {rise}. Rays from the cage compared with, "
        "{start} out, would have met it: those of the bake started lower, or the bake left this "
        "part out",
    )
    MISSED_TIGHT = (
        "missed-tight",
        "nothing was recorded: the surface rises to {rise}, rays started beneath it",
    )
    MISSED_WITHIN_DEPTH = (
        "missed-within-depth",
        "nothing was recorded, although the surface lies only {deep} below the low poly",
    )
    MISSED_DEEP = (
        "missed-deep",
        "nothing was recorded: the surface lies up to {deep} below the low poly, deeper than the "
        "rays looked",
    )
    MISSED_IN_REACH = (
        "missed-in-reach",
        "nothing was recorded, although surface as near to the low poly as this was recorded "
        "elsewhere: the high poly was not there for the bake",
    )
    LEFT_OUT = "left-out", "nothing of {part} was recorded: the bake left it out"
    TURNED_INWARD = (
        "turned-inward",
        "the map shows the back of the surface: its faces looked inward when it was baked",
    )
    LOOKS_INWARD = (
        "looks-inward",
        "the high poly's faces look inward here, and the map shows their backs",
    )
    ISLAND_ASIDE = (
        "island-moved",
        "the picture of this UV island lies about {slide} beside it",
    )
    HIGH_ASIDE = (
        "high-moved",
        "the map shows the high poly of {part} as it lay {gap} away from where it lies now: it, or "
        "the low poly, was moved since the bake",
    )
    SLID = (
        "slid",
        "the detail slid sideways by about {slide}: rays leaned to the surface",
    )
    SEAM_APART = (
        "seam-apart",
        "the two sides of the UV seam shade up to {degrees} degrees apart",
    )
    FRAME_TURNED = (
        "frame-turned",
        "the whole UV island shades {degrees} degrees turned from what belongs there, so that its "
        "seams show",
    )
    BARE = "bare", "{texels} beside islands of {part} show the background"
    BARE_ONE = "bare-one", "{texels} beside islands of {part} shows the background"
    SCATTER = (
        "scatter",
        "normals scatter by about {degrees} degrees from texel to texel, the high poly does not",
    )
    PAINTED = (
        "painted-over",
        "one colour covers this place, about {degrees} degrees off, where the high poly has "
        "various normals: it was painted over or filled after the bake",
    )
    RIGHT_SURFACE = (
        "right-surface",
        "the map differs by about {degrees} degrees, but another map of the bake shows that the "
        "right surface was recorded: this one was changed since, or is for other tangent frames",
    )
    DIFFERS = (
        "differs",
        "the map differs by about {degrees} degrees, and no layer, shift or miss explains it",
    )


class FaultCure(Code):
    """What to do about it."""

    SPLIT = (
        "split",
        "split the part here and bake the pieces apart: no single offset keeps this layer out here",
    )
    APART = (
        "apart",
        "bake the parts apart: no single offset keeps this layer out here",
    )
    KEEP_BELOW_OR_SPLIT = (
        "keep-below-or-split",
        "keep the offset here below {room}, or split the part here and bake the pieces apart",
    )
    KEEP_BELOW_OR_APART = (
        "keep-below-or-apart",
        "keep the offset here below {room}, or bake the parts apart",
    )
    CLOSE_OR_PULL_IN = (
        "close-or-pull-in",
        "close the hole in the high poly, or pull the low poly in",
    )
    CLOSE_PULL_IN_OR_PAIR = (
        "close-pull-in-or-pair",
        "close the hole in the high poly, pull the low poly in, or pair the part (`predict` prints "
        "the pairs)",
    )
    RAISE_OFFSET = "raise-offset", "raise the offset here above {rise}"
    RAISE_OFFSET_OR_INCLUDE = (
        "raise-offset-or-include",
        "raise the offset here above {rise}; if the bake had that, check that it included this "
        "part and that its faces look outward",
    )
    CHECK_CLOSED = "check-closed", "check that the high poly is closed"
    CHECK_FACES = (
        "check-faces",
        "check that its faces look outward, that the bake included this part, and its depth",
    )
    CLOSE_OR_INCLUDE = (
        "close-or-include",
        "close the hole in the high poly, and check that the bake included all of it",
    )
    INCLUDE = "include", "bake again with the high poly of this part visible and paired"
    TURN_OUTWARD = "turn-outward", "turn the faces of the high poly outward here, and bake again"
    UVS_BACK = (
        "uvs-back",
        "put the island back where it was when the map was baked, or bake again",
    )
    HIGH_BACK = (
        "high-back",
        "put the meshes on each other as they were for the bake, or bake again",
    )
    RAISE_DEPTH = "raise-depth", "raise the depth to more than {deep}"
    STRAIGHTEN = "straighten", "straighten the rays here, or add an edge loop near the hard change"
    SAME_BASIS = (
        "same-basis",
        "bake both islands in one go, with the final mesh's tangent basis and triangulation",
    )
    MORE_PADDING = "more-padding", "bake with at least {texels} of padding"
    MORE_SAMPLES = (
        "more-samples",
        "bake with more samples a texel, and save without lossy compression or dithering",
    )
    TAKE_AS_BAKED = (
        "take-as-baked",
        "take the map as it was baked, or bake again with the final mesh's frames",
    )
    CHECK_SOURCE = (
        "check-source",
        "check that it was baked from this high poly and low poly, and not painted over",
    )
