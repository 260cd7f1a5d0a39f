"""Maps: the tangent basis, the predicted bake of every tile, and reading a baked one back."""
