"""The estimate: from points to a crest with its nuisances, knocked sweeps put aside.

The order: start from the bisected crests; fit with what always may be there (hysteresis and lag where both senses
are seen, slow drift, eccentricity where the spec gives its size); put aside sweeps in which the probe was knocked;
ask whether the shaft was thrown across its lash at the crest in one sense; ask for hum; fit again.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from analysis.reference import search
from analysis.reference.fit import Addition, Fit, Shift, solve
from analysis.reference.lobe import bisect
from analysis.reference.look import Look
from analysis.reference.points import Points
from analysis.reference.shapes import EvenLobe, Known, Shape, known_shape
from analysis.spec import Spec

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

HYSTERESIS_PRIOR_DEG = 0.5
LAG_PRIOR_S = 0.05
DRIFT_PRIOR = 0.1          # lift units over half the trace, both senses seen
DRIFT_PRIOR_ONE_WAY = 0.02
GAIN_PRIOR = 0.02
KNOCK_PRIOR = 3.0
MOST_FINDINGS = 12


@dataclass
class Estimate:
    """A fit with its story."""

    points: Points
    fit: Fit
    shape: Shape
    use: Flags
    knocked: dict[int, str] = field(default_factory=dict)
    throws: list[Shift] = field(default_factory=list)
    hum_hz: float | None = None
    slipped: str = ""
    sweep_deviation_deg: dict[int, float] = field(default_factory=dict)
    sweep_uncertainty_deg: dict[int, float] = field(default_factory=dict)

    def findings(self) -> dict[str, float | str | None]:
        """What was found beside the crest, for the explanation; crank degrees, seconds, lift units."""
        found: dict[str, float | str | None] = {f"{name}": value for name, value in self.fit.shifts.items()}
        found["lift noise"] = self.fit.s0
        found["angle noise"] = self.fit.s1_deg
        if self.shape.known:
            found["gain"] = float(self.fit.coefficients[1])
        return found


def start_crest(points: Points, look: Look, sweeps: list[int], known: Known | None) -> float:
    """Median of the sweeps' bisected crests; for a lopsided known shape less what bisecting it would give."""
    crests = [m.crest_deg for k in sweeps if (m := look.sweeps[k].midline) is not None and m.crest_deg is not None]
    crest = float(np.median(crests))
    if known is None:
        return crest
    for _ in range(2):
        u = points.angle_deg[np.isin(points.sweep, sweeps)] - crest
        grid = np.linspace(u.min(), u.max(), 2000)
        lift = known.lift(grid)
        top = float(lift.max())
        floor = max(float(lift.min()), top - look.range)
        middle = bisect(grid, np.maximum(lift, floor), floor, top).crest_deg
        crest = float(np.median(crests)) - (middle or 0.0)
    return crest


def usable(points: Points, look: Look, sweeps: list[int], crest_deg: float, kind: str) -> Flags:
    """Points of the sweeps whose lift was measured: none on a rail or with the probe off its datum."""
    use = np.isin(points.sweep, sweeps)
    if not look.floor and kind in ("lobe", "lobe-profile"):
        return use
    part = 0.06 if look.floor else 0.02
    reach: list[float] = []
    for k in sweeps:
        mine = points.sweep == k
        line = bisect(points.angle_deg[mine], points.lift[mine], look.low, look.low + part * look.range / 0.5)
        if len(line.level):
            at = int(np.argmin(np.abs(line.level - (look.low + part * look.range))))
            reach += [crest_deg - float(line.left_deg[at]), float(line.right_deg[at]) - crest_deg]
    if not reach:
        return use
    inside = np.abs(points.angle_deg - crest_deg) < min(reach)
    return use & inside if kind in ("piston", "link-rod") or look.floor else use


def shape_for(spec: Spec, points: Points, use: Flags, crest_deg: float) -> Shape:
    """The spec's shape, or an even lobe with knots to suit the number of points."""
    known = known_shape(spec)
    if known is not None:
        return known
    reach = float(np.abs(points.angle_deg[use] - crest_deg).max()) + 1.5
    return EvenLobe(reach, int(np.clip(use.sum() / 15, 12, 220)))


def nuisances(points: Points, spec: Spec, use: Flags, encoder_per_crank: float, look: Look
              ) -> tuple[list[Shift], list[Addition]]:
    """Shifts and additions that may always be there."""
    senses = set(points.sense[use].tolist())
    shifts: list[Shift] = []
    if len(senses) == 2:
        shifts = [Shift("hysteresis", points.sense, HYSTERESIS_PRIOR_DEG), Shift("lag", points.speed, LAG_PRIOR_S)]
    if spec.u_encoder_deg > 0.0:
        phase = np.deg2rad(points.angle_deg * encoder_per_crank)
        shifts += [Shift("eccentricity, cosine", np.cos(phase), spec.u_encoder_deg),
                   Shift("eccentricity, sine", np.sin(phase), spec.u_encoder_deg)]
    return shifts, drift(points, use, len(senses) == 2)


def drift(points: Points, use: Flags, both: bool) -> list[Addition]:
    """Slow drift of the lift: Legendre polynomials of time, the higher the smaller."""
    span = points.time_s[use]
    middle, half = (span[0] + span[-1]) / 2.0, max((span[-1] - span[0]) / 2.0, 1e-9)
    part = np.clip((points.time_s - middle) / half, -1.2, 1.2)
    sweeps = len(np.unique(points.sweep[use]))
    degree = 2 + sweeps // 2 if both else 2
    table = np.polynomial.legendre.legvander(part, degree)
    size = DRIFT_PRIOR if both else DRIFT_PRIOR_ONE_WAY
    return [Addition(f"drift {k}", table[:, k], size / k) for k in range(1, degree + 1)]


def estimate(points: Points, spec: Spec, look: Look, sweeps: list[int], encoder_per_crank: float) -> Estimate:
    """Fit the sweeps (indices) that passed the first look; needs at least one."""
    known = known_shape(spec)
    crest = start_crest(points, look, sweeps, known)
    use = usable(points, look, sweeps, crest, spec.kind)
    gain = GAIN_PRIOR if known is not None and points.scale == 1.0 else None
    shape = shape_for(spec, points, use, crest)
    shifts, additions = nuisances(points, spec, use, encoder_per_crank, look)
    first = solve(points, shape, crest, shifts, additions, use=use, gain_prior=gain, gentle=True)
    out = Estimate(points, first, shape, use)
    throws: list[Shift] = []
    moved: list[Addition] = []
    for _ in range(MOST_FINDINGS):
        shifts, additions = nuisances(points, spec, out.use, encoder_per_crank, look)
        additions = additions + moved
        if len(set(points.sense[out.use].tolist())) < 2:
            throws = []
        fit = solve(points, out.shape, crest, shifts + throws, additions, use=out.use, gain_prior=gain, gentle=True)
        crest = fit.crest_deg
        found = search.best(points, fit, out.use, [t.name for t in throws])
        if found is None:
            break
        if found.throw is not None:
            throws.append(found.throw)
            continue
        if found.sweep < 0:
            out.slipped, out.fit, out.throws = found.sentence, fit, throws
            return out
        out.knocked[found.sweep] = found.sentence
        # a probe that was knocked stays where it was knocked to
        moved.append(Addition("offset after a knock", (points.time_s >= found.time_s).astype(float), KNOCK_PRIOR))
        left = out.use & (points.sweep != found.sweep)
        if not left.any():
            out.fit = fit
            return out
        out.use = left
        out.shape = shape_for(spec, points, out.use, crest)
    out.throws = throws
    shifts, additions = nuisances(points, spec, out.use, encoder_per_crank, look)
    additions = additions + moved
    out.fit = solve(points, out.shape, crest, shifts + throws, additions, use=out.use, gain_prior=gain)
    return out
