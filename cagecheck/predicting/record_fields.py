"""What the arrays of a result folder must be: see `cagecheck.formats.stored`.

Lengths: N samples, L crossings, K vertices of the heat map, V vertices, T triangles, F faces and E
edges of the low poly, R regions, M members of them, U points of the high poly looked at, P probes.
`write_samples` and `view_arrays` of `cagecheck.predicting` say what each array is.
"""

from __future__ import annotations

from cagecheck.formats.stored import Field

SAMPLES = {
    "triangle": Field("int32", ("N",), within=(0, "T")),
    "area": Field("float32", ("N",), True),
    "origin": Field("float32", ("N", 3), True),
    "direction": Field("float32", ("N", 3), True),
    "start": Field("float32", ("N",), True),
    "target_distance": Field("float32", ("N",)),
    "next_distance": Field("float32", ("N",)),
    "flags": Field("uint16", ("N",)),
    "main": Field("uint8", ("N",)),
    "region": Field("int32", ("N",), within=(-1, "R+1")),
    "slant_degrees": Field("float32", ("N",)),
    "layer_first": Field("int64", ("N+1",), within=(0, "L+1")),
    "layer_t": Field("float32", ("L",)),
    "layer_front": Field("bool", ("L",)),
    "target_layer": Field("int64", ("N",), within=(-1, "L")),
}
# What `compare` reads besides.
PLACED = {
    "barycentric": Field("float32", ("N", 3), True),
    "texels": Field("float32", ("N",)),
    "visible_error": Field("float32", ("N",)),
}
VIEW = {
    "heat_sample": Field("int32", ("K",), within=(0, "N")),
    "vertex_of_sample": Field("int32", ("N",), within=(0, "K")),
    "low_positions": Field("float32", ("V", 3), True),
    "low_triangles": Field("int32", ("T", 3), within=(0, "V")),
    "low_face": Field("int64", ("T",)),
    "low_part": Field("int32", ("T",), within=(0, "low parts")),
    "low_tile": Field("int64", ("T",)),
    "low_edges": Field("int32", ("E", 2), within=(0, "V")),
    "cage_corners": Field("float32", ("T", 3, 3), True),
    "fold_from": Field("float32", ("N",)),
    "split_slope": Field("float32", ("N",)),
    "skew_scale": Field("float32", ("N",)),
    "layer_own": Field("bool", ("L",)),
    "layer_part": Field("int32", ("L",), within=(-1, "high parts")),
    "layer_lean": Field("float32", ("L",)),
    "layer_error": Field("float32", ("L",)),
    "hole_error": Field("float32", ("N",)),
    "region_first": Field("int64", ("R+1",), within=(0, "M+1")),
    "region_sample": Field("int32", ("M",)),
    "unseen_position": Field("float32", ("U", 3), True),
    "high_probe": Field("int64", ("P",)),
    "high_probe_position": Field("float64", ("P", 3), True),
}
# The corners of the low poly (C) and its triangles as they are lit, see `lit_arrays`.
LIT = {
    "position": Field("float32", ("C", 3), True),
    "uv": Field("float32", ("C", 2), True),
    "normal": Field("float32", ("C", 3), True),
    "tangent": Field("float32", ("C", 4), True),
    "triangles": Field("int32", ("S", 3), within=(0, "C")),
    "part": Field("int32", ("S",)),
    "tile": Field("int32", ("S",)),
}
