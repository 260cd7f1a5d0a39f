"""How surface is lit: one directional light, a sky, a faint gloss. The report page does the same.

With the unit normal n (turned round where surface is seen from behind), the light's direction l,
the eye's direction e and ``h = (l + e) / |l + e|``, the radiance in linear light is

    albedo * (sky * (1 + n . up) / 2 + ground * (1 - n . up) / 2 + key * max(n . l, 0))
      + gloss * max(n . h, 0) ** shininess    where n . l > 0

(Lambert, "Photometria", 1760; Blinn, "Models of light reflection for computer synthesized
pictures", SIGGRAPH 1977). Pixels become sRGB by IEC 61966-2-1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.rendering.view import View

Triple = tuple[float, float, float]


@dataclass(frozen=True)
class Look:
    """What the surface is made of and what lights it besides the light that moves.

    albedo : linear red, green and blue: pale clay, bright enough to show what is in shadow and
        never white. key : strength of the light. sky, ground : light from above and below.
    gloss, shininess : height and narrowness of the highlight, which shows wrong normals best.
    background : linear colour behind the model.
    """

    albedo: Triple = (0.46, 0.42, 0.38)
    key: float = 1.15
    sky: float = 0.13
    ground: float = 0.04
    gloss: float = 0.22
    shininess: float = 28.0
    background: Triple = (0.045, 0.05, 0.055)


@dataclass(frozen=True)
class Light:
    """A light far away: the direction towards it, world space, of any length."""

    direction: Triple


# From the upper left, as drawings are lit (common practice, no source).
TURNED_DEGREES, RAISED_DEGREES = -52.0, 36.0


def light_of(view: View, turned: float = TURNED_DEGREES, raised: float = RAISED_DEGREES) -> Light:
    """Return a light that goes with the camera.

    turned : degrees to the right of the eye; raised : degrees above it.
    """
    right, up, toward = view.axes()
    a, b = np.radians(turned), np.radians(raised)
    way = np.cos(b) * (np.sin(a) * right + np.cos(a) * toward) + np.sin(b) * up
    return Light((float(way[0]), float(way[1]), float(way[2])))


def radiance(normals: Floats, to_eye: Floats, up: Triple, light: Light, look: Look) -> Floats:
    """Return (N, 3) linear light that N points with unit normals send to the eye."""
    n = normals
    way = np.array(light.direction, np.float64)
    way /= np.linalg.norm(way)
    facing = np.einsum("ij,j->i", n, way)
    half = to_eye + way
    length = np.linalg.norm(half, axis=1)
    shine = np.einsum("ij,ij->i", n, half) / np.where(length > 0, length, 1)
    above = np.einsum("ij,j->i", n, np.array(up, np.float64))
    diffuse = look.sky * (1 + above) / 2 + look.ground * (1 - above) / 2
    diffuse += look.key * np.maximum(facing, 0)
    gloss = np.where(facing > 0, look.gloss * np.maximum(shine, 0) ** look.shininess, 0)
    return np.array(look.albedo) * diffuse[:, None] + gloss[:, None]


def srgb(linear: Floats) -> Floats:
    """Return sRGB values in [0, 1] of linear light, clipped (IEC 61966-2-1)."""
    x = np.clip(linear, 0, 1)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
