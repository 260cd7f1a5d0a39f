"""How fast and how sparingly the high poly is read, beside the readers of other libraries.

    python scripts/bench_reading.py [--triangles 5] [--large 20] [--folder DIR] [--only WORD ...]

Makes a wavy grid of about that many million triangles as binary PLY, GLB, binary STL and OBJ (with
normals, as sculpts are exported), then reads each in a process of its own. Printed: seconds of the
call (imports left out; the compiled loops are warmed on a small file first) by the clock and of
processor time, the best of two; the process' peak memory over what it held before, in bytes a
triangle; and how much of that is the result. The other readers are whichever of trimesh, vtk,
libigl, meshio, pymeshlab, assimp_py and tinyobjloader can be imported here.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

CHILD = """
import json, resource, sys, time
sys.path.insert(0, {here!r})
import bench_reading as b
print(json.dumps(b.measure(sys.argv[1], sys.argv[2], sys.argv[3])))
"""


def grid(millions: float) -> tuple[np.ndarray, np.ndarray]:
    """Return positions (V, 3) float32 and triangles (T, 3) int32 of a wavy grid."""
    side = int((millions * 1e6 / 2) ** 0.5)
    x = np.linspace(-1, 1, side + 1, dtype=np.float32)
    xx, yy = np.meshgrid(x, x)
    zz = 0.1 * np.sin(9 * xx) * np.cos(7 * yy)
    positions = np.stack([xx, yy, zz], axis=-1).reshape(-1, 3).astype(np.float32)
    a = (np.arange(side)[:, None] * (side + 1) + np.arange(side)).ravel()
    quads = np.stack([a, a + 1, a + side + 2, a, a + side + 2, a + side + 1], axis=1)
    return positions, quads.reshape(-1, 3).astype(np.int32)


def make(folder: Path, millions: float, kinds: list[str]) -> dict[str, Path]:
    """Write the files that are not there yet."""
    from cagecheck.formats.write_mesh import write_surface
    from cagecheck.meshes.mesh import Surface

    out = {}
    made: tuple[np.ndarray, np.ndarray] | None = None
    for kind in kinds:
        path = folder / f"grid-{millions:g}.{kind}"
        out[kind] = path
        if path.exists():
            continue
        made = made or grid(millions)
        positions, triangles = made
        if kind == "obj":
            write_obj(path, positions, triangles)
        else:
            part = np.zeros(len(triangles), np.int32)
            write_surface(Surface(positions, triangles, part, ("grid",)), path)
    return out


def write_obj(path: Path, positions: np.ndarray, triangles: np.ndarray) -> None:
    """Write v, vn and ``f v//n`` lines with six decimals."""
    with path.open("w") as out:
        out.write("o grid\n")
        for word, rows in (("v", positions), ("vn", np.tile([[0, 0, 1]], (len(positions), 1)))):
            for begin in range(0, len(rows), 200_000):
                block = rows[begin : begin + 200_000]
                out.write((f"{word} %.6f %.6f %.6f\n" * len(block)) % tuple(block.ravel().tolist()))
        for begin in range(0, len(triangles), 200_000):
            block = np.repeat(triangles[begin : begin + 200_000] + 1, 2, axis=1)
            out.write(("f %d//%d %d//%d %d//%d\n" * len(block)) % tuple(block.ravel().tolist()))


def readers() -> dict[str, tuple[set[str], Callable[[str], object]]]:
    """Name to the formats it is tried on and a function that reads to arrays."""

    def ours(path: str) -> object:
        from cagecheck.formats.read import read_surface

        return read_surface(path)

    def faithful(path: str) -> object:
        from cagecheck.formats.read import read_mesh

        return read_mesh(path)

    def with_trimesh(path: str) -> object:
        import trimesh

        mesh = trimesh.load(path, process=False, force="mesh")
        return mesh.vertices, mesh.faces

    def with_vtk(path: str) -> object:
        import vtk
        from vtkmodules.util.numpy_support import vtk_to_numpy

        kind = {".obj": "OBJ", ".ply": "PLY", ".stl": "STL"}[Path(path).suffix]
        reader = getattr(vtk, f"vtk{kind}Reader")()
        reader.SetFileName(path)
        reader.Update()
        data = reader.GetOutput()
        faces = vtk_to_numpy(data.GetPolys().GetConnectivityArray())
        return vtk_to_numpy(data.GetPoints().GetData()), faces, reader

    def with_igl(path: str) -> object:
        import igl

        return igl.read_triangle_mesh(path)

    def with_meshio(path: str) -> object:
        import meshio

        return meshio.read(path)

    def with_pymeshlab(path: str) -> object:
        import pymeshlab

        held = pymeshlab.MeshSet()
        held.load_new_mesh(path)
        mesh = held.current_mesh()
        return mesh.vertex_matrix(), mesh.face_matrix()

    def with_assimp(path: str) -> object:
        import assimp_py

        mesh = assimp_py.import_file(path, assimp_py.Process_Triangulate).meshes[0]
        return mesh.vertices, mesh.indices

    def with_tinyobj(path: str) -> object:
        import tinyobjloader

        reader = tinyobjloader.ObjReader()
        reader.ParseFromFile(path)
        points = np.asarray(reader.GetAttrib().numpy_vertices())
        return points, [s.mesh.numpy_indices() for s in reader.GetShapes()]

    everything = {"ply", "glb", "stl", "obj"}
    return {
        "cagecheck read_surface": (everything, ours),
        "cagecheck read_mesh": ({"obj", "ply", "glb"}, faithful),
        "vtk": ({"ply", "stl", "obj"}, with_vtk),
        "trimesh": (everything, with_trimesh),
        "libigl": ({"obj", "ply", "stl"}, with_igl),
        "pymeshlab": ({"obj", "ply", "stl"}, with_pymeshlab),
        "assimp_py": ({"obj", "glb"}, with_assimp),
        "tinyobjloader": ({"obj"}, with_tinyobj),
        "meshio": ({"ply"}, with_meshio),
    }


def measure(name: str, path: str, small: str) -> dict[str, float | str]:
    """Read in this process; called by the child."""
    import resource

    read = readers()[name][1]
    try:
        read(small)
    except ImportError as error:
        return {"absent": str(error)}
    before = _peak_memory(reset=True)
    used = resource.getrusage(resource.RUSAGE_SELF)
    start = time.perf_counter()
    result = read(path)
    seconds = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_SELF)
    cpu = after.ru_utime - used.ru_utime + after.ru_stime - used.ru_stime
    peak = _peak_memory()
    arrays = vars(result).values() if hasattr(result, "__dict__") else ()
    kept = sum(a.nbytes for a in arrays if isinstance(a, np.ndarray))
    return {"seconds": seconds, "cpu": cpu, "grown": float(peak - before), "kept": float(kept)}


def _peak_memory(*, reset: bool = False) -> int:
    """Return the most memory this process held, in bytes, since the last reset (Linux)."""
    if reset:
        Path("/proc/self/clear_refs").write_text("5")
    status = Path("/proc/self/status").read_text()
    return 1024 * int(next(x for x in status.splitlines() if x.startswith("VmHWM")).split()[1])


def run(name: str, path: Path, small: Path, times: int) -> dict[str, float | str]:
    """Measure in child processes; return the fastest."""
    code = CHILD.format(here=str(Path(__file__).resolve().parent))
    best: dict[str, float | str] = {}
    for _ in range(times):
        child = subprocess.run(
            [sys.executable, "-c", code, name, str(path), str(small)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        if child.returncode:
            return {"absent": (child.stderr.strip().splitlines() or ["failed"])[-1][:70]}
        answer = json.loads(child.stdout.strip().splitlines()[-1])
        if "absent" in answer:
            return answer
        if not best or answer["seconds"] < best["seconds"]:
            best = answer
    return best


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--triangles", type=float, default=5.0, help="millions")
    parser.add_argument("--large", type=float, default=20.0, help="millions, 0 leaves it out")
    parser.add_argument("--folder", type=Path, default=None, help="keep the files there")
    parser.add_argument("--only", nargs="*", default=[], help="readers whose name holds a word")
    parser.add_argument("--times", type=int, default=2)
    parser.add_argument("--formats", nargs="*", default=["ply", "glb", "stl", "obj"])
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = args.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        small = make(folder, 0.002, args.formats)
        jobs = [(args.triangles, kind, list(readers())) for kind in args.formats]
        if args.large:
            large = [k for k in args.formats if k in ("ply", "glb", "stl")]
            jobs += [(args.large, kind, ["cagecheck read_surface"]) for kind in large]
        print(f"{'file':<12}{'reader':<24}{'s':>8}{'cpu s':>8}{'M tri/s':>9}", end="")
        print(f"{'peak B/tri':>12}{'kept B/tri':>12}")
        for millions, kind, names in jobs:
            path = make(folder, millions, [kind])[kind]
            for name in names:
                if kind not in readers()[name][0]:
                    continue
                if args.only and not any(word in name for word in args.only):
                    continue
                found = run(name, path, small[kind], args.times)
                label = f"{kind} {millions:g} M"
                if "absent" in found:
                    print(f"{label:<12}{name:<24}  not measured: {found['absent']}")
                    continue
                n = millions * 1e6
                seconds = float(found["seconds"])
                print(
                    f"{label:<12}{name:<24}{seconds:8.2f}{float(found['cpu']):8.2f}"
                    f"{millions / seconds:9.2f}"
                    f"{float(found['grown']) / n:12.1f}{float(found['kept']) / n:12.1f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
