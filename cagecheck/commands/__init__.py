"""The commands, one file each; each file has a `register(app)`.

A command's file is only loaded when that command is asked for: together they bring in most of the
library, which takes over a second, and `--help` should not.
"""

from __future__ import annotations

# In the order of --help: the file's name, which is the command's, and the first line of its help.
SUMMARIES = {
    "demo": "Make a sample scene with planted defects and predict its bake.",
    "predict": "Predict the artefacts of a bake before baking.",
    "watch": "Predict again at every save, and show what it changed.",
    "tune": "Find cage offsets per vertex, and check them by casting.",
    "locate": "Explain where a baked normal map is wrong, and why.",
    "view": "Look at a result: heat map, high poly, cage, regions, rays, cuts.",
    "compare": "Compare two results: what is mended, new, grown, shrunk, moved.",
    "inspect": "Inspect a low poly, and how a high poly fits it, before baking.",
    "tiles": "UDIM tiles: what lies where, names of maps, materials per tile.",
    "clash": "Find parts that pass through each other: where and how deep.",
    "batch": "Check (and tune, and mend) many assets; take up an interrupted run.",
}
