"""Scenes of what real characters are made of, true by construction: `table.py` lists them."""
