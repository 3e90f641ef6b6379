"""Recordings torn in several ways at once end in a result or a refusal, and soon."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis import analyse, simulate
from analysis.reference import look
from analysis.simulate import Recording, Setup
from tests.examples import examples

LOBE = Setup(lift=simulate.cycloidal_lobe(18.0, 60.0), reach_deg=140.0, speeds_deg_s=(5.87, 6.29), lash_deg=0.1,
             noise_mm=0.003, delay_s=0.02, senses=(1, -1), interval_s=0.05)
SPEC = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}
ENDED_IN_AN_ERROR = (509, 1248, 1941, 1979)        # 1248 asked for terabytes


def torn(seed: int) -> Recording:
    """One to four of: a pause, a coarse clock, one that stands, values held, a leap of the encoder, rows lost, …"""
    rng = np.random.default_rng(seed)
    made = simulate.record(replace(LOBE, seed=seed, encoder_step_deg=float(rng.choice([0.01, 0.1, 1.0, 3.0])),
                                   converter_mm=float(rng.choice([0.0005, 0.05, 0.5]))))
    time_s, angle, lift = made.time_s.copy(), made.encoder_deg.copy(), made.lift.copy()
    for _ in range(rng.integers(1, 5)):
        n = len(time_s)
        first, last = sorted(rng.integers(0, n, 2))
        every = int(rng.integers(2, 60))
        held = np.arange(n) // every * every
        match rng.integers(0, 11):
            case 0:
                time_s[first:] += rng.choice([1, 60, 4000, 1e6])
            case 1:
                tick = rng.choice([0.01, 0.1, 1, 60])
                time_s = np.floor(time_s / tick) * tick
            case 2:
                time_s[first:last] = time_s[first]
            case 3:
                angle = angle[held]
            case 4:
                lift = lift[held]
            case 5:
                angle[first:last] = angle[first]
            case 6:
                lift[first:last] = lift[first]
            case 7:
                angle[first:] += rng.choice([0.5, 5, 360, -360, 1000])
            case 8:
                lift[rng.random(n) < 0.3] = 0.0
            case 9:
                kept = np.sort(rng.choice(n, int(rng.integers(5, n))))
                time_s, angle, lift = time_s[kept], angle[kept], lift[kept]
            case _:
                time_s = time_s * rng.choice([1e-3, 1e3, 1e6])
    return replace(made, time_s=np.maximum.accumulate(time_s), encoder_deg=angle, lift=lift)


@pytest.mark.parametrize("seed", [*ENDED_IN_AN_ERROR, *range(examples(60))])
def test_it_ends_in_a_result_or_a_refusal(seed: int) -> None:
    result = analyse(torn(seed).csv(), SPEC)
    expanded = result["expanded_uncertainty_deg"]
    if result["reference_deg"] is None:
        assert result["verdict"] == "no-result"
        assert any(not check["passed"] for check in result["checks"])  # type: ignore[attr-defined]
    else:
        assert np.isfinite(float(str(expanded)))
        assert float(str(expanded)) > 0.0


# equations without a solution, and with one that says next to nothing, if rounding leaves one
@pytest.mark.parametrize(("seed", "said"), [
    (4893, ("No shape can be fitted",)), (4594, ("The crest is told to", "No shape can be fitted")),
])
def test_what_cannot_be_told_from_what_was_recorded_is_a_refusal(seed: int, said: tuple[str, ...],
                                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(look, "FEW_RAILED", 99)      # which would speak of the probe's limit first
    result = analyse(torn(seed).csv(), SPEC)
    (told,) = [check for check in result["checks"] if not check["passed"]]  # type: ignore[attr-defined]
    assert told["message"].startswith(said)


def test_no_hum_is_looked_for_over_a_pause_of_days(monkeypatch: pytest.MonkeyPatch) -> None:
    made = simulate.record(LOBE)
    lengths, transform = [], np.fft.fft

    def noted(values: np.ndarray, length: int) -> np.ndarray:
        lengths.append(length)
        return transform(values, length)

    monkeypatch.setattr(np.fft, "fft", noted)
    analyse(made.csv(), SPEC)
    assert lengths
    lengths.clear()
    late = np.where(np.arange(len(made.time_s)) > 700, made.time_s + 1e6, made.time_s)
    assert analyse(replace(made, time_s=late).csv(), SPEC)["reference_deg"] is not None
    assert not lengths
