"""Absences entered and withdrawn, on the screen and in the history."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from django.test import Client

from jobs.errors import BadInput, NotAllowed, WrongPerson
from jobs.ledger.models import Entry
from jobs.people.models import Person, Shop
from jobs.planning.actions import absences, places
from jobs.planning.actions.trouble import report_trouble
from jobs.planning.models import Absence
from jobs.tooling.models import Instrument
from tests.yard import Yard

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]


@pytest.fixture
def leave(brackwater: Shop, technician: Person, planner: Person, at: datetime) -> Absence:
    since = datetime(2026, 4, 1, tzinfo=UTC)
    return absences.enter_absence(
        shop=brackwater, who=technician, starts_at=since, ends_at=since + timedelta(days=3), reason="leave", by=planner,
        at=at,
    )  # fmt: skip


def test_whole_days_run_from_the_start_of_the_first_to_the_end_of_the_last(
    login: Login, planner: Person, technician: Person
) -> None:
    sent = {"who": f"person-{technician.pk}", "from_day": "2026-03-28", "until_day": "2026-03-29", "reason": "course"}
    assert login(planner).post("/plan/absences/new/", sent).status_code == 302
    one = Absence.objects.get()
    # Two days of the shop, the second of them with 23 hours.
    assert (one.starts_at, one.ends_at) == (datetime(2026, 3, 28, tzinfo=UTC), datetime(2026, 3, 29, 23, tzinfo=UTC))


def test_an_instrument_may_be_away_until_further_notice_from_a_time_on(
    login: Login, keeper: Person, probe: Instrument
) -> None:
    sent = {"who": f"instrument-{probe.pk}", "from_day": "2026-06-01", "from_time": "10:00"}
    assert login(keeper).post("/plan/absences/new/", sent).status_code == 302
    one = Absence.objects.get()
    assert (one.subject, one.starts_at, one.ends_at) == (probe, datetime(2026, 6, 1, 9, tzinfo=UTC), None)
    assert "PR-07 is not to be had from 2026-06-01 10:00 until further notice." in Entry.objects.get().sentence


def test_a_time_that_the_clock_leaps_over_is_refused_at_its_field(
    login: Login, planner: Person, technician: Person
) -> None:
    sent = {"who": f"person-{technician.pk}", "from_day": "2026-03-29", "from_time": "01:30"}
    answer = login(planner).post("/plan/absences/new/", sent)
    assert answer.status_code == 422
    assert "On 2026-03-29 the clock leaps over 01:30 in Europe/London" in answer.text
    assert 'id="id_from_day_error"' in answer.text


def test_an_end_before_the_start_is_refused_at_the_day(login: Login, planner: Person, technician: Person) -> None:
    sent = {"who": f"person-{technician.pk}", "from_day": "2026-03-29", "until_day": "2026-03-27"}
    answer = login(planner).post("/plan/absences/new/", sent)
    assert "It would end before it begins." in answer.text
    assert 'id="id_until_day_error"' in answer.text


def test_the_same_absence_is_not_entered_twice(leave: Absence, technician: Person, planner: Person) -> None:
    with pytest.raises(BadInput, match="Tom Turner is entered as away for the same time already"):
        absences.enter_absence(
            shop=leave.shop, who=technician, starts_at=leave.starts_at, ends_at=leave.ends_at, by=planner,
            at=leave.entered_at,
        )  # fmt: skip


def test_what_is_entered_already_for_some_of_the_time_is_said(
    leave: Absence, login: Login, planner: Person, technician: Person, technician2: Person
) -> None:
    sent = {"who": f"person-{technician.pk}", "from_day": "2026-04-03", "until_day": "2026-04-08"}
    answer = login(planner).post("/plan/absences/new/", sent, follow=True)
    said = "Entered already for some of that time: Tom Turner is away from 2026-04-01 01:00 until 2026-04-04 01:00."
    assert said in answer.text
    for other in ({"who": f"person-{technician2.pk}"}, {"from_day": "2026-04-05", "until_day": "2026-04-06"}):
        answer = login(planner).post("/plan/absences/new/", sent | other, follow=True)
        assert said not in answer.text
        assert "Entered: " in answer.text


def test_trouble_says_what_is_entered_already(yard: Yard, technician: Person, at: datetime) -> None:
    since, until = datetime(2026, 4, 1, tzinfo=UTC), datetime(2026, 4, 4, tzinfo=UTC)
    absences.enter_absence(shop=yard.shop, who=technician, starts_at=since, ends_at=until, by=yard.planner, at=at)
    asked = report_trouble(what=f"person-{technician.pk}", starts_at=since + timedelta(hours=2), hours=None,
                           by=yard.planner, at=at)  # fmt: skip
    assert asked.why == ("Tom Turner not there from Wed 2026-04-01 03:00 until further notice "
                         "(entered already from Wed 2026-04-01 01:00 to Sat 2026-04-04 01:00).")  # fmt: skip


def test_trouble_that_is_over_moves_nothing(yard: Yard, technician: Person, at: datetime) -> None:
    with pytest.raises(BadInput, match="That is over already and moves nothing"):
        report_trouble(what=f"person-{technician.pk}", starts_at=at - timedelta(hours=9), hours=5, by=yard.planner,
                       at=at)  # fmt: skip
    assert not Absence.objects.exists()


def test_what_belongs_to_another_shop_cannot_be_away_here(
    brackwater: Shop, planner: Person, stranger: Person, at: datetime
) -> None:
    with pytest.raises(BadInput, match="belongs to another shop"):
        absences.enter_absence(shop=brackwater, who=stranger, starts_at=at, by=planner, at=at)


def test_the_history_keeps_who_and_when_but_not_why(leave: Absence) -> None:
    entry = Entry.objects.get()
    assert entry.kind == "absence.entered"
    assert entry.sentence == "Tom Turner is away from 2026-04-01 01:00 until 2026-04-04 01:00."
    assert "leave" not in entry.body


def test_an_absence_is_withdrawn_once_and_stays_in_the_list_of_those(
    login: Login, planner: Person, leave: Absence, at: datetime
) -> None:
    client = login(planner)
    assert client.post(f"/plan/absences/{leave.pk}/withdraw/").status_code == 302
    leave.refresh_from_db()
    assert leave.withdrawn_by == planner
    assert "Tom Turner</td>" not in client.get("/plan/absences/").text
    assert "Tom Turner</td>" in client.get("/plan/absences/?state=withdrawn").text
    with pytest.raises(NotAllowed, match="withdrawn already"):
        absences.withdraw_absence(leave, by=planner, at=at)
    assert Entry.objects.filter(kind="absence.withdrawn").count() == 1


def test_a_technician_may_not_enter_an_absence(technician: Person, brackwater: Shop, at: datetime) -> None:
    with pytest.raises(WrongPerson, match="Only an instrument keeper or planner or shop manager may enter"):
        absences.enter_absence(shop=brackwater, who=technician, starts_at=at, by=technician, at=at)


def test_why_somebody_is_away_is_told_to_those_who_enter_it_and_to_themselves(
    login: Login, planner: Person, technician: Person, technician2: Person, leave: Absence
) -> None:
    assert "<td data-label=\"Reason\">leave</td>" in login(planner).get("/plan/absences/").text
    assert "<td data-label=\"Reason\">leave</td>" in login(technician).get("/plan/absences/").text
    assert "leave</td>" not in login(technician2).get("/plan/absences/").text
    assert "leave" not in _csv(login(technician2), "")[0].values()


@pytest.mark.parametrize(
    ("query", "shown"),
    [
        ("", True),
        ("?since=2026-04-04", True),  # it ends at 01:00 on that day
        ("?since=2026-04-05", False),
        ("?until=2026-03-31", False),
        ("?until=2026-04-01", True),
        ("?state=withdrawn", False),
    ],
)
def test_the_list_and_its_csv_hold_what_touches_the_period(
    login: Login, planner: Person, leave: Absence, query: str, shown: bool
) -> None:
    rows = _csv(login(planner), query)
    assert ([row["who"] for row in rows] == ["Tom Turner"]) == shown
    assert ("Tom Turner</td>" in login(planner).get(f"/plan/absences/{query}").text) == shown


def test_the_list_by_place_leaves_out_people(
    login: Login, planner: Person, leave: Absence, brackwater: Shop, at: datetime
) -> None:
    bay = places.add_place(shop=brackwater, kind="bay", name="Bay 2", by=planner, at=at)
    absences.enter_absence(shop=brackwater, who=bay, starts_at=at, reason="floor painted", by=planner, at=at)
    rows = _csv(login(planner), f"?who=place-{bay.pk}")
    assert [(row["who"], row["reason"], row["until"]) for row in rows] == [("Bay 2", "floor painted", "")]


def _csv(client: Client, query: str) -> list[dict[str, str]]:
    content = b"".join(client.get(f"/plan/absences.csv{query}").streaming_content)  # type: ignore[attr-defined]
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"))))


def test_the_list_asks_the_database_no_more_often_for_more_rows(
    login: Login, planner: Person, brackwater: Shop, technician: Person, django_assert_max_num_queries: object
) -> None:
    since = datetime(2026, 4, 1, tzinfo=UTC)
    Absence.objects.bulk_create(
        Absence(shop=brackwater, person=technician, starts_at=since + timedelta(days=day)) for day in range(1000)
    )
    client = login(planner)
    with django_assert_max_num_queries(14):  # type: ignore[operator]
        page = client.get("/plan/absences/").text
    assert "1 to 50 of 1,000" in page
