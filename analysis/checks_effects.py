"""Gates on what a fit found beside the crest: the lag, throws across the lash, what probe and encoder do.

As in `checks`: a gate that fails means no result; what shuts no gate is said.
"""

from __future__ import annotations

import math

from analysis.reference import search, worn
from analysis.reference.budget import UNTOLD_S
from analysis.reference.lag import LAGS_S
from analysis.reference.sticking import FRICTION, TWICE
from analysis.reference.suspects import most_throw_deg
from analysis.reference.trial import Estimate
from analysis.result import Check


def of_throws(found: Estimate) -> list[Check]:
    """Whether what was taken for a throw goes further than the lash that the driven flanks show.

    A probe that is knocked at the same place in both senses looks like one, with a drift that brings it back.
    """
    thrown = max((abs(size) for name, size in found.fit.shifts.items() if name.startswith("throw")), default=0.0)
    if thrown == 0.0:
        return []
    most = most_throw_deg(found.fit, found.points, found.use)
    if thrown <= most:
        return []
    return [Check("probe knock, throw beyond the lash", False, thrown, most, "crank deg",
                  f"Past the crest the flanks stand off by {thrown:.2f} degrees, further than the lash that the rising "
                  "flanks show lets the shaft be thrown: the probe was knocked there, or the datum is another one.")]


def of_lag(found: Estimate) -> list[Check]:
    """Whether forward and reverse are reconciled by a lag that a probe can have.

    Knocks in every sweep can be told from nothing else when there are few sweeps; what they ask for then is a lag,
    drift and hysteresis beyond all measure.
    """
    if found.lag_untold:
        return [Check("lag", True, None, LAGS_S[-1], "s",
                      "The encoder's lines fall in step with the samples and look like a lag of the probe: none was "
                      f"taken off, and one of {UNTOLD_S * 1e3:.0f} ms is in the budget.")]
    lag = found.fit.shifts.get("lag")
    if lag is None:
        return []
    passed = abs(lag) <= LAGS_S[-1]
    return [Check("lag, probe knock", passed, lag, LAGS_S[-1], "s",
                  "The probe's lag is one that a probe can have." if passed else
                  f"The sweeps would only agree with a probe {abs(lag):.2f} s {'late' if lag > 0.0 else 'early'}: it "
                  "was knocked, or the times of lift and encoder do not belong together.")]


def of_probe_and_encoder(found: Estimate) -> list[Check]:
    """What the trace shows of probe and encoder beside what every one has; said, and shuts no gate."""
    made = []
    sticks = found.fit.additions.get(FRICTION)
    if sticks is not None:
        size, unit = _sized(found, abs(sticks))
        made.append(Check("probe friction", True, size, None, unit,
                          f"The probe sticks and follows {size:.0f} {unit} behind the lift; this was taken out."))
    twice = [value for name, value in found.fit.shifts.items() if name.startswith(TWICE)]
    if twice:
        size = math.hypot(*twice)
        made.append(Check("encoder, twice a turn", True, size, None, "crank deg",
                          f"The encoder errs twice a turn by {size:.3f} degrees; this was taken out."))
    for name, value in found.fit.additions.items():
        if name.startswith(search.ZERO):
            size, unit = _sized(found, value)
            made.append(Check("zero of the probe", True, size, None, unit,
                              f"From {name.removeprefix(search.ZERO).strip()} on, between two sweeps, the lift stands "
                              f"{size:+.0f} {unit} off: the probe or its dial was set anew or knocked there. "
                              "This was taken out."))
    if worn.shown(found.fit):
        made.append(_form(found))
    return made


def _sized(found: Estimate, lift: float) -> tuple[float, str]:
    """A lift as it is said: in micrometres, or in counts where they have no size."""
    return (lift * 1e3, "µm") if found.points.scale == 1.0 else (lift * found.points.scale, "counts")


def _form(found: Estimate) -> Check:
    """Where the datum is not what it should be."""
    at_deg, off = worn.deviation(found.fit)
    size, unit = _sized(found, off)
    side = "past" if at_deg > 0.0 else "before"
    said = (f"In all sweeps the lift stands {size:+.0f} {unit} off the datum's shape {abs(at_deg):.0f} degrees "
            f"{side} the crest" if found.shape.known else
            f"In all sweeps the flanks differ by {abs(size):.0f} {unit} {abs(at_deg):.0f} degrees from the crest; "
            f"{side} it the lift is the lower")
    return Check("form of the datum", True, size, None, unit,
                 f"{said}: worn, burred or dirty there. The angle was found from the rest. Look at the place.")
