"""The version of the package, on its own so that every file may say it."""

__version__ = "0.1.0"
