"""Undercuts held against sections of trimesh and plain numpy, and ways out against distances of libigl."""

import json
import subprocess

import igl
import numpy as np
import pytest
import trimesh
from scipy.linalg import expm, logm

from vetting import PROGRAM, write_off


def undercut(folder, mesh, pull=None):
    """The report and the map of a mesh; limits and verdicts are not looked at."""
    scan, report, chart = folder / "part.off", folder / "part.json", folder / "part.ply"
    write_off(scan, np.asarray(mesh.vertices), np.asarray(mesh.faces))
    arguments = [PROGRAM, "undercut", "--quiet", "--no-relief", "--unit", "mm", scan]
    arguments += ["--json", report, "--map", chart]
    if pull is not None:
        arguments.append("--pull=" + ",".join(repr(float(c)) for c in pull))
    done = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert report.exists(), done.stderr
    return json.loads(report.read_text(encoding="utf-8"))["undercut"], points_of(chart)


def points_of(path):
    """Places and figures at the points of a map, read by hand."""
    head, _, body = path.read_bytes().partition(b"end_header\n")
    count = next(int(l.split()[2]) for l in head.split(b"\n") if l.startswith(b"element vertex"))
    kind = np.dtype([("p", "<f8", 3), ("undercut", "<f4"), ("squeeze", "<f4")])
    return np.frombuffer(body, kind, count)


def arc(big, r, turn, edge=0.4):
    """A tube on an arc whose outer end lies in z = 0 and faces up; ends filled in rings."""
    rings, sides = int(np.ceil((big + r) * turn / edge)), int(np.ceil(2 * np.pi * r / edge))
    inner = np.arange(1, 8) / 8
    stations = [(0.0, s) for s in inner] + [(i / rings, 1.0) for i in range(rings + 1)]
    stations += [(1.0, s) for s in inner[::-1]]
    phi = 2 * np.pi * np.arange(sides) / sides
    points = []
    for s, share in stations:
        rho = big + r * share * np.cos(phi)
        points += list(np.c_[rho * np.cos(s * turn), r * share * np.sin(phi), -rho * np.sin(s * turn)])
    facets = []
    for i in range(len(stations) - 1):
        a = i * sides + np.arange(sides)
        b = i * sides + (np.arange(sides) + 1) % sides
        facets += list(np.c_[a, b, a + sides]) + list(np.c_[b, b + sides, a + sides])
    for first, s in ((0, 0.0), ((len(stations) - 1) * sides, 1.0)):
        points.append([big * np.cos(s * turn), 0.0, -big * np.sin(s * turn)])
        a, b = first + np.arange(sides), first + (np.arange(sides) + 1) % sides
        facets += list(np.c_[a, b, np.full(sides, len(points) - 1)])
    mesh = trimesh.Trimesh(points, facets, process=False)
    trimesh.repair.fix_normals(mesh)
    return mesh


def hook(depth):
    """A shaft with a foot, made by a union of boxes and cut into small facets."""
    boxes = [((-3, -3, -15), (3, 3, 0)), ((-3, -3, -15), (3 + depth, 3, -11))]
    solids = [trimesh.creation.box(bounds=b) for b in boxes]
    mesh = trimesh.boolean.union(solids, engine="manifold")
    points, facets = trimesh.remesh.subdivide_to_size(mesh.vertices, mesh.faces, 0.9)
    mesh = trimesh.Trimesh(points, facets, process=True)
    mesh.merge_vertices()
    return mesh


def straight_by_its_word(mesh, pull, plane, chosen, step=0.02):
    """Depth of the chosen points by the definition: for every height further out, the distance
    across the pull to trimesh's section there or to the free air beyond the base plane."""
    pull = np.asarray(pull, float) / np.linalg.norm(pull)
    u = np.cross(pull, np.eye(3)[np.argmin(np.abs(pull))])
    u /= np.linalg.norm(u)
    axes = np.array([u, np.cross(pull, u), pull])
    origin, normal = (np.array(plane[k]) for k in ("point_mm", "normal"))
    local = (mesh.vertices - origin) @ axes.T
    air = axes @ normal
    lean = np.hypot(air[0], air[1])
    p = local[chosen]
    seated = p @ air < 0
    exit_at = -(p[:, :2] @ air[:2]) / air[2]
    heights = np.arange(local[:, 2].min() + step / 3, exit_at[seated].max(), step)
    depth = np.zeros(len(p))
    segments = trimesh.intersections.mesh_multiplane(mesh, origin, pull, heights)
    for h, (lines, frame, _) in zip(heights, zip(*segments)):
        over = p[:, :2] @ air[:2] + air[2] * h
        todo = np.flatnonzero(seated & (p[:, 2] < h) & (over < 0))
        if not len(todo):
            continue
        far = -over[todo] / lean if lean > 1e-9 else np.full(len(todo), np.inf)
        if len(lines):
            ends = np.concatenate([lines, np.zeros((*lines.shape[:2], 1))], axis=2)
            ends = trimesh.transform_points(ends.reshape(-1, 3), frame)
            ends = ((ends - origin) @ axes.T)[:, :2].reshape(-1, 2, 2)
            far = np.minimum(far, outside(p[todo][:, :2], ends))
        depth[todo] = np.maximum(depth[todo], far)
    return depth


def outside(points, segments):
    """Distance to the segments, 0 within the outline that they make (by crossings of a ray)."""
    a, b = segments[:, 0], segments[:, 1]
    d = b - a
    t = np.einsum("psk,sk->ps", points[:, None] - a, d) / np.maximum((d * d).sum(axis=1), 1e-30)
    near = a + np.clip(t, 0, 1)[..., None] * d
    far = np.linalg.norm(points[:, None] - near, axis=2).min(axis=1)
    y = points[:, 1:2]
    crosses = (a[:, 1] <= y) != (b[:, 1] <= y)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = a[:, 0] + d[:, 0] * (y - a[:, 1]) / d[:, 1]
    within = (crosses & (x < points[:, :1])).sum(axis=1) % 2 == 1
    return np.where(within, 0.0, far)


SHAPES = {
    "arc, tangent": (lambda: arc(10.0, 3.0, 0.7), [0, 0, 1]),
    "arc, askew": (lambda: arc(9.0, 2.5, 0.6), [0.15, 0.1, 1]),
    "hook": (lambda: hook(1.3), [0, 0, 1]),
}


@pytest.mark.parametrize("name", SHAPES)
def test_depths_agree_with_sections_of_trimesh(tmp_path, name):
    make, pull = SHAPES[name]
    mesh = make()
    ours, chart = undercut(tmp_path, mesh, pull)
    plane = ours["base_plane"]
    rng = np.random.default_rng(5)
    chosen = rng.choice(len(mesh.vertices), min(250, len(mesh.vertices)), replace=False)
    slow = straight_by_its_word(mesh, pull, plane, chosen)
    fast = chart["undercut"][np.array([np.argmin(((chart["p"] - v) ** 2).sum(axis=1)) for v in mesh.vertices[chosen]])]
    off = np.sort(np.abs(slow - fast))
    assert slow.max() > 0.5
    assert off[int(0.99 * (len(off) - 1))] < 0.05, off[-8:]
    assert ours["straight"]["largest_mm"]["value"] > slow.max() - 0.03


@pytest.mark.parametrize("big, r, deg", [(10, 3, 40), (8, 2.5, 55), (14, 4, 30)])
def test_arcs_have_their_closed_form(tmp_path, big, r, deg):
    turn = np.radians(deg)
    mesh = arc(big, r, turn, 0.4)
    for pull, expect in [
        ([0, 0, 1], (big - r) * (1 - np.cos(turn))),
        ([1 - np.cos(turn), 0, np.sin(turn)], (big + r) * (1 - np.cos(turn / 2))),
    ]:
        ours, _ = undercut(tmp_path, mesh, pull)
        assert ours["straight"]["largest_mm"]["value"] == pytest.approx(expect, abs=0.05)
    assert ours["withdrawal"]["squeeze_mm"]["value"] <= 0.03


def replayed(mesh, ours, every=1, parts=2):
    """Squeeze of the poses with screws between them, by libigl's signed distance."""
    points, facets = np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int64)
    origin, normal = (np.array(ours["base_plane"][k]) for k in ("point_mm", "normal"))
    seat = points[(points - origin) @ normal < 0][::every]
    poses = [np.array(p) for p in ours["withdrawal"]["poses"]]
    places, depths = [], []
    for a, b in zip(poses, poses[1:]):
        assert np.allclose(a[:3, :3] @ a[:3, :3].T, np.eye(3), atol=1e-6)
        motion = np.real(logm(b @ np.linalg.inv(a)))
        for s in range(parts):
            pose = expm(motion * (s / parts)) @ a
            moved = seat @ pose[:3, :3].T + pose[:3, 3]
            under = -((moved - origin) @ normal)
            places.append(moved[under > 0])
            depths.append(under[under > 0])
    last = seat @ poses[-1][:3, :3].T + poses[-1][:3, 3]
    assert ((last - origin) @ normal >= -1e-9).all(), "not clear at the end"
    assert np.allclose(poses[0], np.eye(4), atol=1e-9)
    # All at once: libigl builds its tree anew for every call.
    far = igl.signed_distance(np.concatenate(places), points, facets)[0]
    return max(0.0, np.minimum(far, np.concatenate(depths)).max())


@pytest.mark.parametrize("name", ["arc, tangent", "hook"])
def test_ways_out_squeeze_what_libigl_says(tmp_path, name):
    make, pull = SHAPES[name]
    mesh = make()
    ours, _ = undercut(tmp_path, mesh, pull)
    squeeze = ours["withdrawal"]["squeeze_mm"]
    theirs = replayed(mesh, ours)
    assert theirs <= squeeze["value"] + squeeze["plus_minus"]
    assert theirs > squeeze["value"] - 0.06


def test_the_way_out_of_a_made_ear_squeezes_what_libigl_says(tmp_path):
    subprocess.run([PROGRAM, "demo", tmp_path], check=True, capture_output=True)
    mesh = trimesh.load_mesh(next(tmp_path.glob("PIT-0401*.stl")))
    ours, _ = undercut(tmp_path, mesh)
    squeeze = ours["withdrawal"]["squeeze_mm"]
    theirs = replayed(mesh, ours, every=4, parts=2)
    assert theirs <= squeeze["value"] + squeeze["plus_minus"]
    assert theirs > squeeze["value"] - 0.15
