"""How large a region is and where it lies, in words."""

from __future__ import annotations

from typing import Any

from cagecheck.meshes.tiles import NO_TILE
from cagecheck.words.numbers import area_text
from cagecheck.words.sentences import count_words


def size_words(region: dict[str, Any]) -> str:
    """Say how large a region is: texels, or area where there are no UVs."""
    if region["texels"] > 0:
        return count_words(region["texels"], "texel")
    return f"{area_text(region['area'])} sq. units"


def place_words(region: dict[str, Any]) -> str:
    """Say where a region is: part and tile."""
    if region["tile"] == NO_TILE:
        return str(region["part"])
    return f"{region['part']}, tile {region['tile']}"
