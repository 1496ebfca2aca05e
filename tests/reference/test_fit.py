"""Placements that the program calls fits, held against other people's geometry: box distances by
bounded least squares (scipy), walls by signed distance (libigl) and by solids (manifold3d), tubes
point by point. None of it shares a line with the program. Spoilt placements must be refused by
both."""

import json
import subprocess

import igl
import manifold3d
import numpy as np
import pytest
import trimesh
from scipy.optimize import lsq_linear

from vetting import PROGRAM, ROOT, write_off

NEAR = 1e-6


def cavity_of(kind):
    """Rooms that no axis of the program's grid runs along."""
    if kind == "ear":
        bowl = manifold3d.Manifold.sphere(1.0, 96).scale([10.5, 8.5, 7.5])
        canal = manifold3d.Manifold.cylinder(17.0, 4.2, 3.0, 64).rotate([12.0, 78.0, 0.0])
        solid = bowl + canal.translate([3.0, 0.0, 0.5])
    elif kind == "ball":
        solid = manifold3d.Manifold.sphere(6.4, 48)
    else:
        solid = manifold3d.Manifold.cube([9.1, 8.0, 7.2], True)
    solid = solid.rotate([17.0, 31.0, 5.0]).translate([1.1, -4.2, 7.3])
    mesh = solid.to_mesh()
    return solid, np.array(mesh.vert_properties[:, :3], float), np.array(mesh.tri_verts, int)


def boxes_stack(sizes):
    text = "clearance_mm = 0.15\nwall_clearance_mm = 0.25\n"
    for i, s in enumerate(sizes):
        text += f'[[part]]\nname = "p{i}"\nsize_mm = {list(s)}\n'
    return text


CASES = [
    ("ball", boxes_stack([[5.0, 4.0, 3.0], [6.3, 4.3, 3.0], [5.0, 2.7, 2.0]])),
    ("cube", boxes_stack([[8.0, 3.4, 3.0], [8.2, 3.6, 3.1], [7.9, 3.4, 3.0]])),
    ("ear", (ROOT / "sample-meshes/stacks/two-way.toml").read_text(encoding="utf-8")),
    ("ear", (ROOT / "sample-meshes/stacks/three-way.toml").read_text(encoding="utf-8")),
]


def run(*arguments):
    done = subprocess.run([PROGRAM, "fit", *arguments], capture_output=True, text=True, check=False)
    assert "panicked" not in done.stderr, done.stderr
    return done


@pytest.fixture(scope="module", params=range(len(CASES)))
def placed(request, tmp_path_factory):
    kind, text = CASES[request.param]
    folder = tmp_path_factory.mktemp("fit")
    solid, points, facets = cavity_of(kind)
    write_off(folder / "cavity.off", points, facets)
    (folder / "stack.toml").write_text(text, encoding="utf-8")
    inputs = ["--cavity", folder / "cavity.off", "--stack", folder / "stack.toml"]
    done = run(*inputs, "--seconds", "60", "--json", folder / "fit.json")
    assert done.returncode == 0, done.stdout + done.stderr
    answer = json.loads((folder / "fit.json").read_text(encoding="utf-8"))["fit"]
    assert answer["verdict"] == "fits"
    return folder, inputs, answer, solid, points, facets, read_stack(folder / "stack.toml")


def read_stack(path):
    try:
        import tomllib
    except ModuleNotFoundError:
        pytest.skip("no TOML reader before Python 3.11")
    return tomllib.loads(path.read_text(encoding="utf-8"))


def poses(answer):
    return [np.array(p["pose"]).reshape(4, 4) for p in answer["parts"]]


def box_gap(pose_a, size_a, pose_b, size_b):
    """Distance of two solid boxes: bounded least squares over both boxes' own coordinates."""
    a = np.hstack([pose_a[:3, :3], -pose_b[:3, :3]])
    half = np.concatenate([size_a, size_b]) / 2
    done = lsq_linear(a, pose_b[:3, 3] - pose_a[:3, 3], bounds=(-half, half), tol=1e-14)
    return np.linalg.norm(a @ done.x - (pose_b[:3, 3] - pose_a[:3, 3]))


def surface_points(pose, size, step=0.1):
    box = [np.linspace(-s / 2, s / 2, max(int(s / step), 2) + 1) for s in size]
    out = []
    for k in range(3):
        u, v = np.meshgrid(box[(k + 1) % 3], box[(k + 2) % 3])
        for side in (-1, 1):
            p = np.empty((u.size, 3))
            p[:, k] = side * size[k] / 2
            p[:, (k + 1) % 3], p[:, (k + 2) % 3] = u.ravel(), v.ravel()
            out.append(p)
    return np.vstack(out) @ pose[:3, :3].T + pose[:3, 3]


def depth(points, facets, at):
    """Signed distance, inside positive."""
    far = igl.signed_distance(np.ascontiguousarray(at), points, facets,
                              sign_type=igl.SIGNED_DISTANCE_TYPE_WINDING_NUMBER)[0]
    return -far


def from_box(pose, size, at):
    own = (at - pose[:3, 3]) @ pose[:3, :3]
    over = np.maximum(np.abs(own) - np.array(size) / 2, 0)
    return np.linalg.norm(over, axis=1)


def faults(answer, stack, solid, points, facets):
    """Everything that is wrong with a placement, in words; empty where it fits."""
    out = []
    clear, wall = stack.get("clearance_mm", 0.15), stack.get("wall_clearance_mm", 0.25)
    where, parts = poses(answer), stack["part"]
    sizes = [p["size_mm"] for p in parts]
    for i, pose in enumerate(where):
        if np.abs(pose[:3, :3].T @ pose[:3, :3] - np.eye(3)).max() > 1e-6:
            out.append(f"{i} is not rigid")
        if depth(points, facets, surface_points(pose, sizes[i])).min() < wall - NEAR:
            out.append(f"{i} too near to the wall")
        if from_box(pose, sizes[i], points).min() < wall - NEAR:
            out.append(f"a corner of the wall too near to {i}")
        for k in range(3):
            grown = np.array(sizes[i], float)
            grown[k] += 2 * (wall - NEAR)
            body = manifold3d.Manifold.cube(grown, True).transform(pose[:3])
            if (body - solid).volume() > 1e-4:
                out.append(f"{i} grown along {k} leaves the cavity")
        for j in range(i):
            if box_gap(pose, sizes[i], where[j], sizes[j]) < clear - NEAR:
                out.append(f"{i} and {j} too near")
    return out + tube_faults(answer, stack, points, facets)


def dense(line, step=0.02):
    pieces = [np.linspace(a, b, max(int(np.linalg.norm(b - a) / step), 1), endpoint=False)
              for a, b in zip(line[:-1], line[1:])]
    return np.vstack([*pieces, line[-1:]])


def tube_faults(answer, stack, points, facets):
    out = []
    clear, wall = stack.get("clearance_mm", 0.15), stack.get("wall_clearance_mm", 0.25)
    where, parts = poses(answer), stack["part"]
    bores = {b["name"]: b for b in stack.get("bore", [])}
    wanted = {p["name"] for p in parts if "bore" in p}
    if wanted != {t["part"] for t in answer["tubes"]}:
        out.append("a tube is missing")
    for n, tube in enumerate(answer["tubes"]):
        line, bore = np.array(tube["centreline_mm"]), bores[tube["name"]]
        radius, at = tube["outer_mm"] / 2, dense(line)
        own = [p["name"] for p in parts].index(tube["part"])
        if depth(points, facets, at).min() < radius + wall - NEAR:
            out.append(f"tube {n} too near to the wall")
        for i, part in enumerate(parts):
            near = from_box(where[i], part["size_mm"], at).min() - radius
            need = clear if i != own else min(clear, part["spout"].get("length_mm", 1.5) - radius)
            if near < need - NEAR:
                out.append(f"tube {n} too near to part {i}")
        spout = parts[own]["spout"]
        axis, sign = "xyz".index(spout["face"][1]), -1 if spout["face"][0] == "-" else 1
        start = np.zeros(3)
        start[axis] = sign * (parts[own]["size_mm"][axis] / 2 + spout.get("length_mm", 1.5))
        for k, other in enumerate(k for k in range(3) if k != axis):
            start[other] = spout.get("at_mm", [0, 0])[k]
        if np.linalg.norm(where[own][:3, :3] @ start + where[own][:3, 3] - line[0]) > NEAR:
            out.append(f"tube {n} does not begin at its spout")
        way = where[own][:3, axis] * sign
        a, b = np.diff(np.vstack([line[0] - way * 0.2, line]), axis=0)[:-1], np.diff(line, axis=0)
        area = np.linalg.norm(np.cross(a, b), axis=1)
        round_ = (np.linalg.norm(a, axis=1) * np.linalg.norm(b, axis=1)
                  * np.linalg.norm(a + b, axis=1) / np.maximum(2 * area, 1e-12))
        if round_.min() < bore["bend_radius_mm"] - NEAR:
            out.append(f"tube {n} bends too sharply")
        for m, other in enumerate(answer["tubes"][:n]):
            if other["name"] == tube["name"]:
                continue
            away = dense(np.array(other["centreline_mm"]))
            gap = min(np.linalg.norm(away - p, axis=1).min() for p in at)
            if gap < radius + other["outer_mm"] / 2 + clear - 0.001:
                out.append(f"tubes {n} and {m} too near")
            if gap < (bore["inner_mm"] + bores[other["name"]]["inner_mm"]) / 2 + 0.5 - 0.001:
                out.append(f"no web between bores {n} and {m}")
    return out


def test_fits_by_every_library(placed):
    _, _, answer, solid, points, facets, stack = placed
    assert faults(answer, stack, solid, points, facets) == []


def test_printed_margins_are_those_of_others(placed):
    _, _, answer, _, points, facets, stack = placed
    where, sizes = poses(answer), [p["size_mm"] for p in stack["part"]]
    pairs = [box_gap(where[i], sizes[i], where[j], sizes[j])
             for i in range(len(where)) for j in range(i)]
    assert abs(min(pairs) - answer["margins"]["worst_pair_mm"]) < 1e-5
    seen = min(depth(points, facets, surface_points(p, s, 0.05)).min() for p, s in zip(where, sizes))
    # Points on the faces see the wall no nearer than it is, and 0.05 mm apart hardly further.
    assert -1e-6 <= seen - answer["margins"]["worst_wall_mm"] < 0.03


def verified(folder, inputs, answer):
    (folder / "spoilt.json").write_text(json.dumps({"fit": answer}), encoding="utf-8")
    return run(*inputs, "--verify", folder / "spoilt.json").returncode == 0


def test_verify_repeats_and_refuses_what_is_spoilt(placed):
    folder, inputs, answer, solid, points, facets, stack = placed
    assert verified(folder, inputs, answer)
    rng = np.random.default_rng(7)
    refused = 0
    for spoil in range(16):
        bad = json.loads(json.dumps(answer))
        part = rng.integers(len(bad["parts"]))
        pose = np.array(bad["parts"][part]["pose"]).reshape(4, 4)
        if spoil % 4 == 0:
            pose[0, 1] += 1e-4  # sheared
        elif spoil % 4 == 1:
            pose[:3, 3] += (rng.normal(size=3) * 0.05)
        elif spoil % 4 == 2:
            pose[:3, 3] += rng.normal(size=3) * 3.0
        else:
            pose[:3, 1] *= -1  # mirrored
        bad["parts"][part]["pose"] = pose.ravel().tolist()
        ours = verified(folder, inputs, bad)
        theirs = faults(bad, stack, solid, points, facets) == [] and np.linalg.det(pose[:3, :3]) > 0
        assert not ours or theirs, f"a false fits: {spoil}"
        refused += not ours
    assert refused >= 10
    for tube in range(len(answer["tubes"])):
        for how in ("bent", "lost", "off"):
            bad = json.loads(json.dumps(answer))
            line = bad["tubes"][tube]["centreline_mm"]
            if how == "bent":
                line[len(line) // 2][1] += 0.05
            elif how == "lost":
                del bad["tubes"][tube]
            else:
                line[0][2] += 0.05
            assert not verified(folder, inputs, bad), how


def test_rooms_that_cannot_hold_a_stack(tmp_path):
    for kind, sizes in [("ball", [[12.9, 1.0, 1.0]]), ("cube", [[5.0, 5.0, 5.0]] * 4)]:
        _, points, facets = cavity_of(kind)
        write_off(tmp_path / "cavity.off", points, facets)
        (tmp_path / "stack.toml").write_text(boxes_stack(sizes), encoding="utf-8")
        done = run("--cavity", tmp_path / "cavity.off", "--stack", tmp_path / "stack.toml",
                   "--json", tmp_path / "fit.json")
        assert done.returncode == 1, done.stdout
        proof = json.loads((tmp_path / "fit.json").read_text())["fit"]["proof"]
        assert proof["need"] > proof["have"]


def test_convex_parts_by_solids(tmp_path):
    """Two octahedra and a box in a ball that could not hold the octahedra's boxes."""
    corners = np.vstack([np.eye(3), -np.eye(3)]) * 2.0
    hull = manifold3d.Manifold.hull_points(corners)
    mesh = hull.to_mesh()
    write_off(tmp_path / "eight.off", np.array(mesh.vert_properties[:, :3], float),
              np.array(mesh.tri_verts, int))
    ball = manifold3d.Manifold.sphere(3.9, 64).translate([1.0, 2.0, -3.0])
    mesh = ball.to_mesh()
    points, facets = np.array(mesh.vert_properties[:, :3], float), np.array(mesh.tri_verts, int)
    write_off(tmp_path / "cavity.off", points, facets)
    text = "clearance_mm = 0.15\nwall_clearance_mm = 0.25\n"
    for name in ("a", "b"):
        text += f'[[part]]\nname = "{name}"\nmesh = "eight.off"\n'
    text += '[[part]]\nname = "c"\nsize_mm = [1.2, 1.0, 0.8]\n'
    (tmp_path / "stack.toml").write_text(text, encoding="utf-8")
    inputs = ["--cavity", tmp_path / "cavity.off", "--stack", tmp_path / "stack.toml"]
    done = run(*inputs, "--seconds", "60", "--json", tmp_path / "fit.json")
    assert done.returncode == 0, done.stdout + done.stderr
    answer = json.loads((tmp_path / "fit.json").read_text(encoding="utf-8"))["fit"]
    where = poses(answer)
    bodies = [hull.transform(p[:3]) for p in where[:2]]
    bodies.append(manifold3d.Manifold.cube([1.2, 1.0, 0.8], True).transform(where[2][:3]))
    pairs = [bodies[i].min_gap(bodies[j], 5.0) for i in range(3) for j in range(i)]
    assert min(pairs) >= 0.15 - 1e-4
    assert abs(min(pairs) - answer["margins"]["worst_pair_mm"]) < 1e-4
    # A ball's wall is nearest to a convex body at a corner, but for the facets' own flatness.
    walls = [depth(points, facets, corners @ p[:3, :3].T + p[:3, 3]).min() for p in where[:2]]
    assert min(walls) >= 0.25 - NEAR
    assert run(*inputs, "--verify", tmp_path / "fit.json").returncode == 0
    # Into its neighbour: wherever there is room elsewhere, there is none there.
    for k in (3, 7, 11):
        answer["parts"][0]["pose"][k] = answer["parts"][1]["pose"][k] + 0.1
    assert not verified(tmp_path, inputs, answer)
