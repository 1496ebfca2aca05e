"""Sections across the canal of the sample ears, held against trimesh's cuts of the same plane."""

import numpy as np
import pytest
import trimesh

from vetting import ROOT, vet_file

SAMPLES = sorted((ROOT / "sample-meshes").glob("*.stl"))


def outline_area(mesh, point, normal):
    """Area and length of the closed outline, among those that the plane cuts, round the point."""
    path = mesh.section(plane_origin=point, plane_normal=normal)
    best = None
    for loop in [] if path is None else path.discrete:
        if np.linalg.norm(loop[0] - loop[-1]) > 1e-6:
            continue
        step, mid = np.diff(loop, axis=0), loop[:-1] - point
        area = abs((np.cross(mid, step) @ normal).sum()) / 2
        distance = np.linalg.norm(loop.mean(axis=0) - point)
        if best is None or distance < best[0]:
            best = (distance, area, np.linalg.norm(step, axis=1).sum())
    return best[1:] if best else None


@pytest.mark.parametrize("path", SAMPLES, ids=lambda p: p.stem)
def test_areas_along_the_canal_agree_with_trimesh(tmp_path, path):
    copy = tmp_path / path.name
    copy.write_bytes(path.read_bytes())
    report = vet_file(copy)
    canal = report["canal"]
    if canal is None:
        pytest.skip("no canal told on this sample")
    mesh = trimesh.load_mesh(path)
    axis = np.array(canal["axis_mm"])
    compared = 0
    for k in range(8, len(axis) - 16, 6):
        normal = axis[k + 2] - axis[k - 2]
        normal /= np.linalg.norm(normal)
        theirs = outline_area(mesh, axis[k], normal)
        at = 0.25 * k
        ours = min(canal["sections"], key=lambda s: abs(s["at_mm"] - at))
        if theirs is None or abs(ours["at_mm"] - at) > 0.13:
            continue
        # The report gives no normal, so the plane is only as square as the axis points tell.
        assert ours["area_mm2"]["value"] == pytest.approx(theirs[0], rel=0.02), f"{at} mm inside"
        assert ours["perimeter_mm"]["value"] == pytest.approx(theirs[1], rel=0.02), f"{at} mm inside"
        compared += 1
    assert compared >= 5


@pytest.mark.parametrize("path", SAMPLES, ids=lambda p: p.stem)
def test_the_aperture_agrees_with_trimesh(tmp_path, path):
    copy = tmp_path / path.name
    copy.write_bytes(path.read_bytes())
    canal = vet_file(copy)["canal"]
    if canal is None or canal["aperture"] is None:
        pytest.skip("no aperture told on this sample")
    aperture = canal["aperture"]
    point, normal = np.array(aperture["point_mm"]), np.array(aperture["normal"])
    theirs = outline_area(trimesh.load_mesh(path), point, normal / np.linalg.norm(normal))
    if theirs is None:
        pytest.skip("a hole opens the outline there")
    assert aperture["area_mm2"]["value"] == pytest.approx(theirs[0], rel=0.002)
