"""What a manifest may ask for about clashes.

A table ``clash`` of an asset says which files are looked at, and a table ``mend`` has them moved
apart, both with the names that `cagecheck clash` has for its options.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from cagecheck.errors import InputError
from cagecheck.mending.settings import MendSettings
from cagecheck.options import build, check_options, options_of

# Options of `clash` that are no files, and their kinds.
LOOK: dict[str, Any] = {
    "together": bool, "pieces": bool, "frames": str, "animation": str, "rate": float,
    "ignore": float,
}  # fmt: skip
MEND: dict[str, Any] = {declared.key: declared.kind for declared in options_of(MendSettings)}
# Lists of files: in the table `clash` the first two, in `mend` the last; then what an asset's files
# are called by.
MESHES, STANDING, REST = "meshes", "with", "rest"


@dataclass(frozen=True)
class ClashWish:
    """What an asset asks for, as plain values.

    look : options of `LOOK`. mend : options of `MEND`, or None to only look.
    """

    look: Mapping[str, Any] = field(default_factory=dict)
    mend: Mapping[str, Any] | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        mend = None if self.mend is None else dict(sorted(self.mend.items()))
        return {"look": dict(sorted(self.look.items())), "mend": mend}


def read_wish(
    row: Mapping[str, Any],
    value_of: Callable[[str, Any, Any], Any],
    wrong: Callable[..., InputError],
) -> tuple[ClashWish | None, dict[str, list[str]]]:
    """Return what an asset's row of a manifest asks for, and the names of its files by list.

    value_of : reads a value by name and kind; wrong : makes the error for a sentence and a cure.
    """
    clash, mend = row.get("clash"), row.get("mend")
    if mend is False or (isinstance(mend, str) and not value_of("mend", mend, bool)):
        mend = None
    if clash is None:
        if mend is not None:
            raise wrong(
                "it is to be mended, but no meshes are named.",
                "Name them: [asset.clash] with meshes = [...].",
            )
        return None, {}
    if not isinstance(clash, Mapping):
        clash = {MESHES: clash}
    if mend is not None and not isinstance(mend, Mapping):
        mend = {} if value_of("mend", mend, bool) else None
    names = {
        kind: value_of(f"clash {kind}", clash[kind], list)
        for kind in (MESHES, STANDING)
        if kind in clash
    }
    if not names.get(MESHES):
        raise wrong("its clash names no meshes.", "Write meshes = [...], one for every frame.")
    look = _values("clash", clash, LOOK, (MESHES, STANDING), value_of, wrong)
    if mend is None:
        return ClashWish(look), names
    if look.get("pieces"):
        raise wrong("mending moves parts by name and takes no pieces.")
    if REST in mend:
        names[REST] = value_of(f"mend {REST}", mend[REST], list)
    wish = ClashWish(look, _values("mend", mend, MEND, (REST,), value_of, wrong))
    try:
        check_options(mend_settings(wish.mend or {}))
    except InputError as error:
        raise wrong(f"mend: {error}") from error
    return wish, names


def _values(
    table: str,
    given: Mapping[str, Any],
    kinds: Mapping[str, Any],
    files: tuple[str, ...],
    value_of: Callable[[str, Any, Any], Any],
    wrong: Callable[..., InputError],
) -> dict[str, Any]:
    out = {}
    for key, value in given.items():
        if key in files:
            continue
        if key not in kinds:
            known = ", ".join((*files, *kinds))
            raise wrong(f"“{key}” is no option of {table}.", f"Options of {table}: {known}.")
        out[key] = value_of(f"{table} {key}", value, kinds[key])
    return out


def mend_settings(values: Mapping[str, Any]) -> MendSettings:
    """Return the settings of mending from plain values."""
    given = {k: tuple(v) if isinstance(v, list) else v for k, v in values.items()}
    return build(MendSettings, given)
