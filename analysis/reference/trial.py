"""The estimate as it grows, and the model that stands behind it while something is still looked for."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from analysis.reference import doubts, nuisances, search
from analysis.reference.fit import Addition, Fit, Shift, Tie
from analysis.reference.lag import LAGS_S
from analysis.reference.look import Look
from analysis.reference.points import Points
from analysis.reference.shapes import Shape
from analysis.reference.solving import solve
from analysis.spec import Spec

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

LASH_DEG, LASH_PART = 0.005, 0.1     # how far a throw may differ from the lash the rising flanks show
LASH_SIGMAS = 3.0
ENCODER_LATE = 5.0        # standard deviations of a negative lag for it to be the encoder's
LAG_NONE_S = 0.001
OUT_AND_BACK = 2          # sweeps of a piston: a drift out and back is what another crest looks like
HALF_LINE = 3.0           # its square, over the variance of readings at their nearest line
LAG_SIGMAS = 3.0          # from which on a lag is more than chance
UNTOLD_PART = 0.1         # of the prior's variance: with as much left the trace tells little of the lag,
UNTOLD_SCALE_S = 0.03     # which may be that of a recorder that averages
LEAST_LAG_S = 0.01        # below this a delay and a filter are the same


@dataclass
class Estimate:
    """A fit with its story."""

    points: Points
    fit: Fit
    shape: Shape
    use: Flags
    knocked: dict[int, str] = field(default_factory=dict)
    knocks: dict[int, search.Finding] = field(default_factory=dict)    # by the sweep that was put aside
    throws: list[search.Throw] = field(default_factory=list)
    hum_hz: float | None = None
    slipped: str = ""
    which_throw: doubts.Doubt = doubts.NONE
    worn_doubt_deg: float = 0.0
    moved_deg: float = 0.0     # by effects that are neither shown nor excluded
    sweep_deviation_deg: dict[int, float] = field(default_factory=dict)
    sweep_uncertainty_deg: dict[int, float] = field(default_factory=dict)

    @property
    def lag_untold(self) -> bool:
        """Both senses, and no lag: the encoder's lines hide it."""
        return "hysteresis" in self.fit.shifts and "lag" not in self.fit.shifts

    def findings(self) -> dict[str, float | str | None]:
        """What was found beside the crest, for the explanation; crank degrees, seconds, lift units."""
        found: dict[str, float | str | None] = {f"{name}": value for name, value in self.fit.shifts.items()}
        found["lift noise"] = self.fit.s0
        found["angle noise"] = self.fit.s1_deg
        if self.shape.known:
            found["gain"] = float(self.fit.coefficients[1])
        return found


@dataclass
class Trial:
    """The model as it stands while something is still looked for."""

    points: Points
    spec: Spec
    look: Look
    encoder_per_crank: float
    gain: float | None
    throws: list[search.Throw] = field(default_factory=list)
    offsets: list[Addition] = field(default_factory=list)
    axis: list[Shift] = field(default_factory=list)
    twice: list[Shift] = field(default_factory=list)
    drift_scale: float | None = None
    lag_scale: float | None = nuisances.LAG_PRIOR_S
    lag_s: float = 0.0
    filtered: bool = True
    ties: list[Tie] = field(default_factory=list)
    second: bool = False       # whether the encoder may err twice a turn where nothing shows it

    def tie(self, fit: Fit) -> None:
        """Throws go across the lash, which is what the rising flanks of the two senses stand apart.

        Wind-up of the train and friction make them differ by little; where the fit says that they differ by more, the
        hysteresis is something else and they are left alone.
        """
        half = 1 + list(fit.shifts).index("hysteresis") if "hysteresis" in fit.shifts else 0
        for row, name in enumerate(fit.shifts, start=1):
            if not half or not name.startswith("throw"):
                continue
            ratio = -2.0 if name == "throw, forward" else 2.0
            away = fit.shifts[name] - ratio * fit.shifts["hysteresis"]
            inverse = fit.normal.inverse
            own = fit.s0**2 * (inverse[row, row] + ratio**2 * inverse[half, half] - 2.0 * ratio * inverse[row, half])
            size = float(np.hypot(LASH_DEG, LASH_PART * fit.shifts[name]))
            if away**2 < LASH_SIGMAS**2 * (own + size**2):
                self.ties.append(Tie(name, "hysteresis", ratio, size))

    def doubt_which(self, out: Estimate) -> None:
        """What it would do to the crest if a throw that was found in both senses were one in one of them."""
        both = next((throw for throw in self.throws if throw.name == "throw, both senses"), None)
        if both is not None and both.name in out.fit.shifts:
            ties, self.ties = self.ties, []
            fit = self.solve(out.shape, out.use, out.fit.crest_deg, start=out.fit) if ties else out.fit
            self.ties = ties
            out.which_throw = doubts.which_throw(self.points, fit, both)

    def choose_lag(self, out: Estimate) -> None:
        """Delay or first-order filter: the one that leaves less."""
        if out.fit.shifts.get("lag", 0.0) < LEAST_LAG_S:
            return
        tried = []
        for filtered in (True, False):
            self.filtered, self.lag_s = filtered, out.fit.shifts["lag"]
            fit = self.solve(out.shape, out.use, out.fit.crest_deg, start=out.fit)
            tried.append((fit.loss(out.use), filtered, fit))
        _, self.filtered, out.fit = min(tried, key=lambda item: item[0])
        self.lag_s = out.fit.shifts["lag"]

    def lag_of_lines(self, fit: Fit) -> bool:
        """Whether a lag is what the encoder's lines make, falling in step with the samples, and not the probe's.

        Hysteresis and lag then cancel each other: what they shift together is no more than half a line. A lag that no
        probe has is not believed for that alone, nor where lines in other places would make as much of one and the two
        together shift no more than the lag does that is budgeted in its place. One that a probe may have is not
        believed where nothing but a wobble of the speed within the sweeps tells it, and the wobble would put the probe
        behind by less than the lines err: there the path has bent to the lines, and its speed with it.
        """
        lag = fit.shifts.get("lag", 0.0)
        sure = math.sqrt(fit.shift_variance.get("lag", 0.0)) * LAG_SIGMAS
        if abs(lag) <= min(LAGS_S[-1], max(sure, LEAST_LAG_S)) or "hysteresis" not in fit.shifts:
            return False
        points, late = self.points, self.points.late(lag, self.filtered)
        weight = fit.weight * fit.slope**2
        total = float(weight.sum())
        shift = lag * late + fit.shifts["hysteresis"] * points.sense
        away = shift - float(weight @ shift) / total
        together = float(weight @ away**2)
        if abs(lag) > LAGS_S[-1] and abs(lag) < LAG_SIGMAS * self._lag_by_lines(fit) \
                and together < UNTOLD_SCALE_S**2 * float(weight @ late**2):
            return True
        lines = float(weight @ np.mean(points.lines.errors()**2, axis=0))
        if together >= HALF_LINE * lines:
            return False
        if abs(lag) > LAGS_S[-1]:
            return True
        steady = _mean_by(points.sweep, late, weight)
        between = float(weight @ (steady - _mean_by(np.where(points.sense > 0.0, 1, 0), steady, weight))**2)
        return lag**2 * float(weight @ (late - steady)**2) < lines and lag**2 * between < (LAG_SIGMAS * fit.s0)**2

    def _lag_by_lines(self, fit: Fit) -> float:
        """Standard deviation of the lag over places of the encoder's lines, another one in each sweep; seconds."""
        rest, shape = fit.normal.row(1 + list(fit.shifts).index("lag"))
        pull = (fit.design.shape.times(shape) + fit.design.dense @ rest) * fit.weight * fit.slope
        moves = [np.array([np.bincount(self.points.sweep, pull * one) for one in self.points.lines.errors(stiff=stiff)])
                 for stiff in (False, True)]
        return math.sqrt(max(float(np.mean(move**2, axis=0).sum()) for move in moves))

    def set_scales(self, fit: Fit, use: Flags) -> None:
        """Take the scales of drift and lag from what the fit says of them."""
        parabola = self.spec.kind in ("piston", "link-rod")
        names = [name for name in fit.additions if name.startswith("drift")]
        if parabola and "hysteresis" not in fit.shifts:
            # drift and crest are the same thing in one pass over a parabola: the trace says nothing of its size
            self.drift_scale = nuisances.DRIFT_PRIOR_UNSEEN
        elif names:
            values = np.array([fit.additions[name] for name in names])
            index = [fit.k + list(fit.additions).index(name) for name in names]
            relative = 1.0 / np.arange(1, len(names) + 1)
            prior = relative * (self.drift_scale or fit.drift_prior)
            self.drift_scale = doubts.scale_of(fit, index, values, relative, prior, doubts.DRIFT_SCALES,
                                              hidden=parabola and len(self.points.sweeps_in(use)) <= OUT_AND_BACK)
        if "lag" in fit.shifts and self.lag_scale is not None:
            row = 1 + list(fit.shifts).index("lag")
            untold = fit.shift_variance["lag"] > UNTOLD_PART * self.lag_scale**2
            found = doubts.scale_of(fit, [row], np.array([fit.shifts["lag"]]), np.ones(1), np.array([self.lag_scale]),
                                    doubts.LAG_SCALES, alone=True)
            # a probe is not early: a negative lag is something else, and says that the lag is small; at even speed,
            # where the trace tells little of it, it may be no more than chance. But an encoder may be read late
            lag, doubt = fit.shifts["lag"], float(np.sqrt(fit.shift_variance["lag"]))
            self.lag_scale = found if lag > 0.0 or lag < -ENCODER_LATE * doubt else min(found, max(LAG_NONE_S, doubt))
            if untold and lag > -LAG_SIGMAS * doubt:
                # even speeds do not tell it from hysteresis, and a small estimate says nothing of its size
                self.lag_scale = max(self.lag_scale, UNTOLD_SCALE_S)

    def solve(self, shape: Shape, use: Flags, crest: float, *, shifts: list[Shift] | None = None,
              offsets: list[Addition] | None = None, gentle: bool = False, start: Fit | None = None) -> Fit:
        always, additions = nuisances.nuisances(self.points, self.spec, use, self.encoder_per_crank,
                                                self.drift_scale, self.lag_scale, self.lag_s, self.filtered,
                                                self.second and not self.twice)
        if not self.points.both_senses(use):
            self.throws = []
        fit = solve(self.points, shape, crest, always + self.axis + self.twice + self.throws + (shifts or []),
                    additions + self.offsets + (offsets or []), use=use, gain_prior=self.gain, gentle=gentle,
                    start=start, ties=self.ties)
        fit.drift_prior = additions[0].prior
        self.lag_s = fit.shifts.get("lag", 0.0)
        return fit

    def place_throws(self, out: Estimate, crest: float) -> None:
        """Where one throw lies depends on where the other does: place each with the other in."""
        if len(self.throws) < 2:
            return
        for k, throw in enumerate(self.throws):
            others = self.throws[:k] + self.throws[k + 1:]
            kept, self.throws = self.throws, others
            fit = self.solve(out.shape, out.use, crest, gentle=True)
            self.throws = kept
            self.throws[k] = search.placed_again(self.points, fit, throw)


def _mean_by(group: npt.NDArray[np.int64], values: Floats, weight: Floats) -> Floats:
    """Weighted mean of the values of each group, for each of its members."""
    total = np.bincount(group, weight)
    return np.asarray((np.bincount(group, weight * values) / np.maximum(total, 1e-300))[group])
