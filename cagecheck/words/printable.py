"""Text that others control, made fit for a terminal: the one door.

Names of files, parts, materials and maps, and what readers say of a file, may hold characters that
a terminal obeys: it would clear the screen, rename its window or write over a line above. They are
shown as what they are. So are marks that turn the direction of text around (Unicode Technical
Report 36, "Bidirectional text spoofing").
"""

from __future__ import annotations

import re

# Control characters (Unicode Cc), marks of direction, line and paragraph separators, and halves of
# pairs, which no encoding takes.
_OBEYED = re.compile(
    "[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff\ud800-\udfff]"
)


def printable(text: str, keep: str = "") -> str:
    r"""Return a text without anything that a terminal obeys; what was there is shown as ``\x1b``.

    `keep` are characters that stay all the same: the line ends that are ours.
    """
    return _OBEYED.sub(lambda found: found[0] if found[0] in keep else _shown(found[0]), text)


def _shown(sign: str) -> str:
    return sign.encode("unicode_escape", "surrogatepass").decode("ascii")
