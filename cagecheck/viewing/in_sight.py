"""Which triangles of an actor show in the picture."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from vtkmodules.util.numpy_support import vtk_to_numpy
from vtkmodules.vtkCommonDataModel import vtkDataObject, vtkSelectionNode
from vtkmodules.vtkRenderingOpenGL2 import vtkOpenGLHardwareSelector


def cells_in_sight(renderer: Any, actor: Any) -> NDArray[np.int64]:
    """Return the numbers of the actor's cells that cover a pixel, ascending.

    Everything else is left out of the picture that is asked, so that cells which stand behind
    lines or veils count as well.
    """
    others = [p for p in renderer.GetViewProps() if p is not actor and p.GetPickable()]
    for prop in others:
        prop.PickableOff()
    wide, high = renderer.GetRenderWindow().GetSize()
    selector = vtkOpenGLHardwareSelector()
    selector.SetRenderer(renderer)
    selector.SetArea(0, 0, wide - 1, high - 1)
    selector.SetFieldAssociation(vtkDataObject.FIELD_ASSOCIATION_CELLS)
    try:
        selection = selector.Select()
    finally:
        for prop in others:
            prop.PickableOn()
    for k in range(selection.GetNumberOfNodes() if selection is not None else 0):
        node = selection.GetNode(k)
        if node.GetProperties().Get(vtkSelectionNode.PROP()) is actor:
            return np.unique(vtk_to_numpy(node.GetSelectionList())).astype(np.int64)
    return np.zeros(0, np.int64)
