"""How a figure came about, in plain sentences for the person who stands at the engine."""

from __future__ import annotations

import math

from analysis.engine import NO_RESULT, Work

UNIT, AS_STATED = "unit of the lift", "has the size that the spec gives."
# checks whose sentences belong here
SAID = ("lag", "probe friction", "encoder, twice a turn", "midline", "form of the datum", "zero of the probe", UNIT)
RECORDED = ("rows that hold nothing new", "time stamps", "rows at the encoder's lines")


def explain(done: Work) -> list[str]:
    """Sentences, in the order in which the analysis went."""
    trace, result = done.trace, done.result
    unit = "counts" if trace.in_counts and done.spec.probe_calibration is None else "mm"
    said = [f"The trace holds {len(trace)} samples over {float(trace.time_s[-1] - trace.time_s[0]):.0f} s "
            f"in {_sweeps(len(done.sweeps))}."]
    said += [check.message for check in result.checks if check.name in RECORDED]
    used = [row for row in result.sweeps if row.used]
    for number, row in enumerate(result.sweeps, start=1):
        if not row.used and row.reason not in ("", NO_RESULT):
            said.append(f"Sweep {number} ({row.direction}) was left out: {row.reason}")
    if result.reference_deg is None:
        said.append("No angle is given, because:")
        said += [f"{check.name}: {check.message}" for check in result.checks if not check.passed]
        return said
    said.append(f"{_sweeps(len(used))} {'was' if len(used) == 1 else 'were'} fitted: {result.method.lower()}.")
    said += _effects(done, unit)
    u, k = result.expanded_uncertainty_deg, result.coverage_factor
    said.append(f"Top dead centre stands at {result.reference_deg:.4f} degrees of the crank on the encoder, "
                f"plus or minus {u:.4f} (coverage factor {k:.2f}).")
    if result.budget:
        top = result.budget[0]
        said.append(f"Most of that uncertainty ({top.share:.0%}) is: {top.source}.")
    if result.findings.get("coverage_from") == "mixture":
        said.append("The budget holds effects that may be there or not; the factor is that of the distribution they "
                    "make, not Student's.")
    said.append(_verdict(done))
    return said


def _sweeps(count: int) -> str:
    return "1 sweep" if count == 1 else f"{count} sweeps"


def _effects(done: Work, unit: str) -> list[str]:
    assert done.estimate is not None
    found, said = done.estimate, []
    shifts = found.fit.shifts
    if done.result.hysteresis_deg is not None:
        said.append(f"Forward stands {done.result.hysteresis_deg:+.4f} degrees from reverse; the middle was taken.")
    if "lag" in shifts:
        late = shifts["lag"] * 1e3
        said.append(f"The probe lags by about {late:.1f} ms; this was taken out." if late > -1.0 else
                    f"The encoder was read about {-late:.1f} ms after the probe; this was taken out.")
    ripples = [one.loudest for one in found.points.behind.ripples()]
    if ripples:
        hertz, reach = max(ripples, key=lambda one: one[1])
        said.append(f"The shaft runs on and hangs back by {reach:.3f} degrees, {hertz:.2f} times a second, "
                    "which is quick for encoder lines so far apart; this was followed.")
    for throw in found.throws:
        until = ("" if math.isinf(throw.until_deg) else
                 f", until the drive has caught up {throw.until_deg:.0f} degrees past the crest")
        said.append(f"Past the crest the follower throws the shaft across its lash ({throw.name.split(', ')[1]}), by "
                    f"{abs(shifts.get(throw.name, 0.0)):.3f} degrees{until}; "
                    "the driven flanks give the middle of the lash.")
    if any(name.startswith("unsteady") for name in found.fit.additions):
        said.append("The lift drifted unevenly, as a probe does that warms up; this was followed and taken out.")
    said += [check.message for check in done.result.checks if check.passed and check.name in SAID
             and not check.message.endswith(AS_STATED)]
    if found.hum_hz is not None:
        said.append(f"Hum of the mains at {found.hum_hz:.2f} Hz was fitted and taken out.")
    noise = found.fit.s0 * found.points.scale
    said.append(f"What is left scatters by {noise:.2g} {unit} in lift and {found.fit.s1_deg:.2g} degrees in angle.")
    if "hysteresis" not in shifts:
        said.append("There is one sense only, so the angle is that of this sense: half the lash cannot be seen.")
    return said


def _verdict(done: Work) -> str:
    result, spec = done.result, done.spec
    deviation = result.deviation_deg or 0.0
    words = {
        "conforming": "the whole interval lies within the tolerance: conforming",
        "nonconforming": "the whole interval lies outside the tolerance: nonconforming",
        "undecided": "the interval reaches across a limit: undecided",
        "no-result": "no result",
    }[result.verdict]
    chance = result.conformance_probability
    return (f"It is {deviation:+.4f} degrees from its target, permitted ±{spec.tolerance_deg:g}; {words} "
            f"(chance of conforming {0.0 if chance is None else chance:.1%}).")
