"""Scenes of what real characters are made of, with the truth by construction: `table.py` lists them."""
