"""One suite for every kind of datum: the reference is found, and turning, shifting or rescaling moves nothing."""

from dataclasses import replace

import numpy as np
import pytest

import analysis
from analysis import simulate
from analysis.reference.shapes import LinkRodShape, PistonShape
from analysis.simulate import Setup, record
from analysis.spec import LinkRod, Piston

TOLERANCE_DEG = 0.004      # well above the noise of these traces (0.001), well below any effect that is tested


def spec_of(datum, **more):
    return {"datum": datum, "crank_per_datum": 1.0, "tolerance_deg": 0.5, "target_deg": 0.0, **more}


def found(setup, spec):
    made = record(setup)
    result = analysis.analyse(made.csv(), spec)
    assert result["reference_deg"] is not None, [c for c in result["checks"] if not c["passed"]]
    return result, made


class ReferenceContract:
    """Inherited for each kind of datum."""

    setup: Setup
    datum: dict[str, object]

    def error(self, **changes):
        changed = replace(self.setup, **changes)
        result, made = found(changed, spec_of(self.datum, crank_per_datum=changed.crank_per_datum))
        return result["reference_deg"] - made.crest_deg

    def test_it_finds_the_crest_of_a_quiet_trace(self):
        assert abs(self.error()) < TOLERANCE_DEG

    def test_the_encoder_may_wrap_in_the_middle_of_the_crest(self):
        assert abs(self.error(crest_deg=360.0, wrap=True)) < TOLERANCE_DEG

    def test_a_cumulative_encoder_turns_later(self):
        assert abs(self.error(crest_deg=self.setup.crest_deg + 3600.0, wrap=False)) < TOLERANCE_DEG

    def test_the_order_of_the_senses_does_not_matter(self):
        assert abs(self.error(senses=(-1, 1, -1, 1))) < TOLERANCE_DEG

    def test_the_encoder_may_sit_on_a_pinion_or_the_camshaft(self):
        for ratio in (0.5, 11.25):
            step = 0.02 * ratio
            assert abs(self.error(encoder_per_crank=ratio, encoder_step_deg=step, wrap=False)) < TOLERANCE_DEG

    def test_other_sampling_gives_the_same_answer(self):
        assert abs(self.error(interval_s=0.008)) < TOLERANCE_DEG

    def test_lash_with_the_load_on_one_flank_averages_out_and_is_reported(self):
        result, made = found(replace(self.setup, lash_deg=0.2), spec_of(
            self.datum, crank_per_datum=self.setup.crank_per_datum))
        assert abs(result["reference_deg"] - made.crest_deg) < TOLERANCE_DEG
        assert result["hysteresis_deg"] == pytest.approx(0.2, abs=0.02)

    def test_a_throw_across_the_lash_in_one_sense_is_told_apart(self):
        assert abs(self.error(lash_deg=0.2, thrown=(1,))) < 2.5 * TOLERANCE_DEG

    def test_a_lag_at_unequal_speeds_is_taken_out(self):
        # untreated the shift is the lag times half the difference of the speeds: 0.05 degrees
        assert abs(self.error(delay_s=0.05, speeds_deg_s=(6.0, 4.0), ripple=0.2)) < 2.0 * TOLERANCE_DEG

    def test_spikes_stalls_and_gaps_do_no_harm(self):
        assert abs(self.error(spikes=0.04, stalls=((0, 0.4, 2.0), (1, 0.7, 1.0)), drop_outs=((0.3, 0.6), (0.6, 0.4)),
                              repeats=0.02)) < TOLERANCE_DEG

    def test_a_knocked_sweep_is_put_aside(self):
        changed = replace(self.setup, senses=(1, -1) * 3, knocks=((2, 0.45, 0.3),))
        result, made = found(changed, spec_of(self.datum, crank_per_datum=changed.crank_per_datum))
        assert abs(result["reference_deg"] - made.crest_deg) < TOLERANCE_DEG
        assert [row["used"] for row in result["sweeps"]] == [True, True, False, True, True, True]
        assert "knocked" in result["sweeps"][2]["reason"]

    def test_counts_give_the_same_answer_as_millimetres(self):
        assert abs(self.error(counts_per_mm=400.0)) < TOLERANCE_DEG


class TestLobe(ReferenceContract):
    datum = {"kind": "lobe"}
    setup = Setup(lift=simulate.cycloidal_lobe(18.0, 60.0), crest_deg=150.0, reach_deg=140.0, seed=5)


class TestLobeWithDwell(ReferenceContract):
    datum = {"kind": "lobe"}
    setup = Setup(lift=simulate.parabolic_lobe(15.0, 62.0, 8.0), crank_per_datum=1.0, crest_deg=100.0,
                  reach_deg=75.0, seed=6)


LOPSIDED = simulate.harmonic_lobe(16.0, 55.0, 1.6, 0.0, 0.15)
TABLE = [[float(a), float(LOPSIDED(np.array([a]))[0])] for a in np.arange(-75.0, 75.5, 0.5)]


class TestLobeProfile(ReferenceContract):
    datum = {"kind": "lobe-profile", "profile": TABLE}
    setup = Setup(lift=LOPSIDED, crest_deg=200.0, reach_deg=140.0, seed=7)


class TestPiston(ReferenceContract):
    datum = {"kind": "piston", "crank_radius_mm": 130.0, "rod_length_mm": 520.0, "pin_offset_mm": 3.0}
    setup = Setup(lift=simulate.piston(130.0, 520.0, 3.0), crank_per_datum=1.0, crest_deg=80.0, reach_deg=60.0,
                  base_mm=30.0, low_mm=0.0, seed=8)


LINK = LinkRod(130.0, 520.0, 370.0, 150.0, 45.0, 45.0)


class TestLinkRod(ReferenceContract):
    datum = {"kind": "link-rod", "crank_radius_mm": 130.0, "rod_length_mm": 520.0, "link_length_mm": 370.0,
             "pin_radius_mm": 150.0, "pin_angle_deg": 45.0, "bank_angle_deg": 45.0}
    setup = Setup(lift=LinkRodShape(LINK).lift, crank_per_datum=1.0, crest_deg=80.0, reach_deg=55.0, base_mm=28.0,
                  low_mm=0.0, seed=9)


@pytest.mark.parametrize(("offset", "top_deg"), [(1.0, 0.08814738787), (2.0, 0.17629498437), (10.0, 0.88150830681)])
def test_piston_tops_where_the_reference_case_says(offset, top_deg):
    # MECH-offset: r 130, l 520
    shape = PistonShape(Piston(130.0, 520.0, offset))
    angle = np.array([-0.01, 0.0, 0.01])
    assert shape.lift_slope(angle)[1] == pytest.approx(0.0, abs=1e-9)
    assert np.rad2deg(np.arcsin(offset / 650.0)) == pytest.approx(top_deg, abs=1e-10)


@pytest.mark.parametrize(("degrees", "drop"), [(0.5, 0.00618747998442), (5.0, 0.618140908996), (20.0, 9.7443353592)])
def test_piston_drops_as_the_reference_case_says(degrees, drop):
    assert -PistonShape(Piston(130.0, 520.0)).lift(np.array([degrees]))[0] == pytest.approx(drop, abs=1e-9)


@pytest.mark.parametrize(("link", "pin", "late"), [(370.0, 45.0, 0.97), (380.0, 45.0, 0.91), (370.0, 50.0, 0.48)])
def test_link_piston_tops_late_as_published(link, pin, late):
    # metrology 10.2, printed to two decimals; 45 degree bank, r 130, L 520, q 150
    shape = LinkRodShape(LinkRod(130.0, 520.0, link, 150.0, pin, 45.0))
    assert shape.top_deg - 45.0 == pytest.approx(late, abs=0.006)
    assert shape.lift_slope(np.array([0.0]))[0] == pytest.approx(0.0, abs=1e-6)


def test_slopes_are_the_derivatives_of_the_lifts():
    angle = np.linspace(-50.0, 50.0, 41)
    for shape in (PistonShape(Piston(130.0, 520.0, 4.0)), LinkRodShape(LINK)):
        slope = (shape.lift(angle + 1e-4) - shape.lift(angle - 1e-4)) / 2e-4
        assert np.allclose(shape.lift_slope(angle), slope, atol=1e-5)


def test_one_sense_alone_gives_the_crest_of_that_sense():
    setup = replace(TestLobe.setup, senses=(1,), lash_deg=0.2)
    result, made = found(setup, spec_of({"kind": "lobe"}, crank_per_datum=2.0))
    assert abs(result["reference_deg"] - made.crest_deg) < TOLERANCE_DEG
    assert result["hysteresis_deg"] is None


def test_a_lift_in_inches_is_told_and_not_corrected():
    made = record(TestPiston.setup)
    inches = replace(made, lift=made.lift / 25.4)
    result = analysis.analyse(inches.csv(), spec_of(TestPiston.datum))
    assert result["verdict"] == "no-result"
    failed = [c for c in result["checks"] if not c["passed"]]
    assert any("inches" in c["message"] for c in failed), failed


def test_uncertainties_of_the_spec_enter_the_budget():
    one_way = record(replace(TestLobe.setup, senses=(1,)))
    spec = spec_of({"kind": "lobe"}, crank_per_datum=2.0, u_geometry_deg=0.02, u_lash_deg=0.03, u_lag_s=0.002)
    lines = analysis.analyse(one_way.csv(), spec)["budget"]
    budget = {line["source"]: line["standard_uncertainty_deg"] for line in lines}
    assert budget["datum geometry"] == 0.02
    assert budget["lash, one sense only"] == 0.03
    assert budget["lag, one sense only"] == pytest.approx(0.002 * 6.0, rel=0.05)
