"""One order on its whole way, and the history it leaves."""

from __future__ import annotations

from datetime import datetime

from jobs.ledger import queries as ledger
from jobs.orders import actions, queries
from jobs.orders.models import WorkOrder
from jobs.people.models import Person
from tests.walking import Walk


def test_an_order_goes_from_request_to_closed(
    in_work: WorkOrder, walk: Walk, technician: Person, manager: Person, at: datetime
) -> None:
    walk(in_work)
    assert queries.current_step(in_work) is None
    actions.mark_to_verify(in_work, by=technician, at=at)
    actions.close_order(in_work, by=manager, at=at)
    in_work.refresh_from_db()
    assert in_work.state == WorkOrder.State.CLOSED
    assert in_work.closed_at == at


def test_every_write_of_the_whole_way_is_in_a_chain_that_holds(in_work: WorkOrder, walk: Walk) -> None:
    walk(in_work)
    found = ledger.verify("BY")
    assert found.holds
    kinds = list(ledger.of_chain("BY").values_list("kind", flat=True))
    assert kinds.count("step.done") == in_work.steps.count() == 13
    assert {"order.requested", "order.planned", "order.released", "order.started"} < set(kinds)


def test_every_entry_is_about_the_order_its_unit_and_its_engine(in_work: WorkOrder, walk: Walk) -> None:
    walk(in_work)
    for type_, key in (
        ("orders.workorder", in_work.pk),
        ("fleet.unit", in_work.unit_id),
        ("fleet.engine", in_work.engine_id),
    ):
        assert ledger.about(type_, str(key)).count() == ledger.of_chain("BY").count()
