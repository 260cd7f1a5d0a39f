"""What every round of a watch predicts: the files and the options of one bake."""

from __future__ import annotations

import os
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from cagecheck.errors import InputError
from cagecheck.formats.references import data_files, material_files
from cagecheck.maps.high_normals import HighNormals
from cagecheck.predicting.inputs import CageFiles, MeshOptions
from cagecheck.predicting.maps.write_maps import MapFormat
from cagecheck.predicting.settings import Settings, check_settings


@dataclass(frozen=True)
class Bake:
    """The files of a bake and how it is predicted.

    Attributes
    ----------
    low, high : Path
        The low and the high poly.
    files : CageFiles
        A cage that lies in a file.
    settings : Settings
        How it is predicted.
    reading : MeshOptions
        How the meshes are understood.
    high_normals : HighNormals
        What the high poly is shaded with.
    maps : MapFormat | None
        The maps to write, None for none.
    supersample : int
        Rays per texel of the maps: 1, 4 or 16.

    Examples
    --------
    >>> import cagecheck
    >>> few = cagecheck.Settings(offset=0.05, depth=0.05, samples=500)
    >>> bake = cagecheck.Bake("hero_low.obj", "hero_high.ply", settings=few)
    >>> [path.name for path in bake.inputs()]
    ['hero_low.obj', 'hero_high.ply']
    """

    low: Path
    high: Path
    files: CageFiles = field(default_factory=CageFiles)
    settings: Settings = field(default_factory=Settings)
    reading: MeshOptions = field(default_factory=MeshOptions)
    high_normals: HighNormals = "file"
    maps: MapFormat | None = None
    supersample: int = 1

    def __post_init__(self) -> None:
        object.__setattr__(self, "low", Path(self.low))
        object.__setattr__(self, "high", Path(self.high))

    def inputs(self) -> list[Path]:
        """Return the files that are named: meshes, cage, push distances and the like."""
        named = [getattr(group, f.name) for group in (self.files, self.reading)
                 for f in fields(group)]  # fmt: skip
        return _each_once([self.low, self.high, *(x for x in named if isinstance(x, Path))])

    def data(self) -> list[Path]:
        """Return the files that a result depends on: those named, and data that they name."""
        return _each_once([file for path in self.inputs() for file in (path, *data_files(path))])

    def materials(self) -> list[Path]:
        """Return the material files and the missing layers that are named; no result needs them."""
        found = [file for path in self.inputs() for file in material_files(path)]
        data = self.data()
        return [path for path in _each_once(found) if path not in data]

    def checked(self) -> Bake:
        """Return itself; raise `InputError` for what no save of a file could mend."""
        check_settings(self.settings)
        named = [name for name, value in (("`offset`", self.settings.offset), *vars(self.files)
                 .items()) if value is not None]  # fmt: skip
        if len(named) > 1:
            raise InputError(
                f"{' and '.join(_setting(n) for n in named)} name more than one cage.",
                cure="Give only one of them.",
            )
        for path in self.inputs():
            if path.is_dir():
                raise InputError("this is a folder.", file=str(path), cure="Name a file.")
            if not path.absolute().parent.is_dir():
                raise InputError(
                    "there is no such folder.", file=str(path.parent), cure="Check the name."
                )
        return self


def _setting(name: str) -> str:
    return name if name.startswith("`") else f"`{name}`"


def _each_once(paths: list[Any]) -> list[Path]:
    seen: dict[str, Path] = {}
    for path in paths:
        seen.setdefault(os.path.normcase(os.path.abspath(path)), Path(path))  # noqa: PTH100
    return list(seen.values())
