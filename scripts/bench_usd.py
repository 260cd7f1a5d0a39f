"""How fast and how sparingly a large USD scene is read.

    python scripts/bench_usd.py [--triangles 20] [--folder DIR]

Makes a wavy grid of about that many million triangles, with normals, as .usdc, and reads it as a
high poly. Printed: seconds by the clock, the largest memory of this process and of the one that
takes the file apart (both lie in memory together for a while), and the size of the result.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

GIB = 2**30


def write(path: Path, millions: float) -> None:
    """Write the grid in a process of its own, so that its memory is not counted."""
    import numpy as np
    from pxr import Usd, UsdGeom, Vt

    sys.path.insert(0, str(Path(__file__).resolve().parent))
    from bench_reading import grid

    positions, triangles = grid(millions)
    stage = Usd.Stage.CreateNew(str(path))
    mesh = UsdGeom.Mesh.Define(stage, "/World/Grid")
    mesh.CreateSubdivisionSchemeAttr("none")
    mesh.CreatePointsAttr(Vt.Vec3fArray.FromNumpy(positions))
    sizes = np.full(len(triangles), 3, np.int32)
    mesh.CreateFaceVertexCountsAttr(Vt.IntArray.FromNumpy(sizes))
    mesh.CreateFaceVertexIndicesAttr(Vt.IntArray.FromNumpy(triangles.ravel()))
    normals = np.repeat(np.array([[0, 0, 1]], np.float32), len(positions), axis=0)
    normals[:, :2] = positions[:, :2] / 10
    mesh.CreateNormalsAttr(Vt.Vec3fArray.FromNumpy(normals))
    stage.GetRootLayer().Save()


def main() -> None:
    """Make, read and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--triangles", type=float, default=20)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--write", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.write:
        write(given.write, given.triangles)
        return
    from cagecheck import read_surface

    with tempfile.TemporaryDirectory() as folder:
        for millions in (0.001, given.triangles):  # the first warms the compiled loops
            path = (given.folder or Path(folder)) / f"grid-{millions:g}.usdc"
            if not path.exists():
                subprocess.run(
                    [sys.executable, __file__, "--triangles", str(millions), "--write", path],
                    check=True,
                )
            begin = time.perf_counter()
            surface = read_surface(path)
            seconds = time.perf_counter() - begin
    assert surface.normals is not None
    held = sum(
        array.nbytes
        for array in (surface.positions, surface.triangles, surface.triangle_part,
                      surface.normals.rows)
    )  # fmt: skip
    own, child = (
        resource.getrusage(who).ru_maxrss * 1024
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    print(
        f"{surface.triangle_count:,} triangles in {seconds:.1f} s; file {path.name}, result "
        f"{held / GIB:.2f} GiB; most memory here {own / GIB:.2f} GiB, in the process beside "
        f"{child / GIB:.2f} GiB"
    )


if __name__ == "__main__":
    main()
