"""Runs the program on a mesh and gives back its report, so that tests read as comparisons."""

import json
import os
import pathlib
import subprocess

import numpy as np

ROOT = pathlib.Path(__file__).resolve().parents[2]
PROGRAM = pathlib.Path(os.environ.get("SECONDBEND", ROOT / "target" / "release" / "secondbend"))


def write_off(path, points, facets):
    """OFF with every digit of every coordinate, so that both sides measure the same mesh."""
    with open(path, "w", encoding="ascii") as out:
        out.write(f"OFF\n{len(points)} {len(facets)} 0\n")
        out.writelines(" ".join(repr(float(c)) for c in p) + "\n" for p in points)
        out.writelines("3 " + " ".join(str(int(i)) for i in f) + "\n" for f in facets)


def vet_file(path, unit="mm"):
    """The report on a file, as JSON; whatever the verdict, the program must not fail."""
    report = pathlib.Path(path).with_suffix(".report.json")
    arguments = [PROGRAM, "vet", "--quiet", "--unit", unit, "--json", report, path]
    done = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1, 2), done.stderr
    assert "panicked" not in done.stderr, done.stderr
    assert report.exists(), f"no report: {done.stderr}"
    return json.loads(report.read_text(encoding="utf-8"))


def vet(folder, points, facets):
    """The soundness of a mesh given as arrays."""
    path = folder / "mesh.off"
    write_off(path, np.asarray(points), np.asarray(facets))
    return vet_file(path)["soundness"]
