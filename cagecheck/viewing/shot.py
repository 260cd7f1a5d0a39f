"""A picture of a result, without a window."""

from __future__ import annotations

import ctypes
import ctypes.util
import os
import sys
from pathlib import Path

import numpy as np
import pyvista as pv

from cagecheck.files import replace_file
from cagecheck.meshes.mesh import Surface
from cagecheck.viewing.model import ViewModel
from cagecheck.viewing.stage import Stage

DEFAULT_SIZE = (1600, 1000)


def display_trouble() -> str | None:
    """Say why no window can be opened here; None where one can."""
    if without_display():
        return "there is no display to open a window on."
    if not sys.platform.startswith("linux"):
        return None
    # The drawing library would only print warnings and go on without a window.
    name = ctypes.util.find_library("X11")
    if name is None:
        return None
    library = ctypes.CDLL(name)
    library.XOpenDisplay.restype = ctypes.c_void_p
    library.XOpenDisplay.argtypes = [ctypes.c_char_p]
    display = library.XOpenDisplay(None)
    if not display:
        return f"the display “{os.environ.get('DISPLAY', '')}” cannot be opened."
    library.XCloseDisplay.argtypes = [ctypes.c_void_p]
    library.XCloseDisplay(display)
    return None


def without_display() -> bool:
    """Tell whether this machine shows no windows."""
    return sys.platform.startswith("linux") and not (
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    )


def make_shot(
    model: ViewModel,
    high: Surface | None,
    path: str | os.PathLike[str],
    *,
    size: tuple[int, int] = DEFAULT_SIZE,
    force: bool = False,
) -> Path:
    """Draw the model's view and write it as PNG.

    Parameters
    ----------
    model : ViewModel
        What is shown, and how.
    high : Surface | None
        The high poly to draw, None for none.
    path : str | os.PathLike[str]
        The picture's file.
    size : tuple[int, int], optional
        Width and height, pixels.
    force : bool, optional
        Replace a file that exists.

    Returns
    -------
    Path
        The picture's file.

    Raises
    ------
    InputError
        The file exists and `force` is off, or cannot be written.
    """
    if without_display():
        # Else VTK first looks for a screen and complains that there is none.
        os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    with replace_file(path, force=force) as temporary:
        plotter = pv.Plotter(off_screen=True, window_size=list(size))
        try:
            stage = Stage(plotter, model, high)
            stage.refresh()
            stage.look()
            picture = plotter.screenshot(return_img=True)
        finally:
            plotter.close()
        from PIL import Image

        Image.fromarray(np.asarray(picture)).save(temporary, format="PNG", optimize=True)
    return Path(path)
