"""Meshes for the comparisons: made here from formulas, or by the other libraries."""

import numpy as np
import trimesh


def turned(mesh, seed=5):
    """A copy in a pose that lines up with no axis."""
    other = mesh.copy()
    other.apply_transform(trimesh.transformations.random_rotation_matrix(np.random.default_rng(seed).random(3)))
    other.apply_translation([3.0, -41.0, 7.5])
    return other


def bent_tube(radius=4.0, bend=10.0, turn=0.7, around=48, along=90):
    """A tube with one bend between two straight legs of 9 mm, both ends open."""
    rows = []
    for s in np.linspace(0.0, 18.0 + bend * turn, along):
        angle = np.clip((s - 9.0) / bend, 0.0, turn)
        rest = s - 9.0 if s < 9.0 else max(s - 9.0 - bend * turn, 0.0)
        middle = np.array([bend * (1 - np.cos(angle)), 0.0, 9.0 + bend * np.sin(angle)])
        middle = middle + rest * np.array([np.sin(angle), 0.0, np.cos(angle)])
        side = np.array([np.cos(angle), 0.0, -np.sin(angle)])
        t = -2 * np.pi * np.arange(around) / around
        ring = radius * (np.cos(t)[:, None] * side + np.sin(t)[:, None] * np.array([0.0, 1.0, 0.0]))
        rows.append(middle + ring)
    facets = []
    for i in range(along - 1):
        for j in range(around):
            k = (j + 1) % around
            a, b, c, d = i * around + j, (i + 1) * around + j, (i + 1) * around + k, i * around + k
            facets += [[a, b, c], [a, c, d]]
    return trimesh.Trimesh(np.concatenate(rows), facets, process=False)


def closed_shapes():
    """Closed, sound meshes of about the size of an ear impression."""
    return {
        "ball": trimesh.creation.icosphere(subdivisions=4, radius=14.0),
        "capsule": trimesh.creation.capsule(height=20.0, radius=6.0, count=[48, 48]),
        "torus": trimesh.creation.torus(major_radius=14.0, minor_radius=4.0, major_sections=96, minor_sections=40),
        "box": trimesh.creation.box(extents=[30.0, 20.0, 10.0]),
    }
