"""What is drawn, said and written of a result."""

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import analysis
from analysis import plotfile, simulate
from analysis.__main__ import RESULT, main
from analysis.decimate import AT_BLOCK, BLOCK, Pyramid, kept
from analysis.engine import work
from analysis.errors import SpecRefused
from analysis.explain import explain
from analysis.plotdata import drawn, prepared
from analysis.reference.hand import bisect_by_hand
from analysis.reference.pairs import HandPair
from analysis.spec import read_spec
from analysis.traces import read_trace
from tests.examples import examples

SPEC = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5, "target_deg": 150.0,
        "index_radius_mm": 200.0}


@pytest.fixture(scope="module")
def shown():
    data, truth = simulate.trace(4, crest_deg=150.3)
    return data, analysis.analyse(data, SPEC), truth


def test_the_result_holds_every_key_of_the_contract(shown):
    _, result, _ = shown
    assert {
        "reference_deg", "deviation_deg", "standard_uncertainty_deg", "expanded_uncertainty_deg", "coverage_factor",
        "degrees_of_freedom", "verdict", "hysteresis_deg", "sweeps", "checks", "budget", "correction", "method",
        "analysis_version", "trace_sha256",
    } <= set(result)
    assert json.loads(json.dumps(result, allow_nan=False)) == result
    assert sum(line["share"] for line in result["budget"]) == pytest.approx(1.0)


def test_the_correction_goes_back_along_the_rim(shown):
    _, result, _ = shown
    correction = result["correction"]
    assert correction["ring_shift_deg"] == pytest.approx(-result["deviation_deg"])
    assert correction["ring_shift_mm"] == pytest.approx(np.deg2rad(correction["ring_shift_deg"]) * 200.0)
    assert correction["sense"] == "retard"


def test_the_plot_shows_the_result_it_was_given(shown):
    data, result, _ = shown
    plot = analysis.plot_data(data, SPEC, result, points=800)
    assert plot["reference_deg"] == result["reference_deg"]
    assert len(plot["sweeps"]) == len(result["sweeps"])
    assert sum(len(s["angle_deg"]) for s in plot["sweeps"]) <= 1000
    assert json.dumps(plot, allow_nan=False)
    near = analysis.plot_data(data, SPEC, result, window=(140.0, 160.0))
    assert all(140.0 <= a <= 160.0 for s in near["sweeps"] for a in s["angle_deg"])


def test_the_page_and_the_sentences_are_written(shown, tmp_path, capsys):
    data, result, _ = shown
    (tmp_path / "t.csv.gz").write_bytes(data)
    (tmp_path / "s.json").write_text(json.dumps(SPEC))
    page = tmp_path / "page.html"
    files = [str(tmp_path / "t.csv.gz"), "--spec", str(tmp_path / "s.json")]
    assert main(["trace", *files, "--explain", "--plot", str(page)]) == RESULT
    said = capsys.readouterr().out
    assert f"{result['reference_deg']:.4f}" in said
    assert "conforming" in said
    assert result["trace_sha256"] in page.read_text()


def test_it_is_said_whose_the_coverage_factor_is():
    # at 5 µm of noise a small throw or a small miss of the axis would not show; in one sense there is no throw to look
    # for, and how far the probe's line passes the axis can be told
    setup = simulate.Setup(noise_mm=0.005, encoder_step_deg=0.05, senses=(1, -1), seed=4)
    unsure = work(read_trace(simulate.record(setup).csv()), read_spec(SPEC))
    told = {**SPEC, "datum": {"kind": "lobe", "pitch_radius_mm": 60.0}, "u_axis_mm": 0.0001}
    sure = work(read_trace(simulate.record(replace(setup, senses=(1,))).csv()), read_spec(told))
    assert unsure.result.findings["coverage_from"] == "mixture"
    assert unsure.result.coverage_factor < 1.9
    assert any("not Student's" in sentence for sentence in explain(unsure))
    assert sure.result.findings["coverage_from"] == "student"
    assert not any("not Student's" in sentence for sentence in explain(sure))


@settings(max_examples=examples(60), deadline=None)
@given(st.integers(1, 3000), st.integers(4, 200), st.integers(0, 10_000))
def test_reduction_loses_no_extreme(n, points, seed):
    values = np.random.default_rng(seed).standard_normal(n)
    index = kept(values, points)
    assert values[index].max() == values.max()
    assert values[index].min() == values.min()
    assert (np.diff(index) > 0).all()
    assert {0, n - 1} <= set(index.tolist())


@settings(max_examples=examples(60), deadline=None)
@given(st.integers(0, 9000), st.integers(16, 900), st.integers(0, 10_000), st.floats(0, 1), st.floats(0, 1))
def test_a_window_of_the_pyramid_loses_no_extreme_and_is_no_larger_than_asked(n, points, seed, low, high):
    random = np.random.default_rng(seed)
    lift = random.standard_normal(n)
    angle = np.linspace(100.0, 200.0, n) * random.choice([-1.0, 1.0]) + random.normal(0.0, 0.02, n)
    span = np.quantile(angle, sorted((low, high))) if n else (0.0, 1.0)
    window = (float(span[0]), float(span[1])) if seed % 3 else None
    inside = np.arange(n) if window is None else np.flatnonzero((angle >= window[0]) & (angle <= window[1]))
    index = Pyramid.of(angle, lift).picked(angle, lift, points, window)
    assert set(index.tolist()) <= set(inside.tolist())
    assert (np.diff(index) > 0).all()
    assert len(index) <= max(points, 16) + 40 * AT_BLOCK
    if len(inside):
        assert lift[index].max() == lift[inside].max()
        assert lift[index].min() == lift[inside].min()
    if len(inside) * 2 + 2 * BLOCK < points:
        assert index.tolist() == inside.tolist()


def test_a_kept_source_draws_what_the_one_at_hand_draws(shown, tmp_path):
    data, result, _ = shown
    source = prepared(work(read_trace(data), read_spec(SPEC)))
    with (tmp_path / "one.plot").open("wb") as file:
        plotfile.save(source, file, about={"trace": "abc"})
    kept_one, about = plotfile.load(tmp_path / "one.plot")
    assert about == {"trace": "abc"}
    for window in (None, (140.0, 160.0), (149.9, 150.0), (-5.0, -4.0)):
        assert drawn(kept_one, result["reference_deg"], window=window) == analysis.plot_data(
            data, SPEC, result, window=window)


@pytest.mark.parametrize("harm", [lambda b: b[:-1], lambda b: b[:40], lambda b: b"", lambda b: b"x" + b[1:],
                                  lambda b: b.replace(b'"dtype": "<f8"', b'"dtype": "<O8"', 1)])
def test_a_plot_file_that_is_not_whole_is_told_from_one_that_is(shown, tmp_path, harm):
    data, _, _ = shown
    path = tmp_path / "one.plot"
    with path.open("wb") as file:
        plotfile.save(prepared(work(read_trace(data), read_spec(SPEC))), file)
    path.write_bytes(harm(path.read_bytes()))
    with pytest.raises(plotfile.PlotFileError):
        plotfile.load(path)


def test_hand_readings_give_the_middle_of_the_senses():
    forward = [HandPair(5.0, 140.1, 160.2, 1), HandPair(7.0, 145.12, 155.16, 1), HandPair(6.0, 142.6, 157.7, 1)]
    reverse = [HandPair(5.0, 159.9, 139.8, -1), HandPair(7.0, 154.9, 144.78, -1), HandPair(6.0, 157.4, 142.3, -1)]
    found = bisect_by_hand(forward + reverse, angle_step_deg=0.05)
    assert found.crest_deg == pytest.approx(150.0, abs=0.02)
    assert found.hysteresis_deg == pytest.approx(0.3, abs=0.02)
    assert abs(found.crest_deg - 150.0) <= found.uncertainty.expanded
    assert found.sources[0].degrees_of_freedom == 4


@pytest.mark.parametrize("pairs", [
    [], [HandPair(5.0, 140.0, 160.0, 1)], [HandPair(5.0, 160.0, 140.0, 1)] * 2, [HandPair(5.0, 140.0, 160.0, 0)] * 2,
])
def test_hand_readings_that_say_nothing_are_refused(pairs):
    with pytest.raises(SpecRefused):
        bisect_by_hand(pairs)


@pytest.mark.parametrize(("change", "key"), [
    ({"datum": None}, "datum"), ({"datum": {"kind": "gear"}}, "datum.kind"), ({"tolerance_deg": 0}, "tolerance_deg"),
    ({"tolerance_deg": "1"}, "tolerance_deg"), ({"coverage": 1.0}, "coverage"),
    ({"u_encoder_deg": -1}, "u_encoder_deg"),
    ({"crank_per_datum": None}, "crank_per_datum"), ({"target_deg": float("nan")}, "target_deg"),
    ({"datum": {"kind": "lobe-profile", "profile": [[0, 1]]}}, "datum.profile"),
    ({"datum": {"kind": "piston", "crank_radius_mm": 1}}, "datum.rod_length_mm"),
    ({"probe_calibration": {"coefficients": [1]}}, "probe_calibration.coefficients"),
])
def test_a_spec_is_refused_by_its_key(change, key):
    with pytest.raises(SpecRefused) as caught:
        read_spec({**SPEC, **change})
    assert caught.value.key == key


BASE = simulate.Setup(lift=simulate.cycloidal_lobe(18.0, 60.0), crest_deg=150.0, reach_deg=140.0, interval_s=0.025)


@settings(max_examples=examples(15), deadline=None)
@given(st.floats(-400.0, 400.0), st.sampled_from([1.0, 7.5]), st.integers(0, 1000))
def test_a_shifted_encoder_and_a_scaled_probe_shift_the_answer_only(shift, gain, seed):
    spec = {**SPEC, "target_deg": 0.0}
    setup = replace(BASE, seed=seed, wrap=False, encoder_step_deg=0.001)
    plain = simulate.record(setup)
    moved = replace(plain, encoder_deg=plain.encoder_deg + round(shift, 3), lift=plain.lift * gain)
    one, two = (analysis.analyse(made.csv(), spec)["reference_deg"] for made in (plain, moved))
    # the text form keeps 10 nm of lift and 10 microdegrees of angle
    assert two - one == pytest.approx(round(shift, 3), abs=2e-4)


@settings(max_examples=examples(15), deadline=None)
@given(st.integers(0, 1000))
def test_a_mirrored_trace_gives_the_mirrored_answer(seed):
    setup = replace(BASE, seed=seed, wrap=False, lash_deg=0.1)
    plain = simulate.record(setup)
    mirrored = replace(plain, encoder_deg=-plain.encoder_deg)
    one, two = (analysis.analyse(made.csv(), SPEC)["reference_deg"] for made in (plain, mirrored))
    assert two == pytest.approx(-one, abs=2e-4)


def test_a_simulated_trace_is_the_same_for_the_same_seed():
    assert simulate.trace(7)[0] == simulate.trace(7)[0]
    assert simulate.trace(7)[0] != simulate.trace(8)[0]
