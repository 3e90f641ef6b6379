"""What comes out of the plan in force: rows, each person's day, calendars, load."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest
from django.core import signing
from django.test import Client
from icalendar import Calendar

from jobs.ledger.models import Entry
from jobs.orders import actions as orders
from jobs.people.models import Person
from jobs.planning import day, feeds, load, out
from jobs.planning.actions import absences, calendars
from jobs.planning.actions.feeds import give_feed, renew_feed
from jobs.planning.models import Feed, Plan
from jobs.planning.problem import person_id, place_id
from jobs.planning.shifts import Shift
from tests.jobs.planning.conftest import MONDAY, Yard

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
    assert "There is no plan yet." in login(technician).get("/plan/day/").text
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


# --- Calendars ----------------------------------------------------------------------------------------


def fetched(feed: Feed) -> Calendar:
    answer = Client().get(f"/plan/feeds/{feeds.token_of(feed)}.ics")
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    assert all(len(line) <= 75 for line in answer.content.split(b"\r\n"))
    return Calendar.from_ical(answer.content)  # type: ignore[return-value]


def entries(feed: Feed) -> dict[str, Any]:
    return {str(one["UID"]): one for one in fetched(feed).walk("VEVENT")}


@pytest.mark.parametrize("kind", ["place", "person", "unit"])
def test_a_calendar_read_back_is_the_plan(plan: Plan, yard: Yard, technician: Person, kind: str) -> None:
    subject = {"place": yard.bays[0], "person": technician, "unit": yard.orders["7003"].unit}[kind]
    feed = give_feed(kind=kind, key=str(subject.pk), by=yard.planner, at=yard.at)
    key = {"place": place_id, "person": person_id}.get(kind, str)(subject.pk)
    expected = {
        feeds.uid_of(row, yard.shop): row
        for row in out.rows(plan)
        if key in {used.id for used in row.used} or (kind == "unit" and row.unit == "7003")
    }
    found = entries(feed)
    assert found.keys() == expected.keys()
    assert found
    for uid, row in expected.items():
        event = found[uid]
        assert event["DTSTART"].dt == row.start
        assert (event["DTEND"].dt if "DTEND" in event else event["DTSTART"].dt) == row.end
        assert event["LOCATION"] == row.places[0].name
        assert row.unit in event["SUMMARY"]
        assert event["SEQUENCE"] == plan.version
        assert event["DTSTAMP"].dt == plan.accepted_at
        for used in (*row.people, *row.instruments):
            assert used.name in event["DESCRIPTION"]


def test_the_identification_stays_and_the_sequence_goes_up_with_a_new_version(
    plan: Plan, yard: Yard, plan_now: Callable[..., Plan]
) -> None:
    feed = give_feed(kind="place", key=str(yard.bays[0].pk), by=yard.planner, at=yard.at)
    before = fetched(feed)
    again = plan_now(yard.at + timedelta(minutes=15))
    after = fetched(feed)
    uids = [{str(one["UID"]) for one in found.walk("VEVENT")} for found in (before, after)]
    assert uids[0] & uids[1]
    assert {one["SEQUENCE"] for one in after.walk("VEVENT")} == {again.version}
    assert again.version == (plan.version or 0) + 1


def test_names_with_commas_and_more_letters_than_a_line_holds_come_back_whole(plan: Plan, yard: Yard) -> None:
    row = out.rows(plan)[0]
    plan.names[row.used[0].id] = "Bay 1; north, by the " + "long " * 30 + "öl\\wall"
    content = feeds.written(out.rows(plan), plan, title="x", shop=yard.shop)
    found = {str(one["UID"]): one for one in Calendar.from_ical(content).walk("VEVENT")}
    assert found[feeds.uid_of(row, yard.shop)]["LOCATION"] == plan.names[row.used[0].id]


def test_a_renewed_link_makes_the_old_one_worthless(plan: Plan, yard: Yard, login: Login, technician: Person) -> None:
    feed = give_feed(kind="person", key=str(technician.pk), by=technician, at=yard.at)
    old = feeds.token_of(feed)
    renewed = renew_feed(feed, by=technician, at=yard.at)
    assert Client().get(f"/plan/feeds/{old}.ics").status_code == 404
    assert Client().get(f"/plan/feeds/{feeds.token_of(renewed)}.ics").status_code == 200
    told = Entry.objects.filter(kind__startswith="feed.").order_by("number").values_list("kind", flat=True)
    assert list(told) == ["feed.given", "feed.renewed"]


def test_a_link_cannot_be_guessed_or_altered(plan: Plan, yard: Yard) -> None:
    feed = give_feed(kind="place", key=str(yard.bays[0].pk), by=yard.planner, at=yard.at)
    token = feeds.token_of(feed)
    other = signing.Signer(salt="another").sign_object([feed.pk, feed.issue])
    nonsense = signing.Signer(salt=feeds.SALT).sign_object("x")
    unsigned = token.split(":")[0]
    altered = [f"{token[:at]}{'B' if token[at] == 'A' else 'A'}{token[at + 1 :]}" for at in range(len(token))]
    for wrong in (other, unsigned, "x", nonsense, *altered):
        # The last letter of base64 holds bits that mean nothing; such a twin is the same link, not another's.
        try:
            assert feeds.by_token(wrong) == feed
            assert wrong[:-1] == token[:-1]
        except feeds.NoSuchFeed:
            assert Client().get(f"/plan/feeds/{wrong}.ics").status_code == 404


def test_a_link_ends_with_the_account_of_its_owner(plan: Plan, yard: Yard, technician: Person) -> None:
    feed = give_feed(kind="place", key=str(yard.bays[0].pk), by=technician, at=yard.at)
    technician.is_active = False
    technician.save(update_fields=["is_active"])
    assert Client().get(f"/plan/feeds/{feeds.token_of(feed)}.ics").status_code == 404


def test_a_calendar_that_did_not_change_is_not_sent_again(plan: Plan, yard: Yard) -> None:
    feed = give_feed(kind="place", key=str(yard.bays[0].pk), by=yard.planner, at=yard.at)
    address = f"/plan/feeds/{feeds.token_of(feed)}.ics"
    tag = Client().get(address)["ETag"]
    assert Client().get(address, headers={"If-None-Match": tag}).status_code == 304


def test_a_calendar_before_any_plan_is_empty_and_valid(yard: Yard) -> None:
    feed = give_feed(kind="place", key=str(yard.bays[0].pk), by=yard.planner, at=yard.at)
    assert entries(feed) == {}


def test_the_page_of_links_gives_and_renews_ones_own(
    login: Login, yard: Yard, technician: Person, planner: Person
) -> None:
    client = login(technician)
    sent = {"what": f"place-{yard.bays[0].pk}"}
    page = client.post("/plan/feeds/", sent, follow=True).text
    feed = Feed.objects.get()
    assert feeds.token_of(feed) in page
    client.post("/plan/feeds/", sent)
    assert Feed.objects.count() == 1
    assert login(planner).post(f"/plan/feeds/{feed.pk}/renew/").status_code == 403
    assert client.post(f"/plan/feeds/{feed.pk}/renew/").status_code == 302
    feed.refresh_from_db()
    assert feed.issue == 2
    assert client.post("/plan/feeds/", {"what": "person-999999"}).status_code == 422


# --- Load ---------------------------------------------------------------------------------------------


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


def test_a_bay_open_at_every_hour_has_168_hours_and_one_less_in_the_week_of_spring(plan: Plan, yard: Yard) -> None:
    [one] = [one for one in load.of_shop(yard.planner, MONDAY).loaded if one.name == "Bay 1"]
    assert [share.there / 60 for share in one.shares[:3]] == [168, 167, 168]
    assert one.shares[0].booked > 0


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
