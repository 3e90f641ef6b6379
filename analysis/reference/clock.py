"""When samples were taken whose stamps say it too coarsely: a clock of two decimals, or one that ticks once a second.

A recorder samples evenly, or nearly so, and writes down the last tick of its clock. The stiffest smooth course of time
over the sample's number that stays within a tick of all stamps,

    Σ (s_k − t_k)² + λ Σ (Δ² t_k)²,    λ = ∞ (a straight line) first,

(Whittaker 1923) is nearer to when they were taken than a stamp is. Where a fine clock gives some samples the stamp of a
neighbour, the course goes through the others, unless the encoder turns more smoothly over the stamps as they are: a
recorder that pauses and catches up stamps rightly. Where there is no such course the recorder does not sample evenly,
and stamps that repeat the one before are spaced evenly up to the next.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.linalg import solveh_banded

from analysis.quantiles import median, quantile

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

FINEST_S = 1e-6           # stamps are taken for multiples of this
COARSE = 0.1              # of the usual interval between samples: a finer clock is good enough
OFTEN = 0.3               # a share of stamps that repeat the one before: their steps are the ticks then
MOST_PACES = 3.0          # between two stamps that were one
FINEST_DIGIT_S = 5e-4     # the last one of stamps: with more digits they are fine enough
MOSTLY_ONE = 0.97         # a share of steps of one tick: the samples follow the clock, or the clock is fine
EVENLY = 0.002            # a share of steps that are not like the others
USUAL = 0.98              # the part of the encoder's steps that no jump is among
FIRST = 2000              # steps: those of a fine clock are told by them
FEWEST = 16               # samples in a row without a pause
STIFFNESS = (1e9, 1e7, 1e5, 1e3)      # λ
WITHIN = 1.2              # ticks: nearly all stamps keep to a band as wide along a course that is believed,
NEARLY_ALL = 0.95
FURTHEST = 3.0            # and all of them to this, or so many usual intervals
ALONE = 0.3               # a share of the stamps that no neighbour has as well,
LEAPS = 1.5               # times as large as over the stamps, from which on a course is not believed
EVEN, MOSTLY = 0.15, 0.75 # and how evenly most of them follow each other, in usual intervals: the recorder is even then


def spread(time_s: Floats, angle_deg: Floats) -> Floats:
    """When the samples were taken.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Stamps in seconds, not decreasing.
    angle_deg : ndarray, shape (n,)
        The encoder: where it jumps, samples may be missing that a coarse clock does not tell of.

    Returns
    -------
    ndarray, shape (n,)
        Seconds, not decreasing; the stamps as they are where they are fine enough and do not repeat.
    """
    n = len(time_s)
    if n < 2:
        return time_s
    steps = np.diff(time_s)
    pace = float(time_s[-1] - time_s[0]) / (n - 1)
    tick = _tick(steps, pace)
    if not tick and np.count_nonzero(steps) == n - 1:
        return time_s
    own = evenly(time_s, pace)
    later = np.concatenate([[True], steps > 0.0, [True]])
    alone = later[:-1] & later[1:]
    usual = median(np.diff(own))
    edges = [0, *_breaks(time_s, steps, angle_deg, usual, tick or usual), n]
    for first, last in pairwise(edges):
        if last - first >= FEWEST:
            part = slice(first, last)
            course = _past_repeats(time_s[part], alone[part])
            if course is not None and _rougher(angle_deg, own, part, course):
                continue       # the recorder paused and caught up: its stamps are right
            if course is None and tick:
                course = _within_ticks(time_s[part], tick)
            if course is not None:
                own[part] = course
    return np.asarray(np.maximum.accumulate(own))


def _breaks(time_s: Floats, steps: Floats, angle_deg: Floats, usual_s: float, tick: float) -> list[int]:
    """The first samples after a pause: a tick comes later than the samples before it take, or the encoder jumps."""
    starts = np.flatnonzero(np.concatenate([[True], steps > 0.0]))
    counts = np.diff(np.append(starts, len(time_s)))
    late = np.diff(time_s[starts]) > (counts[:-1] + MOST_PACES) * usual_s + tick
    moved = np.abs(np.diff(angle_deg))
    jumps = np.flatnonzero(moved > MOST_PACES * quantile(moved, USUAL)) + 1
    return sorted({*starts[1:][late].tolist(), *jumps.tolist()})


def _tick(steps: Floats, pace: float) -> float:
    """How far the clock's ticks are apart, seconds; 0 where it is fine enough, or no clock that ticks."""
    if np.count_nonzero(steps) >= (1.0 - OFTEN) * len(steps):
        tick = _divisor(steps[:FIRST])
        if tick > COARSE * pace:
            # of the stretches, so that a clock that is put right in between is believed before and after
            tick = median(np.array([_divisor(part) for part in np.array_split(steps, max(1, len(steps) // FIRST))]))
        if tick <= COARSE * pace:
            return _written_shorter(steps, tick, pace)
    else:
        tick = median(steps[steps > 0.0]) if steps.any() else 0.0
        if tick <= COARSE * pace:
            return 0.0
    # a recorder that is driven by the clock takes a sample with each tick: its stamps say all that is to be known
    uneven = np.count_nonzero(np.abs(steps - median(steps)) > FINEST_S)
    return tick if uneven > EVENLY * len(steps) else 0.0


def _divisor(steps: Floats) -> float:
    """The greatest time that all steps are multiples of, seconds."""
    return float(np.gcd.reduce(np.rint(steps / FINEST_S).astype(np.int64))) * FINEST_S


def _written_shorter(steps: Floats, digit: float, pace: float) -> float:
    """A tick that is no multiple of the last digit written (1/64 s in milliseconds); 0 where there is none."""
    later = steps[steps > 0.0]
    if digit < FINEST_DIGIT_S or not len(later):
        return 0.0
    tick = float(later[later < 1.5 * later.min()].mean())
    if tick < max(3.0 * digit, COARSE * pace) or float(np.mean(np.abs(steps - tick) < 1.5 * digit)) > MOSTLY_ONE:
        return 0.0
    since = np.cumsum(steps)
    ticks = np.cumsum(np.rint(steps / tick))
    for _ in range(3):
        tick = float(ticks @ since) / max(float(ticks @ ticks), 1.0)
        ticks = np.rint(since / tick)
    return tick if tick > COARSE * pace and float(np.ptp(since - ticks * tick)) <= 2.0 * digit + FINEST_S else 0.0


def _past_repeats(time_s: Floats, alone: Flags) -> Floats | None:
    """The stiffest course of time through stamps that no neighbour has as well, shape (n,).

    None where they are few, or do not follow each other as evenly as the samples of a recorder.
    """
    if np.count_nonzero(alone) < max(FEWEST, ALONE * len(time_s)):
        return None

    def is_even(away: Floats, pace: float) -> bool:
        far = np.abs(away[alone] - median(away[alone]))
        return quantile(far, MOSTLY) <= EVEN * pace

    return _stiffest(time_s, alone, is_even)


def _rougher(angle_deg: Floats, time_s: Floats, part: slice, course: Floats) -> bool:
    """Whether the shaft makes far larger leaps over a course of time for a part, its ends included.

    Samples that were caught up with after a pause are spread into it by an even course: then the angle stands for them
    and leaps where the pause was.
    """
    around = slice(max(0, part.start - 2), part.stop + 2)
    moved = time_s.copy()
    moved[part] = course
    leap = _leap(angle_deg[around], np.maximum.accumulate(moved[around]))
    return leap > LEAPS * _leap(angle_deg[around], time_s[around])


def _leap(angle_deg: Floats, time_s: Floats) -> float:
    """How far an angle stands off the straight line between its neighbours at most, crank degrees."""
    before, after = time_s[1:-1] - time_s[:-2], time_s[2:] - time_s[1:-1]
    both = before + after
    some = both > 0.0
    away = np.diff(angle_deg)[1:][some] * before[some] - np.diff(angle_deg)[:-1][some] * after[some]
    return float(np.abs(away / both[some]).max()) if some.any() else 0.0


def _within_ticks(time_s: Floats, tick: float) -> Floats | None:
    """The stiffest course of time that stays within a tick of the stamps; None where none of these does."""
    def is_within(away: Floats, pace: float) -> bool:
        low, high = quantile(away, (1.0 - NEARLY_ALL) / 2.0), quantile(away, (1.0 + NEARLY_ALL) / 2.0)
        return high - low <= WITHIN * tick and float(np.ptp(away)) <= FURTHEST * max(tick, pace)

    return _stiffest(time_s, np.ones(len(time_s), dtype=bool), is_within)


def _stiffest(time_s: Floats, used: Flags, holds: Callable[[Floats, float], bool]) -> Floats | None:
    """The stiffest course through the stamps in use for which it `holds` how far all stamps are away, at its pace."""
    line, pace = _line(time_s, used)
    left = time_s - line
    if holds(left, pace):
        return line
    for stiffness in STIFFNESS:
        more = _smooth(left, stiffness, used)
        if holds(left - more, pace):
            return np.asarray(line + more)
    return None


def _line(time_s: Floats, used: Flags) -> tuple[Floats, float]:
    """The straight line through the stamps in use, shape (n,), and its slope."""
    number = np.arange(len(time_s), dtype=np.float64)
    number -= number[used].mean()
    pace = float(number[used] @ time_s[used]) / float(number[used] @ number[used])
    return np.asarray(time_s[used].mean() + number * pace), pace


def _smooth(values: Floats, stiffness: float, used: Flags) -> Floats:
    n = len(values)
    band = np.zeros((3, n))
    for lower, taps in enumerate(((1.0, 4.0, 1.0), (-2.0, -2.0), (1.0,))):
        for at, tap in enumerate(taps):
            band[lower, at:at + n - 2] += stiffness * tap
    band[0] += used
    return np.asarray(solveh_banded(band, np.where(used, values, 0.0), lower=True))


def evenly(time_s: Floats, pace: float) -> Floats:
    """Stamps that repeat the one before, spaced evenly up to the next; a pause before the next is left a pause."""
    starts = np.flatnonzero(np.concatenate([[True], np.diff(time_s) > 0.0]))
    counts = np.diff(np.append(starts, len(time_s)))
    until = np.append(time_s[starts[1:]], time_s[-1] + pace * counts[-1])
    step = np.minimum((until - time_s[starts]) / counts, MOST_PACES * pace)
    return time_s + np.repeat(step, counts) * (np.arange(len(time_s)) - np.repeat(starts, counts))
