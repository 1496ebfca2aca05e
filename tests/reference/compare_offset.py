"""Offset surfaces beside general libraries', in one run; prints a table in Markdown.

Run by hand: `python tests/reference/compare_offset.py EAR.stl ...`, in an environment with libigl,
trimesh and scikit-image; closed ears only. Distances of libigl, signed by its fast winding number, and
of Open3D where it is installed, are asked in blocks near the level, and marching cubes draw them.
MeshLib's own offsets join in where somebody has put it there whose use its licence allows. Every
surface is measured by the same code: libigl's exact distances at vertices and facet centres. The time
of the program is that of its process, with reading, checks and writing.
"""

import importlib.util
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


def by_libigl(_path, mesh, by):
    v, f = np.array(mesh.vertices, float), np.array(mesh.faces, np.int64)
    kind = igl.SIGNED_DISTANCE_TYPE_FAST_WINDING_NUMBER
    return blocks_and_cubes(mesh, by, lambda p: igl.signed_distance(np.array(p), v, f, kind)[0])


def by_open3d(_path, mesh, by):
    import open3d

    started = time.perf_counter()
    scene = open3d.t.geometry.RaycastingScene()
    scene.add_triangles(mesh.vertices.astype(np.float32), mesh.faces.astype(np.uint32))

    def ask(points):
        return scene.compute_signed_distance(points.astype(np.float32)).numpy()

    made = time.perf_counter() - started
    took, points, facets = blocks_and_cubes(mesh, by, ask)
    return made + took, points, facets


def by_meshlib(path, _mesh, by, sharp=False):
    from meshlib import mrmeshnumpy, mrmeshpy

    started = time.perf_counter()
    mesh = mrmeshpy.loadMesh(str(path))
    how = mrmeshpy.GeneralOffsetParameters()
    how.voxelSize = FACET
    how.mode = mrmeshpy.OffsetMode.Sharpening if sharp else mrmeshpy.OffsetMode.Standard
    made = mrmeshpy.generalOffsetMesh(mesh, by, how)
    took = time.perf_counter() - started
    return took, mrmeshnumpy.getNumpyVerts(made), mrmeshnumpy.getNumpyFaces(made.topology)


def blocks_and_cubes(mesh, by, distance):
    started = time.perf_counter()

    def ask(points):
        return distance(points) - by

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


def ways():
    yield "secondbend", ours
    yield "libigl + marching cubes", by_libigl
    if importlib.util.find_spec("open3d"):
        yield "Open3D + marching cubes", by_open3d
    if importlib.util.find_spec("meshlib"):
        yield "MeshLib", by_meshlib
        yield "MeshLib, sharp", lambda *a: by_meshlib(*a, sharp=True)


def main():
    print("| ear | by | with | facets | s | vertices max, um | centres rms | centres max |")
    print("|---|---|---|---|---|---|---|---|")
    for path in map(pathlib.Path, sys.argv[1:]):
        mesh = trimesh.load_mesh(path)
        v, f = np.array(mesh.vertices, float), np.array(mesh.faces, np.int64)
        for by in AMOUNTS:
            for name, way in ways():
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
