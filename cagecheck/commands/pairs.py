"""How commands tell which parts belong together: what is worth a look first, the rest counted."""

from __future__ import annotations

from cagecheck.commands.terminal import Terminal
from cagecheck.meshes.pairs import Pairing
from cagecheck.words.sentences import count_words

# As many rows are taken in at a glance; longer tables are cut to what is worth a look.
GLANCE = 8
COLUMNS = ("low part", "high parts", "paired by")


def say_pairs(terminal: Terminal, pairing: Pairing) -> None:
    """Print a row per pair; of many only those worth a look (without --verbose), unpaired first.

    A part that has one high part of its own name is not worth one.
    """
    rows = pairing.rows()
    if len(rows) <= GLANCE or terminal.verbose:
        terminal.table("Parts", COLUMNS, rows)
        return
    # Rows of low parts stand in their order; those of unpaired high parts follow.
    count = len(pairing.low_names)
    plain, unpaired = set(pairing.plain_low), set(pairing.unpaired_low)
    odd = [k for k in range(count) if k not in plain and k not in unpaired]
    shown = [*sorted(unpaired), *range(count, len(rows)), *odd]
    if shown:
        terminal.table("Parts worth a look", COLUMNS, [rows[k] for k in shown])
    if plain:
        rest = count_words(len(plain), "part")
        verb = "has its" if len(plain) == 1 else "have each their"
        terminal.say(f"{rest} {verb} own high part by name (--verbose lists every pair).")
