"""Build the source archive and the wheel, install each, and run what was installed.

``python scripts/check_package.py`` needs the package `build` and, for the libraries that the build
itself needs, a package index. The wheel is built from the archive, so both are tried. Libraries
of cagecheck come from the Python that runs this; only cagecheck is installed anew.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
# What the source archive holds of the repository, and nothing besides: the package, what describes
# it, and what builds it (MANIFEST.in says so to the builder).
SHIPPED = (
    "cagecheck", "docs/*.md", "docs/*.svg", "docs/*.png", "README.md", "CHANGELOG.md", "LICENSE",
    "THIRD_PARTY.md", "DEVELOPERS.md", "MANIFEST.in", "pyproject.toml",
)  # fmt: skip
# What the builder adds itself.
MADE = ("PKG-INFO", "setup.cfg", "cagecheck.egg-info/")
# A small scene without errors.
LOW = ROOT / "fixtures/sound-box/low.obj"


def main() -> None:
    """Build, install and try; raise where something does not hold."""
    with tempfile.TemporaryDirectory() as place:
        dist = Path(place) / "dist"
        run([sys.executable, "-m", "build", "--outdir", str(dist), str(ROOT)], Path(place))
        packages = sorted(dist.iterdir())
        assert [p.name.endswith((".whl", ".tar.gz")) for p in packages] == [True, True], packages
        check_archive(next(p for p in packages if p.suffix == ".gz"))
        for package in packages:
            site = Path(place) / package.name.replace(".", "_")
            install = ["pip", "install", "--quiet", "--no-deps", "--target", str(site)]
            run([sys.executable, "-m", *install, str(package)], Path(place))
            try_installed(site, Path(place))
            print(f"{package.name}: installed and run")


def check_archive(archive: Path) -> None:
    """Check that the source archive holds what it should, and nothing else."""
    with tarfile.open(archive) as opened:
        held = {m.name.split("/", 1)[1] for m in opened.getmembers() if m.isfile()}
    wanted = {name for name in run(["git", "ls-files", *SHIPPED], ROOT).split("\n") if name}
    assert not wanted - held, f"not in the source archive: {sorted(wanted - held)}"
    more = {name for name in held - wanted if not name.startswith(MADE)}
    assert not more, f"in the source archive, but not meant to be: {sorted(more)}"


def try_installed(site: Path, elsewhere: Path) -> None:
    """Check that everything of the package is there, and that a command runs."""
    listed = run(["git", "ls-files", "cagecheck"], ROOT).split("\n")
    missing = [name for name in listed if name and not (site / name).is_file()]
    assert not missing, f"not in the package: {missing}"
    where = run(
        [sys.executable, "-c", "import cagecheck; print(cagecheck.__file__)"], elsewhere, site
    )
    assert Path(where.strip()).is_relative_to(site), where
    told = run([sys.executable, "-m", "cagecheck", "inspect", str(LOW), "--json"], elsewhere, site)
    assert "findings" in json.loads(told)


def run(command: list[str], folder: Path, site: Path | None = None) -> str:
    """Run a command in a folder and return what it prints; `site` comes first on Python's path."""
    paths = [] if site is None else [str(site)]
    paths += [path for path in [os.environ.get("PYTHONPATH")] if path]
    around = os.environ | {"PYTHONPATH": os.pathsep.join(paths)}
    done = subprocess.run(command, cwd=folder, env=around, capture_output=True, text=True)
    assert done.returncode == 0, f"{command}: {done.stdout[-2000:]}{done.stderr[-2000:]}"
    return done.stdout


if __name__ == "__main__":
    main()
