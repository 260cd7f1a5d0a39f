"""Draw which folder of the package imports which, now and before the folders became the verbs.

    python scripts/draw_imports.py            # writes docs/drawings and the table in DEVELOPERS.md
    python scripts/draw_imports.py --print    # only prints the table

Every folder, and every file at the top, is one row. Rows stand so that as few arrows as possible
run up; folders on the same floor do not know each other. Imports that only type checkers read
count as well: whoever reads the code has to follow them too.
"""

from __future__ import annotations

import argparse
import ast
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape
from pathlib import Path

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

ROOT = Path(__file__).resolve().parent.parent
DRAWINGS = ROOT / "docs" / "drawings"
GUIDE = ROOT / "DEVELOPERS.md"
# The last state of the code before the folders became the verbs of the README.
BEFORE = "ed1c855"
BEGIN, END = "<!-- imports: scripts/draw_imports.py -->", "<!-- /imports -->"

PACKAGE = "cagecheck"
# Layout, in pixels.
ROW, TOP, LEFT, BOX, RIGHT = 27, 64, 150, 250, 330
TALL = 24  # rows whose arrow uses all the room beside them
INK, QUIET, SHEET, BAND, DOWN, UP = "#222222", "#767676", "#fcfcfa", "#f0eee6", "#5b7a99", "#c2410c"

Arrow = tuple[str, str]


@dataclass(frozen=True)
class Imports:
    """Who imports whom.

    lines : per module; edges : (importer, imported) modules; typed : those besides that only type
    checkers read.
    """

    lines: dict[str, int]
    edges: frozenset[Arrow]
    typed: frozenset[Arrow]

    def rings(self, typed: bool) -> list[list[str]]:
        """Return the groups of modules that import each other in a circle, largest first.

        typed : count what only type checkers read.
        """
        return circles(self.lines, self.edges | self.typed if typed else self.edges)

    def arrows(self) -> Counter[Arrow]:
        """Return how many imports lead from each folder to each other one."""
        pairs = ((folder(a), folder(b)) for a, b in self.edges | self.typed)
        return Counter(pair for pair in pairs if pair[0] != pair[1])


def folder(module: str) -> str:
    """Return the folder of a module, or the module itself where it lies at the top."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else "__init__"


def circles(nodes: dict[str, int] | list[str], edges: frozenset[Arrow]) -> list[list[str]]:
    """Return the groups of more than one node that lead to each other, largest first."""
    names = list(nodes)
    number = {name: k for k, name in enumerate(names)}
    ends = np.array([(number[a], number[b]) for a, b in edges], np.int64).reshape(-1, 2)
    graph = coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(len(names),) * 2)
    count, group = connected_components(graph, connection="strong")
    found = [[n for n, g in zip(names, group, strict=True) if g == k] for k in range(count)]
    return sorted((f for f in found if len(f) > 1), key=len, reverse=True)


def read_imports(sources: dict[str, bytes]) -> Imports:
    """Return who imports whom; sources : the text of each module by its name."""
    edges: set[Arrow] = set()
    typed: set[Arrow] = set()
    for name, data in sources.items():
        tree = ast.parse(data)
        aside = {
            id(node)
            for check in ast.walk(tree)
            if isinstance(check, ast.If) and "TYPE_CHECKING" in ast.unparse(check.test)
            for part in check.body
            for node in ast.walk(part)
        }
        for node in ast.walk(tree):
            for used in _named(node):
                while used and used not in sources:
                    used = used.rpartition(".")[0]
                if used and used != name:
                    (typed if id(node) in aside else edges).add((name, used))
    lines = {name: data.count(b"\n") for name, data in sources.items()}
    return Imports(lines, frozenset(edges), frozenset(typed - edges))


def _named(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.ImportFrom) and node.module and not node.level:
        yield from (f"{node.module}.{alias.name}" for alias in node.names)
    elif isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)


def arrows_up(arrows: Counter[Arrow]) -> set[Arrow]:
    """Return the arrows that run up in the order of folders that leaves fewest of them.

    Only folders that lead to each other can have any. For those all orders are compared, set by
    set: the fewest above a set of folders is known from the sets with one folder less.
    """
    names = sorted({name for pair in arrows for name in pair})
    up: set[Arrow] = set()
    for ring in circles(names, frozenset(arrows)):
        number = {name: k for k, name in enumerate(ring)}
        uses = [0] * len(ring)
        for a, b in arrows:
            if a in number and b in number:
                uses[number[a]] |= 1 << number[b]
        # best[s] : fewest arrows up with the folders of s lowest; last[s] : the topmost of them.
        best, last = [0] * (1 << len(ring)), [0] * (1 << len(ring))
        for s in range(1, len(best)):
            # A folder that is put on top of the others of s uses all that come after it upward.
            best[s], last[s] = min(
                (best[s & ~(1 << k)] + (uses[k] & ~s).bit_count(), k)
                for k in range(len(ring))
                if s >> k & 1
            )
        downward, s = [], len(best) - 1
        while s:
            downward.append(ring[last[s]])
            s &= ~(1 << last[s])
        place = {name: k for k, name in enumerate(downward)}
        up |= {(a, b) for a, b in arrows if place.get(a, -1) > place.get(b, 1 << 30)}
    return up


def floors(arrows: Counter[Arrow], up: set[Arrow]) -> dict[str, int]:
    """Return the floor of each folder: above all that it uses, the arrows up left aside."""
    uses: dict[str, set[str]] = {name: set() for pair in arrows for name in pair}
    for a, b in arrows:
        if (a, b) not in up:
            uses[a].add(b)
    out: dict[str, int] = {}

    def floor(name: str) -> int:
        if name not in out:
            out[name] = max((floor(other) + 1 for other in uses[name]), default=0)
        return out[name]

    for name in uses:
        floor(name)
    return out


def draw(found: Imports, title: str) -> str:
    """Return the picture as SVG: down on the right, up on the left."""
    arrows = found.arrows()
    up = arrows_up(arrows)
    floor = floors(arrows, up)
    rows = sorted(floor, key=lambda name: (-floor[name], name))
    y = {name: TOP + ROW * k + ROW / 2 for k, name in enumerate(rows)}
    height, width = TOP + ROW * len(rows) + 40, LEFT + BOX + RIGHT
    files = Counter(folder(m) for m in found.lines)
    lines: Counter[str] = Counter()
    for module, count in found.lines.items():
        lines[folder(module)] += count
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'font-family="sans-serif" font-size="12" fill="{INK}">',
        f'<rect width="{width}" height="{height}" fill="{SHEET}"/>',
        f'<text x="{LEFT}" y="24" font-size="15" font-weight="bold">{escape(title)}</text>',
        f'<text x="{LEFT}" y="44" fill="{QUIET}">{escape(_said(found, len(set(floor.values()))))}'
        "</text>",
    ]
    for name in rows:
        shade = BAND if floor[name] % 2 else SHEET
        out.append(
            f'<rect x="{LEFT}" y="{y[name] - ROW / 2}" width="{BOX}" height="{ROW}" '
            f'fill="{shade}" stroke="#dddddd"/>'
        )
        slash = "/" if files[name] > 1 else ""
        out.append(
            f'<text x="{LEFT + 8}" y="{y[name] + 4}" font-weight="bold">'
            f"{escape(name)}{slash}</text>"
        )
        size = f"{files[name]} files, {lines[name]:,} lines" if slash else f"{lines[name]:,} lines"
        out.append(
            f'<text x="{LEFT + BOX - 8}" y="{y[name] + 4}" text-anchor="end" fill="{QUIET}">'
            f"{size}</text>"
        )
    for (a, b), count in sorted(
        arrows.items(), key=lambda item: (-abs(y[item[0][0]] - y[item[0][1]]), item[0])
    ):
        out += _arrow(y[a], y[b], count, (a, b) in up)
    out.append(
        f'<text x="{LEFT}" y="{height - 14}" fill="{QUIET}">width: number of imports; '
        "same shade side by side: same floor</text></svg>"
    )
    return "\n".join(out) + "\n"


def _arrow(begin: float, end: float, count: int, up: bool) -> list[str]:
    side = -1 if up else 1
    x = LEFT if up else LEFT + BOX
    far = x + side * (
        14 + 0.46 * (LEFT if up else RIGHT) * (abs(end - begin) / (ROW * 24)) ** 0.7 * 2
    )
    far = max(8.0, min(far, LEFT + BOX + RIGHT - 8.0))
    colour, clear = (UP, 0.9) if up else (DOWN, 0.42)
    width = 0.7 + 0.5 * count**0.5
    head = f"{x},{end} {x + side * 7},{end - 3.5} {x + side * 7},{end + 3.5}"
    out = [
        f'<path d="M{x},{begin} C{far:.1f},{begin} {far:.1f},{end} {x + side * 6},{end}" '
        f'fill="none" stroke="{colour}" stroke-opacity="{clear}" stroke-width="{width:.2f}"/>',
        f'<polygon points="{head}" fill="{colour}"/>',
    ]
    if up:
        middle = x + 0.75 * (far - x)
        out.append(
            f'<text x="{middle - 3:.1f}" y="{(begin + end) / 2 + 4:.1f}" text-anchor="end" '
            f'font-size="11" fill="{colour}">{count}</text>'
        )
    return out


def _said(found: Imports, floor_count: int) -> str:
    up = arrows_up(found.arrows())
    return (
        f"{len(found.lines)} files, {sum(found.lines.values()):,} lines; "
        f"{len(found.edges | found.typed):,} imports; {floor_count} floors; arrows up: {len(up)}"
    )


def table(states: list[tuple[str, Imports]]) -> str:
    """Return the counts of several states side by side, as Markdown."""
    rows: list[tuple[str, list[str]]] = [
        ("Python files", []), ("lines", []), ("imports between files", []),
        ("rings of files that import each other (files in them)", []),
        ("the same without what only type checkers read", []),
        ("arrows from folder to folder", []), ("of these, up", []), ("floors", []),
    ]  # fmt: skip
    for _, found in states:
        arrows = found.arrows()
        up = arrows_up(arrows)
        values = [
            f"{len(found.lines):,}",
            f"{sum(found.lines.values()):,}",
            f"{len(found.edges | found.typed):,}",
            _rings(found.rings(typed=True)),
            _rings(found.rings(typed=False)),
            str(len(arrows)),
            str(len(up)),
            str(len(set(floors(arrows, up).values()))),
        ]
        for (_, cells), value in zip(rows, values, strict=True):
            cells.append(value)
    head = [f"| | {' | '.join(name for name, _ in states)} |", "|---|" + "---:|" * len(states)]
    return "\n".join(head + [f"| {name} | {' | '.join(cells)} |" for name, cells in rows])


def _rings(rings: list[list[str]]) -> str:
    return f"{len(rings)} ({', '.join(str(len(r)) for r in rings)})" if rings else "0"


def sources_now() -> dict[str, bytes]:
    """Return the modules of the package as they are."""
    files = sorted((ROOT / PACKAGE).rglob("*.py"))
    return {_module(f.relative_to(ROOT).as_posix()): f.read_bytes() for f in files}


def sources_at(commit: str) -> dict[str, bytes] | None:
    """Return the modules of the package at a commit, None where the history is not here."""
    listed = _git("ls-tree", "-r", "--name-only", commit, PACKAGE)
    if listed is None:
        return None
    files = [name for name in listed.decode().splitlines() if name.endswith(".py")]
    return {_module(name): _git("show", f"{commit}:{name}") or b"" for name in files}


def _git(*call: str) -> bytes | None:
    done = subprocess.run(["git", *call], cwd=ROOT, capture_output=True, check=False)
    return done.stdout if done.returncode == 0 else None


def _module(path: str) -> str:
    return path.removesuffix(".py").replace("/", ".").removesuffix(".__init__")


def main() -> int:
    """Draw both pictures and write or print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--print", action="store_true", help="only print the table")
    given = parser.parse_args()
    old = sources_at(BEFORE)
    if old is None:
        print(f"commit {BEFORE} is not here: fetch the whole history.", file=sys.stderr)
        return 2
    before, after = read_imports(old), read_imports(sources_now())
    counts = table([("before", before), ("now", after)])
    print(counts)
    if given.print:
        return 0
    (DRAWINGS / "imports-before.svg").write_text(draw(before, "Imports before"))
    (DRAWINGS / "imports.svg").write_text(draw(after, "Imports now"))
    text = GUIDE.read_text()
    head, _, rest = text.partition(BEGIN)
    _, _, tail = rest.partition(END)
    GUIDE.write_text(f"{head}{BEGIN}\n\n{counts}\n\n{END}{tail}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
