"""A place at which the datum is worn: seen, left out, said; and what looks like one is none."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from analysis import analyse, simulate
from analysis.engine import Work
from analysis.explain import explain
from analysis.reference import worn
from analysis.simulate import Setup
from tests.analysis.test_no_number import IN_STEP

Patch = pytest.MonkeyPatch
LOBE = Setup(lift=simulate.harmonic_lobe(18.0, 60.0), reach_deg=140.0, encoder_step_deg=0.03, noise_mm=0.002,
             speeds_deg_s=(5.1, 5.6, 4.7, 5.9), ripple=0.08, delay_s=0.01, lash_deg=0.1, wrap=False)
LEANING = simulate.harmonic_lobe(18.0, 60.0, lean=0.1)
SPEC: dict[str, object] = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}
GRID = np.arange(-75.0, 75.5, 0.5)
PROFILE: dict[str, object] = {**SPEC, "datum": {"kind": "lobe-profile", "profile": [
    [float(at), float(lift)] for at, lift in zip(GRID, LEANING(GRID), strict=True)]}}
SEEDS = range(6)


def looked_at(setup: Setup, spec: dict[str, object], seed: int) -> tuple[float, float, dict[str, object] | None]:
    """Error over U, U, and the check that tells of a place."""
    made = simulate.record(replace(setup, seed=seed))
    result = analyse(made.csv(), spec)
    expanded = float(str(result["expanded_uncertainty_deg"]))
    listed = result["checks"]
    assert isinstance(listed, list)
    told = [check for check in listed if check["name"] == "form of the datum"]
    return (float(str(result["reference_deg"])) - made.crest_deg) / expanded, expanded, told[0] if told else None


def without_a_look(patch: Patch) -> None:
    patch.setattr(worn, "worn", lambda *_: ([], 0.0))


@pytest.mark.parametrize("at_deg", [-30.0, 25.0])
def test_a_place_of_a_lobe_is_left_out_and_told(at_deg: float, monkeypatch: Patch) -> None:
    setup = replace(LOBE, lift=simulate.worn(LOBE.lift, at_deg, 5.0, 0.03))
    seen = [looked_at(setup, SPEC, seed) for seed in SEEDS]
    assert max(abs(pull) for pull, _, _ in seen) < 1.6
    for _, _, told in seen:
        assert told is not None
        assert told["value"] == pytest.approx(-30.0, abs=6.0)
        where = "before" if at_deg < 0.0 else "past"
        assert f"{where} it the lift is the lower" in str(told["message"])
    without_a_look(monkeypatch)
    blind = [looked_at(setup, SPEC, seed) for seed in SEEDS]
    assert min(wide for _, wide, _ in blind) > 1.6 * max(wide for _, wide, _ in seen)


def test_a_place_of_a_profile_is_left_out_and_told(monkeypatch: Patch) -> None:
    setup = replace(LOBE, lift=simulate.worn(LEANING, 22.0, 4.0, 0.02))
    seen = [looked_at(setup, PROFILE, seed) for seed in SEEDS]
    assert max(abs(pull) for pull, _, _ in seen) < 1.6
    for _, _, told in seen:
        assert told is not None
        assert told["value"] == pytest.approx(-20.0, abs=4.0)
        where = re.search(r"shape (\d+) degrees past the crest", str(told["message"]))
        assert where is not None
        assert int(where.group(1)) == pytest.approx(44, abs=2)
    without_a_look(monkeypatch)
    assert min(looked_at(setup, PROFILE, seed)[1] for seed in SEEDS) > 5.0 * max(wide for _, wide, _ in seen)


def test_a_place_where_the_shaft_is_thrown_as_well() -> None:
    for seed in SEEDS:
        pull, _, told = looked_at(replace(LOBE, lift=simulate.worn(LEANING, -35.0, 4.0, 0.03), thrown=(1, -1)), PROFILE,
                                  seed)
        assert abs(pull) < 1.6
        assert told is not None


@pytest.mark.parametrize("changes", [
    {}, {"drift_mm": (0.01, -0.02)}, {"settling_mm": 0.04, "settling_s": 60.0}, {"thrown": (1,)}, {"miss_mm": 0.3},
    {"hum_mm": 0.01}, {"friction_mm": 0.01}, {"stalls": ((1, 0.4, 30.0),)}, {"filter_s": 0.02, "delay_s": 0.0},
    {"stick_hz": 1.5, "ripple": 0.0}, {"noise_mm": 0.0004}], ids=str)
def test_what_is_no_place_of_the_datum_is_told_of_none(changes: dict[str, object]) -> None:
    for seed in SEEDS:
        _, _, told = looked_at(replace(LOBE, **changes), SPEC, seed)    # type: ignore[arg-type]
        assert told is None
        _, _, told = looked_at(replace(LOBE, lift=LEANING, miss_mm=0.0, **{   # type: ignore[arg-type]
            name: value for name, value in changes.items() if name != "miss_mm"}), PROFILE, seed)
        assert told is None


def test_lines_in_step_with_the_samples_are_no_place(monkeypatch: Patch) -> None:
    def told() -> int:
        spec = {**SPEC, "crank_per_datum": 1}
        return sum(looked_at(IN_STEP, spec, seed)[2] is not None for seed in (1, 3, 13, 23))

    assert told() == 0
    monkeypatch.setattr(worn, "MOST_BY_LINES", np.inf)
    assert told() > 0


def test_a_drift_in_one_sweep_is_no_place(monkeypatch: Patch) -> None:
    def told(made: simulate.Recording) -> bool:
        result = analyse(made.csv(), SPEC)
        return any(check["name"] == "form of the datum" for check in result["checks"])  # type: ignore[attr-defined]

    made = simulate.record(replace(LOBE, senses=(1, -1)))
    # something soft under the tip for a while, in the first sweep alone
    first = np.arange(len(made.lift)) < int(np.argmax(made.encoder_deg))
    bump = 0.02 * np.exp(-(((made.encoder_deg - made.crest_deg - 60.0) / 12.0) ** 2))
    lifted = replace(made, lift=made.lift + bump * first)
    assert not told(lifted)
    monkeypatch.setattr(worn, "LEAST_SEEN", -np.inf)
    assert told(lifted)


def test_one_sense_alone_is_asked_for_no_place() -> None:
    setup = replace(LOBE, senses=(1,), lash_deg=0.0, lift=simulate.worn(LOBE.lift, 25.0, 5.0, 0.01))
    assert looked_at(setup, {**SPEC, "u_lash_deg": 0.05}, 0)[2] is None


def test_a_place_is_said_in_words() -> None:
    seen: list[Work] = []
    setup = replace(LOBE, lift=simulate.worn(LOBE.lift, 25.0, 5.0, 0.03))
    analyse(simulate.record(setup).csv(), SPEC, look_at=seen.append)
    (said,) = [sentence for sentence in explain(seen[0]) if "worn, burred or dirty" in sentence]
    assert "Look at the place" in said
