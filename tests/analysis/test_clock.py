"""When samples were taken is found behind a clock that ticks too slowly, and left alone where the clock is fine."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import analyse, engine, simulate
from analysis.explain import explain
from analysis.reference import clock
from analysis.reference.clock import spread
from analysis.simulate import Setup

Floats = npt.NDArray[np.float64]
LOBE = Setup(lift=simulate.cycloidal_lobe(18.0, 60.0), reach_deg=140.0, speeds_deg_s=(5.87, 6.29), interval_s=0.023,
             encoder_step_deg=0.0403, noise_mm=0.003, lash_deg=0.1, delay_s=0.02, ripple=0.08, ripple_hz=0.3)
SPEC = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}


def stamped(time_s: Floats, tick: float, digits: int = 6) -> Floats:
    return np.asarray(np.round(np.floor(time_s / tick + 1e-9) * tick, digits))


def turning(time_s: Floats) -> Floats:
    return 6.0 * time_s


@given(st.floats(0.005, 0.1), st.sampled_from([0.01, 0.05, 0.1, 1.0]), st.floats(0.0, 3.0), st.integers(0, 50))
def test_an_even_recorder_is_seen_through_a_coarse_clock(interval, tick, start, seed):
    taken = start + interval * (np.arange(3000) + np.random.default_rng(seed).uniform(-0.02, 0.02, 3000))
    found = spread(stamped(taken, tick), turning(taken))
    away = found - taken
    assert np.all(np.diff(found) >= 0.0)
    if tick > interval:
        # whether the clock is cut off or rounded nobody knows, and all of them late alike changes no angle
        assert np.ptp(away) < 0.25 * tick + 0.05 * interval


@given(st.integers(0, 50))
def test_a_fine_clock_is_believed(seed):
    taken = np.cumsum(np.random.default_rng(seed).uniform(0.01, 0.04, 500)).round(6)
    assert spread(taken, turning(taken)) is taken


@pytest.mark.parametrize("tick", [0.1, 1.0])
def test_a_pause_stays_one(tick):
    taken = 0.02 * np.arange(4000)
    taken[2000:] += 7.3
    found = spread(stamped(taken, tick), turning(taken))
    assert found[2000] - found[1999] == pytest.approx(7.32, abs=0.3 * tick)
    assert np.ptp((found - taken)[:2000]) < 0.3 * tick
    assert np.ptp((found - taken)[2000:]) < 0.3 * tick


def test_missing_samples_within_one_tick_are_told_by_the_encoder():
    taken = np.delete(0.02 * np.arange(4000), slice(2010, 2035))
    found = spread(stamped(taken, 1.0), turning(taken))
    assert np.ptp(found - taken) < 0.2
    still = spread(stamped(taken, 1.0), np.arange(len(taken)) * 0.12)
    assert np.ptp(still - taken) > 0.3


@given(st.integers(0, 50), st.sampled_from([0.01, 0.1, 1.0]))
def test_an_uneven_recorder_keeps_to_its_stamps(seed, tick):
    taken = np.cumsum(np.random.default_rng(seed).exponential(0.02, 2000))
    stamps = stamped(taken, tick)
    found = spread(stamps, turning(taken))
    assert np.all(np.diff(found) >= 0.0)
    assert np.abs(found - stamps).max() < 3.0 * tick + 0.3


def figures(written: Callable[[Floats], Floats]) -> tuple[float, float]:
    """Twice the error over U, root mean square, and the median of U, where stamps are `written` for times."""
    off, expanded = [], []
    for seed in range(8):
        made = simulate.record(replace(LOBE, seed=seed))
        result = analyse(replace(made, time_s=written(made.time_s)).csv(), SPEC)
        expanded.append(float(str(result["expanded_uncertainty_deg"])))
        off.append((float(str(result["reference_deg"])) - made.crest_deg) / expanded[-1])
    return float(2.0 * np.sqrt(np.mean(np.square(off)))), float(np.median(expanded))


def that_of_the_one_before(time_s: Floats) -> Floats:
    again = np.flatnonzero(np.random.default_rng(5).random(len(time_s) - 1) < 0.3) + 1
    written = time_s.copy()
    written[again] = time_s[again - 1]
    return np.maximum.accumulate(written)


def that_of_the_next(time_s: Floats) -> Floats:
    early = np.flatnonzero(np.random.default_rng(5).random(len(time_s) - 1) < 0.1)
    written = time_s.copy()
    written[early] = time_s[early + 1]
    return np.maximum.accumulate(written)


def put_forward(time_s: Floats) -> Floats:
    written = stamped(time_s, 0.01)
    return np.where(written > 0.4 * written[-1], written + 0.0037, written)


# how stamps are written for times, and how much too narrow or too wide the interval is where they are left as they are
WRITTEN: dict[str, tuple[Callable[[Floats], Floats], float]] = {
    "hundredths": (lambda time_s: stamped(time_s, 0.01), 4.0),
    "tenths": (lambda time_s: stamped(time_s, 0.1), 1.5),
    "whole seconds": (lambda time_s: stamped(time_s, 1.0), 1.5),
    "sixty-fourths in milliseconds": (lambda time_s: stamped(time_s, 1.0 / 64.0, 3), 3.0),
    "hundredths, put forward by less": (put_forward, 4.0),
    "a third repeats the one before": (that_of_the_one_before, 2.0),
    "a tenth has the stamp of the next": (that_of_the_next, 2.0),
}


@pytest.mark.parametrize("name", WRITTEN)
def test_stamps_that_are_coarse_or_repeat_cost_next_to_nothing(name, monkeypatch):
    written, worse = WRITTEN[name]
    fine, coarse = figures(lambda time_s: time_s), figures(written)
    assert coarse[0] < 1.3
    assert coarse[1] == pytest.approx(fine[1], rel=0.15)
    monkeypatch.setattr(engine, "spread", lambda time_s, angle_deg: time_s)
    off, expanded = figures(written)
    assert off > worse or expanded > worse * fine[1]


@pytest.mark.parametrize("seconds", [30.0, 150.0, 3600.0])
@pytest.mark.parametrize("where", ["at a turn", "a quarter on"])
def test_a_pause_of_the_record_costs_nothing(where, seconds):
    # thousands of empty bins ended in an error, and sixty seconds in an interval eleven times as wide
    def paused(time_s: Floats) -> Floats:
        first = int(np.argmax(made.encoder_deg)) if where == "at a turn" else len(time_s) // 4
        return np.concatenate([time_s[:first], time_s[first:] + seconds])

    for seed in range(3):
        made = simulate.record(replace(LOBE, seed=seed, wrap=False))
        plain = analyse(made.csv(), SPEC)
        result = analyse(replace(made, time_s=paused(made.time_s)).csv(), SPEC)
        expanded = float(str(result["expanded_uncertainty_deg"]))
        assert abs(float(str(result["reference_deg"])) - made.crest_deg) < 1.6 * expanded
        assert expanded == pytest.approx(float(str(plain["expanded_uncertainty_deg"])), rel=0.25)


def test_without_a_clock_there_is_no_number():
    made = simulate.record(LOBE)
    result = analyse(replace(made, time_s=0.0 * made.time_s).csv(), SPEC)
    assert result["reference_deg"] is None
    (told,) = [check for check in result["checks"] if not check["passed"]]
    assert "same time stamp" in told["message"]


def test_a_clock_that_is_seen_through_is_told():
    made = simulate.record(LOBE)
    checks = analyse(replace(made, time_s=stamped(made.time_s, 1.0)).csv(), SPEC)["checks"]
    (told,) = [check for check in checks if check["name"] == "time stamps"]
    assert told["passed"]
    assert told["value"] == pytest.approx(0.5, abs=0.05)


def test_an_encoder_read_late_and_a_coarse_clock_are_said_in_words():
    made = simulate.record(replace(LOBE, delay_s=-0.02, senses=(1, -1, 1, -1), speeds_deg_s=(5.87, 6.29, 4.5, 5.1)))
    seen = []
    analyse(replace(made, time_s=stamped(made.time_s, 0.1)).csv(), SPEC, look_at=seen.append)
    said = " ".join(explain(seen[0]))
    assert "follows from its number" in said
    late = re.search(r"The encoder was read about (\d+\.\d) ms after the probe", said)
    assert late
    assert float(late[1]) == pytest.approx(20.0, abs=2.0)


def caught_up(seed):
    """A recording whose recorder stops for a fifth of a second now and then, and reads what it missed in a burst."""
    made = simulate.record(replace(LOBE, interval_s=0.01, encoder_step_deg=0.05, jitter=0.0, seed=seed))
    chance, due = np.random.default_rng([seed, 5]), made.time_s.copy()
    taken, free = due.copy(), 0.0
    stops = set(chance.integers(200, len(due) - 200, 40).tolist())
    for k, at in enumerate(due):
        taken[k] = max(at, free)
        free = taken[k] + (chance.uniform(0.08, 0.3) if k in stops else chance.uniform(0.0002, 0.0006))
    angle, lift = (np.interp(taken, due, column) for column in (made.encoder_deg, made.lift))
    turned = np.round(angle / 0.05) * 0.05
    return replace(made, time_s=np.round(taken, 3), encoder_deg=turned, lift=np.round(lift, 4))


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_a_recorder_that_catches_up_in_bursts_is_believed(seed, monkeypatch):
    made = caught_up(seed)
    assert np.count_nonzero(np.diff(made.time_s) == 0.0) > 10, "some stamps repeat, or nothing is asked"
    result = analyse(made.csv(), SPEC)
    assert result["reference_deg"] is not None, [c for c in result["checks"] if not c["passed"]]
    assert abs(result["reference_deg"] - made.crest_deg) < 1.6 * result["expanded_uncertainty_deg"]
    monkeypatch.setattr(clock, "_rougher", lambda *_: False)
    assert analyse(made.csv(), SPEC)["reference_deg"] is None
