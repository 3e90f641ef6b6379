"""What the sweeps show by themselves: a probe off its datum on one side only, crests in a turn, a beat, midlines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from analysis import analyse, checks, engine, simulate
from analysis.explain import explain
from analysis.reference import estimate, look, ripple
from analysis.reference.lobe import below
from analysis.reference.path import trace_path
from analysis.reference.points import LINE_NOISE
from analysis.simulate import Recording, Setup
from analysis.sweeps import several_crests

Floats = npt.NDArray[np.float64]
PISTON = {"kind": "piston", "crank_radius_mm": 130.0, "rod_length_mm": 520.0}


def looked_at(made: Recording, datum: dict[str, object]) -> tuple[float | None, float, list[str]]:
    """Reference, expanded uncertainty and the names of what failed."""
    result = analyse(made.csv(), {"datum": datum, "crank_per_datum": 1, "tolerance_deg": 0.5})
    listed = result["checks"]
    assert isinstance(listed, list)
    reference = result["reference_deg"]
    return (None if reference is None else float(str(reference)),
            0.0 if reference is None else float(str(result["expanded_uncertainty_deg"])),
            [check["name"] for check in listed if not check["passed"]])


def without_first_pass_of(made: Recording, low: float, high: float) -> Recording:
    """The recording without the samples between two angles of its first sweep."""
    first = np.arange(len(made.time_s)) < int(np.argmax(made.encoder_deg))
    keep = ~(first & (made.encoder_deg > low) & (made.encoder_deg < high))
    return replace(made, time_s=made.time_s[keep], encoder_deg=made.encoder_deg[keep], lift=made.lift[keep])


def test_chords_that_end_in_a_drop_out_say_nothing_of_slips(monkeypatch: pytest.MonkeyPatch) -> None:
    made = simulate.record(Setup(
        lift=simulate.piston(130.0, 520.0), crank_per_datum=1.0, reach_deg=60.0, base_mm=20.0, low_mm=0.0, wrap=False,
        crest_deg=180.0, noise_mm=0.002, encoder_step_deg=0.01, senses=(1, -1, 1, -1), speeds_deg_s=(10.0,),
        ripple=0.0, interval_s=0.02, seed=5))
    torn = without_first_pass_of(made, 150.0, 185.0)
    assert len(torn.time_s) < len(made.time_s) - 100
    reference, expanded, failed = looked_at(torn, PISTON)
    assert reference is not None, failed
    assert abs(reference - made.crest_deg) < 1.5 * expanded
    monkeypatch.setattr(look, "WIDE_DEG", 360.0)
    assert looked_at(torn, PISTON)[2] == ["repeatability"]


def test_a_base_cut_off_at_one_value_is_seen_whatever_its_means_are_rounded_to() -> None:
    cut = np.full(300, 2.45544)
    cut[100:200] = np.nextafter(cut[100:200], 3.0)
    cut[200:] = np.nextafter(cut[200:], 2.0)
    assert look._commonest(cut) == 1.0
    assert look._commonest(np.concatenate([cut, cut + 1e-6])) == 0.5


def beyond_the_probe(seed: int) -> Recording:
    """A piston barred further down than the probe reaches on one side, and turned while it is measured on the other."""
    made = simulate.record(Setup(
        lift=simulate.piston(130.0, 520.0), crank_per_datum=1.0, reach_deg=45.0, base_mm=20.0, low_mm=0.0, wrap=False,
        noise_mm=0.0012, encoder_step_deg=0.02, delay_s=0.005, speeds_deg_s=(4.0,), ripple=0.002, interval_s=0.01,
        seed=seed))
    kept = np.flatnonzero(made.encoder_deg < made.crest_deg + 22.0)
    return replace(made, time_s=made.time_s[kept], encoder_deg=made.encoder_deg[kept], lift=made.lift[kept])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_probe_that_is_off_its_datum_on_one_side(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    made = beyond_the_probe(seed)
    reference, expanded, failed = looked_at(made, PISTON)
    assert reference is not None, failed
    assert abs(reference - made.crest_deg) < 1.6 * expanded < 0.02
    # without a look at each side by itself, what was read on the rail is taken for lift
    monkeypatch.setattr(estimate, "below", lambda *_: ([], []))
    reference, _, _ = looked_at(made, PISTON)
    assert reference is None


def test_a_level_is_passed_on_the_sides_that_reach_it() -> None:
    angle = np.linspace(-30.0, 20.0, 501)
    lift = 100.0 - angle**2 / 9.0
    left, right = below(angle, lift, 100.0 - 25.0**2 / 9.0)
    assert left == pytest.approx([-25.0], abs=0.1)
    assert right == []
    assert below(angle[::-1], lift[::-1], 100.0 - 15.0**2 / 9.0)[1] == pytest.approx([15.0], abs=0.1)
    assert below(angle, lift, 200.0) == ([], [])


def test_a_crest_beyond_all_flanks_leaves_points_to_fit() -> None:
    seen: list[engine.Work] = []
    spec = {"datum": PISTON, "crank_per_datum": 1, "tolerance_deg": 0.5}
    made = beyond_the_probe(1)
    analyse(made.csv(), spec, look_at=seen.append)
    points, look, found = seen[0].points, seen[0].look, seen[0].estimate
    assert points is not None
    assert look is not None
    assert found is not None
    here, away = (estimate.usable(points, look, [0, 1, 2, 3], found.fit.crest_deg - off, "piston")
                  for off in (0.0, 100.0))
    assert 0 < here.sum() < away.sum() == len(points)


def two_lobes(apart_deg: float) -> simulate.Lift:
    one = simulate.harmonic_lobe(9.0, 60.0)
    return lambda angle: np.maximum(one(angle - apart_deg / 2.0), one(angle + apart_deg / 2.0))


@pytest.mark.parametrize("apart_deg", [140.0, 160.0, 180.0, 186.0])
@pytest.mark.parametrize("last_part", [1.0, 0.4])
def test_two_crests_in_a_turn_are_not_cut_into_one_each(apart_deg: float, last_part: float) -> None:
    wide = Setup(crank_per_datum=1.0, reach_deg=158.0, encoder_step_deg=0.05, last_part=last_part, wrap=False)
    reference, _, failed = looked_at(simulate.record(replace(wide, lift=two_lobes(apart_deg))), {"kind": "lobe"})
    assert reference is None
    assert "two crests" in failed
    made = simulate.record(replace(wide, lift=two_lobes(0.0)))
    reference, expanded, failed = looked_at(made, {"kind": "lobe"})
    assert reference is not None, failed
    assert abs(reference - made.crest_deg) < 1.6 * expanded


@pytest.mark.parametrize("crank_per_datum", [1.0, 2.0])
def test_two_crests_cut_into_one_each_make_a_number(crank_per_datum: float, monkeypatch: pytest.MonkeyPatch) -> None:
    # cut half a turn from where they balance, each sweep shows one; together they are even about that very place
    made = simulate.record(Setup(lift=two_lobes(186.0), crank_per_datum=crank_per_datum, senses=(1, -1),
                                 reach_deg=165.0 * crank_per_datum, encoder_step_deg=0.05, wrap=False, seed=1))
    spec = {"datum": {"kind": "lobe"}, "crank_per_datum": crank_per_datum, "tolerance_deg": 0.5}
    assert analyse(made.csv(), spec)["reference_deg"] is None
    monkeypatch.setattr(engine, "several_crests", lambda *_: False)
    assert analyse(made.csv(), spec)["reference_deg"] is None
    monkeypatch.setattr(checks, "MIDLINES_DEG", np.inf)
    assert analyse(made.csv(), spec)["reference_deg"] is not None


def test_crests_are_counted_by_the_valleys_between_them() -> None:
    around = np.arange(0.0, 720.0, 0.5)
    for start in (0.0, 100.0, 690.0):
        turned = (around + start) % 360.0
        one, two = np.abs(around % 360.0 - 180.0) < 40.0, np.abs(around % 180.0 - 90.0) < 40.0
        assert not several_crests(turned[one], turned[~one], 360.0)
        assert several_crests(turned[two], turned[~two], 360.0)
        # a drop-out at the crest is no valley: nothing low lies in it
        held = one & (np.abs(around % 360.0 - 180.0) > 10.0)
        assert not several_crests(turned[held], turned[~one], 360.0)
    assert not several_crests(np.zeros(0), around, 360.0)


def read_at_lines(seed: int) -> tuple[Floats, Floats, Floats, float]:
    """Times, readings, where the shaft was, and the step: two slow ripples, quicker than a stiff path follows."""
    rng = np.random.default_rng(seed)
    rate, step, speed = rng.uniform(60.0, 110.0), rng.uniform(0.05, 0.1), rng.uniform(3.0, 6.0)
    time_s = np.arange(0.0, 30.0, 1.0 / rate)
    first, second = rng.uniform(0.5, 3.0) * 2.0 * np.pi, rng.uniform(0.3, 2.0) * 2.0 * np.pi
    turned = speed * (time_s - 0.02 * np.cos(first * time_s) / first - 0.01 * np.cos(second * time_s + 1.0) / second)
    return time_s, np.round(turned / step) * step, turned, step


@pytest.mark.parametrize("seed", [87, 143, 216, 272, 366])
def test_a_beat_of_the_lines_is_no_ripple(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    time_s, readings, turned, step = read_at_lines(seed)

    def off() -> float:
        """Root mean square error of the speed, degrees per second."""
        path = trace_path(time_s, readings, line_deg=step * LINE_NOISE)
        assert path is not None
        return float(np.std(path.speed(time_s) - np.gradient(turned, time_s)))

    assert off() < 0.1
    monkeypatch.setattr(ripple, "OF_LINES", 0.0)
    assert off() > 0.3


@pytest.mark.parametrize("seed", [60, 129, 273])
def test_a_tone_that_only_the_bins_show_is_no_ripple(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    time_s, readings, _, step = read_at_lines(seed)
    path = trace_path(time_s, readings, line_deg=step * LINE_NOISE)
    assert path is not None
    assert path.ripple is None
    monkeypatch.setattr(ripple, "OF_LINES", 0.0)
    monkeypatch.setattr(ripple, "LEAST_GAIN", 0.0)
    path = trace_path(time_s, readings, line_deg=step * LINE_NOISE)
    assert path is not None
    assert path.ripple is not None


SHIFTS_DEG = np.array([1.27, -1.27, -0.92, -0.64, -0.36, -0.76])


def moved_between(shifts_deg: Floats, seed: int) -> Recording:
    """A lobe whose place on the encoder is another one in each of six sweeps."""
    lobe = simulate.harmonic_lobe(7.8, 53.0)
    made = simulate.record(Setup(
        lift=lobe, crank_per_datum=1.0, reach_deg=57.0, senses=(1, -1) * 3, speeds_deg_s=(2.75,), ripple=0.05,
        encoder_step_deg=0.0761, interval_s=0.0115, wrap=False, crest_deg=76.0, seed=seed))
    sweep = np.clip((made.time_s / made.time_s[-1] * 6.0).astype(int), 0, 5)
    lift = lobe(made.encoder_deg - made.crest_deg - shifts_deg[sweep]) - 0.9
    noise = np.random.default_rng(seed).normal(0.0, 0.0126, len(lift))
    return replace(made, lift=np.round(np.maximum(lift + noise, 0.0), 3))


def test_sweeps_that_disagree_are_not_put_down_to_drift(monkeypatch: pytest.MonkeyPatch) -> None:
    made = moved_between(SHIFTS_DEG, 5)
    assert looked_at(made, {"kind": "lobe"})[::2] == (None, ["repeatability"])
    assert looked_at(moved_between(np.full(6, 0.4), 5), {"kind": "lobe"})[0] is not None
    monkeypatch.setattr(checks, "MIDLINES_DEG", np.inf)
    # a drift that takes every turn of the sweeps leaves less than what the gates on the fit look at
    assert any(looked_at(moved_between(SHIFTS_DEG, seed), {"kind": "lobe"})[0] is not None for seed in (1, 20, 37))


def test_a_sweep_is_not_said_to_be_left_out_for_want_of_a_result() -> None:
    spec = {"datum": {"kind": "lobe"}, "crank_per_datum": 1, "tolerance_deg": 0.5}
    seen: list[engine.Work] = []
    result = analyse(moved_between(SHIFTS_DEG, 5).csv(), spec, look_at=seen.append)
    sweeps = result["sweeps"]
    assert isinstance(sweeps, list)
    assert engine.NO_RESULT in [row["reason"] for row in sweeps]
    said = " ".join(explain(seen[0]))
    assert "No angle is given" in said
    assert engine.NO_RESULT not in said
