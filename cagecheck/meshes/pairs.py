"""Which high parts belong to which low part, by their names.

The rules, in order; each low part takes the high parts of the first rule that gives it any:

1. the user's patterns, such as ``{name}_lp={name}_hp*``; several of them add up, and each high part
   goes by the first pattern that pairs it;
2. the same name, whatever its case;
3. the same name once a word for low or high is taken off: ``sleeve_low`` and ``Sleeve-High``,
   ``hi_belt`` and ``belt``. What stands behind the word makes further high parts of one low
   part: ``belt_high_bolts`` goes to ``belt_low`` unless there is a ``belt_low_bolts``.

If no rule pairs anything, a file with one part only pairs with all of the other file.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import InputError, Notice
from cagecheck.words.sentences import names_words

# Words that tell the two apart (common practice, no source).
LOW_WORDS = ("lowpoly", "low", "lo", "lp")
HIGH_WORDS = ("highpoly", "high", "hi", "hp")
_EXAMPLE = "{name}_low={name}_high*"
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])")
_SEPARATORS = re.compile(r"[\s_.\-]+")
_NAMESPACES = re.compile(r".*[:|/]")

SAME_NAME = "same name"
SAME_STEM = "name without low or high"
ONLY_PART = "the only part"
NO_PAIRING = "no pairing"
UNPAIRED = "unpaired"


@dataclass(frozen=True)
class Pairing:
    """Which high parts serve each low part.

    Attributes
    ----------
    low_names, high_names : tuple[str, ...]
        The parts' names, as in the files.
    high_of : tuple[tuple[int, ...], ...]
        For each low part the indices of its high parts, ascending; empty if unpaired.
    how : tuple[str, ...]
        For each low part the rule that paired it, in words.
    notices : tuple[Notice, ...]
        Unpaired parts, high parts that serve several low parts, patterns without effect.
    """

    low_names: tuple[str, ...]
    high_names: tuple[str, ...]
    high_of: tuple[tuple[int, ...], ...]
    how: tuple[str, ...]
    notices: tuple[Notice, ...] = ()

    def __repr__(self) -> str:
        return (
            f"<Pairing: {len(self.low_names)} low parts, {len(self.unpaired_low)} unpaired; "
            f"{len(self.high_names)} high parts, {len(self.unpaired_high)} unpaired>"
        )

    @property
    def unpaired_low(self) -> tuple[int, ...]:
        """Low parts without a high part."""
        return tuple(k for k, highs in enumerate(self.high_of) if not highs)

    @property
    def unpaired_high(self) -> tuple[int, ...]:
        """High parts that serve no low part."""
        used = {h for highs in self.high_of for h in highs}
        return tuple(k for k in range(len(self.high_names)) if k not in used)

    @property
    def plain_low(self) -> tuple[int, ...]:
        """Low parts with one high part of their own, found by its name: nothing to look at."""
        uses = Counter(h for highs in self.high_of for h in highs)
        return tuple(
            k
            for k, (highs, how) in enumerate(zip(self.high_of, self.how, strict=True))
            if how in (SAME_NAME, SAME_STEM) and len(highs) == 1 and uses[highs[0]] == 1
        )

    def matrix(self) -> NDArray[np.bool_]:
        """Return which high part serves which low part.

        Returns
        -------
        (L, H) bool
            True where high part h serves low part l.
        """
        out = np.zeros((len(self.low_names), len(self.high_names)), bool)
        for low, highs in enumerate(self.high_of):
            out[low, list(highs)] = True
        return out

    def rows(self) -> list[tuple[str, str, str]]:
        """Return rows for a table: low part, its high parts, how they were paired."""
        out = [
            (name, ", ".join(self.high_names[h] for h in highs) or "-", how)
            for name, highs, how in zip(self.low_names, self.high_of, self.how, strict=True)
        ]
        out.extend(("-", self.high_names[h], UNPAIRED) for h in self.unpaired_high)
        return out


def pair_parts(
    low_names: Sequence[str],
    high_names: Sequence[str],
    patterns: Sequence[str] = (),
    *,
    pairing: bool = True,
) -> Pairing:
    """Pair low with high parts by their names.

    Parameters
    ----------
    low_names, high_names : Sequence[str]
        The parts' names.
    patterns : Sequence[str], optional
        ``LOW=HIGH``, each side with ``{name}`` once; ``*`` stands for anything. A later pattern
        adds its high parts to low parts that an earlier one has given some.
    pairing : bool, optional
        Off pairs every low part with all high parts.

    Raises
    ------
    InputError
        A pattern does not read.

    Examples
    --------
    >>> import cagecheck
    >>> pairing = cagecheck.pair_parts(["arm_low"], ["arm_high", "leg_high"])
    >>> pairing.rows()[0][:2]
    ('arm_low', 'arm_high')
    >>> pairing.matrix()
    array([[ True, False]])
    """
    rules = [_Pattern(text) for text in patterns]
    everything = tuple(range(len(high_names)))
    if not pairing:
        high_of, how = [everything] * len(low_names), [NO_PAIRING] * len(low_names)
        return Pairing(tuple(low_names), tuple(high_names), tuple(high_of), tuple(how))
    found: list[tuple[int, ...]] = [()] * len(low_names)
    how = [UNPAIRED] * len(low_names)
    notices: list[Notice] = []
    taken: set[int] = set()
    for rule in rules:
        if not _apply(rule.match(low_names, high_names), found, how, rule.words, taken, add=True):
            notices.append(_unused(rule.text))
    _apply(_same_names(low_names, high_names), found, how, SAME_NAME, taken)
    _apply(_same_stems(low_names, high_names), found, how, SAME_STEM, taken)
    if not any(found) and (len(low_names) == 1 or len(high_names) == 1):
        found, how = [everything] * len(low_names), [ONLY_PART] * len(low_names)
    result = Pairing(tuple(low_names), tuple(high_names), tuple(found), tuple(how))
    notices.extend(_about(result))
    return Pairing(result.low_names, result.high_names, result.high_of, result.how, tuple(notices))


def _apply(
    matches: dict[int, list[int]],
    found: list[tuple[int, ...]],
    how: list[str],
    words: str,
    taken: set[int],
    *,
    add: bool = False,
) -> bool:
    """Give the matches of one rule to the low parts, of high parts not yet taken.

    A high part paired by a stronger rule is not given away again by a weaker one. Low parts that
    have some get more only with `add`.
    """
    new: set[int] = set()
    for low, highs in matches.items():
        free = tuple(sorted(set(highs) - taken))
        if free and (add or not found[low]):
            how[low] = f"{how[low]}, {words}" if found[low] else words
            found[low] = tuple(sorted(found[low] + free))
            new.update(free)
    taken |= new
    return bool(new)


def _same_names(lows: Sequence[str], highs: Sequence[str]) -> dict[int, list[int]]:
    by_name: dict[str, list[int]] = {}
    for h, name in enumerate(highs):
        by_name.setdefault(_fold(name), []).append(h)
    return {k: by_name[_fold(name)] for k, name in enumerate(lows) if _fold(name) in by_name}


def _same_stems(lows: Sequence[str], highs: Sequence[str]) -> dict[int, list[int]]:
    by_stem: dict[tuple[str, str], list[int]] = {}
    for k, name in enumerate(lows):
        by_stem.setdefault(_stem(name, LOW_WORDS), []).append(k)
    stems = [stem for stem, _ in by_stem]
    for (stem, tail), lone in list(by_stem.items()):
        if tail.isdecimal() and stems.count(stem) == 1:
            by_stem.setdefault((stem, ""), lone)
    out: dict[int, list[int]] = {}
    for h, name in enumerate(highs):
        stem, tail = _stem(name, HIGH_WORDS)
        for k in by_stem.get((stem, tail)) or by_stem.get((stem, "")) or []:
            out.setdefault(k, []).append(h)
    return out


def _fold(name: str) -> str:
    """Fold case and the ways in which systems spell one accented letter."""
    return unicodedata.normalize("NFC", name).casefold().strip()


def _stem(name: str, words: tuple[str, ...]) -> tuple[str, str]:
    """Return the name without its word for low or high, and what stands behind that word."""
    spelled = _CAMEL.sub("_", unicodedata.normalize("NFC", _NAMESPACES.sub("", name)))
    tokens = [t for t in _SEPARATORS.split(spelled.casefold()) if t]
    joined: list[str] = []
    for token in tokens:  # "low poly" is one word
        if token == "poly" and joined and joined[-1] + "poly" in words:
            joined[-1] += "poly"
        else:
            joined.append(token)
    for k in range(len(joined) - 1, 0, -1):
        if joined[k] in words:
            return "_".join(joined[:k]), "_".join(joined[k + 1 :])
    if len(joined) > 1 and joined[0] in words:
        return "_".join(joined[1:]), ""
    return "_".join(joined), ""


class _Pattern:
    """One ``LOW=HIGH`` rule of the user's."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.words = f"pattern {text}"
        low, equals, high = text.partition("=")
        if not equals or "=" in high or any(s.count("{name}") != 1 for s in (low, high)):
            raise InputError(
                f"the pairing pattern “{text}” does not read.",
                cure=f"It needs one = and {{name}} once on either side, as in {_EXAMPLE}.",
            )
        self._low = _regex(low, "(?P<name>.+?)")
        self._high = high

    def match(self, lows: Sequence[str], highs: Sequence[str]) -> dict[int, list[int]]:
        """Return the high parts of each low part; the longest fitting name wins a high part."""
        names: dict[str, list[int]] = {}
        for k, name in enumerate(lows):
            if hit := self._low.fullmatch(_fold(name)):
                names.setdefault(hit["name"], []).append(k)
        tests = [
            (_regex(self._high, re.escape(name)), low)
            for name, low in sorted(names.items(), key=lambda item: (-len(item[0]), item[0]))
        ]
        out: dict[int, list[int]] = {}
        for h, name in enumerate(highs):
            owner = next((low for test, low in tests if test.fullmatch(_fold(name))), [])
            for k in owner:
                out.setdefault(k, []).append(h)
        return out


def _regex(side: str, name: str) -> re.Pattern[str]:
    before, after = side.split("{name}")
    glob = [".*".join(re.escape(_fold_part(p)) for p in s.split("*")) for s in (before, after)]
    return re.compile(glob[0] + name + glob[1], re.DOTALL)


def _fold_part(text: str) -> str:
    return unicodedata.normalize("NFC", text).casefold()


def _unused(text: str) -> Notice:
    return Notice(
        "pattern-without-effect",
        f"the pairing pattern “{text}” pairs no parts.",
        "Compare it with the parts' names in the pairing table.",
    )


def _about(pairing: Pairing) -> list[Notice]:
    out = []
    for part, names in (
        ("low", [pairing.low_names[k] for k in pairing.unpaired_low]),
        ("high", [pairing.high_names[k] for k in pairing.unpaired_high]),
    ):
        if names:
            out.append(
                Notice(
                    f"unpaired-{part}",
                    f"{len(names)} {part} {'part has' if len(names) == 1 else 'parts have'} "
                    f"no partner: {names_words(names)}.",
                    "Rename them, give --pair PATTERN, or use --no-pairing.",
                    len(names),
                )
            )
    if ONLY_PART in pairing.how and len(pairing.low_names) > 1:
        out.append(
            Notice(
                "one-high-part",
                f"the high poly is one part, which serves all {len(pairing.low_names)} low parts: "
                "they cannot be baked apart, and what one records of another counts as its own.",
                "Export the high poly with its parts named (OBJ, GLB or FBX) to pair them.",
            )
        )
    uses = Counter(h for highs in pairing.high_of for h in highs)
    shared = sorted(h for h, count in uses.items() if count > 1)
    if shared and ONLY_PART not in pairing.how:
        names = [pairing.high_names[h] for h in shared]
        out.append(
            Notice(
                "shared-high",
                f"{len(names)} high parts serve several low parts: {names_words(names)}.",
                count=len(names),
            )
        )
    return out
