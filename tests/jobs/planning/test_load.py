"""Hours booked of hours there, week by week."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from django.test import Client

from jobs.people.models import Person
from jobs.planning import load, out
from jobs.planning.actions import absences
from jobs.planning.models import Plan
from tests.yard import MONDAY, Yard

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]


@pytest.fixture
def plan(plan_now: Callable[..., Plan]) -> Plan:
    return plan_now()


def test_booked_hours_of_people_add_up_to_their_operations(plan: Plan, yard: Yard) -> None:
    found = load.of_shop(yard.planner, MONDAY)
    for one in found.loaded:
        if one.group == "person":
            own = [row for row in out.rows(plan) if one.id in {used.id for used in row.used}]
            booked = sum(share.booked + share.outside for share in one.shares)
            assert booked == sum((row.end - row.start).total_seconds() / 60 for row in own)
            assert all(share.outside == 0 for share in one.shares)


def test_hours_there_are_the_shifts_of_the_week_less_absences(plan: Plan, yard: Yard, technician: Person) -> None:
    absences.enter_absence(
        shop=yard.shop, who=technician, starts_at=datetime(2026, 3, 23, tzinfo=UTC),
        ends_at=datetime(2026, 3, 25, tzinfo=UTC), by=yard.planner, at=yard.at,
    )  # fmt: skip
    [one] = [one for one in load.of_shop(yard.planner, MONDAY).loaded if one.name == "Tom Turner"]
    assert [share.there / 60 for share in one.shares[:3]] == [40, 24, 40]


def test_a_bay_open_at_every_hour_is_counted_in_those_in_which_anybody_works(plan: Plan, yard: Yard) -> None:
    found = load.of_shop(yard.planner, MONDAY)
    [one] = [one for one in found.loaded if one.name == "Bay 1"]
    people = [other for other in found.loaded if other.group == "person"]
    longest = max(other.shares[0].there for other in people)
    assert longest <= one.shares[0].there <= sum(other.shares[0].there for other in people)
    assert one.shares[0].there < 168 * 60
    assert 0 < one.shares[0].booked <= one.shares[0].there
    # a bay is kept at night as well, and is there then
    assert all(share.outside == 0 for share in one.shares)


def test_a_bay_that_is_taken_whenever_anybody_works_is_full() -> None:
    begin, end = datetime(2026, 3, 23, tzinfo=UTC), datetime(2026, 3, 30, tzinfo=UTC)
    one = load._Subject("place", "bay", "Bay", [(begin, end)], [(begin.replace(hour=6), begin.replace(hour=14))])
    stay = out.Stay(out.Used("bay", "bay", "Bay", kept=True), begin, end, ())
    share = load._share(begin.date(), one, [stay], begin, end)
    assert (share.percent, share.outside) == (100, 0)


def test_work_booked_on_somebody_who_is_away_by_now_is_told(plan: Plan, yard: Yard) -> None:
    row = next(row for row in out.rows(plan) if row.minutes and not row.may_pause)
    who = Person.objects.get(pk=row.people[0].id.removeprefix("person-"))
    absences.enter_absence(shop=yard.shop, who=who, starts_at=row.start, ends_at=row.end, by=yard.planner, at=yard.at)
    [one] = [one for one in load.of_shop(yard.planner, MONDAY).loaded if one.name == who.name]
    assert sum(share.outside for share in one.shares) == (row.end - row.start).total_seconds() / 60


def test_the_page_and_its_csv_say_the_same(plan: Plan, login: Login, yard: Yard) -> None:
    client = login(yard.planner)
    content = b"".join(client.get("/plan/load.csv?weeks=2").streaming_content)  # type: ignore[attr-defined]
    rows = list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"))))
    assert {row["name"] for row in rows} >= {"Bay 1", "Tom Turner", "PR-07"}
    assert len(rows) == 2 * len({row["name"] for row in rows})
    page = client.get("/plan/load/?weeks=2").text
    assert page.count('scope="row"') == len(rows) / 2


def test_the_drawing_of_the_load_is_to_scale(plan: Plan, yard: Yard) -> None:
    found = load.of_shop(yard.planner, MONDAY)
    for _, some in found.groups():
        drawing = load.drawn(some, found.weeks)
        scale = (load.CELL - 10) / (drawing.full_hours * 60)
        for one, (_, name, boxes) in zip(some, drawing.lines, strict=True):
            assert name == one.name
            for share, box in zip(one.shares, boxes, strict=True):
                assert box.frame == pytest.approx(share.there * scale, abs=0.01)  # two decimals
                assert box.fill == pytest.approx(share.booked * scale, abs=0.01)


def test_without_a_plan_the_load_says_what_belongs_there(login: Login, planner: Person) -> None:
    assert "There is no plan yet." in login(planner).get("/plan/load/").text


def test_a_bay_kept_while_it_is_closed_is_told(plan: Plan, yard: Yard) -> None:
    before = {one.name: one for one in load.of_shop(yard.planner, MONDAY).loaded}
    bay = next(used for row in out.rows(plan) for used in row.used if used.name.startswith("Bay"))
    place = yard.shop.places.get(name=bay.name)
    absences.enter_absence(shop=yard.shop, who=place, starts_at=datetime(2026, 3, 16, tzinfo=UTC),
                           ends_at=datetime(2026, 3, 30, tzinfo=UTC), by=yard.planner, at=yard.at)  # fmt: skip
    [one] = [one for one in load.of_shop(yard.planner, MONDAY).loaded if one.name == bay.name]
    assert before[bay.name].shares[0].outside == 0
    assert one.shares[0].booked == 0
    assert one.shares[0].outside == before[bay.name].shares[0].booked > 0
