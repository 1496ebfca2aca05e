"""Shells that the program makes, judged by other people's libraries: closed, wound one way, one
body, nowhere crossing themselves, and of the volumes that the report gives."""

import json
import pathlib
import subprocess

import igl
import manifold3d
import numpy as np
import pytest
import trimesh

from vetting import PROGRAM, ROOT

EARS = sorted((ROOT / "sample-meshes").glob("PIT-*.stl"))
# Ears that a default plan can be carried out on are found out by the program; these two must be.
SURE = ["PIT-0401-oboe-right", "PIT-0405-horn-right"]


def make(scan, folder, *options):
    """Runs `shell`; the report and the three meshes, or None where it says that it cannot."""
    names = {key: folder / f"{scan.stem}-{key}.stl" for key in ("out", "outer-out", "cavity-out")}
    report = folder / f"{scan.stem}.json"
    arguments = [PROGRAM, "shell", scan, "--unit", "mm", "--quiet", "--json", report, *options]
    for key, path in names.items():
        arguments += [f"--{key}", path]
    done = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert "panicked" not in done.stderr, done.stderr
    assert done.returncode in (0, 1, 2), done.stderr
    if not report.exists():
        assert done.returncode == 2 and "error:" in done.stderr and "help:" in done.stderr, done.stderr
        assert not any(path.exists() for path in names.values())
        return None
    return json.loads(report.read_text(encoding="utf-8")), names


def crossings(points, facets):
    """Pairs of facets that cross without sharing a corner, by libigl's own tree."""
    try:
        pairs, *_ = igl.fast_find_self_intersections(points, facets)
        return len(np.atleast_2d(pairs)) if np.size(pairs) else 0
    except AttributeError:
        return None


def judge(path, volume_mm3):
    mesh = trimesh.load(path, process=False)
    mesh.merge_vertices(digits_vertex=None)
    assert mesh.is_watertight and mesh.is_winding_consistent, path
    assert mesh.volume == pytest.approx(volume_mm3, rel=1e-4), path
    body = manifold3d.Manifold(
        manifold3d.Mesh(np.asarray(mesh.vertices, np.float32), np.asarray(mesh.faces, np.uint32))
    )
    assert body.status() == manifold3d.Error.NoError, path
    assert body.volume() == pytest.approx(volume_mm3, rel=1e-4), path
    facets = np.asarray(mesh.faces, np.int64)
    assert igl.is_edge_manifold(facets), path
    found = crossings(np.asarray(mesh.vertices, np.float64), facets)
    assert not found, f"{path}: {found} crossings"
    return mesh


@pytest.mark.parametrize("scan", EARS, ids=lambda path: path.stem)
@pytest.mark.parametrize(
    "options",
    [("--bores", "2"), ("--faceplate", "closed", "--bores", "2", "--vent", "0.8", "--solid-tip", "3")],
    ids=["open", "closed"],
)
def test_every_mesh_loads_closed_oriented_and_uncrossed(scan, options, tmp_path):
    made = make(scan, tmp_path, *options)
    if made is None:
        assert scan.stem not in SURE
        pytest.skip("the program says that it cannot")
    report, names = made
    shell = report["shell"]
    solid = judge(names["out"], shell["material_mm3"]["value"])
    outer = judge(names["outer-out"], shell["outer_volume_mm3"]["value"])
    cavity = judge(names["cavity-out"], shell["cavity_volume_mm3"]["value"])
    assert solid.body_count == 1
    # Nothing of the shell lies outside its outer surface, and the cavity lies within it.
    apart = trimesh.proximity.signed_distance(outer, cavity.vertices[::200])
    assert apart.min() > -0.01


def test_the_cavity_is_as_deep_as_the_wall_asked(tmp_path):
    """Distance of the cavity from the outer surface beside the canal, by trimesh."""
    made = make(EARS[0], tmp_path, "--wall", "0.9", "--stock", "0.1")
    report, names = made
    outer, cavity = trimesh.load(names["outer-out"]), trimesh.load(names["cavity-out"])
    plate = report["shell"]["faceplate"]
    height = (cavity.vertices - plate["point_mm"]) @ np.array(plate["outward"])
    deep = cavity.vertices[height < -1.2][::40]
    _, distance, _ = trimesh.proximity.closest_point(outer, deep)
    assert np.abs(distance - 1.0).max() < 0.01, np.abs(distance - 1.0).max()
