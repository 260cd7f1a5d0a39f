"""How large a region is, how much of it shows and where it lies, in words."""

from __future__ import annotations

from typing import Any

from cagecheck.meshes.tiles import NO_TILE
from cagecheck.words.numbers import area_text, count_text
from cagecheck.words.sentences import count_words


def size_words(region: dict[str, Any]) -> str:
    """Say how large a region is, and how much of it shows: texels, or area without UVs."""
    return amount_words(
        region["texels"], region["area"], region.get("texels_seen"), region.get("area_seen")
    )


def amount_words(
    texels: float, area: float, texels_seen: float | None = None, area_seen: float | None = None
) -> str:
    """Say how much something is, and how much of that shows where that is known."""
    if texels > 0:
        size, whole, seen = count_words(texels, "texel"), float(round(texels)), texels_seen
        seen = None if seen is None else float(round(seen))
    else:
        size, whole, seen = f"{area_text(area)} sq. units", area, area_seen
    if seen is None or seen >= whole:
        return size
    if seen <= 0:
        return f"{size}, {'none show' if texels > 0 and whole != 1 else 'none of it shows'}"
    shown = count_text(seen) if texels > 0 else area_text(seen)
    return f"{size}, of which {shown} {'shows' if shown == '1' else 'show'}"


def seen_words(region: dict[str, Any]) -> str:
    """Say shortly how much of a region shows, of how much."""
    seen, texels = region.get("texels_seen"), region["texels"]
    if seen is None or texels <= 0 or round(seen) >= round(texels):
        return size_words({**region, "texels_seen": None, "area_seen": None})
    return f"{count_text(seen)} of {count_words(texels, 'texel')}"


def place_words(region: dict[str, Any]) -> str:
    """Say where a region is: part and tile."""
    if region["tile"] == NO_TILE:
        return str(region["part"])
    return f"{region['part']}, tile {region['tile']}"
