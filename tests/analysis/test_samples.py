"""Every sample agrees with its truth file, or is refused or declined as that says."""

import json
from pathlib import Path

import pytest

import analysis
from analysis.__main__ import outcome

SAMPLES = Path(__file__).parent.parent / "data" / "samples"
NAMES = sorted(path.name.removesuffix(".truth.json") for path in SAMPLES.glob("*.truth.json"))


def load(name):
    truth = json.loads((SAMPLES / f"{name}.truth.json").read_text())
    spec = json.loads((SAMPLES / f"{name}.spec.json").read_text())
    file = SAMPLES / f"{name}.csv"
    return (file if file.exists() else file.with_suffix(".csv.gz")), spec, truth


def of(kind):
    return [name for name in NAMES if load(name)[2]["expect"] == kind]


@pytest.mark.parametrize("name", of("number"))
def test_a_sample_with_a_number_agrees_within_its_own_uncertainty(name):
    file, spec, truth = load(name)
    result = analysis.analyse(file.read_bytes(), spec)
    assert abs(result["reference_deg"] - truth["reference_deg"]) <= result["expanded_uncertainty_deg"]
    # a deviation closer to its limit than the stated uncertainty is honestly undecided
    margin = abs(abs(truth["reference_deg"] - spec["target_deg"]) - spec["tolerance_deg"])
    close = margin < 2.0 * result["expanded_uncertainty_deg"]
    assert result["verdict"] == truth["verdict"] or (close and result["verdict"] == "undecided")


@pytest.mark.parametrize("name", of("no-result"))
def test_a_hopeless_sample_gives_no_number_and_names_the_reason(name):
    file, spec, truth = load(name)
    result = analysis.analyse(file.read_bytes(), spec)
    assert result["verdict"] == "no-result"
    assert result["reference_deg"] is None
    failed = " ".join(check["name"] for check in result["checks"] if not check["passed"])
    assert any(reason in failed for reason in truth["reason"])


@pytest.mark.parametrize("name", of("refusal"))
def test_a_malformed_sample_is_refused_at_its_place(name):
    file, spec, truth = load(name)
    refused = outcome(file, spec)["refused"]
    assert {"line": refused["line"], "column": refused["column"]} == truth["place"]
    assert refused["message"]
