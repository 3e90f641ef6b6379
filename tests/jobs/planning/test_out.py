"""What comes out of the plan in force: rows, each person's day, calendars, load."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime, time, timedelta
from typing import Any

import pytest
from django.test import Client

from jobs.orders import actions as orders
from jobs.people.models import Person
from jobs.planning import day, out
from jobs.planning.actions import calendars
from jobs.planning.actions.absences import enter_absence
from jobs.planning.models import Plan
from jobs.planning.problem import person_id
from jobs.planning.shifts import Shift
from jobs.tooling.models import Instrument
from tests.yard import MONDAY, Yard

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]


@pytest.fixture
def plan(plan_now: Callable[..., Plan]) -> Plan:
    return plan_now()


# --- Rows ---------------------------------------------------------------------------------------------


def test_every_booking_is_a_row_with_its_place_people_and_instruments(plan: Plan) -> None:
    rows = out.rows(plan)
    assert {row.operation for row in rows} == set(plan.plan["bookings"])
    assert rows == sorted(rows, key=lambda row: (row.start, row.operation))
    for row in rows:
        booking = plan.plan["bookings"][row.operation]
        assert [used.id for used in row.used] == booking["resources"]
        assert (row.start, row.end) == tuple(datetime.fromisoformat(booking[name]) for name in ("start", "end"))
        assert len(row.places) == 1
        assert len(row.people) == 1
        assert {used.kind for used in row.instruments} <= {"probe", "encoder", "torque-wrench", "check-standard"}


def test_rows_speak_the_words_of_the_shop_and_know_hold_points(plan: Plan) -> None:
    of_7003 = [row for row in out.rows(plan) if row.unit == "7003"]
    holds = [row for row in of_7003 if row.hold_point]
    assert [row.title for row in holds] == ["Reference cylinder and stroke"]
    assert {used.name for row in holds for used in row.people} <= {"Ines Inskip", "Ida Inspector"}
    assert "As-found" in {row.title for row in of_7003}


def test_a_bay_is_taken_from_the_first_operation_to_the_last(plan: Plan) -> None:
    rows = out.rows(plan)
    bays = [stay for stay in out.stays(rows) if stay.used.kind == "bay"]
    assert len(bays) == 6
    for stay in bays:
        own = [row for row in rows if row.order == stay.rows[0].order]
        assert (stay.start, stay.end) == (min(row.start for row in own), max(row.end for row in own))
    for one in bays:
        for other in bays:
            if one is not other and one.used.id == other.used.id:
                assert one.end <= other.start or other.end <= one.start


def test_nested_resources_are_read_as_flat_ones(plan: Plan) -> None:
    before = out.rows(plan)
    for booking in plan.plan["bookings"].values():
        booking["resources"] = [[one] for one in booking["resources"]]
    assert out.rows(plan) == before


# --- The day ------------------------------------------------------------------------------------------


def test_a_day_holds_each_persons_operations_of_that_day_and_no_others(plan: Plan, yard: Yard) -> None:
    rows = out.rows(plan)
    shown = set()
    for number in range(14):
        on = MONDAY + timedelta(days=number)
        for one in day.of_shop(yard.planner, on).people:
            for task in one.tasks:
                assert person_id(one.person.pk) in {used.id for used in task.row.used}
                local = {at.astimezone(yard.shop.zone).date() for at in (task.row.start, task.row.end)}
                assert min(local) <= on <= max(local)
                shown.add(task.row.operation)
    assert shown == {row.operation for row in rows}


def test_ones_own_work_comes_first(plan: Plan, technician2: Person, login: Login) -> None:
    on = next(
        row.start.date() for row in out.rows(plan) if person_id(technician2.pk) in {used.id for used in row.people}
    )
    page = login(technician2).get(f"/plan/day/?on={on}").text
    headings = re.findall(r'<h2 id="person-\d+">([^<]+)', page)
    assert headings[0].strip() == "Tess Tyler"
    assert len(headings) == 4  # those with a rota; the planner has none


def test_a_day_says_what_where_with_what_with_whom_and_until_when(plan: Plan, login: Login, planner: Person) -> None:
    row = next(row for row in out.rows(plan) if row.code == "as-found")
    page = login(planner).get(f"/plan/day/?on={row.start.date()}&who={row.people[0].id.removeprefix('person-')}").text
    assert f"<strong>{row.title}</strong>" in page
    assert row.places[0].name in page
    for used in row.instruments:
        assert used.name in page
    assert f"until {row.end.astimezone(planner.shop.zone):%H:%M}" in page
    assert '<section class="day-of"' in page
    assert page.count('<section class="day-of"') == 1


def test_a_day_tells_of_what_was_entered_as_not_there_since(plan: Plan, yard: Yard, at: datetime) -> None:
    row = next(row for row in out.rows(plan) if any(used.kind == "probe" for used in row.instruments))
    probe = next(used for used in row.instruments if used.kind == "probe")

    def notices() -> dict[str, str]:
        people = day.of_shop(yard.planner, row.start.astimezone(yard.shop.zone).date()).people
        return {task.row.operation: task.notice for one in people for task in one.tasks}

    assert set(notices().values()) == {""}
    enter_absence(
        shop=yard.shop, who=Instrument.objects.get(asset_number=probe.name), starts_at=row.start + timedelta(minutes=1),
        ends_at=row.end, reason="dropped", by=yard.planner, at=at,
    )  # fmt: skip
    found = notices()
    assert found[row.operation] == f"{probe.name} is not there then. Ask the planner first."
    before = [one for one in out.rows(plan) if one.operation in found and one.end <= row.start]
    assert all(found[one.operation] == "" for one in before)
    enter_absence(
        shop=yard.shop, who=Person.objects.get(name=row.people[0].name), starts_at=row.start, reason="ill",
        by=yard.planner, at=at,
    )  # fmt: skip
    both = notices()[row.operation]
    assert probe.name in both
    assert row.people[0].name in both
    assert "are not there then" in both


def test_a_hold_point_is_marked_and_names_who_works_beside_it(plan: Plan, yard: Yard) -> None:
    row = next(row for row in out.rows(plan) if row.hold_point)
    who = int(row.people[0].id.removeprefix("person-"))
    [one] = day.of_shop(yard.planner, row.start.astimezone(yard.shop.zone).date(), who=who).people
    [task] = [task for task in one.tasks if task.row.operation == row.operation]
    assert task.row.hold_point
    assert task.others
    assert not set(task.others) & {used.name for used in row.people}


def test_a_night_that_began_the_evening_before_says_which_day(
    plan: Plan, yard: Yard, manager: Person, hire: Any
) -> None:
    nights = [Shift(1, weekday, time(22), 480) for weekday in range(5)]
    pattern = calendars.add_pattern(shop=yard.shop, name="Nights", weeks=1, shifts=nights, by=manager, at=yard.at)
    who = hire(yard.shop, "night", "Ned Night", roles=("technician",))
    calendars.give_rota(who, pattern=pattern, valid_from=MONDAY, by=manager, at=yard.at)
    [monday] = day.of_shop(yard.planner, MONDAY, who=who.pk).people
    [tuesday] = day.of_shop(yard.planner, MONDAY + timedelta(days=1), who=who.pk).people
    assert monday.at_work == "22:00 to Tue 06:00"
    assert tuesday.at_work == "Mon 22:00 to 06:00 and 22:00 to Wed 06:00"


def test_an_order_held_since_the_plan_says_so(plan: Plan, yard: Yard) -> None:
    order = yard.orders["7003"]
    orders.hold_order(order, reason="no gasket", by=yard.planner, at=yard.at)
    tasks = [task for one in day.of_shop(yard.planner, MONDAY).people for task in one.tasks]
    assert {task.notice for task in tasks if task.row.unit == "7003"} == {"The order is held: no gasket"}


def test_without_a_plan_the_day_says_what_belongs_there(login: Login, planner: Person, technician: Person) -> None:
    page = login(technician).get("/plan/day/").text
    assert "There is no plan yet." in page
    assert f'value="{technician.shop.today().isoformat()}"' in page, "the day shown stands in its field"
    assert "To the board" in login(planner).get("/plan/day/").text


@pytest.mark.parametrize("query", ["?on=never", "?on=0001-01-01", "?on=9999-12-31", "?who=nobody", "?who=999999"])
def test_a_day_that_cannot_be_shown_is_today(login: Login, planner: Person, query: str) -> None:
    assert login(planner).get(f"/plan/day/{query}").status_code == 200


def test_a_day_asks_the_database_as_often_for_many_operations_as_for_few(
    plan: Plan, login: Login, planner: Person, django_assert_max_num_queries: Any
) -> None:
    client = login(planner)
    with django_assert_max_num_queries(20):
        client.get(f"/plan/day/?on={MONDAY}")
