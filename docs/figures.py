"""Draws the pictures of method.md from simulated traces with fixed seeds: `python -m docs.figures [NAME …]`.

Each picture is one SVG file in docs/figures/, the same bytes for the same version of the analysis.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from analysis import simulate
from analysis.engine import Work, work
from analysis.reference.axis import NAME as MISS
from analysis.reference.fit import Fit
from analysis.simulate import Setup
from analysis.spec import read_spec
from analysis.traces import read_trace
from docs.svg import Panel, Picture
from tests.bench.groups import case

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

FOLDER = Path(__file__).parent / "figures"
FORWARD, REVERSE, TRUTH, PLAIN = "#1f5fa8", "#a8541f", "#1d7a46", "#555555"
SPEC: dict[str, object] = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}
DAY = Setup(lift=simulate.cycloidal_lobe(18.0, 60.0), crank_per_datum=2.0, crest_deg=150.0, reach_deg=140.0,
            encoder_step_deg=0.0403, noise_mm=0.003, lash_deg=0.12, delay_s=0.01, spikes=0.002, spike_mm=1.0, seed=7,
            speeds_deg_s=(5.6, 6.1), interval_s=0.021, wrap=False)
BENCH_CASES, BENCH_FIRST = 150, 90_000


def run(setup: Setup, **spec: object) -> tuple[Work, float]:
    """The analysis of a setup's recording, and the true crest in crank degrees."""
    made = simulate.record(setup)
    return work(read_trace(made.csv()), read_spec({**SPEC, **spec})), made.crest_deg


def colour(sense: float) -> str:
    return FORWARD if sense > 0 else REVERSE


def sweep() -> Picture:
    """A shop day: the lift with its flanks, the middles of the chords, and what the fit leaves."""
    done, true_deg = run(DAY)
    assert done.look is not None
    picture = Picture(720, 700)
    lift = picture.panel(Panel((64, 16, 640, 260), (-145, 145), (0, 22), "", "Lift, mm"))
    for piece in done.sweeps[:2]:
        part = slice(piece.start, piece.stop, 12)
        lift.line(done.trace.angle_deg[part] - true_deg, done.lift[part], colour(piece.sense), 1.2)
    for level in (4.0, 9.0, 14.0):
        middle = done.look.sweeps[0].midline
        assert middle is not None
        at = int(np.argmin(np.abs(middle.level - level)))
        ends = np.array([middle.left_deg[at], middle.right_deg[at]]) - true_deg
        lift.line(ends, np.full(2, middle.level[at]), PLAIN, 0.8)
        lift.dots(np.array([ends.mean()]), np.array([middle.level[at]]), PLAIN, 2.5)
    lift.label(-140, 20.2, "forward", FORWARD)
    lift.label(-140, 18.7, "reverse", REVERSE)
    lift.label(3, 9.5, "chords and their middles", PLAIN)
    chords = picture.panel(Panel((64, 310, 640, 150), (-0.2, 0.2), (0, 20),
                                 "Middle of the chord, crank degrees from the true crest", "Lift, mm"))
    for seen, piece in zip(done.look.sweeps[:2], done.sweeps, strict=False):
        assert seen.midline is not None
        chords.dots(seen.midline.middle_deg - true_deg, seen.midline.level, colour(piece.sense), 1.6)
    chords.upright(float(str(done.result.reference_deg)) - true_deg, TRUTH)
    chords.label(0.004, 1.2, "reference", TRUTH)
    left = picture.panel(Panel((64, 526, 640, 130), (-145, 145), (-20, 20),
                               "Crank degrees from the true crest", "Residual, µm"))
    for sense in (1.0, -1.0):
        angle, residual = _residuals(done, sense)
        left.dots((angle - true_deg)[::2], residual[::2] * 1e3, colour(sense), 0.9)
    return picture


def _residuals(done: Work, sense: float) -> tuple[Floats, Floats]:
    assert done.points is not None
    assert done.estimate is not None
    shown = done.estimate.use & ~done.points.spiky & (done.points.sense == sense)
    return done.points.angle_deg[shown], done.estimate.fit.residual[shown]


def miss() -> Picture:
    """Chord middles of a probe whose line misses the shaft's axis, beside one whose line does not."""
    picture = Picture(720, 400)
    panel = picture.panel(Panel((64, 16, 640, 340), (-0.9, 0.2), (0, 26),
                                "Middle of the chord, crank degrees from the true crest", "Lift, mm"))
    radius_mm, miss_mm = 52.0, 0.2
    quiet = replace(DAY, lash_deg=0.0, spikes=0.0, noise_mm=0.002, encoder_step_deg=0.02)
    for setup, shade in ((quiet, FORWARD), (replace(quiet, miss_mm=miss_mm, pitch_radius_mm=radius_mm), REVERSE)):
        done, true_deg = run(setup, datum={"kind": "lobe", "pitch_radius_mm": radius_mm})
        assert done.look is not None
        for seen in done.look.sweeps:
            assert seen.midline is not None
            panel.dots(seen.midline.middle_deg - true_deg, seen.midline.level, shade, 1.4)
        panel.upright(float(str(done.result.reference_deg)) - true_deg, TRUTH)
    assert done.estimate is not None
    found = done.estimate.fit.shifts[MISS]
    top = 19.0
    level = np.linspace(1.0, top, 60)
    turn = -2.0 * np.degrees(np.arcsin(found / (radius_mm - (top - level))))
    panel.line(turn, level, PLAIN, 1.2)
    panel.label(-0.88, 24.4, f"line misses the axis: fitted {found:.3f} mm, made {miss_mm:.3f} mm", REVERSE)
    panel.label(-0.88, 22.9, "line through the axis", FORWARD)
    panel.label(-0.88, 21.4, "−asin(e/ρ) with the fitted e", PLAIN)
    panel.label(-0.88, 19.9, "references of both, with the miss taken off", TRUTH)
    return picture


def throw() -> Picture:
    """Where each flank stands against the fitted even lobe: lash kept, thrown in one sense, thrown in both."""
    picture = Picture(720, 584)
    told = (((), "load stays on one tooth flank"), ((1,), "thrown across at the crest, forward only"),
            ((1, -1), "thrown across at the crest in both senses"))
    for k, (senses, words) in enumerate(told):
        setup = replace(DAY, lash_deg=0.2, thrown=senses, delay_s=0.0, spikes=0.0, noise_mm=0.002)
        done, true_deg = run(setup)
        assert done.estimate is not None
        assert done.points is not None
        last = k == len(told) - 1
        panel = picture.panel(Panel((64, 16 + 180 * k, 640, 160), (-110, 110), (-0.25, 0.25),
                                    "Crank degrees from the true crest" if last else "", "Shift, crank deg"))
        for sense in (1.0, -1.0):
            mine = done.estimate.use & ~done.points.spiky & (done.points.sense == sense)
            angle, shift, model = _shifts(done.estimate.fit, done.points.angle_deg, mine, done, true_deg)
            panel.dots(angle[::2], shift[::2], colour(sense), 1.1)
            for flank in (angle < 0.0, angle > 0.0):
                order = np.argsort(angle[flank])[::20]
                panel.line(angle[flank][order], model[flank][order], "#111111", 1.0)
        panel.label(-107, 0.205, words, PLAIN)
        off = float(str(done.result.reference_deg)) - true_deg
        panel.label(20, -0.23, f"reference − truth {off:+.4f}° ± "
                    f"{float(str(done.result.expanded_uncertainty_deg)):.4f}°".replace("-", "−"), TRUTH)
    return picture


def _shifts(fit: Fit, angle_deg: Floats, mine: Mask, done: Work, true_deg: float) -> tuple[Floats, Floats, Floats]:
    """Angle from the true crest, apparent shift of each point, and the modelled shift; where the slope shows it."""
    assert done.points is not None
    modelled = angle_deg - fit.crest_deg - fit.u_deg
    steep = mine & (np.abs(fit.slope) > 0.35 * np.abs(fit.slope).max())
    angle = angle_deg[steep]
    shift = modelled[steep] - fit.residual[steep] / fit.slope[steep] + fit.crest_deg - true_deg
    return angle - true_deg, shift, modelled[steep] + fit.crest_deg - true_deg


def coverage() -> Picture:
    """Errors of a bench group over their stated standard uncertainty, beside the normal curve."""
    pulls, inside = [], 0
    for seed in range(BENCH_FIRST, BENCH_FIRST + BENCH_CASES):
        one = case("typical", seed)
        result = work(read_trace(one.data), read_spec(one.spec)).result
        if result.reference_deg is None or one.true_deg is None:
            continue
        assert result.standard_uncertainty_deg is not None
        assert result.expanded_uncertainty_deg is not None
        error = result.reference_deg - one.true_deg
        pulls.append(error / result.standard_uncertainty_deg)
        inside += abs(error) <= result.expanded_uncertainty_deg
    picture = Picture(720, 360)
    panel = picture.panel(Panel((64, 16, 640, 300), (-4, 4), (0, 56),
                                "Error over its stated standard uncertainty", "Cases"))
    edges = np.arange(-4.0, 4.01, 0.5)
    counts, _ = np.histogram(np.clip(pulls, -3.99, 3.99), edges)
    panel.bars(edges, counts, "#9bb8d8")
    curve = np.linspace(-4.0, 4.0, 161)
    panel.line(curve, len(pulls) * 0.5 * np.exp(-(curve**2) / 2.0) / np.sqrt(2.0 * np.pi), "#111111", 1.4)
    panel.label(-3.9, 52.0, f"typical, cases {BENCH_FIRST} to {BENCH_FIRST + BENCH_CASES - 1}", PLAIN)
    panel.label(-3.9, 48.2, f"{inside} of {len(pulls)} stated 95 % intervals hold the truth", FORWARD)
    panel.label(-3.9, 44.4, "standard normal", "#111111")
    return picture


PICTURES: dict[str, Callable[[], Picture]] = {"sweep": sweep, "miss": miss, "throw": throw, "coverage": coverage}


def main(names: list[str]) -> None:
    """Write the named pictures, or all."""
    FOLDER.mkdir(exist_ok=True)
    for name in names or PICTURES:
        (FOLDER / f"{name}.svg").write_text(PICTURES[name]().text(), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
