"""Quality gates on the recording as it came, before any crest is looked for."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from analysis import running
from analysis.quantiles import median, quantile, quantiles
from analysis.reference.look import lift_noise
from analysis.result import Check
from analysis.sweeps import Sweep
from analysis.traces import Trace

Floats = npt.NDArray[np.float64]

LEAST_SAMPLES = 60
LEAST_LIFT_MM = 0.2
LEAST_LIFT_NOISE = 12.0
STUCK_PART = 0.05
A_LINE = 1.5              # of what the lift moves by from line to line, for one on which the shaft turns back
MOST_PACES = 20.0         # between two samples, or it is a pause
LEAST_PACE = 0.05         # crank degrees a second while the encoder moves
STUCK_S = 0.4
LEAST_JUMP_DEG = 0.4
LEAST_ALONE_DEG = 0.08
AT_REST_S, AT_REST_SAMPLES = 1.0, 6
STILL_LINES, LEAP_LINES, LEAP_PACES = 1.5, 3.5, 1.5
LIFTED_NOISE = 3.0         # standard deviations of a sample, by which the lift stays
CREST_PART = 0.1           # of the lift, from the crest down
MOST_LEAPS = 3


def of_rows(rows: int, kept: int) -> list[Check]:
    """What was done about rows that hold nothing new; it passes."""
    if kept == rows:
        return []
    return [Check("rows that hold nothing new", True, float(rows - kept), None, "rows",
                  f"{rows - kept:,} of {rows:,} rows are left out: written twice, or with a value of the "
                  "encoder or the probe that was not read anew.")]


def of_recorder(stamps_s: Floats, taken_s: Floats) -> list[Check]:
    """What was done about a clock that is coarser than the samples, which passes, or that there is none."""
    if len(stamps_s) and stamps_s[-1] <= stamps_s[0]:
        return [Check("time stamps", False, 0.0, 0.0, "s",
                      "All samples have the same time stamp: without a clock nobody knows how far the probe lags.")]
    moved = float(np.abs(taken_s - stamps_s).max()) if len(stamps_s) else 0.0
    if moved == 0.0:
        return []
    return [Check("time stamps", True, moved, None, "s",
                  "Samples share time stamps, or the stamps are coarser than the samples: when each was taken "
                  f"follows from its number (by up to {moved:.3g} s).")]


def of_lines(step_deg: float) -> Check:
    """That rows were written for the encoder's lines, and how they were taken; it passes."""
    return Check("rows at the encoder's lines", True, step_deg, None, "crank deg",
                 f"Each row was written as the encoder passed a line, {step_deg:.4g} degrees from the last: "
                 "the angle is that of the line passed.")


def of_trace(trace: Trace, lift: Floats, sweeps: list[Sweep], step_deg: float) -> list[Check]:
    """Gates before any crest is looked for; `lift` is scaled, `step_deg` the encoder's step."""
    n = len(trace)
    made = [Check("too few samples", n >= LEAST_SAMPLES, float(n), float(LEAST_SAMPLES), "samples",
                  f"The trace holds {n} samples.")]
    if any(not check.passed for check in made):
        return made
    smooth = running.median(lift[:: max(1, n // 50_000)], 5)
    low, high = quantiles(smooth, 0.005, 0.995)
    span = high - low
    noise = lift_noise(lift[:200_000])
    least = max(LEAST_LIFT_MM, LEAST_LIFT_NOISE * noise) if not trace.in_counts else LEAST_LIFT_NOISE * noise
    made.append(Check("flat trace", span > least, span, least, "mm" if not trace.in_counts else "scaled counts",
                      "The probe moves no more than its noise: it is not on the datum." if span <= least
                      else "The probe moves well beyond its noise."))
    moved = float(np.ptp(trace.angle_deg))
    made.append(Check("encoder turning", bool(sweeps), moved, 0.0, "crank deg",
                      "The encoder turns." if sweeps else "The encoder is stuck: it does not turn."))
    if all(check.passed for check in made):
        made += [*_unit_of_time(trace), _stuck(trace, lift, span),
                 _jump(trace, step_deg, alone=len(sweeps) == 1)]
        if made[-1].passed and (leap := _leap_at_rest(trace, lift, step_deg, high - CREST_PART * span)) is not None:
            made[-1] = leap
    return made


def _unit_of_time(trace: Trace) -> list[Check]:
    """Whether the stamps are seconds: nobody bars an engine for a day, and lag and drift are judged by them."""
    stride = max(1, len(trace) // 200_000)
    lasted, moved = np.diff(trace.time_s[::stride]), np.abs(np.diff(trace.angle_deg[::stride]))
    usual = median(lasted)
    seconds = float(np.minimum(lasted, MOST_PACES * usual)[moved > 0.0].sum())      # a pause of the record is none
    pace = float(moved.sum()) / seconds if seconds > 0.0 else 0.0
    if not 0.0 < pace < LEAST_PACE:
        return []
    return [Check("unit of the time", False, pace, LEAST_PACE, "crank deg/s",
                  f"The shaft would turn by {pace:.2g} degrees a second: the stamps look like milliseconds. In those "
                  f"it turns by {1000.0 * pace:.3g}.")]


def _jump(trace: Trace, step_deg: float, *, alone: bool) -> Check:
    """Whether the encoder jumps from one sample to the next by more than the shaft can turn.

    In a sweep that is `alone` nothing else shows a slip at the crest, and less is enough.
    """
    stride = max(1, len(trace) // 200_000)
    angle, time_s = trace.angle_deg[::stride], trace.time_s[::stride]
    moved, lasted = np.diff(angle), np.diff(time_s)
    pace = median(lasted[lasted > 0]) if (lasted > 0).any() else 1.0
    usual = quantile(np.abs(moved), 0.98)
    limit = max(5.0 * usual, 6.0 * step_deg, LEAST_JUMP_DEG)
    if alone:
        limit = min(limit, max(1.05 * usual, LEAST_ALONE_DEG))
    ahead = np.append(moved[1:], 0.0)
    behind = np.concatenate([[0.0], moved[:-1]])
    usual_there = np.maximum(np.maximum(np.abs(ahead), np.abs(behind)), usual) * np.maximum(lasted / pace, 1.0)
    # a repeated stamp may sit beside a pause, so the neighbours' time counts as well
    around = lasted + np.append(lasted[1:], 0.0) + np.concatenate([[0.0], lasted[:-1]])
    beyond = np.where(around > 6.0 * pace, 0.0, np.abs(moved) - usual_there)
    at = int(np.argmax(beyond))
    size = float(beyond[at])
    if size <= limit:
        return Check("encoder jump", True, size, limit, "crank deg", "The encoder's angle has no jump.")
    earlier = np.flatnonzero(moved[:at])
    stood = at - 1 - int(earlier[-1]) if len(earlier) else at
    onward = len(earlier) > 0 and moved[earlier[-1]] * moved[at] > 0 and moved[at] * ahead[at:at + 50].sum() > 0
    if stood * pace > STUCK_S and onward:
        return Check("encoder stuck", False, size, limit, "crank deg",
                     f"The encoder stands for {stood * pace:.1f} s and then jumps by {moved[at]:+.2f} degrees.")
    return Check("repeatability, encoder slipped", False, size, limit, "crank deg",
                 f"The angle jumps by {moved[at]:+.2f} degrees at {time_s[at]:.1f} s: "
                 "the encoder or its coupling has slipped.")


def _leap_at_rest(trace: Trace, lift: Floats, step_deg: float, crest: float) -> Check | None:
    """An angle that leaps by several lines between two samples, while it stands before and after and the lift stays.

    So a coupling slips when the drive is turned about. Over there and back the shift is taken for hysteresis, and the
    crest stands off by half of it. Not at the `crest` (lift units), where the spring of the follower may throw the
    shaft across its lash and the lift does not show it, nor where the angle leaps again and again: the shaft sticks.
    """
    stride, noise = max(1, len(trace) // 200_000), lift_noise(lift[:200_000])
    angle, time_s, lift = trace.angle_deg[::stride], trace.time_s[::stride], lift[::stride]
    moved, lasted = np.abs(np.diff(angle)), np.diff(time_s)
    pace = median(lasted[lasted > 0]) if (lasted > 0).any() else 1.0
    still, leaps = STILL_LINES * step_deg, []
    moves = np.concatenate([[0], np.cumsum(moved > still)])        # of so many steps up to each sample
    begin = np.maximum(np.arange(len(moved)) - AT_REST_SAMPLES, 0)
    end = np.minimum(np.arange(len(moved)) + 1 + AT_REST_SAMPLES, len(moved))
    # a shaft that comes to rest may turn on for a sample's worth after the last one that saw it turn
    limit = max(LEAP_LINES * step_deg, LEAST_ALONE_DEG, LEAP_PACES * quantile(moved, 0.98))
    alone = (moved >= limit) & (moves[end] - moves[begin] == 1)
    for at in np.flatnonzero(alone).tolist():
        if at < AT_REST_SAMPLES or at + 2 + AT_REST_SAMPLES > len(angle) or lasted[at] > 6.0 * pace:
            continue
        first = min(int(np.searchsorted(time_s, time_s[at] - AT_REST_S)), at + 1 - AT_REST_SAMPLES)
        last = max(int(np.searchsorted(time_s, time_s[at + 1] + AT_REST_S, side="right")), at + 1 + AT_REST_SAMPLES)
        if min(np.ptp(angle[first:at + 1]), np.ptp(angle[at + 1:last])) > still:
            continue        # for so long it stands on one side at least, and some samples on the other
        before, after = (median(lift[at + 1 - AT_REST_SAMPLES:at + 1]), median(lift[at + 1:at + 1 + AT_REST_SAMPLES]))
        leaps.append((at, abs(after - before), before))
        if len(leaps) > MOST_LEAPS:
            return None
    for index, lifted, height in leaps:
        if lifted <= LIFTED_NOISE * noise and height < crest:
            size = float(angle[index + 1] - angle[index])
            return Check("repeatability, encoder slipped", False, abs(size), limit, "crank deg",
                         f"The angle leaps by {size:+.2f} degrees at {time_s[index]:.1f} s, while shaft and lift "
                         "stand: the encoder or its coupling has slipped.")
    return None


def _stuck(trace: Trace, lift: Floats, span: float) -> Check:
    """Whether the lift moves on while the encoder stands."""
    stride = max(1, len(trace) // 100_000)
    angle, smooth = trace.angle_deg[::stride], running.median(lift[::stride], 7)
    starts = np.flatnonzero(np.concatenate([[True], np.diff(angle) != 0.0]))
    lengths = np.diff(np.append(starts, len(angle)))
    # lines of whole degrees are passed while the lift moves by more than that: by as much as from one to the next
    most = max(STUCK_PART, A_LINE * quantile(np.abs(np.diff(smooth[starts])), 0.95) / span if len(starts) > 1 else 0.0)
    worst = 0.0
    for start, length in zip(starts[lengths > 12].tolist(), lengths[lengths > 12].tolist(), strict=True):
        moved = float(np.ptp(smooth[start + 4:start + length - 4])) / span
        if moved > max(worst, most):      # or spikes that come by the handful: more of them make a median
            size = 11 if length < 44 else 21
            calm = median_filter(lift[::stride][start:start + length], size)[size // 2:-(size // 2)]
            moved = float(np.ptp(calm)) / span
        worst = max(worst, moved)
    return Check("encoder stuck", worst <= most, worst, most, "share of the lift",
                 "The lift moves on while the encoder stands still: its coupling is stuck or slips."
                 if worst > most else "The encoder moves whenever the lift does.")
