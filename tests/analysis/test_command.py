"""The command line: what it prints and its exit status."""

import json

import pytest

from analysis import simulate
from analysis.__main__ import REFUSED, RESULT, UNUSABLE, main

BAD = b"time_s,encoder_deg,lift_mm\n0,1,x\n"


@pytest.fixture
def folder(tmp_path):
    data, truth = simulate.trace(3, sweeps=2)
    spec = {"datum": truth["datum"], "crank_per_datum": 2, "tolerance_deg": 0.5, "target_deg": 150.0}
    (tmp_path / "good.csv.gz").write_bytes(data)
    (tmp_path / "bad.csv").write_bytes(BAD)
    (tmp_path / "spec.json").write_text(json.dumps(spec))
    return tmp_path


def test_one_trace_prints_its_result(folder, capsys):
    assert main(["trace", str(folder / "good.csv.gz"), "--spec", str(folder / "spec.json")]) == RESULT
    assert json.loads(capsys.readouterr().out)["verdict"] == "conforming"


def test_a_refused_trace_has_its_own_status(folder, capsys):
    assert main(["trace", str(folder / "bad.csv"), "--spec", str(folder / "spec.json")]) == REFUSED
    refused = json.loads(capsys.readouterr().out)["refused"]
    assert (refused["line"], refused["column"]) == (2, "lift_mm")


def test_a_spec_that_cannot_be_used_is_refused_by_its_key(folder, capsys):
    (folder / "spec.json").write_text(json.dumps({"datum": {"kind": "lobe"}, "crank_per_datum": 2}))
    assert main(["trace", str(folder / "good.csv.gz"), "--spec", str(folder / "spec.json")]) == REFUSED
    assert json.loads(capsys.readouterr().out)["refused"]["column"] == "tolerance_deg"


def test_missing_files_and_wrong_options_are_the_callers_fault(folder, capsys):
    assert main(["trace", str(folder / "good.csv.gz"), "--spec", str(folder / "none.json")]) == UNUSABLE
    assert main(["traces", "--manifest", str(folder / "none.jsonl")]) == UNUSABLE
    with pytest.raises(SystemExit) as left:
        main(["nonsense"])
    assert left.value.code == UNUSABLE


def test_a_manifest_gives_one_line_each_in_order_and_goes_on_after_a_refusal(folder, capsys):
    spec = json.loads((folder / "spec.json").read_text())
    entries = [{"trace": "bad.csv", "spec": "spec.json"}, {"trace": "good.csv.gz", "spec": spec},
               {"trace": "none.csv", "spec": spec}, {"spec": spec}]
    manifest = folder / "all.jsonl"
    manifest.write_text("\n".join(json.dumps(e) for e in entries) + "\n[]\n")
    assert main(["traces", "--manifest", str(manifest)]) == RESULT
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert ["refused" in line for line in lines] == [True, False, True, True, True]
    assert lines[1]["verdict"] == "conforming"
