"""What may be there and shows itself: a probe that sticks, and an encoder that errs twice a turn.

A probe with friction stands until the lift is h ahead of it and then follows at that distance, so that it reads h too
little on every rising flank and h too much on every falling one. As a lag does, but whatever the slope and the speed.
An encoder whose disc is oval, or that hangs on a bent coupling, errs twice a turn: it is asked for only where the spec
gives `u_encoder_deg`, and believed only far beyond chance.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.reference.fit import Addition, Fit, Shift
from analysis.reference.points import Points
from analysis.spec import Spec

Floats = npt.NDArray[np.float64]

FRICTION = "friction of the probe"
FRICTION_PRIOR = 0.05      # lift units
LEAST_FRICTION = 0.001     # lift units: less does nothing
LEAST_GAIN = 40.0          # of chi square, before either is believed
TWICE = "encoder, twice a turn"


def friction(points: Points, fit: Fit) -> tuple[Addition, float] | None:
    """What a probe that sticks adds to the lift, and how far chi square would fall; None where nothing shows it."""
    pattern = np.sign(points.sense * fit.u_deg)
    for _ in range(3):
        gains, sizes = fit.gains_and_sizes(pattern[:, None])
        gain, size = float(gains[0]), float(sizes[0])
        if gain < LEAST_GAIN or size < LEAST_FRICTION:
            return None
        pattern = _followed(fit.shape.value(fit.u_deg, fit.coefficients[:fit.shape.size]), size)
    return Addition(FRICTION, pattern, FRICTION_PRIOR), float(fit.gain(pattern[:, None])[0])


def _followed(lift: Floats, friction_mm: float) -> Floats:
    """How far the probe is from the lift, over the friction: 1 above, −1 below; both of shape (n,)."""
    away, stands = [], float(lift[0])
    for value in lift.tolist():
        if value > stands + friction_mm:
            stands = value - friction_mm
        elif value < stands - friction_mm:
            stands = value + friction_mm
        away.append(stands - value)
    return np.array(away) / friction_mm


def twice_a_turn(points: Points, spec: Spec, fit: Fit, encoder_per_crank: float) -> tuple[list[Shift], float]:
    """Cosine and sine of twice the encoder's angle, and how far chi square would fall; none where nothing shows."""
    if spec.u_encoder_deg <= 0.0:
        return [], 0.0
    phase = 2.0 * np.deg2rad(points.angle_deg * encoder_per_crank)
    patterns = np.column_stack([np.cos(phase), np.sin(phase)])
    gain = fit.gain_together(-fit.slope[:, None] * patterns)
    if gain < LEAST_GAIN:
        return [], 0.0
    return [Shift(f"{TWICE}, {name}", patterns[:, k], spec.u_encoder_deg)
            for k, name in enumerate(("cosine", "sine"))], gain
