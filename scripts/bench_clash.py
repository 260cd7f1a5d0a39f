"""What `cagecheck clash` costs: processor seconds and peak memory, in a process of its own.

    python scripts/bench_clash.py --frames 40            # a sleeve over a bending arm
    python scripts/bench_clash.py --frames 40 --static   # the arm stands still, given by --with
    python scripts/bench_clash.py --large                # 100,000 over 400,000 triangles, one frame

The sleeve is an open tube of quads about a closed arm, tight enough to pass through it in many
places, others in every frame.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

AROUND, ALONG = 48, 80  # 3,840 quads
ARM_AROUND, ARM_ALONG = 150, 330  # 99,000 triangles, and a fan at each end
LENGTH, ARM_RADIUS, SLEEVE_RADIUS = 6.0, 0.5, 0.5
# `wait4` tells what one child used, and nothing of the process that made the files.
COMMAND = [sys.executable, "-m", "cagecheck", "clash"]


def tube(around: int, along: int, radius: np.ndarray, ends: tuple[float, float]) -> np.ndarray:
    """Points of a tube about the x axis, (along + 1, around, 3); radius of the same shape."""
    x = np.linspace(*ends, along + 1)[:, None] + np.zeros(around)
    turn = 2 * np.pi * np.arange(around) / around
    return np.stack([x, radius * np.cos(turn), radius * np.sin(turn)], axis=2)


def bent(points: np.ndarray, angle: float) -> np.ndarray:
    """Bend about the middle of the arm by an angle that grows along it (a circular arc)."""
    if abs(angle) < 1e-9:
        return points
    x, y, z = np.moveaxis(points, -1, 0)
    way = np.clip(x / LENGTH, 0, 1) * angle
    far = LENGTH / angle
    return np.stack([np.sin(way) * (far - z), y, far - np.cos(way) * (far - z)], axis=-1)


def quads(around: int, along: int) -> np.ndarray:
    """Quads of a tube, (N, 4) from 0."""
    row, column = (k.ravel() for k in np.meshgrid(range(along), range(around), indexing="ij"))
    following = (column + 1) % around
    return np.stack([row * around + column, (row + 1) * around + column,
                     (row + 1) * around + following, row * around + following], axis=1)  # fmt: skip


def arm(angle: float, around: int, along: int) -> tuple[np.ndarray, list[list[int]]]:
    """A closed arm of 2 * around * (along + 1) triangles."""
    points = tube(around, along, ARM_RADIUS + np.zeros((along + 1, around)), (0.0, LENGTH))
    square = quads(around, along)[:, ::-1]
    triangles = np.concatenate([square[:, [0, 1, 2]], square[:, [0, 2, 3]]]).tolist()
    caps = np.array([[[0.0, 0, 0]], [[LENGTH, 0, 0]]])
    flat = np.concatenate([points.reshape(-1, 3), caps.reshape(-1, 3)])
    first, last = len(flat) - 2, len(flat) - 1
    for k in range(around):
        after = (k + 1) % around
        triangles.append([first, after, k])
        triangles.append([last, along * around + k, along * around + after])
    return bent(flat, angle), triangles


def sleeve(angle: float, phase: float, around: int, along: int) -> tuple[np.ndarray, np.ndarray]:
    """An open tube of quads, with folds that reach into the arm here and there."""
    x, turn = np.meshgrid(
        np.linspace(0, 1, along + 1), 2 * np.pi * np.arange(around) / around, indexing="ij"
    )
    radius = SLEEVE_RADIUS + 0.03 * np.sin(9 * x + phase) * np.sin(2 * turn + 5 * x)
    return bent(tube(around, along, radius, (1.0, LENGTH - 1.0)), angle).reshape(-1, 3), quads(
        around, along
    )


def write_obj(path: Path, parts: dict[str, tuple[np.ndarray, object]]) -> None:
    lines: list[str] = []
    base = 1
    for name, (points, faces) in parts.items():
        lines.append(f"o {name}")
        lines += [f"v {x:.7f} {y:.7f} {z:.7f}" for x, y, z in points]
        lines += ["f " + " ".join(str(v + base) for v in face) for face in np.asarray(faces)]
        base += len(points)
    path.write_text("\n".join(lines) + "\n")


def measure(arguments: list[str]) -> None:
    begin = time.perf_counter()
    child = subprocess.Popen([*COMMAND, *arguments], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    said = child.stdout.read()
    _, _, used = os.wait4(child.pid, 0)
    places = [len(frame["clashes"]) for frame in json.loads(said)["frames"]]
    print(
        f"{len(places)} frames, {sum(places)} places: "
        f"{used.ru_utime + used.ru_stime:.1f} s of processor, "
        f"{time.perf_counter() - begin:.1f} s by the clock, peak {used.ru_maxrss / 1024**2:.2f} GiB"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--frames", type=int, default=40)
    parser.add_argument("--static", action="store_true", help="the arm stands still (--with)")
    parser.add_argument("--large", action="store_true", help="one frame of large meshes instead")
    parser.add_argument("--no-out", action="store_true", help="without heat maps")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        out = [] if chosen.no_out else ["--out", str(folder / "out")]
        if chosen.large:
            parts = {"arm": arm(0.6, 400, 499), "sleeve": sleeve(0.6, 0.5, 200, 250)}
            write_obj(folder / "large.obj", parts)
            measure([str(folder / "large.obj"), "--json", *out])
            return
        frames = []
        for k in range(chosen.frames):
            share = k / max(chosen.frames - 1, 1)
            angle = 0.4 if chosen.static else 0.1 + 1.0 * share
            parts = {"sleeve": sleeve(angle, 2 * share, AROUND, ALONG)}
            if not chosen.static:
                parts = {"arm": arm(angle, ARM_AROUND, ARM_ALONG - 1), **parts}
            frames.append(folder / f"frame_{k:03d}.obj")
            write_obj(frames[-1], parts)
        if chosen.static:
            write_obj(folder / "arm.obj", {"arm": arm(0.4, ARM_AROUND, ARM_ALONG - 1)})
            out = ["--with", str(folder / "arm.obj"), *out]
        measure([*map(str, frames), "--json", *out])


if __name__ == "__main__":
    main()
