"""The offset command, judged by other people's geometry: distance, side, soundness, crossings."""

import json
import subprocess

import igl
import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from shapes import turned
from vetting import PROGRAM, ROOT

FACET = 0.25


def run(source, tmp_path, by, facet=FACET):
    out, report = tmp_path / "out.ply", tmp_path / "out.json"
    typed = [PROGRAM, "offset", source, "--by", str(by), "--facet", str(facet), "--unit", "mm"]
    typed += ["--out", out, "--json", report, "--quiet"]
    return subprocess.run(typed, capture_output=True, text=True, check=False), out, report


def offset(tmp_path, mesh, by, facet=FACET):
    """The surface as trimesh loads it, and the report."""
    source = tmp_path / "in.ply"
    mesh.export(source)
    done, out, report = run(source, tmp_path, by, facet)
    assert done.returncode == 0, done.stderr + report.read_text(encoding="utf-8")
    return trimesh.load_mesh(out, process=False), json.loads(report.read_text(encoding="utf-8"))


def crossing_pairs(points, facets):
    """Pairs of facets without a common corner that libigl says intersect."""
    corners = points[facets]
    middles = corners.mean(axis=1)
    reach = np.linalg.norm(corners - middles[:, None], axis=2).max()
    pairs = cKDTree(middles).query_pairs(2 * reach, output_type="ndarray")
    lo, hi = corners.min(axis=1), corners.max(axis=1)
    i, j = pairs.T
    pairs = pairs[np.all((lo[i] <= hi[j]) & (hi[i] >= lo[j]), axis=1)]
    apart = (facets[pairs[:, 0]][:, :, None] != facets[pairs[:, 1]][:, None, :]).all(axis=(1, 2))
    count = 0
    for i, j in pairs[apart]:
        rows = [corners[k][c].reshape(1, 3) for k in (i, j) for c in range(3)]
        count += bool(igl.tri_tri_intersection_test_3d(*rows)[0])
    return count


def sound(surface):
    assert surface.is_watertight and surface.is_winding_consistent and surface.volume > 0
    points, facets = np.asarray(surface.vertices, float), np.asarray(surface.faces, np.int64)
    assert igl.is_edge_manifold(facets)
    assert igl.is_vertex_manifold(facets).all()
    assert crossing_pairs(points, facets) == 0


def deviations(source, surface, by):
    """Of vertices and facet centres from the exact signed distance, by libigl. Its fast signed
    distance is off by some micrometres, so it gives the side only."""
    points, facets = np.asarray(source.vertices, float), np.asarray(source.faces, np.int64)
    kind = igl.SIGNED_DISTANCE_TYPE_FAST_WINDING_NUMBER
    found = []
    for asked in (surface.vertices, surface.triangles_center):
        asked = np.array(asked, float)
        side = np.sign(igl.signed_distance(asked, points, facets, kind)[0])
        away = np.sqrt(igl.point_mesh_squared_distance(asked, points, facets)[0])
        found.append(np.abs(side * away - by))
    return found


def as_promised(source, surface, report, by, facet=FACET):
    """Both the limits and the figures that the report itself gives."""
    vertices, centres = deviations(source, surface, by)
    scale = facet / 0.2
    assert vertices.max() <= 0.005
    assert centres.max() <= 0.015 * scale
    assert np.sqrt((centres**2).mean()) <= 0.003 * scale
    told = report["offset"]
    # PLY keeps single precision: 4e-6 mm at 60 mm.
    assert abs(told["vertex_max_mm"] - vertices.max()) < 1e-5
    assert abs(told["centre_max_mm"] - centres.max()) < 1e-5
    assert told["facets"] == len(surface.faces)
    assert told["volume_mm3"] == pytest.approx(surface.volume, rel=1e-4)
    assert told["area_mm2"] == pytest.approx(surface.area, rel=1e-4)


def l_bar():
    a = trimesh.creation.box(bounds=[[0, 0, 0], [9, 3, 3]])
    b = trimesh.creation.box(bounds=[[0, 0, 0], [3, 8, 3]])
    return turned(trimesh.boolean.union([a, b], engine="manifold"))


SHAPES = {
    "ball": lambda: turned(trimesh.creation.icosphere(subdivisions=4, radius=4.0)),
    "box": lambda: turned(trimesh.creation.box(extents=[8.0, 6.0, 5.0])),
    "ring": lambda: turned(trimesh.creation.torus(5.0, 2.0, major_sections=96, minor_sections=48)),
    "l-bar": l_bar,
}


@pytest.mark.parametrize("by", [0.3, -0.8])
@pytest.mark.parametrize("name", SHAPES)
def test_plain_shapes_lie_at_the_distance(tmp_path, name, by):
    source = SHAPES[name]()
    surface, report = offset(tmp_path, source, by)
    sound(surface)
    as_promised(source, surface, report, by)


def test_volumes_follow_their_closed_forms(tmp_path):
    """A box shrinks to a box; grown, Steiner's formula holds, less what chords cut off."""
    inner, _ = offset(tmp_path, SHAPES["box"](), -0.8)
    assert inner.volume == pytest.approx(6.4 * 4.4 * 3.4, abs=2e-3)
    grown, _ = offset(tmp_path, SHAPES["box"](), 0.3)
    r, sides, edges = 0.3, 2 * (48.0 + 40.0 + 30.0), 4 * (8.0 + 6.0 + 5.0)
    steiner = 240.0 + sides * r + edges * np.pi / 4 * r**2 + 4 / 3 * np.pi * r**3
    assert steiner - 0.003 * grown.area < grown.volume < steiner + 1e-3


@pytest.mark.parametrize("by", [0.3, -1.2])
def test_a_made_ear(tmp_path, by):
    path = ROOT / "sample-meshes" / "PIT-0401-oboe-right.stl"
    source = trimesh.load_mesh(path)
    surface, report = offset(tmp_path, source, by)
    sound(surface)
    as_promised(source, surface, report, by)


@pytest.mark.parametrize(("name", "by"), [("0405-horn-right", -2.0), ("0420-trumpet-left", -1.2)])
def test_vertices_on_ridges_of_the_distance_come_home(tmp_path, name, by):
    """Where an inward offset all but vanishes, a walk down the slope stuck 6 um beside the level."""
    path = ROOT / "sample-meshes" / f"PIT-{name}.stl"
    done, out, report = run(path, tmp_path, by, facet=0.2)
    told = json.loads(report.read_text(encoding="utf-8"))
    assert done.returncode == 0, told["demands"]
    surface = trimesh.load_mesh(out, process=False)
    sound(surface)
    assert told["offset"]["unsettled"] == 0 and told["offset"]["vertex_max_mm"] <= 0.005


ZONES = {
    "tip": -0.6,
    "past-second-bend": -0.9,
    "between-bends": -1.2,
    "seal-zone": 0.3,
    "concha": 0.1,
    "cymba": 0.2,
}


def along_the_canal(name, places):
    """Arc position on the made ear's own axis and distance from it; the arcs of bends and tip."""
    truth = ROOT / "sample-meshes" / f"{name}.truth.json"
    canal = json.loads(truth.read_text(encoding="utf-8"))["canal"]
    axis = np.array(canal["axis_mm"])
    arcs = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(axis, axis=0), axis=1))])
    away, nearest = cKDTree(axis).query(places)
    return arcs[nearest], away, [b["at_mm"] for b in canal["bends"]], canal["length_mm"]


def test_each_zone_has_its_own_distance(tmp_path):
    """Within a zone, a blend away from its borders, the surface lies at the zone's distance."""
    name = "PIT-0401-oboe-right"
    source = trimesh.load_mesh(ROOT / "sample-meshes" / f"{name}.stl")
    path, report = tmp_path / "out.ply", tmp_path / "out.json"
    typed = [PROGRAM, "offset", ROOT / "sample-meshes" / f"{name}.stl", "--by", "0", "--unit", "mm"]
    typed += [word for zone, by in ZONES.items() for word in ("--zone", f"{zone}={by}")]
    typed += ["--facet", str(FACET), "--out", path, "--json", report, "--quiet"]
    done = subprocess.run(typed, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    surface = trimesh.load_mesh(path, process=False)
    sound(surface)
    told = json.loads(report.read_text(encoding="utf-8"))["offset"]
    assert {z["zone"]: z["by_mm"] for z in told["zones"]} == ZONES and told["by_mm"] is None

    points, facets = np.asarray(source.vertices, float), np.asarray(source.faces, np.int64)
    asked = np.array(surface.vertices, float)
    kind = igl.SIGNED_DISTANCE_TYPE_FAST_WINDING_NUMBER
    side = np.sign(igl.signed_distance(asked, points, facets, kind)[0])
    lies = side * np.sqrt(igl.point_mesh_squared_distance(asked, points, facets)[0])
    at, away, (first, second), length = along_the_canal(name, asked)
    # Blends reach 1 mm to either side of a border, and a cell of the grid they are kept on (0.5 mm, along its
    # diagonal 0.9); 5 mm beside the axis, at a bend, an axis half a millimetre off tells 1 mm of it.
    inner = {
        "seal-zone": (3.0, first - 3.0),
        "between-bends": (first + 3.0, second - 3.0),
        "past-second-bend": (second + 1.6, length - 4.3),
    }
    for zone, (low, high) in inner.items():
        there = (at > low) & (at < high) & (away < 6.0)
        assert there.sum() > 100, zone
        assert np.abs(lies[there] - ZONES[zone]).max() <= 0.006, zone
    tip = (at > length - 1.2) & (away < 1.5)
    assert tip.sum() > 10 and np.abs(lies[tip] - ZONES["tip"]).max() <= 0.006
    # Nowhere does it lie beyond what any two neighbouring zones were given.
    assert lies.min() >= min(ZONES.values()) - 0.01 and lies.max() <= max(ZONES.values()) + 0.01


def test_a_hole_is_spanned_and_told(tmp_path):
    """Away from the hole the surface is that of the whole ball; beside it, it is closed."""
    whole = trimesh.creation.icosphere(subdivisions=4, radius=4.0)
    torn = whole.copy()
    torn.update_faces(whole.triangles_center[:, 2] < 3.8)
    surface, report = offset(tmp_path, torn, -0.8)
    sound(surface)
    assert report["offset"]["openings"] == 1
    assert report["offset"]["over_openings_mm2"] > 1.0
    vertices, _ = deviations(whole, surface, -0.8)
    away = surface.vertices[:, 2] < 1.5
    assert away.sum() > 1000 and vertices[away].max() <= 0.005


def test_the_same_bytes_whatever_the_threads(tmp_path):
    source = tmp_path / "in.ply"
    SHAPES["l-bar"]().export(source)
    made = []
    for jobs in ("1", "2"):
        out = tmp_path / f"{jobs}.stl"
        typed = [PROGRAM, "offset", source, "--by", "-0.5", "--facet", "0.3", "--unit", "mm"]
        done = subprocess.run([*typed, "--jobs", jobs, "--quiet", "--out", out], check=False)
        assert done.returncode == 0
        made.append(out.read_bytes())
    assert made[0] == made[1]


@pytest.mark.parametrize(
    ("by", "facet", "out", "code", "says"),
    [
        ("-4.5", "0.3", "out.stl", 1, "nothing is left"),
        ("nan", "0.3", "out.stl", 2, "no distance"),
        ("inf", "0.3", "out.stl", 2, "no distance"),
        ("1e9", "0.3", "out.stl", 2, "too many cells"),
        ("0.3", "0.0001", "out.stl", 2, "or larger"),
        ("0.3", "nan", "out.stl", 2, "or larger"),
        ("0.3", "0.3", "out.step", 2, "no kind of mesh file"),
        ("0.3", "0.3", "in.ply", 2, "in.ply"),
    ],
)
def test_what_cannot_be_drawn_is_said_and_nothing_is_written(tmp_path, by, facet, out, code, says):
    source = tmp_path / "in.ply"
    SHAPES["ball"]().export(source)
    before = source.read_bytes()
    typed = [PROGRAM, "offset", source, "--by", by, "--facet", facet, "--unit", "mm"]
    done = subprocess.run(
        [*typed, "--out", tmp_path / out], capture_output=True, text=True, check=False
    )
    assert done.returncode == code
    assert says in done.stderr
    assert source.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["in.ply"]
