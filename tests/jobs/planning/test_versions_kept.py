"""A version of the plan never changes, by ORM or by SQL; an alternative may until it is accepted."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
from django.db import DatabaseError, connection, transaction

from jobs.errors import NotAllowed
from jobs.ledger.models import Entry
from jobs.ledger.queries import verify
from jobs.orders.models import WorkOrder
from jobs.people.models import Qualification
from jobs.planning.actions import plans
from jobs.planning.models import Plan
from tests.yard import Yard

LATER = timedelta(minutes=2)


def sql(statement: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement)


@pytest.mark.parametrize(
    "forbidden",
    [
        lambda: Plan.objects.filter(version=1).update(plan={}),
        lambda: Plan.objects.filter(version=1).update(version=None, accepted_at=None),
        lambda: Plan.objects.get(version=1).save(),
        lambda: Plan.objects.filter(version=1).update(note="another"),
        lambda: Plan.objects.filter(version=1)._raw_delete("default"),
        lambda: sql("UPDATE planning_plan SET title = 'x'"),
        lambda: sql("DELETE FROM planning_plan WHERE version = 1"),
    ],
)
def test_an_accepted_plan_is_neither_changed_nor_taken_away(
    plan_now: Callable[..., Plan], forbidden: Callable[[], object]
) -> None:
    plan = plan_now()
    before = list(Plan.objects.filter(pk=plan.pk).values_list())
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        forbidden()
    assert list(Plan.objects.filter(pk=plan.pk).values_list()) == before
    assert plans.digest_of(Plan.objects.get(version=1).plan) == plans.digest_of(plan.plan)


def test_nothing_takes_the_place_of_a_version(plan_now: Callable[..., Plan], yard: Yard) -> None:
    plan = plan_now()
    columns = ", ".join(field.column for field in Plan._meta.fields if field.column not in ("id", "title"))
    doors = {
        "sqlite": [
            f"REPLACE INTO planning_plan (id, title, {columns}) SELECT id, 'x', {columns} FROM planning_plan "
            "WHERE version = 1",
            f"REPLACE INTO planning_plan (id, title, {columns}) SELECT id + 1000, 'x', {columns} FROM planning_plan "
            "WHERE version = 1",
        ],
        "postgresql": ["TRUNCATE planning_plan CASCADE"],
    }[connection.vendor]
    connection.check_constraints()
    for statement in doors:
        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
            sql(statement)
    assert Plan.objects.get(version=1).pk == plan.pk


def test_an_alternative_may_change_and_go_and_be_accepted(
    yard: Yard, run_errands: Callable[[], int], at: datetime
) -> None:
    asked = plans.ask_plan(seconds=0.4, by=yard.planner, at=at)
    run_errands()
    first = asked.plans.order_by("pk")[0]
    other = Plan.objects.create(shop=yard.shop, title="Another", problem={}, plan={})
    Plan.objects.filter(pk=other.pk).update(title="Yet another")
    other.delete()
    assert plans.accept_plan(first, by=yard.planner, at=at).version == 1


def test_every_order_of_an_accepted_plan_has_an_entry_of_its_own_in_a_chain_that_holds(
    yard: Yard, plan_now: Callable[..., Plan]
) -> None:
    plan = plan_now()
    placed = list(Entry.objects.filter(kind="order.planned").order_by("number"))
    accepted = Entry.objects.get(kind="plan.accepted")
    assert len(placed) == len(yard.orders) == len(plan.plan["orders"])
    assert [one.number for one in placed] == list(range(accepted.number - len(placed), accepted.number))
    for order in yard.orders.values():
        (entry,) = (one for one in placed if one.subjects.filter(type="orders.workorder", key=order.pk).exists())
        order.refresh_from_db()
        assert f"{order.number} placed in {order.bay} by plan 1" in entry.sentence
        assert {one.type for one in entry.subjects.all()} >= {"fleet.unit", "fleet.engine", "people.person"}
    assert verify("BY").holds


def test_who_may_no_longer_verify_is_refused_and_nothing_is_written(
    yard: Yard, run_errands: Callable[[], int], at: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The plan's own marks would tell first; held aside, the order's rule refuses all the same."""
    asked = plans.ask_plan(seconds=0.4, by=yard.planner, at=at)
    run_errands()
    plan = asked.plans.order_by("pk")[0]
    Qualification.objects.filter(skill__code="verify-timing").update(valid_until=at.date() - timedelta(days=1))
    monkeypatch.setattr(plans.problem, "changed", lambda before, now: [])
    before = Entry.objects.count()
    with pytest.raises(NotAllowed, match="is not qualified on"):
        plans.accept_plan(plan, by=yard.planner, at=at + LATER)
    assert Entry.objects.count() == before
    assert not WorkOrder.objects.exclude(state=WorkOrder.State.REQUESTED).exists()
    assert not Plan.objects.filter(version__isnull=False).exists()


def test_accepting_asks_the_database_a_few_times_for_each_order(
    yard: Yard, run_errands: Callable[[], int], at: datetime, django_assert_max_num_queries: Callable[..., object]
) -> None:
    """About two for each order - its row, and now and then its people on another day - beside those for all."""
    asked = plans.ask_plan(seconds=0.4, by=yard.planner, at=at)
    run_errands()
    plan = asked.plans.order_by("pk")[0]
    with django_assert_max_num_queries(60 + 4 * len(yard.orders)):
        plans.accept_plan(plan, by=yard.planner, at=at)
