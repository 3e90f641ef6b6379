"""Rows that hold nothing new are left out, and only those."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import analyse, engine, simulate
from analysis.reference import refreshed
from analysis.reference.refreshed import asked, originals
from analysis.simulate import Recording, Setup

Floats = npt.NDArray[np.float64]
LOBE = Setup(lift=simulate.cycloidal_lobe(18.0, 60.0), reach_deg=140.0, encoder_step_deg=0.0403,
             speeds_deg_s=(5.87, 6.29, 4.5, 5.1), lash_deg=0.1, noise_mm=0.003, delay_s=0.006, ripple=0.05,
             ripple_hz=0.3, wrap=False)
SPEC = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}


def held(values: Floats, every: int, first: int = 0) -> Floats:
    """What is asked at every so manieth row and written at each."""
    row = np.arange(len(values))
    return np.asarray(values[np.maximum((row - first) // every * every + first, 0)])


def copied(made: Recording) -> Recording:
    twice = np.sort(np.concatenate([np.arange(len(made.lift)), np.arange(0, len(made.lift), 3)]))
    return replace(made, time_s=made.time_s[twice], encoder_deg=made.encoder_deg[twice], lift=made.lift[twice])


ROWS: dict[str, tuple[Callable[[Recording], Recording], float]] = {
    "rows written twice": (copied, 1.1),
    "an encoder asked at every fifth row": (lambda made: replace(made, encoder_deg=held(made.encoder_deg, 5)), 3.5),
    "an encoder asked at every 25th row": (lambda made: replace(made, encoder_deg=held(made.encoder_deg, 25)), 30.0),
    "a probe asked at every 25th row": (lambda made: replace(made, lift=held(made.lift, 25)), 40.0),
}


def left_alone(time_s: Floats, angle_deg: Floats, lift: Floats) -> bool:
    return originals(time_s, angle_deg, lift) is None and asked(time_s, angle_deg, lift) is None


def figures(as_written: Callable[[Recording], Recording], setup: Setup = LOBE) -> tuple[float, float]:
    """Twice the error over U, root mean square, and the median of U; endless where no number is given."""
    off, expanded = [], []
    for seed in range(4):
        made = simulate.record(replace(setup, seed=seed))
        result = analyse(as_written(made).csv(), SPEC)
        if result["reference_deg"] is None:
            return np.inf, np.inf
        expanded.append(float(str(result["expanded_uncertainty_deg"])))
        off.append((float(str(result["reference_deg"])) - made.crest_deg) / expanded[-1])
    return float(2.0 * np.sqrt(np.mean(np.square(off)))), float(np.median(expanded))


@pytest.mark.parametrize("name", ROWS)
def test_rows_that_hold_nothing_new_cost_what_they_hold(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    as_written, most = ROWS[name]
    _, plain = figures(lambda made: made)
    off, expanded = figures(as_written)
    assert off < 1.6
    assert expanded < most * plain
    monkeypatch.setattr(engine, "originals", lambda *_: None)
    monkeypatch.setattr(engine, "asked", lambda *_: None)
    worse, wider = figures(as_written)
    assert wider > 1.5 * expanded or worse > 3.0


def test_both_asked_each_in_its_turn_are_paired_by_their_times(monkeypatch: pytest.MonkeyPatch) -> None:
    one_way = replace(LOBE, senses=(1,), encoder_step_deg=0.1, delay_s=0.0)

    def in_turn(made: Recording) -> Recording:
        return replace(made, encoder_deg=held(made.encoder_deg, 4), lift=held(made.lift, 4, 2))

    off, expanded = figures(in_turn, one_way)
    assert off < 1.6
    assert expanded < 0.01
    # paired row by row the probe is two rows late, which nothing tells in one sense
    anew = refreshed._anew
    monkeypatch.setattr(refreshed, "_anew", lambda values, *, is_encoder: anew(values, is_encoder=True)
                        if is_encoder else None)
    assert figures(in_turn, one_way)[0] > 20.0


def test_a_probe_on_a_coarse_converter_keeps_the_rows_at_which_it_gave_the_same_again(
        monkeypatch: pytest.MonkeyPatch) -> None:
    quiet = replace(LOBE, interval_s=0.005, converter_mm=0.02, noise_mm=0.0, speeds_deg_s=(5.87, 6.29))

    def seldom(made: Recording) -> Recording:
        return replace(made, lift=held(made.lift, 3))

    off, expanded = figures(seldom, quiet)
    assert off < 1.6
    assert expanded < 0.0015
    anew = refreshed._anew
    monkeypatch.setattr(refreshed, "_anew", lambda values, *, is_encoder: np.diff(values, prepend=values[0]) != 0.0
                        if anew(values, is_encoder=is_encoder) is not None else None)
    assert figures(seldom, quiet)[1] > 2.5 * expanded


def test_copies_are_told_behind_a_clock_of_whole_seconds_and_a_standing_shaft_is_none() -> None:
    made = simulate.record(replace(LOBE, converter_mm=0.02, noise_mm=0.0, stalls=((0, 0.4, 30.0),)))
    whole = np.floor(made.time_s)
    assert originals(whole, made.encoder_deg, made.lift) is None
    lively = simulate.record(LOBE)
    twice = copied(lively)
    kept = originals(np.floor(twice.time_s), twice.encoder_deg, twice.lift)
    assert kept is not None
    assert abs(np.count_nonzero(kept) - len(lively.lift)) < 30


@given(st.integers(0, 1000), st.floats(0.02, 20.0), st.sampled_from([0.0, 0.01, 0.1]))
def test_a_recorder_that_asks_for_all_at_each_row_keeps_all(seed: int, lines_a_row: float, converter_mm: float) -> None:
    chance = np.random.default_rng(seed)
    path = np.cumsum(lines_a_row * (1.0 + 0.1 * np.sin(np.arange(4000) / 97.0 + chance.uniform(0, 6))))
    lift = np.sin(path / path[-1] * np.pi) * 15.0 + chance.normal(0.0, 0.003, len(path))
    if converter_mm:
        lift = np.round(lift / converter_mm) * converter_mm
    assert left_alone(0.02 * np.arange(len(path)), np.round(path) * 0.05, lift)


@pytest.mark.parametrize("every", [2, 5, 10])
def test_lines_that_are_passed_at_an_even_pace_are_no_encoder_asked_seldom(every: int) -> None:
    row = np.arange(4000)
    angle, lift = (row // every) * 0.05, np.random.default_rng(every).normal(0.0, 0.003, len(row))
    assert left_alone(0.02 * row, angle, lift)


def test_a_clock_that_repeats_its_stamps_makes_no_copies() -> None:
    row = np.arange(4000)
    lift = np.random.default_rng(1).normal(0.0, 0.003, len(row))
    assert left_alone(np.floor(0.02 * row), 0.12 * row, lift)


def test_what_is_left_out_is_told() -> None:
    made = simulate.record(LOBE)
    plain, doubled = (analyse(one.csv(), SPEC)["checks"] for one in (made, copied(made)))
    names = [check["name"] for check in plain]  # type: ignore[attr-defined]
    assert "rows that hold nothing new" not in names
    assert "time stamps" not in names
    (told,) = [check for check in doubled if check["name"] == "rows that hold nothing new"]  # type: ignore[attr-defined]
    extra = len(range(0, len(made.lift), 3))
    assert told["passed"]
    assert told["value"] == extra
    assert f"{extra:,} of {len(made.lift) + extra:,} rows" in told["message"]
