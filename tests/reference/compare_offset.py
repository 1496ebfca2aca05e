"""Offset surfaces beside a general library's, in one run; prints a table in Markdown.

Run by hand: `python tests/reference/compare_offset.py EAR.stl ...`, in an environment with libigl,
trimesh and scikit-image; closed ears only. libigl's distances, signed by its fast winding number,
are asked in blocks near the level, and marching cubes draw them. Every surface is measured by the
same code: libigl's exact distances at vertices and facet centres.
"""

import pathlib
import subprocess
import sys
import tempfile
import time

import igl
import numpy as np
import trimesh
from skimage.measure import marching_cubes

from vetting import PROGRAM

FACET, BLOCK = 0.2, 8
AMOUNTS = (0.3, -0.8, -1.2, -2.0)


def ours(path, _mesh, by):
    with tempfile.TemporaryDirectory() as folder:
        out = pathlib.Path(folder) / "out.ply"
        typed = [PROGRAM, "offset", path, "--by", str(by), "--facet", str(FACET), "--unit", "mm"]
        started = time.perf_counter()
        subprocess.run([*typed, "--out", out, "--quiet"], check=False)
        took = time.perf_counter() - started
        surface = trimesh.load_mesh(out, process=False)
    return took, np.array(surface.vertices), np.array(surface.faces)


def blocks_and_cubes(_path, mesh, by):
    started = time.perf_counter()
    v, f = np.array(mesh.vertices, float), np.array(mesh.faces, np.int64)

    def ask(points):
        kind = igl.SIGNED_DISTANCE_TYPE_FAST_WINDING_NUMBER
        return igl.signed_distance(np.array(points), v, f, kind)[0] - by

    lo = mesh.bounds[0] - max(by, 0) - 2 * FACET
    count = np.ceil((mesh.bounds[1] + max(by, 0) + 2 * FACET - lo) / (FACET * BLOCK)).astype(int)
    block = np.stack(np.meshgrid(*map(np.arange, count), indexing="ij"), axis=-1).reshape(-1, 3)
    middle = ask(lo + (block + 0.5) * BLOCK * FACET)
    field = np.repeat(np.repeat(np.repeat(middle.reshape(count), BLOCK, 0), BLOCK, 1), BLOCK, 2)
    near = block[np.abs(middle) < BLOCK * FACET * 0.9]
    inner = np.stack(np.meshgrid(*[np.arange(BLOCK)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    nodes = (near[:, None] * BLOCK + inner).reshape(-1, 3)
    field[tuple(nodes.T)] = ask(lo + nodes * FACET)
    points, facets, *_ = marching_cubes(field, 0.0)
    return time.perf_counter() - started, lo + points.astype(float) * FACET, facets


def main():
    print("| ear | by | with | facets | s | vertices max, um | centres rms | centres max |")
    print("|---|---|---|---|---|---|---|---|")
    for path in map(pathlib.Path, sys.argv[1:]):
        mesh = trimesh.load_mesh(path)
        v, f = np.array(mesh.vertices, float), np.array(mesh.faces, np.int64)
        for by in AMOUNTS:
            for name, way in (("secondbend", ours), ("libigl + marching cubes", blocks_and_cubes)):
                took, points, facets = way(path, mesh, by)
                both = (points, points[facets].mean(axis=1))
                away = [np.sqrt(igl.point_mesh_squared_distance(np.array(p), v, f)[0]) for p in both]
                at, centre = (np.abs(d - abs(by)) * 1000 for d in away)
                rms = np.sqrt((centre**2).mean())
                print(
                    f"| {path.stem} | {by:+} | {name} | {len(facets)} | {took:.2f} "
                    f"| {at.max():.1f} | {rms:.1f} | {centre.max():.1f} |",
                    flush=True,
                )


if __name__ == "__main__":
    main()
