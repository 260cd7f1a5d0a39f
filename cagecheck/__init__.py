"""cagecheck predicts, explains and tunes away the artefacts of a bake through a cage."""

__version__ = "0.1.0"
