"""What a shop has entered about the operations of its procedures beyond what their steps say."""

from __future__ import annotations

from dataclasses import dataclass, field

from jobs.people.models import Shop
from jobs.planning.models import CraneUse, Estimate


@dataclass(frozen=True)
class Entered:
    """Of one procedure: planned minutes by the operation's code, and the operations that need a crane."""

    minutes: dict[str, int] = field(default_factory=dict)
    cranes: set[str] = field(default_factory=set)


def entered_of(shop: Shop) -> dict[int, Entered]:
    """By the procedure's key; two queries."""
    found: dict[int, Entered] = {}
    for one in Estimate.objects.filter(shop=shop):
        found.setdefault(one.procedure_id, Entered()).minutes[one.operation] = one.minutes
    for use in CraneUse.objects.filter(shop=shop):
        found.setdefault(use.procedure_id, Entered()).cranes.add(use.operation)
    return found
