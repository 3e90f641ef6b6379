"""A probe that warms up and cools down within the trace, a lag that nothing tells, and a shaft barred slowly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis import analyse, simulate
from analysis.reference import doubts, estimate, path
from analysis.simulate import Setup
from tests.analysis.test_slow_recorders import looked_at
from tests.bench import groups

Patch = pytest.MonkeyPatch
LOBE = Setup(lift=simulate.harmonic_lobe(18.0, 60.0), reach_deg=140.0, encoder_step_deg=0.05, noise_mm=0.003,
             interval_s=0.02, speeds_deg_s=(5.1, 5.6, 4.7, 5.9), ripple=0.1, ripple_hz=0.2, delay_s=0.01, lash_deg=0.1,
             wrap=False)
SPEC: dict[str, object] = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}
PISTON = replace(LOBE, lift=simulate.piston(130.0, 520.0), crank_per_datum=1.0, reach_deg=65.0, base_mm=30.0)
PISTON_SPEC: dict[str, object] = {"datum": {"kind": "piston", "crank_radius_mm": 130.0, "rod_length_mm": 520.0},
                                  "crank_per_datum": 1, "tolerance_deg": 0.5}
SWINGING = {"lobe": (LOBE, SPEC), "piston": (PISTON, PISTON_SPEC)}
SEEDS = range(10)


def swung(setup: Setup, seed: int, size_mm: float) -> Setup:
    """Up and down by that much, half a time to twice over the trace."""
    chance = np.random.default_rng([seed, 11])
    return replace(setup, swing_mm=size_mm, swings=chance.uniform(0.5, 2.0), swing_phase_deg=chance.uniform(0, 360),
                   crest_deg=150.0 + 0.137 * seed, seed=seed)


def figures(name: str, size_mm: float) -> tuple[float, float, int]:
    """Root mean square of twice the error over U, the median U, and how many gave no result."""
    setup, spec = SWINGING[name]
    found = [looked_at(swung(setup, seed, size_mm), spec) for seed in SEEDS]
    pulls = [pull for pull, _, _ in found if pull is not None]
    return (float(np.sqrt(np.mean(np.square(pulls)))),
            float(np.median([expanded for pull, expanded, _ in found if pull is not None])), len(found) - len(pulls))


@pytest.mark.parametrize("name", sorted(SWINGING))
def test_a_drift_that_goes_up_and_down_is_followed(name: str) -> None:
    off, _, refused = figures(name, 0.01)
    assert off < 1.6
    assert refused == 0


def day(seed: int, low_mm: float, high_mm: float, monkeypatch: Patch) -> tuple[float, float]:
    """Twice the error over U, and U, of a case of the bench's typical group with such a drift."""
    chance, record = np.random.default_rng([seed, 11]), simulate.record
    more = {"swing_mm": chance.uniform(low_mm, high_mm), "swings": chance.uniform(0.5, 2.0),
            "swing_phase_deg": chance.uniform(0.0, 360.0)}
    with monkeypatch.context() as patch:
        patch.setattr(simulate, "record", lambda setup: record(replace(setup, **more)))
        case = groups.case("typical", seed)
    result = analyse(case.data, case.spec)
    assert case.true_deg is not None
    expanded = float(str(result["expanded_uncertainty_deg"]))
    away = (float(str(result["reference_deg"])) - case.true_deg + 360.0) % 720.0 - 360.0
    return 2.0 * away / expanded, expanded


def test_it_is_taken_for_what_it_is_before_it_is_taken_for_a_throw_or_a_miss(monkeypatch: Patch) -> None:
    seeds = (104, 107, 108, 122)
    found = [day(seed, 0.005, 0.015, monkeypatch) for seed in seeds]
    assert max(abs(pull) for pull, _ in found) < 2.0
    monkeypatch.setattr(estimate, "_drifts", lambda *_, **__: False)
    blind = [day(seed, 0.005, 0.015, monkeypatch) for seed in seeds]
    assert all(without[1] > 4.0 * held[1] for held, without in zip(found, blind, strict=True))


def test_a_sign_of_it_is_enough_for_a_little(monkeypatch: Patch) -> None:
    pull, expanded = day(106, 0.02, 0.06, monkeypatch)
    monkeypatch.setattr(doubts, "SOME_EVIDENCE", np.inf)
    blind, narrow = day(106, 0.02, 0.06, monkeypatch)
    assert narrow < 0.85 * expanded
    assert abs(blind) > 1.4 * abs(pull)


def test_a_lag_that_even_speed_hides_is_as_large_as_a_lag_may_be(monkeypatch: Patch) -> None:
    even = replace(LOBE, ripple=0.0, senses=(1, -1), speeds_deg_s=(5.5, 4.5), lash_deg=0.1)

    def off() -> float:
        pulls = [looked_at(replace(even, delay_s=0.003 * (1 + seed), seed=seed))[0] for seed in range(8)]
        return float(np.sqrt(np.mean(np.square(np.array(pulls, float)))))

    held = off()
    assert held < 1.6
    scale_of = doubts.scale_of
    monkeypatch.setattr(doubts, "scale_of", lambda *given, alone=False, **more: scale_of(*given, **more))
    assert off() > 1.15 * held


def test_a_shaft_at_half_a_degree_a_second_tells_the_lag(monkeypatch: Patch) -> None:
    slow = replace(LOBE, encoder_step_deg=0.098, interval_s=0.01, speeds_deg_s=(0.526, 0.454), senses=(1, -1),
                   ripple=0.047, ripple_hz=0.255, noise_mm=0.0003, crest_deg=150.274, seed=2)

    def lag() -> float:
        return float(analyse(simulate.record(slow).csv(), SPEC)["findings"]["lag"])      # type: ignore[index]

    assert lag() == pytest.approx(0.01, abs=0.002)
    monkeypatch.setattr(path, "ASIDE_ROUNDS", 0)
    assert lag() < 0.0
