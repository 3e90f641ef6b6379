"""What must hold of every trace: the same motion gives the same angle however it was recorded, and nothing breaks."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import analyse, simulate
from analysis.errors import TraceRefused
from analysis.simulate import Setup
from tests.examples import examples

SPEC: dict[str, object] = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}
SETUP = Setup(lift=simulate.cycloidal_lobe(18.0, 60.0), crank_per_datum=2.0, reach_deg=140.0, encoder_step_deg=0.05,
              noise_mm=0.003, lash_deg=0.06, delay_s=0.005, interval_s=0.04)
WHOLE = simulate.record(SETUP).csv().decode().splitlines()


def error_and_expanded(setup: Setup, **spec: object) -> tuple[float, float]:
    made = simulate.record(setup)
    result = analyse(made.csv(), {**SPEC, **spec})
    reference, expanded = result["reference_deg"], result["expanded_uncertainty_deg"]
    assert isinstance(reference, float), result["checks"]
    assert isinstance(expanded, float)
    return reference - made.crest_deg, expanded


@settings(max_examples=examples(15))
@given(st.floats(0.01, 0.08), st.integers(0, 500))
def test_sampling_changes_the_answer_only_within_its_uncertainty(interval_s: float, seed: int) -> None:
    error, expanded = error_and_expanded(replace(SETUP, interval_s=interval_s, seed=seed))
    assert abs(error) < 2.0 * expanded < 0.01


@settings(max_examples=examples(12))
@given(st.floats(60.0, 2000.0), st.integers(0, 500))
def test_counts_say_what_millimetres_say(per_mm: float, seed: int) -> None:
    """As they are, and through a calibration."""
    lengths, expanded = error_and_expanded(replace(SETUP, converter_mm=1e-5, seed=seed))
    setup = replace(SETUP, counts_per_mm=per_mm, seed=seed)
    raw, raw_expanded = error_and_expanded(setup)
    through, _ = error_and_expanded(setup, probe_calibration={"coefficients": [0.0, 1.0 / per_mm]})
    assert abs(raw - lengths) < expanded + raw_expanded
    assert abs(raw - through) < 0.3 * raw_expanded


def test_the_stated_uncertainty_is_the_spread_of_a_monte_carlo_run() -> None:
    """JCGM 101: every input drawn from its distribution, the whole estimator in between."""
    rng = np.random.default_rng(101)
    ratios = []
    for trial in range(120):
        setup = replace(
            SETUP, seed=trial, crest_deg=float(rng.uniform(0.0, 360.0)), lash_deg=float(rng.uniform(0.0, 0.15)),
            delay_s=float(rng.uniform(0.0, 0.02)), noise_mm=0.006, ripple_hz=float(rng.uniform(0.1, 0.6)),
            drift_mm=tuple(rng.normal(0.0, 0.01, 2)), speeds_deg_s=tuple(rng.uniform(4.5, 7.5, 2)),
        )
        error, expanded = error_and_expanded(setup)
        ratios.append(2.0 * error / expanded)
    # the root mean square of 120 draws of a standard normal lies within these limits in 998 of 1,000 runs
    assert 0.80 < float(np.sqrt(np.mean(np.square(ratios)))) < 1.21
    assert abs(float(np.mean(ratios))) < 0.3


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """A trace whose rows were cut, doubled, swapped, frozen, set to another number or thrown away."""
    head, rows = WHOLE[:2], [row.split(",") for row in WHOLE[2:]]
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, max(len(rows) - 1, 0)))
        stop = start + draw(st.integers(1, 2000))
        what = draw(st.sampled_from(["cut", "keep", "double", "reverse", "freeze", "set", "offset", "sparse"]))
        column = draw(st.integers(0, 2))
        part = [list(row) for row in rows[start:stop]]
        if what == "cut":
            rows = rows[:start] + rows[stop:]
        elif what == "keep":
            rows = part
        elif what == "double":
            rows = rows[:stop] + part + rows[stop:]
        elif what == "reverse":
            rows = rows[:start] + part[::-1] + rows[stop:]
        elif what == "sparse":
            rows = rows[:: draw(st.integers(2, 200))]
        else:
            number = draw(st.floats(-1e9, 1e9, allow_nan=False))
            for row in part:
                row[column] = {"freeze": part[0][column], "set": f"{number:.5f}"}.get(
                    what, f"{float(row[column]) + number:.5f}")
            rows = rows[:start] + part + rows[stop:]
    return ("\n".join([*head, *(",".join(row) for row in rows)]) + "\n").encode()


@settings(max_examples=examples(60))
@given(damaged())
def test_whatever_a_file_holds_there_is_a_result_or_a_refusal(data: bytes) -> None:
    try:
        result = analyse(data, SPEC)
    except TraceRefused:
        return
    json.dumps(result, allow_nan=False)
    failed = [check for check in result["checks"] if not check["passed"]]  # type: ignore[attr-defined]
    assert bool(failed) == (result["reference_deg"] is None)
