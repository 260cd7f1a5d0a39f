"""The libraries that watching needs, which not every installation has."""

from __future__ import annotations

from importlib.util import find_spec

from cagecheck.errors import InputError

NEEDED = ("watchfiles",)
NEEDED_FOR_PAGE = ("starlette", "uvicorn")


def need(names: tuple[str, ...], what: str) -> None:
    """Raise `InputError` where a library is not installed."""
    if any(find_spec(name) is None for name in names):
        raise InputError(
            f"{what} needs more libraries ({', '.join(names)}).",
            cure="Install them with: pip install 'cagecheck[watch]'",
        )
