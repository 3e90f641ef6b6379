"""What may always be there beside the crest: hysteresis, lag, eccentricity, drift; their patterns and sizes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.reference import doubts
from analysis.reference.fit import Addition, Fit, Shift
from analysis.reference.points import Points
from analysis.spec import Spec

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

HYSTERESIS_PRIOR_DEG = 0.25
LAG_PRIOR_S = 0.05
SECOND_PART = 0.2          # of the encoder's error, twice a turn where nothing shows it
DRIFT_PRIOR = 0.1          # lift units over half the trace, both senses seen
DRIFT_PRIOR_ONE_WAY = 0.02
DRIFT_PRIOR_UNSEEN = 0.005  # of one pass, which shows nothing of it
ONE_WAY_DEGREE = 3         # a drift that goes out and back within a pass is not a parabola
UNSTEADY = "unsteady drift"
UNSTEADY_EACH = 3          # more polynomials of drift for each sweep, where it is plain that there is more
FEWEST_UNSTEADY = 2        # of them, where there is but a sign of it
MOST_DRIFT = 24


def nuisances(points: Points, spec: Spec, use: Flags, encoder_per_crank: float, drift_scale: float | None = None,
              lag_scale: float | None = LAG_PRIOR_S, lag_s: float = 0.0,
              filtered: bool = True, second: bool = False) -> tuple[list[Shift], list[Addition]]:
    """Shifts and additions that may always be there; a lag without a scale is left out.

    `second`: what an encoder errs twice a turn with them, once nothing is looked for any longer.
    """
    both = points.both_senses(use)
    shifts: list[Shift] = []
    if both:
        shifts = [Shift("hysteresis", points.sense, HYSTERESIS_PRIOR_DEG)]
        if lag_scale is not None:
            shifts.append(Shift("lag", points.late(lag_s, filtered), lag_scale))
    if spec.u_encoder_deg > 0.0:
        phase = np.deg2rad(points.angle_deg * encoder_per_crank)
        shifts += [Shift("eccentricity, cosine", np.cos(phase), spec.u_encoder_deg),
                   Shift("eccentricity, sine", np.sin(phase), spec.u_encoder_deg)]
    if second and spec.u_encoder_deg > 0.0:
        phase, size = 2.0 * np.deg2rad(points.angle_deg * encoder_per_crank), SECOND_PART * spec.u_encoder_deg
        shifts += [Shift("second harmonic, cosine", np.cos(phase), size),
                   Shift("second harmonic, sine", np.sin(phase), size)]
    return shifts, drift(points, use, both, drift_scale)


def drift(points: Points, use: Flags, both: bool, scale: float | None) -> list[Addition]:
    """Slow drift of the lift: Legendre polynomials of time, the higher the smaller."""
    degree = _drift_degree(points, use, both)
    table = _legendre(points, use, degree)
    size = scale or (DRIFT_PRIOR if both else DRIFT_PRIOR_ONE_WAY)
    return [Addition(f"drift {k}", table[:, k], size / k) for k in range(1, degree + 1)]


def unsteady_drift(points: Points, use: Flags, fit: Fit) -> list[Addition]:
    """Drift that is not slow, as of a probe that warms up and cools down, where the trace asks for it.

    Higher polynomials: many of them where that is plain, and a few, which stay small, where there is a sign of it. None
    with one sense only: within one sweep they would be told from the crest by their size alone.
    """
    if not points.both_senses(use):
        return []
    steady, sweeps = _drift_degree(points, use, True), len(points.sweeps_in(use))
    for more, least in ((UNSTEADY_EACH * sweeps, doubts.LEAST_EVIDENCE),
                        (max(FEWEST_UNSTEADY, sweeps // 2), doubts.SOME_EVIDENCE)):
        degree = min(steady + more, MOST_DRIFT)
        table = _legendre(points, use, degree)[:, steady + 1:]
        relative = 1.0 / np.arange(steady + 1, degree + 1)
        scale = doubts.scale_of_more(fit, table, relative, doubts.UNSTEADY_SCALES, least)
        if scale is not None:
            return [Addition(f"{UNSTEADY} {k}", table[:, k - steady - 1], scale / k)
                    for k in range(steady + 1, degree + 1)]
    return []


def _drift_degree(points: Points, use: Flags, both: bool) -> int:
    return 2 + len(points.sweeps_in(use)) // 2 if both else ONE_WAY_DEGREE


def _legendre(points: Points, use: Flags, degree: int) -> Floats:
    at = np.flatnonzero(use)
    return points.polynomials(float(points.time_s[at[0]]), float(points.time_s[at[-1]]), degree)
