"""What is done to a probe: its zero set anew between sweeps, a line beside the axis; its limit at a slow recorder."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis import analyse, recorded, simulate
from analysis.engine import Work
from analysis.explain import explain
from analysis.reference import axis, look, search
from analysis.simulate import Setup
from tests.analysis.test_passed import LOBE as LINED
from tests.analysis.test_passed import at_lines
from tests.analysis.test_worn import LEANING, LOBE, PROFILE, SPEC

Patch = pytest.MonkeyPatch
Spec = dict[str, object]
SEEDS = range(6)
DATUMS = {"lobe": (LOBE.lift, SPEC), "profile": (LEANING, PROFILE)}


def looked_at(setup: Setup, spec: Spec) -> tuple[float | None, float, dict[str, str]]:
    """Error over U (None without a result), U, and the message of each check that is said or failed."""
    made = simulate.record(setup)
    result = analyse(made.csv(), spec)
    told = {check["name"]: check["message"] for check in result["checks"]}  # type: ignore[attr-defined]
    if result["reference_deg"] is None:
        return None, 0.0, told
    expanded = float(str(result["expanded_uncertainty_deg"]))
    return (float(str(result["reference_deg"])) - made.crest_deg) / expanded, expanded, told


def worst(setup: Setup, spec: Spec) -> tuple[float, float]:
    """The largest error over U of six seeds, and the median U."""
    found = [looked_at(replace(setup, crest_deg=150.0 + 0.311 * seed, seed=seed), spec) for seed in SEEDS]
    assert all(pull is not None for pull, _, _ in found), [told for _, _, told in found]
    return max(abs(pull or 0.0) for pull, _, _ in found), float(np.median([wide for _, wide, _ in found]))


@pytest.mark.parametrize("datum", DATUMS)
def test_a_dial_that_is_set_anew_between_two_sweeps_costs_nothing(datum: str, monkeypatch: Patch) -> None:
    lift, spec = DATUMS[datum]
    plain = worst(replace(LOBE, lift=lift), spec)
    anew = replace(LOBE, lift=lift, knocks=((2, 0.0, 0.2),))
    pull, wide = worst(anew, spec)
    assert pull < 1.6
    assert wide < 1.3 * plain[1]
    told = looked_at(anew, spec)[2]["zero of the probe"]
    assert "+200 µm" in told
    seen: list[Work] = []
    analyse(simulate.record(anew).csv(), spec, look_at=seen.append)
    assert told in explain(seen[0])
    monkeypatch.setattr(search, "_zero", lambda *_: None)
    blind = [looked_at(replace(anew, seed=seed), spec) for seed in SEEDS]
    assert any(pull is None or wide > 5.0 * plain[1] for pull, wide, _ in blind)


def test_a_dial_that_is_left_alone_is_told_of_nothing() -> None:
    for lift, spec in DATUMS.values():
        for changes in ({}, {"drift_mm": (0.02, -0.03)}, {"settling_mm": 0.05}, {"lash_deg": 0.3}, {"hum_mm": 0.01}):
            _, _, told = looked_at(replace(LOBE, lift=lift, **changes), spec)    # type: ignore[arg-type]
            assert "zero of the probe" not in told


def test_a_probe_beside_the_axis_is_seen_against_a_profile(monkeypatch: Patch) -> None:
    missed = replace(LOBE, lift=LEANING, miss_mm=0.1)
    assert worst(missed, PROFILE)[0] < 1.6
    far, _, told = looked_at(replace(missed, miss_mm=1.2), PROFILE)
    assert far is None
    assert "beside where it did when the table was made" in told["profile mismatch, midline"]
    monkeypatch.setattr(axis, "LOBES", ("lobe",))
    assert worst(missed, PROFILE)[0] > 5.0


@pytest.mark.parametrize("interval_s", [0.5, 1.0])
@pytest.mark.parametrize("below_mm", [0.3, 3.0])
def test_a_slow_recorder_shows_a_probe_at_its_limit(interval_s: float, below_mm: float, monkeypatch: Patch) -> None:
    slow = replace(LOBE, interval_s=interval_s, ripple_hz=0.2)
    railed = replace(slow, high_mm=19.0 - below_mm)
    assert "saturation" in looked_at(railed, SPEC)[2]
    assert looked_at(slow, SPEC)[0] is not None
    if interval_s == 1.0 and below_mm < 1.0:
        monkeypatch.setattr(look, "FEW_RAILED", 99)
        assert looked_at(railed, SPEC)[0] is not None


@pytest.mark.parametrize("slip_deg", [0.2, -0.6])
def test_a_slip_at_the_crest_of_a_single_sweep_is_seen_by_its_jump(slip_deg: float, monkeypatch: Patch) -> None:
    alone = replace(LOBE, senses=(1,), lash_deg=0.0, delay_s=0.0, slips=((0, 0.5, slip_deg),))
    assert looked_at(alone, SPEC)[0] is None
    assert looked_at(replace(alone, slips=()), SPEC)[0] is not None
    assert looked_at(replace(alone, slips=(), stick_hz=1.3, ripple=0.0), SPEC)[0] is not None
    if abs(slip_deg) < 0.5:
        monkeypatch.setattr(recorded, "LEAST_ALONE_DEG", 9.0)
        pull, _, _ = looked_at(alone, SPEC)
        assert pull is not None
        assert abs(pull) > 5.0


@pytest.mark.parametrize("part", [0.05, 0.2])
def test_rows_at_lines_may_be_lost(part: float) -> None:
    made = at_lines(simulate.record(replace(LINED, encoder_step_deg=0.1)))
    kept = np.flatnonzero(np.random.default_rng(1).random(len(made.lift)) > part)
    fewer = replace(made, time_s=made.time_s[kept], encoder_deg=made.encoder_deg[kept], lift=made.lift[kept])
    result = analyse(fewer.csv(), SPEC)
    expanded = float(str(result["expanded_uncertainty_deg"]))
    assert expanded < 0.001
    assert abs(float(str(result["reference_deg"])) - made.crest_deg) < 1.6 * expanded
