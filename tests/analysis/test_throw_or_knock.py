"""A throw across the lash is told from a knock and tied to the lash; a beat is told from chance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from analysis import analyse, engine, simulate
from analysis.explain import explain
from analysis.reference import budget, clock, estimate, search, trial
from analysis.simulate import Recording, Setup
from tests.bench.groups import case

SPEC = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}
LASH_DEG = 0.2
TWO_PASSES = Setup(lift=simulate.cycloidal_lobe(18.0, 60.0), reach_deg=140.0, encoder_step_deg=0.11, noise_mm=0.012,
                   speeds_deg_s=(6.3, 3.7), ripple=0.2, interval_s=0.0213, senses=(1, -1), lash_deg=LASH_DEG,
                   thrown=(-1,), thrown_at_deg=9.0, wrap=False)
SEEDS = range(40, 46)
Patch = pytest.MonkeyPatch


PISTON = replace(TWO_PASSES, lift=simulate.piston(130.0, 520.0, 3.0), crank_per_datum=1.0, reach_deg=65.0, base_mm=30.0,
                 low_mm=0.0)
ROD: dict[str, object] = {"datum": {"kind": "piston", "crank_radius_mm": 130.0, "rod_length_mm": 520.0,
                                    "pin_offset_mm": 3.0}, "crank_per_datum": 1, "tolerance_deg": 0.5}


def analysed(setup: Setup, seed: int, spec: Mapping[str, object] = SPEC) -> tuple[Recording, Mapping[str, object]]:
    made = simulate.record(replace(setup, seed=seed))
    return made, analyse(made.csv(), spec)


def worked(setup: Setup) -> engine.Work:
    seen: list[engine.Work] = []
    analyse(simulate.record(setup).csv(), SPEC, look_at=seen.append)
    return seen[0]


def expanded(result: Mapping[str, object]) -> float:
    return float(str(result["expanded_uncertainty_deg"]))


def pull(made: Recording, result: Mapping[str, object]) -> float:
    """|Error| over the expanded uncertainty."""
    return abs(float(str(result["reference_deg"])) - made.crest_deg) / expanded(result)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_throw_in_one_of_two_passes_is_no_knock(seed: int) -> None:
    made, result = analysed(TWO_PASSES, seed)
    findings = result["findings"]
    assert isinstance(findings, dict)
    assert findings["throw, reverse"] == pytest.approx(LASH_DEG, abs=0.06)
    assert pull(made, result) < 1.6


def test_a_throw_in_both_senses_that_may_be_one_in_one_of_them_is_averaged_over(monkeypatch: Patch) -> None:
    small = case("hard", 500798)        # of some thousands the one in which chance speaks against what happened,
    # as long as the samples that repeat a stamp stand half a step off
    monkeypatch.setattr(engine, "spread", lambda time_s, _: clock.evenly(time_s, float(time_s[-1]) / len(time_s)))
    for averaged in (True, False):
        if not averaged:
            monkeypatch.setattr(trial.Trial, "doubt_which", lambda *_: None)
        result = analyse(small.data, small.spec)
        findings, true_deg = result["findings"], small.true_deg
        assert isinstance(findings, dict)
        assert "throw, both senses" in findings
        assert true_deg is not None
        assert small.label.endswith("throw(-1,)")
        away = abs(float(str(result["reference_deg"])) - true_deg) / expanded(result)
        assert away < 1.2 if averaged else away > 3.0


def test_a_throw_that_is_clearly_one_in_both_senses_is_not_doubted(monkeypatch: Patch) -> None:
    setup = replace(PISTON, thrown=(1, -1))       # an even lobe would only be wider by it
    doubted = analysed(setup, SEEDS[0], ROD)[1]
    monkeypatch.setattr(trial.Trial, "doubt_which", lambda *_: None)
    plain = analysed(setup, SEEDS[0], ROD)[1]
    findings = doubted["findings"]
    assert isinstance(findings, dict)
    assert "throw, both senses" in findings
    assert doubted["reference_deg"] == pytest.approx(plain["reference_deg"], abs=1e-6)
    assert expanded(doubted) == pytest.approx(expanded(plain), rel=1e-4)


@pytest.mark.parametrize("at", [0.46, 0.54, 0.6])
def test_a_knock_in_one_of_two_passes_is_no_throw(at: float) -> None:
    for size in (0.15, -0.15, -0.4):
        setup = replace(TWO_PASSES, thrown=(), lash_deg=0.05, knocks=((1, at, size),))
        _, result = analysed(setup, SEEDS[0])
        assert result["reference_deg"] is None, size


def test_a_throw_that_looks_less_sure_than_a_knock_is_tried_in_full(monkeypatch: Patch) -> None:
    # a throw whose place was found badly gains less: here half
    sure = search._throw

    def unsure(*given: object) -> search.Finding | None:
        found = sure(*given)                                     # type: ignore[arg-type]
        return None if found is None else replace(found, gain=0.5 * found.gain)

    monkeypatch.setattr(search, "_throw", unsure)
    made, result = analysed(PISTON, SEEDS[0], ROD)
    assert pull(made, result) < 1.6
    monkeypatch.setattr(estimate, "rather_thrown", lambda *_: False)
    assert analysed(PISTON, SEEDS[0], ROD)[1]["reference_deg"] is None


def test_a_throw_shows_the_lash_where_the_lag_hides_it(monkeypatch: Patch) -> None:
    setup = replace(TWO_PASSES, ripple=0.05, delay_s=0.04)
    tied = [analysed(setup, seed) for seed in SEEDS]
    assert max(pull(*one) for one in tied) < 1.6
    monkeypatch.setattr(trial.Trial, "tie", lambda *_: None)
    free = [expanded(analysed(setup, seed)[1]) for seed in SEEDS]
    assert np.median([expanded(result) for _, result in tied]) < 0.7 * np.median(free)


CAUGHT_UP = replace(TWO_PASSES, senses=(1, -1, 1, -1), noise_mm=0.004, encoder_step_deg=0.05, thrown_at_deg=6.0,
                    thrown_until_deg=44.0)


@pytest.mark.parametrize("thrown", [(1,), (-1,), (1, -1)])
def test_a_throw_may_end_where_the_drive_has_caught_up(thrown: tuple[int, ...], monkeypatch: Patch) -> None:
    setup = replace(CAUGHT_UP, thrown=thrown)
    found = [analysed(setup, seed) for seed in SEEDS]
    assert max(pull(*one) for one in found) < 1.6
    assert max(expanded(result) for _, result in found) < 0.003
    done = worked(setup)
    assert done.estimate is not None
    for throw in done.estimate.throws:
        assert throw.start_deg == pytest.approx(6.0, abs=1.5)
        assert throw.until_deg == pytest.approx(44.0, abs=1.5)
    assert any("until the drive has caught up" in sentence for sentence in explain(done))
    monkeypatch.setattr(search, "END_PARTS", ())
    blind = [analysed(setup, seed)[1] for seed in SEEDS]
    assert np.median([np.inf if result["reference_deg"] is None else expanded(result) for result in blind]) > 0.01


def test_a_throw_to_the_end_of_the_flank_has_no_end_of_its_own() -> None:
    for seed in SEEDS:
        done = worked(replace(CAUGHT_UP, thrown_until_deg=None, seed=seed))
        assert done.estimate is not None
        assert {throw.until_deg for throw in done.estimate.throws} == {np.inf}
        assert not any("until the drive" in sentence for sentence in explain(done))


def with_friction(made: Recording, by_deg: float) -> Recording:
    """An encoder that is dragged behind by as much in either sense: hysteresis that no throw crosses."""
    turn = int(np.argmax(made.encoder_deg))
    sense = np.where(np.arange(len(made.time_s)) <= turn, 1.0, -1.0)
    return replace(made, encoder_deg=made.encoder_deg + by_deg * sense)


def test_other_hysteresis_is_not_tied_to_the_throw(monkeypatch: Patch) -> None:
    def pulls() -> list[float]:
        setup = replace(TWO_PASSES, ripple=0.1)
        rubbed = [with_friction(simulate.record(replace(setup, seed=seed)), 0.2) for seed in SEEDS]
        return [pull(made, analyse(made.csv(), SPEC)) for made in rubbed]

    assert max(pulls()) < 1.0
    monkeypatch.setattr(trial, "LASH_SIGMAS", 1e9)
    assert min(pulls()) > 1.0


def beats() -> int:
    """In how many of eighteen traces without a beat one is budgeted."""
    found = 0
    for seed in range(60, 78):
        rng = np.random.default_rng(seed)
        setup = replace(TWO_PASSES, lash_deg=0.0, thrown=(), encoder_step_deg=0.003, jitter=0.9, noise_mm=0.001,
                        ripple=0.3, ripple_hz=rng.uniform(0.3, 0.6), speeds_deg_s=tuple(rng.uniform(3.0, 7.0, 2)))
        sources = analysed(setup, seed)[1]["budget"]
        assert isinstance(sources, list)
        found += any(line["source"].startswith("encoder lines in beat") for line in sources)
    return found


def test_chance_is_not_taken_for_a_beat(monkeypatch: Patch) -> None:
    assert beats() == 0
    monkeypatch.setattr(budget, "BEAT_CHANCE", 0.9)
    assert beats() > 0
