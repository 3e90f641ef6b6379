"""Absences that come as files are shown first and taken once, on the planner's word."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from jobs.ledger.models import Entry as LedgerEntry
from jobs.people.models import Person, Shop
from jobs.planning import reading
from jobs.planning.actions import absences
from jobs.planning.imports.entries import MOST_BYTES
from jobs.planning.models import Absence
from tests.jobs.planning.importing import AT, WHEN, calendar, event, utc

Login = Callable[[Person], Client]


def read(text: str, shop: Shop, *, at: datetime = AT, whose: Person | None = None) -> reading.Read:
    return reading.of_text(text, file_name="x", whose=whose, shop=shop, at=at)


def take(text: str, shop: Shop, by: Person, *, whose: Person | None = None) -> dict[str, int]:
    seen = read(text, shop, whose=whose).digest
    return reading.taken(text=text, file_name="x", whose=whose, seen=seen, shop=shop, by=by, at=AT)


def verdicts(text: str, shop: Shop) -> list[str]:
    return [line.verdict for line in read(text, shop).lines]


LEAVE = "who,from,until,reason,uid\ntechnician,2026-06-01,2026-06-03,leave,L1\nNobody,2026-06-01,,,\n"


@pytest.mark.django_db
def test_an_import_made_twice_doubles_nothing(brackwater: Shop, planner: Person, technician: Person) -> None:
    assert take(LEAVE, brackwater, planner) == {"new": 1, "bad": 1}
    assert verdicts(LEAVE, brackwater) == ["there", "bad"]
    assert Absence.objects.count() == 1
    entry = LedgerEntry.objects.get(kind="absence.imported")
    assert entry.sentence == "Absences imported from x: 1 new, 1 not understood."


@pytest.mark.django_db
def test_a_line_with_other_times_withdraws_the_absence_and_enters_it_anew(
    brackwater: Shop, planner: Person, technician: Person
) -> None:
    take(LEAVE, brackwater, planner)
    longer = LEAVE.replace("2026-06-03", "2026-06-05")
    assert verdicts(longer, brackwater) == ["changed", "bad"]
    take(longer, brackwater, planner)
    old, new = Absence.objects.order_by("pk")
    assert (old.withdrawn_by, new.withdrawn_at, new.ends_at) == (planner, None, utc(2026, 6, 5, 23))
    assert old.uid == new.uid


@pytest.mark.django_db
def test_a_line_without_uid_that_is_entered_by_hand_already_is_there(
    brackwater: Shop, planner: Person, technician: Person
) -> None:
    absences.enter_absence(
        shop=brackwater, who=technician, starts_at=utc(2026, 5, 31, 23), ends_at=utc(2026, 6, 3, 23), by=planner, at=AT
    )
    text = "who,from,until\ntechnician,2026-06-01,2026-06-03\n"
    assert verdicts(text, brackwater) == ["there"]


@pytest.mark.django_db
def test_two_lines_with_one_identification_are_told_apart(
    brackwater: Shop, planner: Person, technician: Person
) -> None:
    text = "who,from,uid\ntechnician,2026-06-01,A\ntechnician,2026-07-01,A\n"
    [first, second] = read(text, brackwater).lines
    assert (first.verdict, second.why) == ("new", "It has the same identification as line 2.")


@pytest.mark.django_db
def test_a_cancelled_entry_withdraws_every_time_of_its_series(
    brackwater: Shop, planner: Person, technician: Person
) -> None:
    when = ("DTSTART:20260601T080000Z", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=3")
    series = event(*when, summary="technician: course")
    assert take(calendar(series), brackwater, planner) == {"new": 3}
    cancelled = calendar(event("STATUS:CANCELLED"))
    assert verdicts(cancelled, brackwater) == ["withdrawn"]
    take(cancelled, brackwater, planner)
    assert not Absence.objects.filter(withdrawn_at__isnull=True).exists()
    assert verdicts(cancelled, brackwater) == ["there"]


@pytest.mark.django_db
def test_a_series_that_grew_shorter_withdraws_what_it_has_no_longer(
    brackwater: Shop, planner: Person, technician: Person
) -> None:
    when = ("DTSTART:20260601T080000Z", "DURATION:PT1H")
    take(calendar(event(*when, "RRULE:FREQ=DAILY;COUNT=4", summary="technician: course")), brackwater, planner)
    left = ("RRULE:FREQ=DAILY;COUNT=3", "EXDATE:20260602T080000Z")
    shorter = calendar(event(*when, *left, summary="technician: course"))
    assert sorted(verdicts(shorter, brackwater)) == ["there", "there", "withdrawn", "withdrawn"]
    take(shorter, brackwater, planner)
    assert Absence.objects.filter(withdrawn_at__isnull=True).count() == 2


@pytest.mark.django_db
def test_a_series_that_ended_takes_back_what_it_was_to_bring_and_keeps_what_was(
    brackwater: Shop, planner: Person, technician: Person
) -> None:
    weekly = ("DTSTART:20260302T080000Z", "DURATION:PT1H", "RRULE:FREQ=WEEKLY;UNTIL=")
    about = "technician: course"
    first = calendar(event(weekly[0], weekly[1], weekly[2] + "20260330T235959Z", summary=about))
    assert take(first, brackwater, planner) == {"new": 5}
    ended = calendar(event("DTSTART:20250302T080000Z", weekly[1], weekly[2] + "20250330T235959Z", summary=about))
    [line] = read(ended, brackwater).lines
    assert (line.verdict, len(line.held)) == ("withdrawn", 2)  # of the 23rd and the 30th; the others began already
    take(ended, brackwater, planner)
    assert Absence.objects.filter(withdrawn_at__isnull=True).count() == 3


def upload(text: str, name: str = "leave.csv") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, text.encode())


@pytest.mark.django_db
def test_nothing_is_taken_before_the_planner_says_so(
    login: Login, planner: Person, technician: Person, brackwater: Shop
) -> None:
    client = login(planner)
    shown = client.post("/plan/absences/import/", {"file": upload(LEAVE), "whose": ""})
    assert shown.status_code == 200
    assert "1 new, 1 not understood." in shown.text
    assert "Nobody and nothing in the shop is called “Nobody”." in shown.text
    assert not Absence.objects.exists()
    found = shown.context["found"]
    sent = {"text": found.text, "seen": found.digest, "file_name": "leave.csv", "whose": ""}
    assert client.post("/plan/absences/import/", sent).status_code == 302
    assert Absence.objects.get().reason == "leave"
    again = client.post("/plan/absences/import/", sent)
    assert again.status_code == 409
    assert "changed since these lines were shown" in again.text
    assert "1 already there, 1 not understood." in again.text
    assert Absence.objects.count() == 1


@pytest.mark.django_db
def test_a_calendar_of_one_person_needs_no_names(login: Login, planner: Person, technician: Person) -> None:
    text = calendar(event(*WHEN, summary="Dentist"))
    sent = {"file": upload(text, "t.ics"), "whose": f"person-{technician.pk}"}
    shown = login(planner).post("/plan/absences/import/", sent)
    found = shown.context["found"]
    # What a browser sends back has its own line ends.
    sent = {"text": found.text.replace("\r\n", "\n").replace("\n", "\r\n"), "seen": found.digest,
            "whose": f"person-{technician.pk}", "file_name": "t.ics"}  # fmt: skip
    assert f'name="whose" value="person-{technician.pk}"' in shown.text
    assert login(planner).post("/plan/absences/import/", sent).status_code == 302
    assert Absence.objects.get().person == technician


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("content", "status", "said"),
    [("x" * (MOST_BYTES + 1), 413, "512 kB is the most"), ("a,b\n", 422, "it lacks who and from"), ("", 422, "empty")],
)
def test_a_file_that_cannot_be_read_is_refused_at_its_field(
    login: Login, planner: Person, content: str, status: int, said: str
) -> None:
    answer = login(planner).post("/plan/absences/import/", {"file": upload(content)})
    assert answer.status_code == status
    assert said in answer.text
    assert 'id="id_file_error"' in answer.text


@pytest.mark.django_db
def test_a_time_that_is_entered_in_part_is_taken_and_said_to_overlap(
    brackwater: Shop, planner: Person, technician: Person
) -> None:
    absences.enter_absence(
        shop=brackwater, who=technician, starts_at=utc(2026, 5, 31, 23), ends_at=utc(2026, 6, 3, 23), by=planner, at=AT
    )
    text = "who,from,until\ntechnician,2026-06-03,2026-06-05\ntechnician,2026-06-05,2026-06-08\ntechnician,2026-06-09\n"
    lines = read(text, brackwater).lines
    assert [line.verdict for line in lines] == ["new", "new", "new"]
    assert lines[0].why == "It overlaps with another, from 2026-06-01 00:00 to 2026-06-04 00:00."
    assert lines[1].why == "It overlaps with another, from 2026-06-03 00:00 to 2026-06-06 00:00."
    assert lines[2].why == ""
