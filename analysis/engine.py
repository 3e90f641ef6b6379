"""From bytes and a timing spec to the result: the one road everybody takes."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import cast

import numpy as np
import numpy.typing as npt
from threadpoolctl import ThreadpoolController

from analysis import checks as gates
from analysis import decision, recorded, uncertainty
from analysis.reference.budget import sources, sweep_results
from analysis.reference.clock import spread
from analysis.reference.estimate import estimate
from analysis.reference.look import FLANK_LOW, Look, look
from analysis.reference.passed import where_passed
from analysis.reference.points import Points, gather
from analysis.reference.refreshed import asked, originals
from analysis.reference.trial import Estimate
from analysis.result import Check, Correction, Result, SweepResult
from analysis.spec import Spec, read_spec
from analysis.sweeps import Sweep, cut, cut_between_crests, encoder_step, several_crests
from analysis.traces import Trace, read_trace
from analysis.version import __version__

Floats = npt.NDArray[np.float64]
OTHER_SHAFT = (2.0, 0.5)  # an angle of the camshaft's taken for the crankshaft's, and the other way
NO_RESULT = "No result from this trace."    # of a sweep that was fit to be used, in a trace that is not
COUNTS_RANGE = 20.0       # raw counts are scaled so that their range is this


@dataclass
class Work:
    """Everything a run found on its way; the plot and the explanation read it."""

    trace: Trace
    spec: Spec
    lift: Floats
    scale: float
    sweeps: list[Sweep]
    points: Points | None
    look: Look | None
    estimate: Estimate | None
    checks: list[Check]
    result: Result


def analyse(
    data: bytes | Path, spec: Mapping[str, object], *, filename: str = "", look_at: Callable[[Work], None] | None = None
) -> dict[str, object]:
    """Analyse one trace.

    Parameters
    ----------
    data : bytes or Path
        The file as it came, or where it lies.
    spec : mapping
        The timing spec (trace-format, section 2).
    filename : str
        For messages only.
    look_at : callable, optional
        Is shown everything the run found on its way, once it is done.

    Returns
    -------
    dict
        The result of trace-format, section 3.

    Raises
    ------
    TraceRefused, SpecRefused
    """
    wanted = read_spec(spec)
    done = work(read_trace(data, filename=filename), wanted)
    if look_at is not None:
        look_at(done)
    return done.result.to_json()


def work(trace: Trace, spec: Spec) -> Work:
    """Analyse a trace that has been read; never raises for what a trace may hold.

    On one thread: the matrices are small, and several workers share a machine.
    """
    with one_thread():
        return _worked(trace, spec)


def one_thread() -> AbstractContextManager[object]:
    """Holds the matrix libraries to one thread; held around many traces it spares their threads' coming and going."""
    return cast(AbstractContextManager[object], _libraries().limit(limits=1, user_api="blas"))


@cache
def _libraries() -> ThreadpoolController:
    """The libraries that have threads of their own; to look for them takes longer than to hold them."""
    return ThreadpoolController()


def _worked(trace: Trace, spec: Spec, *, offer: bool = True) -> Work:
    trace, told = _as_sampled(trace)
    lift, scale, calibrated = displacement(trace, spec)
    step_deg = encoder_step(trace.angle_deg)
    sweeps = cut(trace.angle_deg, step_deg)
    out = Work(trace, spec, lift, scale, sweeps, None, None, None, [], _no_result(trace, spec, [], []))
    out.checks += told + calibrated
    out.checks += recorded.of_trace(trace, lift / scale, sweeps, step_deg)
    if gates.failed(out.checks):
        return _closed(out, [])
    out.points = gather(trace.time_s, trace.angle_deg, lift, sweeps, scale=scale, step_deg=step_deg,
                        at_lines=trace.at_lines)
    out.look = look(out.points, len(sweeps))
    out = _cut_again(out)
    assert out.points is not None
    assert out.look is not None
    out.checks += gates.of_look(out.look, out.sweeps)
    good = [k for k, seen in enumerate(out.look.sweeps) if not seen.fault]
    if gates.failed(out.checks) or not good:
        return _closed(out, [])
    good += one_flank(out.look, out.sweeps, good)
    try:
        out.estimate = estimate(out.points, spec, out.look, good, trace.encoder_per_crank)
    except np.linalg.LinAlgError:
        out.checks.append(gates.not_fitted())
        return _closed(out, [])
    return _concluded(out, good, offer)


def _as_sampled(trace: Trace) -> tuple[Trace, list[Check]]:
    """The trace without rows that hold nothing new, with the times its samples were taken at, and what says so."""
    rows, kept = len(trace), originals(trace.time_s, trace.angle_deg, trace.lift)
    if kept is not None:
        trace = _rows_of(trace, np.flatnonzero(kept))
    stamps, trace = trace.time_s, replace(trace, time_s=spread(trace.time_s, trace.angle_deg))
    told = recorded.of_recorder(stamps, trace.time_s)
    anew = asked(trace.time_s, trace.angle_deg, trace.lift)
    if anew is not None:
        trace = replace(_rows_of(trace, anew[0]), angle_deg=anew[1])
    told = recorded.of_rows(rows, len(trace)) + told
    step_deg = encoder_step(trace.angle_deg)
    passed = where_passed(trace.time_s, trace.angle_deg, step_deg)
    if passed is not None:
        trace = replace(trace, angle_deg=passed, at_lines=True)
        told.append(recorded.of_lines(step_deg))
    return trace, told


def _rows_of(trace: Trace, rows: npt.NDArray[np.int64]) -> Trace:
    warm = trace.temperature_c
    return replace(trace, time_s=trace.time_s[rows], angle_deg=trace.angle_deg[rows], lift=trace.lift[rows],
                   temperature_c=None if warm is None else warm[rows])


def one_flank(seen: Look, sweeps: list[Sweep], good: list[int]) -> list[int]:
    """Sweeps with one flank only, of a sense of which there is no better one.

    With the shape from the others a flank tells the hysteresis, without which the middle of the lash is not known.
    """
    senses = {sweeps[k].sense for k in good}
    return [k for k, one in enumerate(seen.sweeps) if one.fault == "flank missing" and sweeps[k].sense not in senses]


def displacement(trace: Trace, spec: Spec) -> tuple[Floats, float, list[Check]]:
    """Lift in millimetres through the calibration, or counts with the scale to bring them into range."""
    if not trace.in_counts:
        return trace.lift, 1.0, []
    calibration = spec.probe_calibration
    if calibration is None:
        low, high = np.quantile(trace.lift, [0.01, 0.99])
        return trace.lift, max(float(high - low), 1e-9) / COUNTS_RANGE, []
    lift = np.polynomial.polynomial.polyval(trace.lift - calibration.origin, calibration.coefficients)
    return np.asarray(lift, dtype=np.float64), 1.0, gates.of_range(trace.lift, calibration)


def _cut_again(out: Work) -> Work:
    """Cut passes of more than one crest, once the crests are known."""
    assert out.points is not None
    assert out.look is not None
    period = out.spec.period_deg
    travel = max(float(np.ptp(out.trace.angle_deg[s.start:s.stop])) for s in out.sweeps)
    if travel <= 0.75 * period:
        return out
    high = out.points.lift > out.look.low + 0.5 * out.look.range
    angle = out.points.angle_deg[high & ~out.points.spiky]
    low = out.points.lift < out.look.low + FLANK_LOW * out.look.range
    if several_crests(angle, out.points.angle_deg[low & ~out.points.spiky], period):
        return out             # cut between them, each would pass for the one crest of its sweep
    turn = np.deg2rad(angle * 360.0 / period)
    crest = math.degrees(math.atan2(float(np.sin(turn).mean()), float(np.cos(turn).mean()))) * period / 360.0
    near = crest + period * round((float(np.median(out.trace.angle_deg)) - crest) / period)
    out.sweeps = cut_between_crests(out.sweeps, out.trace.angle_deg, near, period)
    folded = out.trace.angle_deg - period * np.round((out.trace.angle_deg - near) / period)
    out.points = gather(out.trace.time_s, folded, out.lift, out.sweeps, scale=out.scale,
                        step_deg=encoder_step(out.trace.angle_deg), at_lines=out.trace.at_lines)
    out.look = look(out.points, len(out.sweeps))
    return out


def _concluded(out: Work, good: list[int], offer: bool) -> Work:
    """Sweeps, checks, budget and verdict of an estimate."""
    assert out.estimate is not None
    assert out.look is not None
    found, spec = out.estimate, out.spec
    offset = spec.crest_to_tdc_deg
    rows = sweep_results(found, out.sweeps, out.trace.time_s, out.look, offset)
    out.checks += gates.of_estimate(found, rows, out.look, spec, good)
    if gates.failed(out.checks):
        out.checks += _angle_unit(out) if offer else []
        return _closed(out, rows)
    listed = sources(found, spec, out.trace)
    total = uncertainty.combine(listed, spec.coverage)
    told = gates.of_uncertainty(total.expanded)
    if not told.passed:
        out.checks.append(told)
        return _closed(out, rows)
    reference = found.fit.crest_deg + found.moved_deg + offset
    made = decision.decide(reference, spec.target_deg, spec.tolerance_deg, total)
    freedom = total.degrees_of_freedom
    out.result = Result(
        reference_deg=reference, deviation_deg=made.deviation_deg, standard_uncertainty_deg=total.standard,
        expanded_uncertainty_deg=total.expanded, coverage_factor=total.coverage_factor,
        degrees_of_freedom=freedom if math.isfinite(freedom) else None, verdict=made.verdict,
        conformance_probability=made.conformance_probability, guard_band_deg=made.guard_band_deg,
        hysteresis_deg=hysteresis(rows), sweeps=tuple(rows), checks=tuple(out.checks),
        budget=uncertainty.budget(listed), correction=correction(made.deviation_deg, spec),
        method=method(spec), analysis_version=__version__, trace_sha256=out.trace.sha256,
        findings={**found.findings(), "coverage_from": total.coverage_from},
    )
    return out


def _angle_unit(out: Work) -> list[Check]:
    """Whether a trace that does not fit would, if the angle were in degrees of the other shaft."""
    trace, suspects = out.trace, {"profile mismatch", "unit of the lift"}
    if not suspects & {check.name for check in out.checks if not check.passed}:
        return []
    for factor in OTHER_SHAFT:
        per_crank = trace.encoder_per_crank / factor
        turned = replace(trace, angle_deg=trace.angle_deg * factor, encoder_per_crank=per_crank)
        if _worked(turned, out.spec, offer=False).result.reference_deg is not None:
            return [gates.of_angle(factor, trace.encoder_per_crank, per_crank)]
    return []


def hysteresis(rows: list[SweepResult]) -> float | None:
    """Mean forward less mean reverse of the used sweeps, crank degrees."""
    sides = [[r.reference_deg for r in rows if r.used and r.direction == way and r.reference_deg is not None]
             for way in ("forward", "reverse")]
    if not all(sides):
        return None
    return float(np.mean(sides[0]) - np.mean(sides[1]))


def correction(deviation_deg: float, spec: Spec) -> Correction:
    """The ring has to go where the deviation came from; a retard moves it against normal rotation."""
    shift = -deviation_deg * spec.index_per_crank
    millimetres = None if spec.index_radius_mm is None else math.radians(shift) * spec.index_radius_mm
    sense = "none" if shift == 0.0 else ("advance" if shift > 0.0 else "retard")
    return Correction(shift, millimetres, sense)  # type: ignore[arg-type]


def method(spec: Spec) -> str:
    """One line that says what made the figure."""
    shapes = {"lobe": "even function fitted to both flanks", "lobe-profile": "registration of the lobe's profile",
              "piston": "exact slider-crank", "link-rod": "master and link rod"}
    return f"Global model fit, {shapes[spec.kind]}; started from bisected chords"


def _closed(out: Work, rows: list[SweepResult]) -> Work:
    """No result: the checks say why."""
    if not rows:
        looks = out.look.sweeps if out.look is not None else ()
        rows = [SweepResult(s.direction, float(out.trace.time_s[s.start]), float(out.trace.time_s[s.stop - 1]),
                            None, None, False, looks[k].message if k < len(looks) else "")
                for k, s in enumerate(out.sweeps)]
    else:
        rows = [SweepResult(r.direction, r.start_s, r.stop_s, r.reference_deg, r.standard_uncertainty_deg, False,
                            r.reason or NO_RESULT) for r in rows]
    out.result = _no_result(out.trace, out.spec, out.checks, rows)
    return out


def _no_result(trace: Trace, spec: Spec, made: list[Check], rows: list[SweepResult]) -> Result:
    return Result(
        reference_deg=None, deviation_deg=None, standard_uncertainty_deg=None, expanded_uncertainty_deg=None,
        coverage_factor=None, degrees_of_freedom=None, verdict="no-result", conformance_probability=None,
        guard_band_deg=None, hysteresis_deg=None, sweeps=tuple(rows), checks=tuple(made), budget=(),
        correction=None, method=method(spec), analysis_version=__version__, trace_sha256=trace.sha256,
    )
