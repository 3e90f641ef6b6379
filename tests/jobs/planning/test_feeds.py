"""Calendars of the plan in force, fetched by their links and read back."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.core import signing
from django.test import Client
from hypothesis import given
from hypothesis import strategies as st
from icalendar import Calendar

from jobs.ledger.models import Entry
from jobs.people.models import Person, Shop
from jobs.planning import feeds, out
from jobs.planning.actions.feeds import give_feed, renew_feed
from jobs.planning.models import Feed, Plan
from jobs.planning.problem import person_id, place_id
from tests.yard import Yard

Login = Callable[[Person], Client]


@pytest.fixture
def plan(plan_now: Callable[..., Plan]) -> Plan:
    return plan_now()


def fetched(feed: Feed) -> Calendar:
    answer = Client().get(f"/plan/feeds/{feeds.token_of(feed)}.ics")
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    assert all(len(line) <= 75 for line in answer.content.split(b"\r\n"))
    return Calendar.from_ical(answer.content)  # type: ignore[return-value]


def entries(feed: Feed) -> dict[str, Any]:
    return {str(one["UID"]): one for one in fetched(feed).walk("VEVENT")}


@pytest.mark.django_db
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


@pytest.mark.django_db
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


@pytest.mark.django_db
def test_names_with_commas_and_more_letters_than_a_line_holds_come_back_whole(plan: Plan, yard: Yard) -> None:
    row = out.rows(plan)[0]
    plan.names[row.used[0].id] = "Bay 1; north, by the " + "long " * 30 + "öl\\wall"
    content = feeds.written(out.rows(plan), plan, title="x", shop=yard.shop)
    found = {str(one["UID"]): one for one in Calendar.from_ical(content).walk("VEVENT")}
    assert found[feeds.uid_of(row, yard.shop)]["LOCATION"] == plan.names[row.used[0].id]


@pytest.mark.django_db
def test_a_renewed_link_makes_the_old_one_worthless(plan: Plan, yard: Yard, login: Login, technician: Person) -> None:
    feed = give_feed(kind="person", key=str(technician.pk), by=technician, at=yard.at)
    old = feeds.token_of(feed)
    renewed = renew_feed(feed, by=technician, at=yard.at)
    assert Client().get(f"/plan/feeds/{old}.ics").status_code == 404
    assert Client().get(f"/plan/feeds/{feeds.token_of(renewed)}.ics").status_code == 200
    told = Entry.objects.filter(kind__startswith="feed.").order_by("number").values_list("kind", flat=True)
    assert list(told) == ["feed.given", "feed.renewed"]


@pytest.mark.django_db
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


@pytest.mark.django_db
def test_a_link_ends_with_the_account_of_its_owner(plan: Plan, yard: Yard, technician: Person) -> None:
    feed = give_feed(kind="place", key=str(yard.bays[0].pk), by=technician, at=yard.at)
    technician.is_active = False
    technician.save(update_fields=["is_active"])
    assert Client().get(f"/plan/feeds/{feeds.token_of(feed)}.ics").status_code == 404


@pytest.mark.django_db
def test_a_calendar_that_did_not_change_is_not_sent_again(plan: Plan, yard: Yard) -> None:
    feed = give_feed(kind="place", key=str(yard.bays[0].pk), by=yard.planner, at=yard.at)
    address = f"/plan/feeds/{feeds.token_of(feed)}.ics"
    tag = Client().get(address)["ETag"]
    assert Client().get(address, headers={"If-None-Match": tag}).status_code == 304


@pytest.mark.django_db
def test_a_calendar_before_any_plan_is_empty_and_valid(yard: Yard) -> None:
    feed = give_feed(kind="place", key=str(yard.bays[0].pk), by=yard.planner, at=yard.at)
    assert entries(feed) == {}


@pytest.mark.django_db
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


WORDS = st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1, max_size=120)
STARTS = st.integers(0, 10_000).map(lambda minutes: datetime(2026, 3, 1, tzinfo=UTC) + timedelta(minutes=minutes))


@given(st.lists(st.tuples(WORDS, WORDS, WORDS, STARTS, st.integers(0, 600)), max_size=5))
def test_whatever_things_are_called_the_calendar_is_read_back_as_it_was(
    given_rows: list[tuple[str, str, str, datetime, int]],
) -> None:
    shop = Shop(code="BY", name="Brackwater Yard", time_zone="Europe/London")
    made = Plan(shop=shop, accepted_at=datetime(2026, 3, 1, tzinfo=UTC), version=3)
    rows = [
        out.Row(
            f"BY-{number}/x", "x", title, f"BY-{number}", unit, start, start + timedelta(minutes=minutes), minutes,
            False, False, (out.Used("place-1", "bay", bay), out.Used("person-1", "person", unit)), 3,
        )
        for number, (title, unit, bay, start, minutes) in enumerate(given_rows)
    ]  # fmt: skip
    content = feeds.written(rows, made, title="x", shop=shop)
    assert all(len(line) <= 75 for line in content.split(b"\r\n"))
    found = Calendar.from_ical(content).walk("VEVENT")
    assert [str(one["UID"]) for one in found] == [feeds.uid_of(row, shop) for row in rows]
    for event, row in zip(found, rows, strict=True):
        assert event["SUMMARY"] == f"{row.title} of {row.unit}"
        assert event["LOCATION"] == row.places[0].name
        assert event["DTSTART"].dt == row.start
        assert ("DTEND" in event) == (row.end > row.start)
