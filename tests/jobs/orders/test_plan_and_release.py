"""Planning an order, releasing it, starting it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from jobs.errors import BadInput, NotAllowed
from jobs.fleet.models import Engine, EngineTypeRevision, Installation, Unit
from jobs.orders import actions
from jobs.orders.models import ProcedureRevision, WorkOrder
from jobs.people.models import Person, Qualification, RoleGrant
from jobs.tooling.models import Calibration, Instrument
from tests.cast import SPEC
from tests.jobs.orders.asking import refused


@pytest.fixture
def plan(
    technician: Person, inspector: Person, planner: Person, instruments: dict[str, Instrument], at: datetime
) -> Callable[..., None]:
    def act(order: WorkOrder, **other: Any) -> None:
        values: dict[str, Any] = {
            "bay": "Bay 2",
            "planned_start": at,
            "planned_end": at + timedelta(hours=8),
            "technician": technician,
            "inspector": inspector,
            "by": planner,
            "at": at,
        }
        actions.plan_order(order, **{**values, **other})

    return act


def test_a_plan_keeps_place_time_and_people(
    planned: WorkOrder, technician: Person, inspector: Person
) -> None:
    assert planned.state == WorkOrder.State.PLANNED
    assert (planned.bay, planned.technician, planned.inspector) == ("Bay 2", technician, inspector)


def test_a_planned_order_may_be_planned_again(planned: WorkOrder, plan: Callable[..., None]) -> None:
    plan(planned, bay="Bay 3")
    planned.refresh_from_db()
    assert planned.bay == "Bay 3"


def test_it_refuses_the_same_person_doing_and_verifying(
    requested: WorkOrder, plan: Callable[..., None], technician: Person
) -> None:
    assert "same-person" in refused(plan, requested, inspector=technician)


def test_it_refuses_a_technician_whose_qualification_ends_before_the_day(
    requested: WorkOrder, plan: Callable[..., None], technician: Person, at: datetime
) -> None:
    held = Qualification.objects.filter(person=technician, skill__code="bar-engine")
    held.update(valid_until=at.date() - timedelta(days=1))
    assert refused(plan, requested) == ["not-qualified"]


def test_it_looks_at_the_last_day_as_well_as_the_first(
    requested: WorkOrder, plan: Callable[..., None], technician: Person, at: datetime
) -> None:
    Qualification.objects.filter(person=technician, skill__code="bar-engine").update(valid_until=at.date())
    plan(requested)
    assert refused(plan, requested, planned_end=at + timedelta(days=1)) == ["not-qualified"]


def test_it_refuses_an_inspector_who_may_not_verify(
    requested: WorkOrder, plan: Callable[..., None], inspector: Person
) -> None:
    Qualification.objects.filter(person=inspector).delete()
    assert refused(plan, requested) == ["not-qualified"]


def test_it_refuses_a_day_on_which_no_probe_is_in_date(
    requested: WorkOrder, plan: Callable[..., None], probe: Instrument, at: datetime
) -> None:
    Calibration.objects.filter(instrument=probe).update(valid_until=at.date() - timedelta(days=1))
    assert refused(plan, requested) == ["no-instrument"]


def test_it_refuses_somebody_of_another_shop(
    requested: WorkOrder, plan: Callable[..., None], stranger: Person
) -> None:
    assert "not-of-shop" in refused(plan, requested, technician=stranger)


def test_it_refuses_somebody_who_has_left(
    requested: WorkOrder, plan: Callable[..., None], technician: Person
) -> None:
    technician.is_active = False
    technician.save(update_fields=["is_active"])
    assert refused(plan, requested) == ["not-of-shop"]


def test_it_refuses_a_planner_as_technician(
    requested: WorkOrder, plan: Callable[..., None], planner: Person
) -> None:
    assert "wrong-role" in refused(plan, requested, technician=planner)


def test_it_tells_every_reason_at_once(
    requested: WorkOrder, plan: Callable[..., None], technician: Person, probe: Instrument, at: datetime
) -> None:
    Calibration.objects.filter(instrument=probe).delete()
    codes = refused(
        plan,
        requested,
        bay=" ",
        planned_end=at - timedelta(hours=1),
        promised_at=at - timedelta(hours=2),
        inspector=technician,
    )
    assert set(codes) == {
        "no-bay", "times-reversed", "in-the-past", "promise-too-early", "same-person", "wrong-role",
        "not-qualified", "no-instrument",
    }  # fmt: skip


def test_of_a_past_day_it_says_that_it_is_over_and_nothing_about_people(
    requested: WorkOrder, plan: Callable[..., None], at: datetime
) -> None:
    long_ago = at - timedelta(days=900)  # before anybody of the plan had a role or a qualification
    codes = refused(plan, requested, planned_start=long_ago, planned_end=long_ago + timedelta(hours=8), promised_at=at)
    assert codes == ["in-the-past"]


def test_of_a_day_on_which_a_role_has_ended_it_says_so_once(
    requested: WorkOrder, plan: Callable[..., None], technician: Person, at: datetime
) -> None:
    technician.grants.update(valid_until=at.date())
    day = at + timedelta(days=1)
    with pytest.raises(NotAllowed) as refusal:
        plan(requested, planned_start=day, planned_end=day + timedelta(days=1), promised_at=None)
    first, last = (f"{one.day} {one:%B %Y}" for one in (day, day + timedelta(days=1)))
    (reason,) = refusal.value.reasons
    assert reason.sentence == f"{technician.name} is not a technician on {first} and {last}."


def test_each_missing_qualification_and_instrument_is_told_once_with_its_days(
    requested: WorkOrder, plan: Callable[..., None], technician: Person, probe: Instrument, at: datetime
) -> None:
    Qualification.objects.filter(person=technician, skill__code="bar-engine").update(valid_until=at.date())
    Calibration.objects.filter(instrument=probe).update(valid_until=at.date())
    day = at + timedelta(days=1)
    codes = refused(plan, requested, planned_start=day, planned_end=day + timedelta(days=1), promised_at=None)
    assert codes == ["not-qualified", "no-instrument"]


@pytest.mark.parametrize("year", [1, 9999])
def test_a_plan_in_a_year_out_of_reach_is_refused(requested: WorkOrder, plan: Callable[..., None], year: int) -> None:
    far = datetime(year, 1, 1, tzinfo=UTC)
    for name in ("planned_start", "planned_end", "promised_at"):
        assert "out-of-reach" in refused(plan, requested, error=BadInput, **{name: far})


def test_a_plan_made_on_an_old_page_is_refused(planned: WorkOrder, plan: Callable[..., None]) -> None:
    seen = planned.revision
    plan(planned, bay="Bay 3", seen_revision=seen)
    assert refused(plan, planned, bay="Bay 4", seen_revision=seen) == ["changed-meanwhile"]
    planned.refresh_from_db()
    assert planned.bay == "Bay 3"


# --- Release ------------------------------------------------------------------------------------------


def test_release_freezes_revisions_and_spec_and_lays_out_the_steps(
    released: WorkOrder, procedure_revision: ProcedureRevision, engine_type_revision: EngineTypeRevision
) -> None:
    assert released.procedure_revision == procedure_revision
    assert released.engine_type_revision == engine_type_revision
    assert released.spec == SPEC
    assert list(released.steps.values_list("position", flat=True)) == list(range(1, 14))


def test_it_takes_the_newest_issued_procedure_revision(
    planned: WorkOrder,
    make_procedure_revision: Callable[..., ProcedureRevision],
    planner: Person,
    at: datetime,
) -> None:
    newer = make_procedure_revision(2)
    actions.release_order(planned, by=planner, at=at)
    planned.refresh_from_db()
    assert planned.procedure_revision == newer


def test_it_refuses_while_the_newest_procedure_revision_is_a_draft(
    planned: WorkOrder,
    make_procedure_revision: Callable[..., ProcedureRevision],
    planner: Person,
    at: datetime,
) -> None:
    make_procedure_revision(2, issued=False)
    assert refused(actions.release_order, planned, by=planner, at=at) == ["newer-draft"]


def test_it_refuses_an_engine_that_has_left_the_unit(
    planned: WorkOrder, engine: Engine, planner: Person, at: datetime
) -> None:
    Installation.objects.filter(engine=engine).update(until_on=date(2026, 3, 15))
    assert refused(actions.release_order, planned, by=planner, at=at) == ["engine-moved"]


def test_it_looks_again_at_the_people_of_the_plan(
    planned: WorkOrder, technician: Person, planner: Person, at: datetime
) -> None:
    Qualification.objects.filter(person=technician, skill__code="perform-timing").delete()
    assert refused(actions.release_order, planned, by=planner, at=at) == ["not-qualified"]


def test_one_engine_is_on_the_floor_under_one_order_only(
    released: WorkOrder, plan: Callable[..., None], unit: Unit, planner: Person, at: datetime
) -> None:
    second = actions.request_order(
        unit=unit, procedure=released.procedure, reason="overhaul", by=planner, at=at
    )
    plan(second)
    assert refused(actions.release_order, second, by=planner, at=at) == ["engine-in-work"]
    actions.hold_order(released, reason="no crane", by=planner, at=at)
    assert refused(actions.release_order, second, by=planner, at=at) == ["engine-in-work"]
    actions.cancel_order(released, reason="not needed", by=planner, at=at)
    actions.release_order(second, by=planner, at=at)


def test_it_refuses_an_order_that_is_not_planned(requested: WorkOrder, planner: Person, at: datetime) -> None:
    assert refused(actions.release_order, requested, by=planner, at=at) == ["wrong-state"]


# --- Start --------------------------------------------------------------------------------------------


def test_it_refuses_to_start_with_an_old_procedure_revision(
    released: WorkOrder,
    make_procedure_revision: Callable[..., ProcedureRevision],
    technician: Person,
    planner: Person,
    at: datetime,
) -> None:
    newer = make_procedure_revision(2)
    assert refused(actions.start_order, released, by=technician, at=at) == ["superseded-revision"]
    actions.release_order(released, by=planner, at=at)
    actions.start_order(released, by=technician, at=at)
    released.refresh_from_db()
    assert released.procedure_revision == newer
    assert set(released.steps.values_list("definition__revision", flat=True)) == {newer.pk}


def test_a_released_order_is_not_released_again_without_cause(
    released: WorkOrder, planner: Person, at: datetime
) -> None:
    assert refused(actions.release_order, released, by=planner, at=at) == ["wrong-state"]


def test_a_person_whose_role_has_ended_does_not_start_work(
    released: WorkOrder, technician: Person, at: datetime
) -> None:
    from jobs.errors import WrongPerson

    RoleGrant.objects.filter(person=technician).update(valid_until=date(2020, 12, 31))
    with pytest.raises(WrongPerson, match="no role today"):
        actions.start_order(released, by=Person.objects.get(pk=technician.pk), at=at)
