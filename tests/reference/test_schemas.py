"""Every report is what its published schema says, judged by a library that knows JSON Schema alone."""

import copy
import json
import subprocess

import jsonschema
import pytest
import scipy.stats

from vetting import PROGRAM, ROOT

SCHEMAS = ROOT / "docs/schemas"
OBOE = ROOT / "sample-meshes/PIT-0401-oboe-right.stl"
CELESTA = ROOT / "sample-meshes/PIT-0431-celesta-left.stl"
HARP = ROOT / "sample-meshes/PIT-0408-harp-left.ply"
TWO_WAY = ROOT / "sample-meshes/stacks/two-way.toml"


def report(folder, *args):
    """The JSON that the program writes, whatever its answer."""
    path = folder / "report.json"
    run = subprocess.run([PROGRAM, *args, "--json", path], capture_output=True, text=True, timeout=300)
    assert run.returncode in (0, 1, 2) and path.exists(), run.stderr
    return json.loads(path.read_text(encoding="utf-8"))


def judge(name):
    schema = json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A shell and a placement, for the commands that ask about those."""
    folder = tmp_path_factory.mktemp("made")
    shell = folder / "shell.stl"
    fit = report(folder, "fit", OBOE, "--stack", TWO_WAY, "--seconds", "60")
    placement = folder / "fit.json"
    placement.write_text(json.dumps(fit), encoding="utf-8")
    return {"shell-report": report(folder, "shell", OBOE, "--out", shell), "fit": fit,
            "shell": shell, "placement": placement}


def study(folder):
    stacks = ["--stack", TWO_WAY, "--stack", ROOT / "sample-meshes/stacks/five-way.toml"]
    return report(folder, "study", OBOE, CELESTA, HARP, "nosuch.stl", *stacks, "--seconds", "3")


def test_the_share_of_all_ears_is_the_exact_binomial_interval(tmp_path):
    for stack in study(tmp_path)["stacks"]:
        ears = stack["fits"] + stack["cannot_fit"] + stack["not_found"]
        assert ears >= 2
        ends = [scipy.stats.binomtest(k, ears).proportion_ci(0.95, "exact")
                for k in (stack["fits"], stack["fits"] + stack["not_found"])]
        assert stack["share_of_all"] == pytest.approx([ends[0].low, ends[1].high], abs=1e-9)


def reports(folder, made):
    yield "vet", report(folder, "vet", CELESTA)
    yield "vet", report(folder, "vet", OBOE, "--withdrawal")
    yield "undercut", report(folder, "undercut", made["shell"])
    yield "offset", report(folder, "offset", OBOE, "--by", "0.3", "--out", folder / "o.stl")
    yield "offset", report(folder, "offset", OBOE, "--zone", "tip=0.2", "--out", folder / "z.stl")
    yield "shell", made["shell-report"]
    yield "shell", report(folder, "shell", CELESTA, "--bores", "1", "--faceplate", "closed", "--withdrawal",
                          "--out", folder / "s.stl")
    yield "wall", report(folder, "wall", made["shell"])
    yield "fit", made["fit"]
    yield "fit", report(folder, "fit", OBOE, "--stack", ROOT / "sample-meshes/stacks/five-way.toml",
                        "--seconds", "6")
    yield "study", study(folder)
    yield "fit-verify", report(folder, "fit", OBOE, "--stack", TWO_WAY, "--verify", made["placement"])


def test_reports_are_what_their_schemas_say(tmp_path, made):
    seen = set()
    for name, written in reports(tmp_path, made):
        faults = [f"{name}: {f.json_path}: {f.message}" for f in judge(name).iter_errors(written)]
        assert not faults, "\n".join(faults[:5])
        seen.add(name)
    assert seen == {path.stem for path in SCHEMAS.iterdir()}


def test_a_report_with_a_field_less_or_another_in_its_place_is_refused(made):
    for name, written, group in [("fit", made["fit"], "fit"), ("shell", made["shell-report"], "shell")]:
        judge_it = judge(name)
        assert judge_it.is_valid(written)
        for key in written[group]:
            spoilt = copy.deepcopy(written)
            spoilt[group][key] = {"no": "such thing"}
            assert not judge_it.is_valid(spoilt), key
            del spoilt[group][key]
            assert not judge_it.is_valid(spoilt), key
