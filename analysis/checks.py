"""Quality gates: what must hold before an angle is given, each with value, limit and a sentence.

A gate that fails means no result. Gates only look at facts found elsewhere; they decide, they do not compute.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from analysis import checks_effects as effects
from analysis.quantiles import median, quantile
from analysis.reference import axis
from analysis.reference.look import Look, midlines_apart
from analysis.reference.points import LINE_NOISE
from analysis.reference.suspects import MISFIT_PART
from analysis.reference.trial import Estimate
from analysis.result import Check, SweepResult
from analysis.spec import ProbeCalibration, Spec
from analysis.sweeps import Sweep

Floats = npt.NDArray[np.float64]

REPEATABILITY_DEG = 0.12
RELATED_PART, RELATED_RATIO = 0.0015, 4.0      # of the lift, and of what neighbouring points differ by
MOST_ANGLE_NOISE_DEG, MOST_ANGLE_NOISE_LINES = 0.25, 2.0      # a shaft that sticks and slips shows up to 0.17
MOST_OF_ANY_DEG = 3.0     # noise of the angle, whatever the datum
SMOOTH_ANGLE_NOISE_DEG, SMOOTH_ANGLE_NOISE_LINES = 0.06, 6.0      # where the path is smooth, for
MOST_READ = 0.3           # all but this share of the points
MOST_THROW_DEG = 0.6      # lash of a drive in use is below half a degree of the crank
ONE_PLACE_DEG = 1.0       # within which steps of several sweeps are at one place
MIDLINES_DEG = 0.5        # drift and noise move chords by less
MOST_MISS_MM, MOST_MISS_ALONE_MM = 3.0, 1.2      # of the axis: several sweeps, and a single one, which may hide a knock
MOST_MISS_PROFILE_MM = 0.6      # of a probe whose profile was taken as it should stand
LEAST_GAIN, MOST_GAIN = 0.9, 1.1     # of a probe in millimetres; one tilted by 20 degrees reads 0.94
LEAST_LOBE_MM, MOST_LOBE_MM = 1.5, 300.0     # of lift: a locomotive's lobes lift from 5 to 40 mm

MOST_EXPANDED_DEG = 5.0   # ten times a wide tolerance
ALIKE_PART = 0.5          # of the samples of a sweep that is used: one with fewer is a short one

# When several faults are seen, the one that explains the others comes first.
FAULT_ORDER = ("saturation", "sign inverted", "two crests", "flank missing", "crest not passed", "too few samples")


def failed(made: list[Check]) -> bool:
    """Whether any gate is shut."""
    return any(not check.passed for check in made)


def of_range(counts: Floats, calibration: ProbeCalibration) -> list[Check]:
    """Whether the counts lie where the probe was calibrated."""
    if calibration.range_counts is None:
        return []
    low, high = calibration.range_counts
    outside = float(np.mean((counts < low) | (counts > high)))
    limit = 0.06
    return [Check("calibrated range", outside <= limit, outside, limit, "share of samples",
                  f"{outside:.1%} of the samples lie outside the probe's calibrated range.")]


def not_fitted() -> Check:
    """Equations that have no solution: what was recorded is no passage over a datum."""
    return Check("profile mismatch", False, None, None, "",
                 "No shape can be fitted to what was recorded: too little of it passes over the datum.")


def of_uncertainty(expanded_deg: float) -> Check:
    """Whether the trace says anything of the crest."""
    return Check("crest untold", expanded_deg <= MOST_EXPANDED_DEG, expanded_deg, MOST_EXPANDED_DEG, "crank deg",
                 f"The crest is told to ±{expanded_deg:.3g} degrees only, which is no answer: "
                 "too little of what was recorded passes over the datum.")


def of_look(seen: Look, sweeps: list[Sweep]) -> list[Check]:
    """Whether any sweep can be used, and if none, the fault that explains it."""
    faults = [s.fault for s in seen.sweeps if s.fault]
    usable = len(seen.sweeps) - len(faults)
    made = [Check("sweeps over the crest", usable >= 1, float(usable), 1.0, "sweeps",
                  f"{usable} of {len(seen.sweeps)} sweeps pass the crest on both flanks.")]
    grave = [name for name in ("saturation", "two crests", "sign inverted")
             if faults.count(name) * 2 > len(seen.sweeps)]
    if not grave and _rail_decides(seen, sweeps):
        grave = ["saturation"]
    if not grave and _few_decide(seen, sweeps):
        grave = ["too few samples"]
    if usable == 0 or grave:
        worst = grave[0] if grave else min(set(faults), key=FAULT_ORDER.index) if faults else "too few samples"
        first = next((s.message for s in seen.sweeps if s.fault == worst), "No sweep was found.")
        made.append(Check(worst, False, float(faults.count(worst)), 0.0, "sweeps", first))
    return made


def _rail_decides(seen: Look, sweeps: list[Sweep]) -> bool:
    """Whether sweeps with a railed crest are as many as good ones, or all that there are of their sense.

    One crest rails in all sweeps or in none: the few that escape a look are no better, and a reference in one sense is
    not what a trace of two was made for.
    """
    good = [sweep.sense for one, sweep in zip(seen.sweeps, sweeps, strict=True) if not one.fault]
    railed = [sweep.sense for one, sweep in zip(seen.sweeps, sweeps, strict=True) if one.fault == "saturation"]
    return bool(railed) and (len(railed) >= len(good) or not set(railed) <= set(good))


def _few_decide(seen: Look, sweeps: list[Sweep]) -> bool:
    """Whether a sense is lost because its sweeps hold too few samples, and not because they are short.

    A sweep there and back at two samples a second may pass the least number on the way there and not on the way back.
    """
    held = [sweep.stop - sweep.start for sweep in sweeps]
    good = {sweep.sense for one, sweep in zip(seen.sweeps, sweeps, strict=True) if not one.fault}
    least = min((n for one, n in zip(seen.sweeps, held, strict=True) if not one.fault), default=0)
    return any(one.fault == "too few samples" and sweep.sense not in good and n > ALIKE_PART * least > 0.0
               for one, sweep, n in zip(seen.sweeps, sweeps, held, strict=True))


def of_estimate(found: Estimate, rows: list[SweepResult], seen: Look, spec: Spec, good: list[int]) -> list[Check]:
    """Gates on the fit: knocks, agreement of the sweeps, hysteresis, misfit."""
    misfit = _misfit(found, seen, spec)
    if not misfit.passed:
        return [misfit]
    made = []
    if found.slipped:
        made.append(Check("repeatability", False, None, REPEATABILITY_DEG, "crank deg", found.slipped))
    if not found.slipped or found.knocked:
        made.append(_knocks(found, good))
    if not failed(made):
        made.append(_repeatability(found, rows, seen))
    made += [misfit, *effects.of_lag(found), *effects.of_throws(found), *_unit(found),
             *effects.of_probe_and_encoder(found), *_midline(found, spec)]
    if "hysteresis" not in found.fit.shifts:
        told = spec.u_lash_deg > 0.0 or spec.u_lag_s > 0.0
        made.append(Check("one sense only", True, None, None, "",
                          "One sense only: half the lash and the lag are in the budget as the spec gives them." if told
                          else "One sense only: half the lash and the lag are not in the data, nor in the spec."))
    return made


def _midline(found: Estimate, spec: Spec) -> list[Check]:
    """Whether the chord midpoints drift with the lift; a drift that was corrected is said, and shuts no gate.

    Unless it is larger than any probe was ever set: then the lobe is none of those that may be bisected, or the probe
    was knocked, which a single sweep tells from it only where the drift is small.
    """
    miss = found.fit.shifts.get(axis.NAME)
    if miss is None:
        return []
    turned = axis.turn_at_crest_deg(found.points, spec, found.fit)
    known = axis.doubt_deg(found.points, spec, found.fit) == 0.0
    most = MOST_MISS_MM if len(np.unique(found.points.sweep[found.use])) > 1 else MOST_MISS_ALONE_MM
    if found.shape.known:
        most = MOST_MISS_PROFILE_MM
        if abs(miss) > most:
            return [Check("profile mismatch, midline", False, abs(miss), most, "mm", (
                f"The flanks stand off the profile as if the probe's line passed the shaft's axis {abs(miss):.1f} mm "
                "beside where it did when the table was made: another profile, its mirror image, or a probe that is "
                "not set up as the table asks."))]
    elif abs(miss) > most and not known:
        return [Check("midline, shape misfit, probe knock", False, abs(miss), most, "mm", (
            f"The flanks are not each other's mirror image: the chord midpoints drift with the lift as if the probe's "
            f"line passed the shaft's axis at {abs(miss):.1f} mm. The lobe is not symmetric (measure it against its "
            f"profile), or the probe was knocked or stands beside the axis. Set it up again and record more sweeps."))]
    said = (f"The chord midpoints drift with the lift as when the probe's line passes the shaft's axis at "
            f"{abs(miss):.2f} mm: {abs(turned):.3f} degrees at the crest were taken off")
    doubt = (", with what the spec says of the line in the budget." if known else
             ", and half of them budgeted, since a worn lobe looks the same. Set the probe up again, or turn it to the "
             "other side, to tell one from the other.")
    return [Check("midline", True, turned, None, "crank deg", said + doubt)]


def _unit(found: Estimate) -> list[Check]:
    """Whether the lift is in millimetres, for a datum whose size is known; a proposal when it is not."""
    if found.points.scale != 1.0:
        return []
    if not found.shape.known:
        return _usual_size(found)
    gain = float(found.fit.coefficients[1])
    named = next((word for word, factor in (("inches", 1.0 / 25.4), ("micrometres", 1000.0), ("metres", 0.001))
                  if abs(gain / factor - 1.0) < 0.1), "")
    passed = LEAST_GAIN <= gain <= MOST_GAIN
    message = ("The lift has the size that the spec gives." if passed else
               f"The lift is {gain:.4g} times what the spec gives; it looks like {named}." if named else
               f"The lift is {gain:.4g} times what the spec gives: wrong unit, datum or calibration.")
    return [Check("unit of the lift", passed, gain, MOST_GAIN, "times the spec", message)]


def _usual_size(found: Estimate) -> list[Check]:
    """A lobe of unknown size is asked only whether it is one at all; its unit does not move the crest."""
    height = found.points.top - quantile(found.points.lift, 0.005)
    named = "inches" if height < LEAST_LOBE_MM else "micrometres" if height > MOST_LOBE_MM else ""
    if not named:
        return []
    return [Check("unit of the lift", True, height, LEAST_LOBE_MM if named == "inches" else MOST_LOBE_MM, "mm",
                  f"The lobe would be {height:.4g} mm high: the lift looks like {named}. "
                  "The crest does not depend on it.")]


def of_angle(factor: float, stated: float, looks_like: float) -> Check:
    """A proposal: the trace fits with another ratio of the encoder."""
    taken = "degrees of the camshaft taken for the crankshaft's" if factor > 1.0 else "the other shaft's degrees"
    return Check("unit of the angle", False, factor, 1.0, "times the angle",
                 f"The lift follows the datum when the angle is taken {factor:g} times: encoder_per_crank looks like "
                 f"{looks_like:g} instead of {stated:g} ({taken}).")


def _knocks(found: Estimate, good: list[int]) -> Check:
    senses = {float(found.points.sense[found.points.sweep == k][0]) for k in good}
    left = set(found.points.sense[found.use].tolist())
    n = len(found.knocked)
    passed = bool(found.use.any()) and left == senses and n * 2 < max(len(good), 1)
    message = ("No knock of the probe within a sweep." if not n else
               f"Probe knocked in {n} of {len(good)} sweeps. " + next(iter(found.knocked.values())))
    if (at_deg := _always_there(found)) is not None:
        place = "at the crest" if abs(at_deg) < ONE_PLACE_DEG else \
            f"{abs(at_deg):.1f} degrees {'past' if at_deg > 0.0 else 'before'} the crest"
        message += (f" In sweeps of both senses the step is at one place, {place}, as knocks seldom are: see whether "
                    "the piston tilts in its clearance there, or the datum has an edge or is another one.")
    return Check("probe knock", passed or n == 0, float(n), float((len(good) - 1) // 2), "sweeps", message)


def _always_there(found: Estimate) -> float | None:
    """Crank degrees from the crest at which all sweeps that were put aside have their step, if it is one place."""
    points = found.points
    senses = {float(points.sense[points.sweep == sweep][0]) for sweep in found.knocks}
    if len(senses) < 2:
        return None
    at = [float(np.interp(one.time_s, points.time_s, points.angle_deg)) for one in found.knocks.values()]
    return float(np.mean(at)) - found.fit.crest_deg if max(at) - min(at) < ONE_PLACE_DEG else None


def _repeatability(found: Estimate, rows: list[SweepResult], seen: Look) -> Check:
    """Whether the used sweeps agree once hysteresis and lag are taken into account.

    As the fit sees them, and as their chords do: a drift that takes all turns of the sweeps would follow one that
    stands off by a degree, and leave nothing.
    """
    apart = midlines_apart(seen, found.points, found.use, found.fit.shifts.get("lag", 0.0))
    if apart > MIDLINES_DEG:
        return Check("repeatability", False, apart, MIDLINES_DEG, "crank deg",
                     f"Chord midpoints of sweeps of the same sense stand {apart:.2f} degrees apart: something slipped "
                     "or moved between them.")
    away = [abs(d) for d in found.sweep_deviation_deg.values()]
    own = list(found.sweep_uncertainty_deg.values())
    worst = max(away, default=0.0)
    limit = max(REPEATABILITY_DEG, 8.0 * max(own, default=0.0))
    return Check("repeatability", worst <= limit, worst, limit, "crank deg",
                 f"The sweeps agree within {worst:.4f} degrees." if worst <= limit
                 else f"The sweeps disagree by {worst:.3f} degrees: something slipped between them.")


def _misfit(found: Estimate, seen: Look, spec: Spec) -> Check:
    """Whether the residuals are small against the lift: a datum that is not the one in the spec leaves more."""
    used = found.use & (found.points.count < 4.0) & ~found.points.spiky
    misfit = found.fit.misfit(used) / max(seen.range, 1e-12)
    name = "profile mismatch" if found.shape.known else "shape misfit"
    if misfit > MISFIT_PART:
        return Check(name, False, misfit, MISFIT_PART, "share of the lift",
                     "The lift does not follow the datum's shape: wrong datum, wrong profile or a worn lobe.")
    if found.shape.known and (odd := _related(found, seen)) is not None:
        return odd
    noise = found.fit.s1_deg
    if noise > MOST_OF_ANY_DEG:
        return Check(name, False, noise, MOST_OF_ANY_DEG, "crank deg",
                     f"The flanks follow one shape only with angles that err by {noise:.2f} degrees: this is "
                     "no passage over one datum, or the encoder's lines are too coarse for the shaft's speed.")
    return Check(name, True, misfit, MISFIT_PART, "share of the lift", "The lift follows the datum's shape.")


def _related(found: Estimate, seen: Look) -> Check | None:
    """Whether a shape that is known is bent to the lift: by an angle noise that no encoder has, or all the same.

    Hysteresis, throws and a noise of the angle take up much of another profile. What they leave goes on from point to
    point, where noise does not; a probe that was knocked in its only sweep leaves the same. Residuals count by their
    weights, so that those of a shaft that sticks and slips are not held against the shape.
    """
    line_deg = LINE_NOISE * found.points.lines.step_deg
    limit = max(MOST_ANGLE_NOISE_DEG, MOST_ANGLE_NOISE_LINES * line_deg)
    if found.fit.s1_deg > limit:
        return Check("profile mismatch", False, found.fit.s1_deg, limit, "crank deg",
                     f"The lift follows the datum's shape only with angles that err by {found.fit.s1_deg:.2f} degrees, "
                     "which no encoder does: wrong datum, wrong profile or a worn lobe.")
    read = (found.points.rough_deg > 0.0) | found.points.hidden
    limit = max(SMOOTH_ANGLE_NOISE_DEG, SMOOTH_ANGLE_NOISE_LINES * line_deg)
    if found.fit.s1_deg > limit and line_deg > 0.0 and np.count_nonzero(read & found.use) < MOST_READ * found.use.sum():
        return Check("profile mismatch, probe knock", False, found.fit.s1_deg, limit, "crank deg",
                     f"The lift follows the datum's shape only with angles that err by {found.fit.s1_deg:.2f} degrees, "
                     "though the shaft turned smoothly: a probe that was knocked, another datum or profile.")
    thrown = max((abs(size) for name, size in found.fit.shifts.items() if name.startswith("throw")), default=0.0)
    if thrown > MOST_THROW_DEG:
        return Check("profile mismatch", False, thrown, MOST_THROW_DEG, "crank deg",
                     f"The lift follows the datum's shape only with a throw of {thrown:.2f} degrees across the lash: "
                     "wrong datum, wrong profile or a worn lobe, or far more lash than a drive in use has.")
    used = found.use & ~found.points.spiky
    residual = (found.fit.residual * np.sqrt(found.fit.weight))[used]
    same = np.diff(found.points.sweep[used]) == 0
    steps = np.abs(np.diff(residual)[same])
    if not len(steps):
        return None
    misfit, white = median(np.abs(residual)) * 1.4826, median(steps) * 1.4826 / math.sqrt(2.0)
    part = misfit / max(seen.range, 1e-12)
    if part <= RELATED_PART or misfit <= RELATED_RATIO * white:
        return None
    once = len(found.points.sweeps_in(found.use)) == 1
    return Check("profile mismatch, probe knock" if once else "profile mismatch", False, part, RELATED_PART,
                 "share of the lift",
                 f"The lift stands off the datum's shape over whole stretches, by {part:.2%} of the lift: wrong datum, "
                 f"wrong profile{', a probe knocked in its only sweep' if once else ''} or a worn lobe.")
