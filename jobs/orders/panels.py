"""What this room adds to the pages of units, engines and instruments: verdicts, work, and where it was used."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet

from jobs.errands import places
from jobs.fleet.models import Engine, Unit
from jobs.orders.models import Analysis, InstrumentUse, WorkOrder
from jobs.orders.queries import orders_for
from jobs.people.models import Person
from jobs.tooling.models import Instrument
from jobs.web import panels
from jobs.web.http import PersonRequest

MOST = 50


def verdicts_of(person: Person, engine: Engine) -> QuerySet[Analysis]:
    """The standing analyses of an engine's traces in one's own shop, the newest trace first."""
    return (
        Analysis.objects.filter(
            trace__work_order__shop=person.shop_id, trace__work_order__engine=engine, superseded_by__isnull=True
        )
        .select_related("trace__work_order__unit")
        .order_by("-trace__uploaded_at", "-trace_id")
    )


@panels.register("engine", order=10)
def verdicts(engine: Engine, request: PersonRequest) -> tuple[str, dict[str, Any]]:
    found = verdicts_of(request.user, engine)
    return "orders/_verdicts.html", {"engine": engine, "verdicts": found[:MOST], "count": found.count(), "most": MOST}


@panels.register("engine", order=20)
def work_on_engine(engine: Engine, request: PersonRequest) -> tuple[str, dict[str, Any]]:
    return _work(orders_for(request.user).filter(engine=engine))


@panels.register("unit", order=10)
def work_on_unit(unit: Unit, request: PersonRequest) -> tuple[str, dict[str, Any]]:
    return _work(orders_for(request.user).filter(unit=unit))


def _work(orders: QuerySet[WorkOrder]) -> tuple[str, dict[str, Any]]:
    newest = orders.order_by("-requested_at", "-pk")
    return "orders/_work.html", {"orders": newest[:MOST], "count": orders.count(), "most": MOST}


@panels.register("instrument", order=10)
def where_used(instrument: Instrument, request: PersonRequest) -> tuple[str, dict[str, Any]]:
    uses = InstrumentUse.objects.filter(instrument=instrument, work_order__shop=request.user.shop_id)
    listed = uses.select_related("work_order__unit", "step__definition", "calibration", "by").order_by("-at", "-pk")
    return "orders/_uses.html", {"uses": listed[:MOST], "count": uses.count(), "most": MOST}


def _trace_address(errand: Any) -> str:
    from django.urls import reverse

    trace = errand.arguments.get("trace")
    return reverse("trace", args=[trace]) if trace else ""


places.register("analyse-trace", what="Analysis of the trace", address=_trace_address)
