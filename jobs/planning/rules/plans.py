"""Plans: which can be accepted, and what stands against one that cannot."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from jobs.errors import Reason
from jobs.planning.wording import length

SLACK = timedelta(minutes=30)  # a plan made a while ago may have something begin that long before it is accepted
MOST_NAMED = 6


def why_not_ask(*, open_orders: int, bays: int, people: int) -> list[Reason]:
    """Nothing to plan, or nothing to plan with."""
    reasons = []
    if not open_orders:
        reasons.append(Reason("no-orders", "There is no open work order to plan. Request one first."))
    if not bays:
        reasons.append(Reason("no-bays", "The shop has no bay yet. Add its bays, then ask for a plan."))
    if not people:
        sentence = "Nobody with a skill has a rota, so nobody can be planned with. Give people their shifts first."
        reasons.append(Reason("no-people", sentence))
    return reasons


def why_not_accept(
    *, version: int | None, changed: Sequence[str], begins: datetime | None, at: datetime, lost: Sequence[str] = ()
) -> list[Reason]:
    """`changed` names the facts that are not as they were; `begins` is when the first operation not begun is to.

    `lost` names the orders that would lose their place without anybody having agreed to it.
    """
    if version is not None:
        return [Reason("accepted", f"This plan was accepted as version {version} already.")]
    reasons = []
    if changed:
        named = ", ".join(changed[:MOST_NAMED]) + (f" and {len(changed) - MOST_NAMED} more" if len(changed) > 6 else "")
        sentence = f"Since this plan was made something has changed: {named}. Ask for a plan again."
        reasons.append(Reason("facts-changed", sentence))
    if begins is not None and begins < at - SLACK:
        late = length((at - begins).total_seconds() / 60)
        sentence = f"The first operation of this plan was to begin {late} ago and has not. Ask for a plan again."
        reasons.append(Reason("overtaken", sentence))
    if lost:
        named = ", ".join(lost[:MOST_NAMED]) + (f" and {len(lost) - MOST_NAMED} more" if len(lost) > MOST_NAMED else "")
        sentence = f"With this plan {named} would lose their place. Say that they may, or leave the plan in force."
        reasons.append(Reason("loses", sentence))
    return reasons


def why_not_people(order: str, *, bay: str, technician: str, inspector: str) -> list[Reason]:
    """An order needs a bay, somebody who does it and somebody else who looks a second time."""
    reasons = []
    if not bay:
        reasons.append(Reason("no-bay", f"The plan has no bay for {order}."))
    if not technician:
        reasons.append(Reason("no-technician", f"The plan names nobody who does the work on {order}."))
    if not inspector:
        sentence = f"Nobody but those who do the work can verify {order}. Qualify another or pin other people."
        reasons.append(Reason("no-inspector", sentence))
    return reasons
