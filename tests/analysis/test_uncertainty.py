"""JCGM 100 against its own worked examples and tables; JCGM 106 against its examples."""

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import decision, uncertainty
from analysis.uncertainty import Possible, Source, combine

T_TABLE = {  # JCGM 100, table G.2, as printed to two decimals
    (1, 0.95): 12.71, (2, 0.95): 4.30, (5, 0.95): 2.57, (9, 0.95): 2.26, (10, 0.95): 2.23, (16, 0.99): 2.92,
    (20, 0.9545): 2.13, (50, 0.9545): 2.05, (math.inf, 0.95): 1.96, (math.inf, 0.9545): 2.00,
}


@pytest.mark.parametrize(("key", "printed"), T_TABLE.items())
def test_coverage_factors_are_those_of_table_g2(key, printed):
    assert uncertainty.coverage_factor(key[1], key[0]) == pytest.approx(printed, abs=0.005)


def test_welch_satterthwaite_reproduces_g41():
    listed = [Source("a", "A", 0.25, 9), Source("b", "A", 0.57, 4), Source("c", "A", 0.82, 14)]
    found = combine(listed, 0.95)
    assert found.standard == pytest.approx(1.02946588093, rel=1e-10)
    assert found.degrees_of_freedom == pytest.approx(18.9987423143, rel=1e-9)
    # 18.998… is cut to 18 (G.4.1); the guide rounds first and takes 19
    assert found.coverage_factor == pytest.approx(2.10, abs=0.005)


def test_end_gauge_h1_combines_to_32_nanometres():
    listed = [Source("standard", "B", 25.0, 18), Source("difference", "A", 9.7, 25.6),
              Source("expansion", "B", 2.9, 50), Source("temperature", "B", 16.6, 2)]
    found = combine(listed, 0.99)
    assert found.standard == pytest.approx(32, abs=0.5)
    assert math.floor(found.degrees_of_freedom) == 16
    assert found.expanded == pytest.approx(93, abs=1)


def test_divisors():
    assert uncertainty.rectangular(1.0) == pytest.approx(0.57735, abs=1e-5)
    assert uncertainty.resolution(0.1) == pytest.approx(0.028868, abs=1e-6)


def test_budget_leaves_out_what_is_nothing_and_its_shares_add_up():
    lines = uncertainty.budget([Source("a", "A", 0.3), Source("none", "B", 0.0), Source("b", "B", 0.4)])
    assert [line.source for line in lines] == ["b", "a"]
    assert sum(line.share for line in lines) == pytest.approx(1.0)
    assert json.dumps([line.share for line in lines])


@given(st.lists(st.floats(1e-6, 10.0), min_size=1, max_size=6), st.lists(st.integers(1, 200), min_size=6, max_size=6))
def test_effective_freedom_lies_between_the_least_and_the_sum(sizes, freedoms):
    listed = [Source("x", "A", u, nu) for u, nu in zip(sizes, freedoms, strict=False)]
    used = [s.degrees_of_freedom for s in listed]
    assert min(used) * (1 - 1e-9) <= uncertainty.effective_degrees_of_freedom(listed) <= sum(used) * (1 + 1e-9)


def test_combined_interval_agrees_with_monte_carlo():
    # JCGM 101: a normal with 8 degrees of freedom and a rectangular source, 95 % of the distribution
    rng = np.random.default_rng(1)
    n = 400_000
    drawn = 0.3 * rng.standard_t(8, n) + rng.uniform(-0.5, 0.5, n)
    listed = [Source("a", "A", 0.3, 8), Source("b", "B", uncertainty.rectangular(0.5))]
    stated = combine(listed, 0.95).expanded
    # the difference of the two methods is known to stay within a twentieth here
    assert stated == pytest.approx(float(np.quantile(np.abs(drawn), 0.95)), rel=0.05)


def conformance(value, standard, high):
    return combine([Source("all", "B", standard)], 0.95).chance_between(-math.inf, high - value)


def test_conformance_probability_of_the_guide():
    assert conformance(-5.47, 0.05, -5.40) == pytest.approx(0.919243340766, rel=1e-9)


@pytest.mark.parametrize(("chance", "z"), [(0.8, 0.84), (0.9, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_conformance_probability_inverts_table_1(chance, z):
    assert conformance(-z, 1.0, 0.0) == pytest.approx(chance, abs=0.002)


def decided(deviation, expanded):
    total = combine([Source("all", "B", expanded / uncertainty.coverage_factor(0.95, math.inf))], 0.95)
    return decision.decide(100.0 + deviation, 100.0, 0.5, total).verdict


@pytest.mark.parametrize(("deviation", "expanded", "verdict"), [
    (0.0, 0.1, "conforming"), (0.39, 0.1, "conforming"), (-0.45, 0.1, "undecided"), (0.55, 0.1, "undecided"),
    (0.61, 0.1, "nonconforming"), (-0.7, 0.1, "nonconforming"), (0.0, 0.6, "undecided"), (359.9, 0.1, "conforming"),
    (-360.2, 0.1, "conforming"),
])
def test_verdict_needs_the_whole_interval(deviation, expanded, verdict):
    assert decided(deviation, expanded) == verdict


@given(st.floats(-3, 3), st.floats(1e-4, 2), st.integers(-3, 3))
def test_a_whole_turn_changes_no_verdict(deviation, expanded, turns):
    if abs(abs(abs(deviation) - 0.5) - expanded) > 1e-9:
        assert decided(deviation, expanded) == decided(deviation + 360.0 * turns, expanded)


def test_degrees_of_freedom_without_end_in_practice_give_the_normal_factor():
    assert uncertainty.coverage_factor(0.95, 7e50) == pytest.approx(uncertainty.coverage_factor(0.95, float("inf")))


def test_a_source_of_rounding_errors_leaves_no_figure_for_the_degrees_of_freedom():
    combined = uncertainty.combine([Source("scale", "B", 0.03), Source("scatter", "A", 8e-15, 2.0)], 0.95)
    assert combined.degrees_of_freedom == float("inf")
    assert combined.coverage_factor == pytest.approx(1.959964)


def mixture(chance, away, spread):
    """An effect that is there with this chance, about its mean."""
    mean = chance * away
    ways = (Possible(1.0 - chance, -mean, 0.0), Possible(chance, away - mean, spread**2))
    variance = sum(p.chance * (p.away**2 + p.variance) for p in ways)
    return Source("there or not", "B", math.sqrt(variance), mixtures=(ways,))


@pytest.mark.parametrize(("chance", "away", "spread"), [
    (0.004, 3.0, 2.0), (0.02, 0.0, 8.0), (0.2, 5.0, 2.0), (0.5, -4.0, 1.0),
])
def test_interval_with_an_effect_that_may_be_there_agrees_with_monte_carlo(chance, away, spread):
    rng = np.random.default_rng(3)
    n = 1_000_000
    there = rng.random(n) < chance
    drawn = rng.standard_t(12, n) + np.where(there, away + spread * rng.standard_normal(n), 0.0) - chance * away
    found = combine([Source("scatter", "A", 1.0, 12), mixture(chance, away, spread)], 0.95)
    wanted = max(float(np.quantile(np.abs(drawn), 0.95)), float(np.quantile(np.abs(drawn), 0.99)) / 3.0)
    assert found.expanded == pytest.approx(wanted, rel=0.02)
    assert found.coverage_factor == pytest.approx(found.expanded / found.standard)
    # Student's factor is off by more than that where the effect is rare and large, or likely and large
    if chance in (0.02, 0.5):
        plain = uncertainty.coverage_factor(0.95, found.degrees_of_freedom) * found.standard
        assert abs(plain / wanted - 1.0) > 0.08


@given(st.floats(0.001, 0.999), st.floats(-20, 20), st.floats(0, 10), st.floats(0.01, 5),
       st.sampled_from([2.0, 9.0, math.inf]))
def test_interval_holds_its_coverage_and_three_of_it_nearly_all(chance, away, spread, scatter, freedom):
    found = combine([Source("scatter", "A", scatter, freedom), mixture(chance, away, spread)], 0.95)
    if found.coverage_from == "mixture":
        assert found.chance_between(-found.expanded, found.expanded) >= 0.95 - 1e-6
        assert found.chance_between(-3.0 * found.expanded, 3.0 * found.expanded) >= 0.99 - 1e-6
        assert found.coverage_factor >= 1.0
    assert found.standard == pytest.approx(math.hypot(scatter, mixture(chance, away, spread).standard_uncertainty))


def test_a_rare_and_far_effect_leaves_no_interval_below_the_standard_uncertainty():
    found = combine([Source("scatter", "A", 1.0), mixture(0.005, 0.0, 60.0)], 0.95)
    assert found.standard > 4.0
    assert found.expanded == pytest.approx(found.standard)


def test_an_effect_too_small_to_matter_leaves_students_factor():
    found = combine([Source("scatter", "A", 1.0, 9), mixture(0.01, 0.0, 0.1)], 0.95)
    assert found.coverage_from == "student"
    assert found.coverage_factor == uncertainty.coverage_factor(0.95, found.degrees_of_freedom)


def test_conformance_probability_knows_on_which_side_the_effect_would_be():
    total = combine([Source("scatter", "A", 0.01), mixture(0.1, 1.0, 0.01)], 0.95)
    above, below = (decision.decide(at, 0.0, 0.5, total).conformance_probability for at in (0.3, -0.3))
    # if the effect is there the truth lies 0.9 above the estimate: out at the top either way, and else 0.1 below
    assert above == pytest.approx(0.9, abs=1e-3)
    assert below == pytest.approx(0.9, abs=1e-3)
    inside = decision.decide(-0.45, 0.0, 0.5, total).conformance_probability
    assert inside == pytest.approx(0.1, abs=1e-3), "0.1 below is out of the tolerance, 0.9 above is in it"
