"""The working data of a fit: a trace reduced to the points that carry its information.

Samples are averaged in blocks of equal count where there are more than the fit needs; spikes are taken out of a
block against its median before averaging. The mean of a block that spans little angle is as good as its samples:
the bend it hides is a quarter of a micrometre for a tenth of a degree on a piston.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d, median_filter, uniform_filter1d

from analysis.quantiles import median, quantile
from analysis.reference.lag import Behind
from analysis.reference.lines import Lines, Readings
from analysis.reference.path import LINES_PER_BIN, LONGEST_BIN_S, SMOOTHNESS, Path, trace_path
from analysis.sweeps import Sweep, encoder_step

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

WANTED_POINTS, WANTED_SWEEPS = 2500, 4      # points of so many sweeps: each of more has as many, so that none bends
DENSE_POINTS = 120_000    # what is worked on sample by sample; more is averaged in plain blocks first
STALL_POINTS = 6          # equal encoder readings in a row before it counts as standing still
BELIEF_SPAN_S = 0.24      # the smooth path is compared with all that was read within half of this
LONG_PAUSE_S, SHORT_PAUSE_S = 10.0, 2.0      # of the record
LINE_NOISE = 12.0**-0.5   # standard deviation of a reading at its nearest line, in steps
HELD_SPAN = 9             # samples to look over whether the lift stands at one step of the converter:
HELD_MOVES = 0.25         # from sample to sample it then changes less often
KINK_BEFORE_S = 0.05      # how long before a start or stop,
KINK_AFTER_S = 0.15       # and how long after it (the probe is late), the angle is doubtful
KINK_S = 0.05             # by what the shaft does in this time
PACE_STRIDE = 8           # samples: the usual speed needs no more
HIDDEN_TIMES, HIDDEN_PART = 3.0, 0.05     # of what samples make of the moment a line is passed; of a line
NOISE_SPAN, MOVING_STEPS = 15, 2.0     # samples; steps of the converter
STALL_LINES = 3.0         # times as long as a line usually lasts
EACH_PASSED, FEWEST_PASSED = 4.0, 24      # samples that a line lasts, and lines
ANGLE_TRUST = 0.75        # of a step: how far a smoothed angle may stand from what was read


@dataclass(frozen=True)
class Points:
    """Columns of equal length n, in order of time.

    time_s; angle_deg (crank, cumulative); lift (scaled: see `scale`); sweep (index); sense (+1, -1);
    speed (crank degrees per second, signed);
    behind (see `lag`); count (samples in the point, 1 for the usual
    number); spiky (flag: stands out of its neighbourhood); rough_deg (standard deviation of an angle as read, to its
    nearest line: 0 where the steps are smoothed out); drawn_deg (standard deviation to weigh a smoothed angle with);
    held (least standard deviation of a lift that stands at one step of the converter, as lift is scaled; else 0);
    hidden (flag: the shaft's speed changes between two lines, where nobody read it).
    `noise_steps`: how far readings lie from their running mean, in steps of the converter; a quiet probe makes it 0.37.
    `lines` says what the encoder's lines would add to each point's angle, were they elsewhere.
    `scale` is what lift was divided by to stand in millimetres or, for raw counts, in twentieths of their range.
    """

    time_s: Floats
    angle_deg: Floats
    lift: Floats
    sweep: Ints
    sense: Floats
    speed: Floats
    behind: Behind
    spiky: Flags
    count: Floats
    rough_deg: Floats
    drawn_deg: Floats
    held: Floats
    hidden: Flags
    samples_per_point: int
    lines: Lines
    scale: float = 1.0
    noise_steps: float = math.inf

    def __len__(self) -> int:
        return len(self.time_s)

    def sweeps_in(self, use: Flags) -> list[int]:
        """The sweeps that have points in use, ascending."""
        return np.flatnonzero(np.bincount(self.sweep[use])).tolist()

    def both_senses(self, use: Flags) -> bool:
        """Whether points of either sense are in use."""
        senses = self.sense[use]
        return bool(len(senses)) and float(senses.min()) != float(senses.max())

    @cached_property
    def top(self) -> float:
        """The lift of the crest, spikes aside."""
        return quantile(self.lift, 0.995)

    @cached_property
    def _polynomials(self) -> dict[tuple[float, float], Floats]:
        return {}

    def polynomials(self, first_s: float, last_s: float, degree: int) -> Floats:
        """Legendre polynomials of time, −1 at the first and 1 at the last instant; shape (n, degree + 1)."""
        known = self._polynomials.get((first_s, last_s))
        if known is None or known.shape[1] <= degree:
            middle, half = (first_s + last_s) / 2.0, max((last_s - first_s) / 2.0, 1e-9)
            part = np.clip((self.time_s - middle) / half, -1.2, 1.2)
            known = self._polynomials[first_s, last_s] = np.asarray(np.polynomial.legendre.legvander(part, degree))
        return known[:, :degree + 1]

    def late(self, lag_s: float, filtered: bool) -> Floats:
        """How far behind the probe is for each second of lag, crank degrees per second, shape (n,)."""
        return self.behind.late(lag_s, filtered)


@dataclass(frozen=True)
class Motion:
    """What the shaft did at n samples.

    angle_deg (n,): the encoder's steps smoothed out where that can be believed;
    rough_deg (n,): standard deviation of the angle where it is not smooth;
    reading_deg (n,): that of a reading about the smooth path where that is believed, else that of its line;
    hidden: whether lines are passed at moments that no path explains: the speed changes between two of them.
    """

    angle_deg: Floats
    rough_deg: Floats
    reading_deg: Floats
    path: Path | None
    hidden: bool = False

    def speed(self, time_s: Floats) -> Floats:
        """Crank degrees per second, shape (len(time_s),)."""
        return np.zeros(len(time_s)) if self.path is None else self.path.speed(time_s)


def gather(time_s: Floats, angle_deg: Floats, lift: Floats, sweeps: list[Sweep], *, scale: float = 1.0,
           step_deg: float | None = None, at_lines: bool = False) -> Points:
    """Reduce the samples of the sweeps to points; arguments of shape (n,).

    `at_lines`: each was taken where a line is passed.
    """
    total = sum(sweep.stop - sweep.start for sweep in sweeps)
    first = max(1, total // DENSE_POINTS)
    columns: list[tuple[Floats, Floats, Floats]] = []
    for sweep in sweeps:
        part = slice(sweep.start, sweep.stop)
        columns.append(_blocks(time_s[part], angle_deg[part], lift[part], first))
    step = encoder_step(angle_deg) if step_deg is None else step_deg
    wanted = WANTED_POINTS * max(WANTED_SWEEPS, len(columns)) // WANTED_SWEEPS
    per_point = max(1, sum(len(c[0]) for c in columns) // wanted)
    parts: list[tuple[Floats, ...]] = []
    readings: list[Readings] = []
    hidden: list[bool] = []
    near: tuple[float, float] | None = None
    for time, angle, height in columns:
        close = _without_pauses(time, angle)
        moved = motion(close, angle, step, near, at_lines=at_lines)
        near = near if moved.path is None else moved.path.smoothness
        hidden.append(moved.hidden)
        merged, first_of, weight = _merged(close, angle, height, per_point, step, moved)
        parts.append(merged if close is time else (np.interp(merged[0], close, time), *merged[1:]))
        readings.append(Readings(close, angle, moved.path, first_of, weight))
    sizes = [len(part[0]) for part in parts]
    time_p, angle_p, lift_p, count_p, spiky, speed, rough, drawn, held = (
        np.concatenate([part[k] for part in parts]) for k in range(9))
    sweep_p = np.repeat(np.arange(len(sweeps)), sizes)
    sense = np.repeat([float(s.sense) for s in sweeps], sizes)
    known = 0.0 if at_lines or first > 1 else step
    return Points(time_p, angle_p, lift_p / scale, sweep_p, sense, speed, Behind(readings), spiky > 0.0, count_p, rough,
                  drawn, held / scale, np.repeat(hidden, sizes), first * per_point, Lines(known, readings), scale,
                  max(_noise_steps(height) for _, _, height in columns))


def _without_pauses(time_s: Floats, angle_deg: Floats) -> Floats:
    """Times with long pauses of the record as short as the shaft's usual speed makes them; shape (n,).

    Nobody knows what the shaft did meanwhile, and a path through thousands of empty bins is none.
    """
    lasted = np.diff(time_s)
    long = lasted > LONG_PAUSE_S
    if not long.any():
        return time_s
    moved = np.abs(np.diff(angle_deg))
    turning = float(lasted[~long].sum())
    speed = float(moved[~long].sum()) / turning if turning > 0.0 else 0.0
    needed = moved[long] / speed if speed > 0.0 else np.zeros(int(long.sum()))
    lasted[long] = np.minimum(lasted[long], np.maximum(needed, SHORT_PAUSE_S))
    return np.asarray(time_s[0] + np.concatenate([[0.0], np.cumsum(lasted)]))


def _blocks(time_s: Floats, angle_deg: Floats, lift: Floats, count: int) -> tuple[Floats, Floats, Floats]:
    """Means of `count` samples each, without those far from the block's median lift."""
    n = len(time_s) // count * count
    if count == 1 or n == 0:
        return time_s, angle_deg, lift
    time_b, angle_b, lift_b = (column[:n].reshape(-1, count) for column in (time_s, angle_deg, lift))
    middle = np.median(lift_b, axis=1, keepdims=True)
    away = np.abs(lift_b - middle)
    good = away <= np.maximum(8.0 * np.median(away, axis=1, keepdims=True), 1e-12)
    weight = good / good.sum(axis=1, keepdims=True)
    return (time_b * weight).sum(axis=1), (angle_b * weight).sum(axis=1), (lift_b * weight).sum(axis=1)


def _merged(time_s: Floats, angle_deg: Floats, lift: Floats, per_point: int, step_deg: float,
            moved: Motion) -> tuple[tuple[Floats, ...], Ints, Floats]:
    """Time, angle, lift, count, spiky and speed of points of `per_point` samples, with stalls as single points.

    With them the first sample of each point, and the samples' weights in it.

    While the shaft stands, every sample has the same encoder error: a thousand of them are one observation.
    """
    n = len(time_s)
    spiky = _stands_out(lift)
    starts = np.flatnonzero(np.concatenate([[True], np.diff(angle_deg) != 0.0]))
    lengths = np.diff(np.append(starts, n))
    long = lengths > max(STALL_POINTS, 3 * per_point, STALL_LINES * median(lengths.astype(float)))
    ends = np.zeros(n + 1, dtype=bool)
    ends[:n:per_point] = ends[starts[long]] = ends[starts[long] + lengths[long]] = True
    edges = np.flatnonzero(ends[:n])
    owner = np.searchsorted(starts, edges, side="right") - 1
    edges = edges[~(long[owner] & (edges != starts[owner]))]
    weight = (~spiky).astype(float)
    kept = np.add.reduceat(weight, edges)
    weight[np.repeat(kept == 0.0, np.diff(np.append(edges, n)))] = 1.0
    counts = np.add.reduceat(weight, edges)
    rough = np.maximum(moved.rough_deg, np.repeat(long, lengths) * step_deg * LINE_NOISE)
    columns = (time_s, moved.angle_deg, lift, rough, moved.reading_deg)
    means = [np.add.reduceat(column * weight, edges) / counts for column in columns]
    drawn = means[4] / np.sqrt(counts)
    flags = (kept == 0.0).astype(float)
    at, share = means[0], weight / np.repeat(counts, np.diff(np.append(edges, n)))
    return (at, means[1], means[2], counts / per_point, flags, moved.speed(at), means[3], drawn,
            _held(lift, edges, per_point)), edges, share


def _held(lift: Floats, edges: Ints, per_point: int) -> Floats:
    """Least standard deviation of each point's lift, from the samples' lifts and the first sample of each point.

    A probe whose noise is less than a step of its converter stands at one step while the lift changes little, and all
    its readings there err alike, by up to half a step: however many they are, they are one observation.
    """
    if len(lift) < HELD_SPAN:
        return np.zeros(len(edges))
    span = max(per_point, HELD_SPAN)
    moves = np.abs(np.diff(lift, prepend=lift[0]))
    middle = (edges + np.append(edges[1:], len(lift)) - 1) // 2
    few = uniform_filter1d((moves > 0.0).astype(float), span)[middle] < HELD_MOVES
    if not few.any():
        return np.zeros(len(edges))
    near = np.repeat(few, np.diff(np.append(edges, len(lift)))) & (moves > 0.0)
    if not near.any():
        return np.zeros(len(edges))
    step = quantile(moves[near], 0.1)
    level = uniform_filter1d(lift, span)
    travel = level[np.minimum(middle + span, len(lift) - 1)] - level[np.maximum(middle - span, 0)]
    held = few & (np.abs(travel) < step)
    starts = np.flatnonzero(np.concatenate([[True], held[1:] != held[:-1]]))
    stretch = np.diff(np.append(starts, len(held)))
    return np.where(held, step * LINE_NOISE * np.sqrt(np.repeat(stretch, stretch)), 0.0)


def motion(time_s: Floats, angle_deg: Floats, step_deg: float, near: tuple[float, float] | None = None, *,
           at_lines: bool = False) -> Motion:
    """The shaft's motion over one sweep; arguments of shape (n,), the encoder's step in crank degrees.

    The smooth path is believed where it stays within the encoder's step of all that was read nearby, else the
    reading stands. Where the shaft starts or stops neither is: nobody read what it did between two lines. `near` is
    the smoothness of a sweep before it. `at_lines`: where a line is passed the reading is the angle.
    """
    n = len(time_s)
    # readings that err by next to nothing: a path that averages over the changes of speed seems as likely, from afar
    least_smooth = (SMOOTHNESS[0], SMOOTHNESS[0])
    if at_lines:
        path = trace_path(time_s, angle_deg, least_smooth, line_deg=step_deg * LINE_NOISE, at_lines=True)
        hidden = (path is not None and path.reading_deg > HIDDEN_PART * step_deg
                  and LINES_PER_BIN * median(np.diff(time_s)) > LONGEST_BIN_S)
        return Motion(angle_deg, np.zeros(n), np.zeros(n), path, hidden)
    path, each, hidden = trace_path(time_s, angle_deg, near, line_deg=step_deg * LINE_NOISE), 1.0, False
    passed = _passed(time_s, angle_deg)
    # a ripple within the lines shows in all the readings, not in where the lines are passed
    if passed is not None and path is not None and path.ripple is None:
        path, each = trace_path(*passed, least_smooth, at_lines=True), math.sqrt(n / len(passed[0]))
        timed = abs(float(angle_deg[-1] - angle_deg[0])) / n * LINE_NOISE      # what a sample is late by
        hidden = path is not None and path.reading_deg > HIDDEN_TIMES * timed
    if path is None:
        return Motion(angle_deg, np.full(n, step_deg * LINE_NOISE), np.zeros(n), None)
    smooth = path(time_s)
    span = max(3, round(BELIEF_SPAN_S / max(float(time_s[-1] - time_s[0]) / n, 1e-9)))
    believed = maximum_filter1d(np.abs(smooth - angle_deg), span) <= ANGLE_TRUST * step_deg + 1e-9
    doubtful = path.near_kink(time_s, KINK_BEFORE_S, KINK_AFTER_S)
    line = step_deg * LINE_NOISE
    rough = np.where(believed, 0.0, line)
    if doubtful.any():
        usual = median(np.abs(path.speed(time_s[::PACE_STRIDE])))
        rough += np.where(doubtful, line + usual * KINK_S, 0.0)
    return Motion(np.where(believed, smooth, angle_deg), rough, np.where(believed, path.reading_deg * each, line), path,
                  hidden)


def _passed(time_s: Floats, angle_deg: Floats) -> tuple[Floats, Floats] | None:
    """When and where lines are passed, halfway between two readings.

    None where bins as short as a change of speed allows hold lines enough to average over, or a line but a few samples.
    """
    at = np.flatnonzero(np.diff(angle_deg) != 0.0)
    if len(at) < FEWEST_PASSED or len(time_s) < EACH_PASSED * len(at):
        return None
    if LINES_PER_BIN * median(np.diff(time_s[at])) < LONGEST_BIN_S:
        return None
    return (time_s[at] + time_s[at + 1]) / 2.0, (angle_deg[at] + angle_deg[at + 1]) / 2.0


def _noise_steps(lift: Floats) -> float:
    """How far a lift that moves is from its running mean, in steps of its converter; infinite where that is not told.

    The steps alone make it 0.37 (a robust standard deviation): readings of so quiet a probe repeat at every crest.
    """
    steps = np.abs(np.diff(lift))
    steps = steps[steps > 0.0]
    if len(steps) < NOISE_SPAN:
        return math.inf
    step, mean, reach = quantile(steps, 0.1), uniform_filter1d(lift, NOISE_SPAN), NOISE_SPAN // 2
    moving = np.abs(mean[2 * reach:] - mean[:-2 * reach]) > MOVING_STEPS * step
    away = np.abs(lift - mean)[reach:-reach][moving]
    return math.inf if len(away) < 3 * NOISE_SPAN else median(away) * 1.4826 / step


def _stands_out(lift: Floats) -> Flags:
    """Samples more than eight robust deviations from the median of their eleven neighbours."""
    if len(lift) < 12:
        return np.zeros(len(lift), dtype=bool)
    away = np.abs(lift - median_filter(lift, 11, mode="nearest"))
    typical = median(away[away > 0.0]) * 1.4826 if (away > 0.0).any() else 0.0
    flags = away > 8.0 * max(typical, 1e-12)
    flags[:6] = flags[-6:] = False
    return np.asarray(flags, dtype=bool)
