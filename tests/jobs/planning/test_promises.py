"""Promise against reality: what was kept, and where the hours of the late ones went."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from hypothesis import given
from hypothesis import strategies as st

from jobs.orders import actions as orders
from jobs.orders.models import WorkOrder
from jobs.people.models import Person, Shop
from jobs.planning import kept, lateness
from jobs.planning.lateness import Held, Part, Times

Login = Callable[[Person], Client]
MONDAY = datetime(2026, 3, 16, tzinfo=UTC)
UNKNOWN = "start and end of work are not in order on record"


def at(hours: float) -> datetime:
    return MONDAY + timedelta(hours=hours)


def told(times: Times) -> dict[str, float]:
    return {one.what: one.hours for one in lateness.parts(times)}


def test_the_hours_of_a_late_job_are_told_apart() -> None:
    times = Times(
        promised=at(16), closed=at(30), planned_start=at(8), planned_end=at(15), released=at(9), started=at(11),
        to_verify=at(24), held=(Held(at(10), at(10.5), "no crane"), Held(at(12), at(15), "no gasket")),
    )  # fmt: skip
    assert told(times) == {
        "planned to end before its promise": -1,
        "waited to be released": 1,
        "held before work began: no crane": 0.5,
        "waited for work to begin": 1.5,
        "held in work: no gasket": 3,
        "work took longer than planned": 3,
        "waited to be verified and released": 6,
    }


def test_a_job_that_was_planned_too_late_says_so() -> None:
    times = Times(at(10), at(15), at(8), at(14), at(7), at(8), at(14))
    assert told(times) == {"planned to end after its promise": 4, "waited to be verified and released": 1}


def test_time_gained_is_told_too() -> None:
    times = Times(at(10), at(15), at(8), at(14), at(6), at(7), at(12))
    assert told(times) == {
        "planned to end after its promise": 4,
        "began earlier than planned": -1,
        "work took less than planned": -1,
        "waited to be verified and released": 3,
    }


def test_without_planned_times_what_is_not_known_is_said() -> None:
    times = Times(at(10), at(20), started=at(8), to_verify=at(18), held=(Held(at(11), at(13), "no gasket"),))
    parts = lateness.parts(times)
    assert [(one.what, one.hours, one.known) for one in parts] == [
        ("held: no gasket", 2, True),
        ("not known: no planned time is on record", 6, False),
        ("waited to be verified and released", 2, True),
    ]


def test_times_out_of_order_are_not_taken_apart() -> None:
    times = Times(at(10), at(20), at(1), at(2), at(1), started=at(30), to_verify=at(18))
    assert lateness.parts(times) == [Part(f"not known: {UNKNOWN}", 600, known=False)]


MOMENT = st.integers(0, 10_000).map(lambda minutes: MONDAY + timedelta(minutes=minutes))
MAYBE = st.one_of(st.none(), MOMENT)
HOLDS = st.lists(st.builds(Held, MOMENT, MOMENT, st.sampled_from(["no gasket", "no crane"])), max_size=4).map(tuple)


@given(st.builds(Times, MOMENT, MOMENT, MAYBE, MAYBE, MAYBE, MAYBE, MAYBE, HOLDS))
def test_the_parts_add_up_to_the_whole_whatever_is_on_record(times: Times) -> None:
    parts = lateness.parts(times)
    whole = (times.closed - times.promised).total_seconds() / 60
    # Everything is in whole minutes here, so no part below a minute was left out but those of nothing.
    assert lateness.together(parts) == pytest.approx(whole)


# --- Through the shop ---------------------------------------------------------------------------------


@pytest.fixture
def late(released: WorkOrder, planner: Person, technician: Person, at: datetime) -> WorkOrder:
    """Promised for 16:20, moved by two hours; started at 11:20, held for an hour, ready at 19:20, closed at 22:20."""
    orders.promise_order(released, promised_at=at + timedelta(hours=8), by=planner, at=at)
    orders.promise_order(released, promised_at=at + timedelta(hours=10), by=planner, at=at + timedelta(minutes=1))
    orders.start_order(released, by=technician, at=at + timedelta(hours=3))
    orders.hold_order(released, reason="no gasket", by=planner, at=at + timedelta(hours=4))
    orders.resume_order(released, by=planner, at=at + timedelta(hours=5))
    closed_at(released, to_verify=at + timedelta(hours=11), closed=at + timedelta(hours=14))
    return released


def closed_at(order: WorkOrder, *, to_verify: datetime, closed: datetime) -> None:
    """As the room of sign-offs does it, without walking all the steps."""
    from jobs.orders.actions.common import record

    person = Person.objects.get(username="technician")
    order.refresh_from_db()
    record("order.to-verify", order, by=person, at=to_verify, sentence="Ready.")
    order.state, order.closed_at = WorkOrder.State.CLOSED, closed
    order.save(update_fields=["state", "closed_at"])


@pytest.mark.django_db
def test_a_closed_order_tells_its_story_from_the_history(late: WorkOrder, planner: Person) -> None:
    [found] = kept.of_shop(planner, date(2026, 3, 17))
    assert found.hours_late == 4
    assert [f"{promise:%d %H:%M}" for promise in found.promises] == ["16 16:20", "16 18:20"]
    assert {part.what: round(part.hours, 3) for part in found.parts} == {
        "planned to end before its promise": -2,
        "waited for work to begin": 3,
        "held in work: no gasket": 1,
        "work took less than planned": -1,
        "waited to be verified and released": 3,
    }


@pytest.mark.django_db
def test_a_week_counts_promises_as_given_last_and_first(late: WorkOrder, planner: Person, at: datetime) -> None:
    late.closed_at = at + timedelta(hours=9)  # after the first promise, before the last
    late.save(update_fields=["closed_at"])
    today = date(2026, 3, 17)
    found = kept.of_shop(planner, today)
    week, before = kept.weekly(found, planner.shop, today, weeks=2)
    assert (week.closed, week.promised, week.kept, week.kept_first, week.hours_late) == (1, 1, 1, 0, 0)
    assert (before.closed, before.percent) == (0, None)
    assert found[0].parts == ()


@pytest.mark.django_db
def test_an_order_without_a_promise_is_neither_kept_nor_late(
    released: WorkOrder, planner: Person, at: datetime
) -> None:
    WorkOrder.objects.filter(pk=released.pk).update(state="closed", closed_at=at)
    [found] = kept.of_shop(planner, at.date())
    assert (found.promises, found.hours_late, found.late) == ((), None, False)
    assert kept.weekly([found], planner.shop, at.date(), weeks=1)[0].promised == 0


@pytest.mark.django_db
def test_a_promise_that_the_history_does_not_tell_counts_as_it_stands(
    released: WorkOrder, planner: Person, at: datetime
) -> None:
    later = at + timedelta(hours=3)
    WorkOrder.objects.filter(pk=released.pk).update(state="closed", closed_at=later, promised_at=at)
    [found] = kept.of_shop(planner, at.date())
    assert found.hours_late == 3
    assert [part.known for part in found.parts] == [False]


@pytest.mark.django_db
def test_the_page_and_its_csv_say_why(late: WorkOrder, planner: Person, login: Login, monkeypatch: Any) -> None:
    monkeypatch.setattr(Shop, "today", lambda _: date(2026, 3, 17))
    client = login(planner)
    page = client.get("/plan/promises/").text
    assert "no gasket" in page
    content = b"".join(client.get("/plan/promises.csv").streaming_content)  # type: ignore[attr-defined]
    [row] = csv.DictReader(io.StringIO(content.decode("utf-8-sig")))
    assert (row["order"], row["hours late"]) == (late.number, "4.0")
    assert "waited for work to begin: 3.0 h" in row["why"]


@pytest.mark.django_db
def test_an_order_still_open_past_its_promise_is_told(released: WorkOrder, planner: Person, login: Login) -> None:
    WorkOrder.objects.filter(pk=released.pk).update(promised_at=datetime(2026, 3, 17, tzinfo=UTC))
    assert kept.still_open(planner, datetime(2026, 3, 17, 1, tzinfo=UTC)) == 1
    assert kept.still_open(planner, datetime(2026, 3, 16, 23, tzinfo=UTC)) == 0
    assert "1 order still open" in login(planner).get("/plan/promises/").text


@pytest.mark.django_db
def test_the_page_of_a_shop_that_closed_nothing_says_what_belongs_there(login: Login, planner: Person) -> None:
    assert "Closed work orders belong here" in login(planner).get("/plan/promises/").text


@pytest.mark.django_db
def test_many_orders_are_read_in_as_many_queries_as_one(
    late: WorkOrder, planner: Person, django_assert_num_queries: Any
) -> None:
    with django_assert_num_queries(2):
        kept.of_shop(planner, date(2026, 3, 17))
    for number in range(30):
        WorkOrder.objects.create(
            shop=late.shop, number=f"BY-2026-1{number:03}", unit=late.unit, engine=late.engine,
            procedure=late.procedure, reason="overhaul", state="closed", closed_at=late.closed_at,
            requested_by=planner, requested_at=late.requested_at,
        )  # fmt: skip
    with django_assert_num_queries(2):
        assert len(kept.of_shop(planner, date(2026, 3, 17))) == 31
