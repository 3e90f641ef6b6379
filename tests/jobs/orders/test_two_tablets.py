"""Two tablets at one work order at the same moment: one wins, the other is told why, nothing is doubled."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest
from django.db import OperationalError, connection

from jobs.errors import NotAllowed
from jobs.fleet.models import Engine, Unit
from jobs.ledger import queries as ledger
from jobs.orders import actions
from jobs.orders.models import ProcedureRevision, Reading, WorkOrder
from jobs.people.models import Person
from jobs.tooling.models import Instrument
from tests.jobs.orders.asking import step_of
from tests.walking import Walk

pytestmark = pytest.mark.django_db(transaction=True)


def at_once(*acts: Callable[[], Any]) -> list[str]:
    """Start every act in a thread of its own at one moment; "done" or the codes of the refusal for each."""
    gun = threading.Barrier(len(acts))
    ends = ["" for _ in acts]

    def run(place: int) -> None:
        try:
            gun.wait(timeout=10)
            ends[place] = _until_not_locked(acts[place])
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(place,)) for place in range(len(acts))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    return sorted(ends)


def _until_not_locked(act: Callable[[], Any]) -> str:
    for _ in range(2000):
        try:
            act()
        except NotAllowed as refusal:
            return " ".join(reason.code for reason in refusal.reasons)
        except OperationalError as error:
            # The tests' SQLite lives in memory, where a lock is not waited for; send again, as a tablet does.
            if "locked" not in str(error):
                raise
            threading.Event().wait(0.005)
        else:
            return "done"
    return "never had its turn"


def test_two_people_confirm_one_step(
    in_work: WorkOrder, walk: Walk, technician: Person, technician2: Person, at: datetime
) -> None:
    walk(in_work, until="own-lock")
    actions.acknowledge_caution(step_of(in_work, "lock-caution"), by=technician2, at=at)
    both = [step_of(in_work, "own-lock"), step_of(in_work, "own-lock")]
    ends = at_once(
        lambda: actions.confirm_step(both[0], by=technician, at=at),
        lambda: actions.confirm_step(both[1], by=technician2, at=at),
    )
    assert ends == ["done", "not-open"]
    done = [entry for entry in ledger.of_chain("BY").filter(kind="step.done") if "“Own lock on" in entry.sentence]
    assert len(done) == 1


def test_two_people_read_one_point(
    in_work: WorkOrder, walk: Walk, instruments: dict[str, Instrument], technician: Person, technician2: Person,
    at: datetime,
) -> None:  # fmt: skip
    walk(in_work, until="torque")
    actions.acknowledge_caution(step_of(in_work, "clamp-caution"), by=technician2, at=at)
    step = step_of(in_work, "torque")

    def read(by: Person, entered: str) -> Reading:
        wrench = instruments["torque-wrench"]
        return actions.record_reading(
            step, point="bolt 1", entered=entered, unit="N·m", instrument=wrench, by=by, at=at
        )

    assert at_once(lambda: read(technician, "90"), lambda: read(technician2, "91")) == ["done", "recorded"]
    assert step.readings.filter(point="bolt 1").count() == 1


def test_two_planners_release_one_order(planned: WorkOrder, planner: Person, at: datetime) -> None:
    ends = at_once(*[lambda: actions.release_order(planned, by=planner, at=at)] * 2)
    assert ends == ["done", "wrong-state"]
    assert planned.steps.count() == 13


def test_requests_made_at_once_leave_no_gap_and_no_double_in_the_numbers(
    engine: Engine, unit: Unit, procedure_revision: ProcedureRevision, planner: Person, at: datetime
) -> None:
    def ask() -> None:
        actions.request_order(unit=unit, procedure=procedure_revision.procedure, reason="overhaul", by=planner, at=at)

    assert at_once(ask, ask, ask, ask) == ["done"] * 4
    numbers = WorkOrder.objects.order_by("number").values_list("number", flat=True)
    assert list(numbers) == [f"BY-2026-{counter:04d}" for counter in range(1, 5)]
    assert ledger.verify("BY").holds
