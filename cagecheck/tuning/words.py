"""Lengths and reasons of a tuning in words, the same on the page and on the terminal."""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.comparing.words import summary_line
from cagecheck.defects.harm import SEEN_DEGREES
from cagecheck.defects.kinds import Defect
from cagecheck.tuning.assurance import Assurance
from cagecheck.tuning.steady import SPIKE_SLOPE
from cagecheck.tuning.straighten.straighten import WAYS, Straightening
from cagecheck.tuning.tune import Tuning
from cagecheck.words.lengths import length_words
from cagecheck.words.numbers import count_text, figures
from cagecheck.words.sentences import count_words, names_words, percent_text

# Lengths below this share of the margin are what rounding left of nothing.
NOTHING_SHARE = 1e-3
# How the ways to straighten are called in sentences and tables.
WAY_WORDS = {
    "before": "tuned cage",
    "map": "rays turned by the map",
    "vertices": "rays turned per vertex",
    "cage": "cage moved sideways",
}
# An offset this near to the limit is held by it.
AT_LIMIT = 0.999


def nought(value: float, margin: float) -> float:
    """Return a length for a column of numbers: what only rounding left over is 0."""
    return 0.0 if abs(value) <= NOTHING_SHARE * margin else value


def plain_length(value: float, margin: float) -> str:
    """Return a length with four figures; what only rounding left over is 0."""
    return length_words(value, NOTHING_SHARE * margin)


def range_words(values: Floats, margin: float) -> str:
    """Say from where to where lengths go, and where their middle is."""
    if len(values) == 0:
        return "none"
    least, most, middle = (
        plain_length(float(f(values)), margin) for f in (np.min, np.max, np.median)
    )
    return f"{least} to {most}, median {middle}"


def held_by_limit(tuning: Tuning) -> int:
    """Return how many wrong samples have their target above the start and a corner at the limit."""
    last, low = tuning.last, tuning.low
    corners = tuning.offset_out[low.triangles[last.points.triangle]]
    at_limit = (corners >= AT_LIMIT * tuning.limit).any(axis=1)
    return int(np.sum(last.short & at_limit))


def limit_words(tuning: Tuning) -> str:
    """Name the limit in force, and say when nobody set it."""
    kind = "limit" if tuning.limit_given else "automatic limit"
    return f"the {kind} of {plain_length(tuning.limit, tuning.margin)}"


def _samples(count: int, one: str, many: str) -> str:
    return f"1 sample {one}" if count == 1 else f"{count_text(count)} samples {many}"


def conflicting_words(tuning: Tuning) -> str:
    """Say why samples stay wrong that no offsets within the limit can serve, or nothing."""
    count = tuning.assurance.conflicting
    held = min(held_by_limit(tuning), count)
    rest = count - held
    out = []
    if held:
        cure = "raise --limit" if tuning.limit_given else "set a larger one with --limit"
        out.append(
            f"{_samples(held, 'lies', 'lie')} higher than {limit_words(tuning)} lets the cage "
            f"rise, so the limit prevents the cure; {cure}."
        )
    if rest:
        out.append(
            f"{_samples(rest, 'asks', 'ask')} for offsets that other samples, a surface in the way "
            "or a fold of the cage rule out; no offset cures all of them."
        )
    return " ".join(out)


def given_up_words(tuning: Tuning) -> str:
    """Say what could be reached but would show more, or nothing."""
    count = tuning.assurance.given_up
    if count == 0:
        return ""
    return (
        f"{_samples(count, 'is', 'are')} left wrong though offsets were found that reach "
        f"{'it' if count == 1 else 'them'}: that cage shows more all in all "
        f"({_large(tuning.harm.solved)} against {_large(tuning.harm.tuned)}, see below). "
        "--decide reach takes it."
    )


def assurance_words(tuning: Tuning) -> str:
    """Say what the last check is worth: what is known to be wrong, and what bounds the rest."""
    a = tuning.assurance
    out = (
        f"Checked on {count_text(a.samples)} new samples ({figures(a.spacing, 3)} apart) and "
        f"{count_text(a.edge_samples)} on edges: "
    )
    rest = f"With 95 % confidence less than {figures(100 * a.bound, 2)} % of the surface is wrong"
    if a.clean:
        return f"{out}no miss and no overshoot. {rest} all the same."
    if a.known_samples or a.known_edge_samples:
        out += f"{figures(100 * a.known, 2)} % of the surface is known to be wrong ({_parts_of(a)})"
    else:
        out += "none of them is wrong"
    if a.open or a.open_edge:
        out += (
            f"; of that {count_words(a.open, 'sample')} ({figures(100 * a.area_share, 2)} %) and "
            f"{count_text(a.open_edge)} on edges though corridors allow better: raise --samples "
            "or --margin"
        )
    out += f". {rest} besides."
    more = [conflicting_words(tuning) if a.conflicting else "", given_up_words(tuning)]
    return " ".join([out, *filter(None, more)])


def _parts_of(a: Assurance) -> str:
    """Say by how many samples something is known, and what kinds there are of it."""
    kinds = [
        f"{figures(100 * share, 2)} % {words}"
        for share, words in (
            (a.blocked, "too tight or overshooting"),
            (a.bare, "without surface"),
            (a.deeper, "deeper than rays look"),
        )
        if share > 0
    ]
    counts = (
        f"{count_words(a.known_samples, 'sample')} and {count_text(a.known_edge_samples)} on edges"
    )
    return ": ".join([counts, ", ".join(kinds)]) if kinds else counts


def deep_words(tuning: Tuning) -> str:
    """Say what depth parts ask for, and what lies so deep that it is given up; or nothing."""
    places = tuning.depths.places
    left = [p for p in places if p.depth > tuning.depth]
    if not left:
        return ""
    worst = max(left, key=lambda p: p.depth)
    share = sum(p.percent for p in left)
    return (
        f"{count_words(len(left), 'place')} {'lies' if len(left) == 1 else 'lie'} far deeper than "
        f"the rest of {'its part' if len(left) == 1 else 'their parts'} and "
        f"{'is' if len(left) == 1 else 'are'} given up ({percent_text(share)} % of the part): "
        f"--depth {plain_length(worst.depth, tuning.margin)} would reach "
        f"{'it' if len(left) == 1 else 'all'}, against {plain_length(tuning.depth, tuning.margin)}."
    )


def harm_words(tuning: Tuning) -> str:
    """Say what will be seen under the tuned cage, against before and against single numbers."""
    h = tuning.harm
    if h.before == h.tuned == h.parts == 0:
        return ""
    out = (
        f"What will be seen (degrees, where more than {figures(SEEN_DEGREES, 2)}, times texels): "
        f"{_large(h.before)} before, {_large(h.asset)} with the best single number, "
        f"{_large(h.parts)} with the best for each part, {_large(h.tuned)} tuned."
    )
    if h.taken:
        names = names_words(sorted(h.taken))
        out += f" Showed less with one distance or as before, and so took that: {names}."
    return out


def _large(value: float) -> str:
    return count_text(round(value))


def steady_words(tuning: Tuning) -> str:
    """Say how steadily offsets rise, and how often the cage passes through itself."""
    s, crossing = tuning.steadiness, int(tuning.crossings.same_part.sum())
    return (
        f"Offsets rise by {figures(s.steepest, 3)} of the edge at most "
        f"({count_words(s.steep_edges, 'edge')} above {figures(SPIKE_SLOPE, 2)}); the largest "
        f"stands {figures(s.spike, 3)} times above its neighbours' median. The cage passes "
        f"through itself within a part at {count_words(crossing, 'place')}, the low poly at "
        f"{count_text(tuning.low_crossings)}."
    )


def texel_words(tuning: Tuning) -> str | None:
    """Say what all texels of the maps show, None where nobody asked for them."""
    found = tuning.texels
    if found is None:
        return None
    maps = f"the {found.size} x {found.size} map{'s' if found.tiles != 1 else ''}"
    every = (
        "all of them were samples from the start"
        if found.stride == 1
        else f"every {_th(found.stride)} across and down was a sample from the start"
        + (f", {count_text(found.added)} more became one" if found.added else "")
    )
    out = [
        f"All {count_text(found.count)} texels of {maps} were cast through the tuned cage ({every})"
    ]
    if found.clean:
        return f"{out[0]}: none misses or overshoots."
    if found.open:
        out.append(f"{_wrong_texels(found.open, 'still ')} though better offsets exist")
    if found.conflicting:
        out.append(
            f"{_wrong_texels(found.conflicting)}, since the limit or other samples exclude the "
            "offsets that would cure them"
        )
    if found.too_deep:
        deepest = plain_length(found.deepest, tuning.margin)
        out.append(
            f"under {count_text(found.too_deep)} of them the surface lies deeper than rays look "
            "(up to "
            f"{deepest}; raise --depth)"
        )
    return f"{out[0]}: {'; '.join(out[1:])}."


def _wrong_texels(count: int, word: str = "") -> str:
    verbs = "misses or overshoots" if count == 1 else "miss or overshoot"
    return f"{count_text(count)} of them {word}{verbs}"


def _th(count: int) -> str:
    """Return an ordinal as in ``every second``, ``every 21st``."""
    named = {2: "second", 3: "third"}
    ending = {1: "st", 2: "nd", 3: "rd"}.get(count % 10, "th")
    return named.get(count, f"{count}{'th' if 10 < count % 100 < 20 else ending}")


def straightening_words(turned: Straightening) -> list[str]:
    """Say what every way of straightening does, and what the new samples show of harm."""
    out = []
    before = percent_text(turned.before.percent(Defect.SKEW))
    count = len(turned.before.points)
    for way in WAYS:
        name = WAY_WORDS[way].capitalize()
        if not turned.lessens(way):
            out.append(f"{name}: no less skew here.")
            continue
        after = percent_text(turned.outcome_of(way).percent(Defect.SKEW))
        harmed = turned.harmed[way]
        end = (
            f"none of {count_text(count)} new samples is harmed."
            if harmed == 0
            else f"{count_text(harmed)} of {count_text(count)} new samples "
            f"{'is' if harmed == 1 else 'are'} missed, "
            "overshot, folded, split or back-facing only since then; look at the bake before you "
            "trust it."
        )
        out.append(
            f"{name}: skew goes from {before} to {after} % of the surface, "
            f"{'and' if harmed == 0 else 'but'} {end}"
        )
    if any(turned.helps(way) for way in WAYS):
        out.append(
            "Where no sample is harmed, with 95 % confidence less than "
            f"{figures(100 * turned.bound, 2)} % of the surface is harmed all the same."
        )
    return out


def places_words(tuning: Tuning) -> str:
    """Say what became of every place, in a sentence."""
    return f"Place by place: {summary_line(tuning.changes)}."
