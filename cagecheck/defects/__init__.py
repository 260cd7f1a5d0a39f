"""Defects of a bake: targets, classification, regions, causes."""
