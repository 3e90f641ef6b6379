"""Why something about units and engines cannot be done: pure functions that return every reason."""

from __future__ import annotations

import re
from datetime import date

from analysis.errors import SpecRefused
from analysis.spec import Spec, read_spec
from jobs.errors import Reason
from jobs.fleet.models import Engine, EngineTypeRevision, Installation, Unit

MOST_OFF_AXIS_DEG = 15


def why_not_install(
    engine: Engine,
    unit: Unit,
    *,
    from_on: date,
    today: date,
    of_engine: Installation | None,
    of_unit: Installation | None,
) -> list[Reason]:
    """`of_engine` and `of_unit` are the newest installation of each, ended or not, or None."""
    reasons = []
    if from_on > today:
        reasons.append(
            Reason("in-future", "An installation is recorded when it is done, not before.", "from_on")
        )
    for thing, newest in ((f"Engine {engine.serial}", of_engine), (f"Unit {unit.number}", of_unit)):
        if newest is None:
            continue
        if newest.until_on is None:
            sentence = (
                f"Engine {newest.engine.serial} is in unit {newest.unit.number}; record its removal first."
            )
            reasons.append(Reason("still-installed", sentence))
        elif from_on < newest.until_on:
            sentence = (
                f"{thing} was taken up until {newest.until_on.isoformat()}; give that day or a later one."
            )
            reasons.append(Reason("overlaps", sentence, "from_on"))
    return list(dict.fromkeys(reasons))  # the same installation may stand in the way of both


def why_not_remove(
    engine: Engine, installation: Installation | None, *, until_on: date, today: date
) -> list[Reason]:
    if installation is None:
        return [Reason("not-installed", f"Engine {engine.serial} is in no unit.")]
    reasons = []
    if until_on < installation.from_on:
        sentence = f"It was only installed on {installation.from_on.isoformat()}."
        reasons.append(Reason("before-start", sentence, "until_on"))
    if until_on > today:
        reasons.append(Reason("in-future", "A removal is recorded when it is done, not before.", "until_on"))
    return reasons


def why_not_issue(revision: EngineTypeRevision, *, newest_issued: int) -> list[Reason]:
    """A revision is issued once, in the order of numbers, and only when its parts agree with each other."""
    reasons = []
    if revision.issued_at is not None:
        reasons.append(Reason("already-issued", f"{revision.title} is issued already."))
    elif revision.number != newest_issued + 1:
        reasons.append(
            Reason("out-of-order", f"The next revision to issue is {newest_issued + 1}.", "number")
        )
    if revision.hysteresis_limit_deg <= 0:
        reasons.append(
            Reason("no-limit", "The hysteresis limit must be more than 0.", "hysteresis_limit_deg")
        )
    reasons += _why_not_firing_order(revision)
    try:
        spec = read_spec(revision.spec)
    except SpecRefused as refused:
        reasons.append(Reason("spec", f"The timing spec cannot be used: {refused}", "spec"))
    else:
        reasons += _why_not_spec(revision, spec)
    return reasons


def _why_not_firing_order(revision: EngineTypeRevision) -> list[Reason]:
    order = [name for name in re.split(r"[\s,;–-]+", revision.firing_order) if name]
    reasons = []
    if len(order) != revision.cylinders or len(set(order)) != len(order):
        sentence = f"The firing order must name each of the {revision.cylinders} cylinders once."
        reasons.append(Reason("firing-order", sentence, "firing_order"))
    if revision.reference_cylinder not in order:
        sentence = f"Cylinder {revision.reference_cylinder} is not in the firing order."
        reasons.append(Reason("reference-cylinder", sentence, "reference_cylinder"))
    return reasons


def _why_not_spec(revision: EngineTypeRevision, spec: Spec) -> list[Reason]:
    reasons = _why_not_link_rod(revision, spec) if spec.kind == "link-rod" else []
    on_camshaft = spec.kind in ("lobe", "lobe-profile")
    wanted = 2 if on_camshaft and revision.cycle == EngineTypeRevision.Cycle.FOUR_STROKE else 1
    if spec.crank_per_datum == wanted:
        return reasons
    shaft = "camshaft" if on_camshaft else "crankshaft"
    sentence = (
        f"The {shaft} of a {revision.get_cycle_display()} engine turns once for {wanted} of the crank: "
        f"crank_per_datum should be {wanted}, not {spec.crank_per_datum:g}."
    )
    return [*reasons, Reason("crank-per-datum", sentence, "spec")]


def _why_not_link_rod(revision: EngineTypeRevision, spec: Spec) -> list[Reason]:
    """A link rod belongs to the second bank of a V engine, and its lengths must let the crank turn."""
    # numpy and scipy: every process knows these rules, and few ever enter an engine type.
    import numpy as np

    from analysis.reference.shapes import LinkRodShape

    reasons = []
    if revision.layout != EngineTypeRevision.Layout.VEE:
        sentence = "Only a V engine has link rods: give the layout as V, or the datum as a piston."
        reasons.append(Reason("link-rod-layout", sentence, "layout"))
    assert spec.link_rod is not None
    with np.errstate(invalid="ignore"):
        shape = LinkRodShape(spec.link_rod)
        turn = shape.lift(np.arange(-180.0, 180.0))
    # Written so that a top that is no number is far off as well.
    if not np.isfinite(turn).all() or not abs(shape.top_deg - spec.link_rod.bank_angle_deg) <= MOST_OFF_AXIS_DEG:
        sentence = (
            "The link rod's lengths and angles do not fit together: the crank cannot turn, or its piston tops more "
            f"than {MOST_OFF_AXIS_DEG}° from its bank's axis."
        )
        reasons.append(Reason("link-rod-lengths", sentence, "spec"))
    return reasons
