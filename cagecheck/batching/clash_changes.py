"""An asset's clashes against those of an accepted run: which pairs of parts clash worse than there.

A pair of parts is what stays the same from run to run: how many places its surfaces cross at
changes with every vertex. So each pair counts once over all frames, with its deepest clash, and
parts that lie wholly inside another, which may be meant, do not count.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from cagecheck.files import read_plain
from cagecheck.formats.stored import parse_json
from cagecheck.words.lengths import length_words
from cagecheck.words.sentences import count_words

# Folders within an asset's own.
FOUND, MENDED = "clashes", "mended"
# A clash is deeper than before from this share on. The deepest point of the same clash is found on
# other triangles after every change of the mesh, and nobody mends for a twentieth of a depth
# (common practice, no source).
DEEPER_SHARE = 0.05
NEW, DEEPER, FURTHER = "new", "deeper", "in more frames"
SAME, SHALLOWER, GONE = "unchanged", "shallower", "gone"
WORSE = (NEW, DEEPER, FURTHER)


@dataclass(frozen=True)
class PairClash:
    """How two parts clash in all frames of a run.

    depth : of the deepest clash, None where none is known. tolerance : how much deeper it may be.
    part, other, frame : of the deepest clash. frames : in how many the parts clash.
    """

    part: str
    other: str
    depth: float | None
    tolerance: float
    frame: str
    frames: int

    @property
    def words(self) -> str:
        """Who passes into whom, how deep and where, in words."""
        depth = "" if self.depth is None else f" {length_words(self.depth)} deep"
        more = f" and {count_words(self.frames - 1, 'more frame')}" if self.frames > 1 else ""
        return f"{self.part} passes into {self.other}{depth} ({self.frame}{more})"


Pairs = dict[tuple[str, str], PairClash]


def compare_clashes(
    before: tuple[Mapping[str, Any], Path], after: tuple[Mapping[str, Any], Path]
) -> dict[str, Any] | None:
    """Compare what is left of an asset's clashes with the accepted run.

    before, after : the asset's row and folder in the accepted batch and in this one. Returns
    ``summary``, ``counts`` (pairs of parts by what became of them) and ``breaches`` (a sentence for
    each pair that is worse, the deepest first); None where either run was not asked about clashes.
    Raises `OSError` or `ValueError` where a record cannot be read.
    """
    try:
        clashed = [row.get("clashed") for row, _ in (before, after)]
        if clashed[0] is None or clashed[1] is None:
            return None
        old, old_frames = clashes_left(before[1], clashed[0])
        new, new_frames = clashes_left(after[1], clashed[1])
    except (AttributeError, KeyError, TypeError) as error:
        raise ValueError("a record of clashes is damaged") from error
    became = {
        pair: _became(old.get(pair), new.get(pair), old_frames == new_frames)
        for pair in sorted({*old, *new})
    }
    worse = [pair for pair, how in became.items() if how in WORSE]
    worse.sort(key=lambda pair: -(new[pair].depth or 0.0))
    counted = Counter(became.values())
    counts = {how: counted[how] for how in (*WORSE, SAME, SHALLOWER, GONE)}
    changed = [f"{number} {how}" for how, number in counts.items() if number and how != SAME]
    return {
        "summary": f"pairs of parts that clash: {', '.join(changed)}" if changed
        else "clashes as they were",
        "counts": counts,
        "breaches": [_breach(became[pair], old.get(pair), new[pair]) for pair in worse],
    }  # fmt: skip


def clashes_left(folder: Path, clashed: Mapping[str, Any]) -> tuple[Pairs, int]:
    """Return the pairs that clash in an asset's folder when all is done, and its count of frames.

    clashed : what its row says of clashes; with a mending, what that left counts.
    """
    is_mended = clashed["mending"] is not None
    record = (
        folder / (MENDED if is_mended else FOUND) / ("mend.json" if is_mended else "clash.json")
    )
    frames = parse_json(read_plain(record))["frames"]
    return _pairs(frames, "clashes_after" if is_mended else "clashes"), len(frames)


def _pairs(frames: list[Mapping[str, Any]], key: str) -> Pairs:
    out: Pairs = {}
    for frame in frames:
        here: dict[tuple[str, str], PairClash] = {}
        for pair, clash in _crossing(frame, key):
            if pair not in here or (clash.depth or 0.0) > (here[pair].depth or 0.0):
                here[pair] = clash
        for pair, clash in here.items():
            known = out.get(pair)
            if known is not None:
                deepest = max((known, clash), key=lambda one: one.depth or 0.0)
                clash = replace(deepest, frames=known.frames + 1)
            out[pair] = clash
    return out


def _crossing(frame: Mapping[str, Any], key: str) -> Iterator[tuple[tuple[str, str], PairClash]]:
    for hit in frame[key]:
        if hit["kind"] != "inside":
            part, other = str(hit["part"]), str(hit["other"])
            pair = (part, other) if part < other else (other, part)
            tolerance = hit["tolerance"] or 0.0
            yield pair, PairClash(part, other, hit["depth"], tolerance, str(frame["frame"]), 1)


def _became(old: PairClash | None, new: PairClash | None, same_frames: bool) -> str:
    if old is None or new is None:
        return NEW if old is None else GONE
    a, b = old.depth or 0.0, new.depth or 0.0
    unsure = old.tolerance + new.tolerance + DEEPER_SHARE * max(a, b)
    if abs(b - a) > unsure:
        return DEEPER if b > a else SHALLOWER
    # Another number of frames says nothing about any one of them.
    return FURTHER if same_frames and new.frames > old.frames else SAME


def _breach(how: str, old: PairClash | None, new: PairClash) -> str:
    before = ""
    if old is not None and how == DEEPER and old.depth is not None:
        before = f", {length_words(old.depth)} there"
    elif old is not None and how == FURTHER:
        before = f", in {count_words(old.frames, 'frame')} there"
    return f"{how} since the accepted run: {new.words}{before}"
