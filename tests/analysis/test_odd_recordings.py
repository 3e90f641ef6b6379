"""Recordings that once gave an interval too narrow, with and without what was done about each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from analysis import analyse, engine, simulate
from analysis.reference import budget
from analysis.simulate import Recording, Setup

BASE = Setup(lift=simulate.harmonic_lobe(17.0, 58.0, 1.4), reach_deg=140.0, encoder_step_deg=0.0318, noise_mm=0.003,
             speeds_deg_s=(5.87, 6.29), interval_s=0.0213, lash_deg=0.07, delay_s=0.006, wrap=False)
SPEC = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}
SEEDS = range(300, 330)


def one_reverse_flank(made: Recording) -> Recording:
    turn = int(np.argmax(made.encoder_deg))
    kept = np.flatnonzero((np.arange(len(made.time_s)) <= turn) | (made.encoder_deg > made.crest_deg - 5.0))
    return replace(made, time_s=made.time_s[kept], encoder_deg=made.encoder_deg[kept], lift=made.lift[kept])


def clock_that_stands(made: Recording) -> Recording:
    time_s, first = made.time_s.copy(), len(made.time_s) // 5
    time_s[first:first + 100] = time_s[first]
    return replace(made, time_s=time_s)


def as_it_is(made: Recording) -> Recording:
    return made


# what was recorded, the setup, and the function that does something about it with one that does nothing
CASES: dict[str, tuple[Callable[[Recording], Recording], Setup, tuple[object, str, object]]] = {
    "a reverse sweep of one flank": (one_reverse_flank, replace(BASE, senses=(1, -1)), (engine, "one_flank",
                                                                                        lambda *_: [])),
    "a clock that stands": (clock_that_stands, BASE, (engine, "spread", lambda time_s, angle_deg: time_s)),
    "encoder lines in beat": (as_it_is, replace(BASE, noise_mm=0.0005), (budget, "beat", lambda *_: 0.0)),
}


def spread_of(name: str) -> float:
    """Root mean square of twice the error over U: 1 where the uncertainty is right."""
    change, setup, _ = CASES[name]
    found = []
    for seed in SEEDS:
        made = change(simulate.record(replace(setup, seed=seed)))
        result = analyse(made.csv(), SPEC)
        found.append(2.0 * (float(str(result["reference_deg"])) - made.crest_deg)
                     / float(str(result["expanded_uncertainty_deg"])))
    return float(np.sqrt(np.mean(np.square(found))))


@pytest.mark.parametrize("name", CASES)
def test_the_uncertainty_is_right(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    # thirty draws of a normal have a root mean square above 1.4 once in 800 runs
    assert spread_of(name) < 1.4
    monkeypatch.setattr(*CASES[name][2])
    assert spread_of(name) > 1.6
