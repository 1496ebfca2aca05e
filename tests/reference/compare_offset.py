"""Offset surfaces beside those of general libraries, in one run; prints a table in Markdown.

Run by hand: `python tests/reference/compare_offset.py [EAR.stl ...]` in an environment that has
the reference libraries; Open3D with scikit-image (marching cubes on its exact distances) and
manifold3d are compared as far as they are installed. Every surface is measured by the same code:
libigl's exact distances at vertices and facet centres.
"""

import json
import pathlib
import subprocess
import sys
import tempfile
import time

import igl
import numpy as np
import trimesh

from vetting import PROGRAM, ROOT

FACET = 0.2
AMOUNTS = (0.3, -0.8, -1.2, -2.0)
EARS = ("0401-oboe-right", "0402-oboe-left", "0405-horn-right", "0411-timpani-right", "0417-bassoon-right")


def ours(path, _mesh, by, folder):
    out = folder / "out.ply"
    typed = [PROGRAM, "offset", path, "--by", str(by), "--facet", str(FACET), "--unit", "mm"]
    typed += ["--out", out, "--quiet"]
    started = time.perf_counter()
    subprocess.run(typed, check=False)
    took = time.perf_counter() - started
    surface = trimesh.load_mesh(out, process=False)
    return took, np.array(surface.vertices), np.array(surface.faces)


def level_set(_path, mesh, by, _folder):
    """manifold3d's level set over libigl's signed distance would call back half a million times;
    its own Minkowski-free way is this one: a grid of libigl's distances, marching cubes by libigl."""
    started = time.perf_counter()
    v, f = np.array(mesh.vertices, float), np.array(mesh.faces, np.int64)
    lo, hi = v.min(axis=0) - 0.8, v.max(axis=0) + 0.8
    size = np.ceil((hi - lo) / FACET).astype(int) + 1
    axes = [lo[k] + FACET * np.arange(size[k]) for k in range(3)]
    z, y, x = np.meshgrid(axes[2], axes[1], axes[0], indexing="ij")
    grid = np.ascontiguousarray(np.stack([x, y, z], axis=-1).reshape(-1, 3))
    kind = igl.SIGNED_DISTANCE_TYPE_FAST_WINDING_NUMBER
    s = igl.signed_distance(grid, v, f, kind)[0] - by
    made = igl.marching_cubes(s, grid, int(size[0]), int(size[1]), int(size[2]), 0.0)
    return time.perf_counter() - started, made[0], made[1]


def measured(mesh, points, facets):
    v, f = np.array(mesh.vertices, float), np.array(mesh.faces, np.int64)
    asked = (points, points[facets].mean(axis=1))
    return [np.sqrt(igl.point_mesh_squared_distance(np.array(p), v, f)[0]) for p in asked]


def main():
    paths = [pathlib.Path(p) for p in sys.argv[1:]]
    paths = paths or [ROOT / "sample-meshes" / f"PIT-{name}.stl" for name in EARS]
    print("| ear | mm | by | facets | s | vertices max | centres rms | centres max |")
    print("|---|---|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        for path in paths:
            mesh = trimesh.load_mesh(path)
            if not mesh.is_watertight:
                mesh = closed(path, pathlib.Path(folder))
            for by in AMOUNTS:
                for name, way in (("secondbend", ours), ("libigl", level_set)):
                    took, points, facets = way(path, mesh, by, pathlib.Path(folder))
                    at, centre = (np.abs(d - abs(by)) * 1000 for d in measured(mesh, points, facets))
                    rms = np.sqrt((centre**2).mean())
                    print(
                        f"| {path.stem} | {by:+} | {name} | {len(facets)} | {took:.2f} "
                        f"| {at.max():.1f} | {rms:.1f} | {centre.max():.1f} |",
                        flush=True,
                    )


if __name__ == "__main__":
    main()
