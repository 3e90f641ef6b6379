"""What a plan stands on over the API: absences, places, shift patterns, rotas, days without shifts."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from html import unescape
from typing import Any

from django.test import Client

from jobs.people.models import Person
from jobs.planning.models import Absence, Rota
from jobs.tooling.models import Instrument
from tests.api.conftest import Caller, assert_problem, codes

LEAVE = {"who": "technician", "starts_at": "2026-06-01T08:00:00+01:00", "ends_at": "2026-06-03T08:00:00Z",
         "reason": "leave"}  # fmt: skip
EARLY: dict[str, Any] = {
    "name": "Early", "weeks": 1, "shifts": [{"week": 1, "weekday": 0, "starts": "06:00", "minutes": 480}],
}  # fmt: skip


def test_an_absence_is_entered_shown_and_withdrawn(as_planner: Caller, technician: Person) -> None:
    made = as_planner.send("absences/", LEAVE)
    assert made.status_code == 201
    shown = as_planner.get(made["Location"]).json()
    assert (shown["person"], shown["place"], shown["starts_at"]) == ("technician", None, "2026-06-01T07:00:00Z")
    address = made["Location"].removeprefix("/api/v1/")
    assert as_planner.send(address + "withdraw/").json()["withdrawn_by"] == "planner"
    assert codes(as_planner.send(address + "withdraw/")) == ["withdrawn-already"]


def test_an_absence_of_nobody_known_and_one_that_ends_first_are_refused_by_field(
    as_planner: Caller, technician: Person
) -> None:
    unknown = as_planner.send("absences/", {**LEAVE, "who": "nobody"})
    assert_problem(unknown, 422)
    assert unknown.json()["reasons"][0]["field"] == "who"
    assert codes(as_planner.send("absences/", {**LEAVE, "ends_at": "2026-05-01T08:00:00Z"})) == ["ends-first"]


def test_page_and_api_refuse_with_the_same_sentence(
    as_planner: Caller, planner: Person, technician: Person, login: Callable[[Person], Client]
) -> None:
    sent = {"who": f"person-{technician.pk}", "from_day": "2026-06-03", "until_day": "2026-06-01"}
    page = login(planner).post("/plan/absences/new/", sent)
    api = as_planner.send("absences/", {**LEAVE, "ends_at": "2026-05-01T08:00:00Z"})
    assert (page.status_code, api.status_code) == (422, 422)
    assert api.json()["reasons"][0]["sentence"] in unescape(page.text)


def test_an_absence_sent_twice_with_its_key_is_one(as_planner: Caller, technician: Person) -> None:
    first, second = (as_planner.send("absences/", LEAVE, key="a") for _ in range(2))
    assert first.json() == second.json()
    assert Absence.objects.count() == 1


def test_the_list_is_filtered_by_who_and_period(
    as_planner: Caller, technician: Person, probe: Instrument
) -> None:
    as_planner.send("absences/", LEAVE)
    as_planner.send("absences/", {"who": "PR-07", "starts_at": "2026-07-01T08:00:00Z"})

    def found(**query: str) -> list[str]:
        return [one["person"] or one["instrument"] for one in as_planner.read("absences/", **query).json()["results"]]

    assert found() == ["PR-07", "technician"]
    assert found(instrument="PR-07") == ["PR-07"]
    assert found(since="2026-06-04T00:00:00Z") == ["PR-07"]
    assert found(until="2026-06-04T00:00:00Z") == ["technician"]
    assert found(withdrawn="true") == []


def test_why_a_person_is_away_is_not_told_to_everybody(
    as_planner: Caller, as_technician: Caller, as_auditor: Caller, technician: Person
) -> None:
    as_planner.send("absences/", LEAVE)
    callers = (as_planner, as_technician, as_auditor)
    told = [caller.read("absences/").json()["results"][0]["reason"] for caller in callers]
    assert told == ["leave", "leave", ""]


def test_a_pattern_is_laid_out_and_worked(as_planner: Caller, technician: Person) -> None:
    pattern = as_planner.send("shift-patterns/", EARLY)
    assert pattern.json()["shifts"] == EARLY["shifts"]
    rota = {"person": "technician", "pattern": pattern.json()["id"], "valid_from": "2026-01-05"}
    given = as_planner.send("rotas/", rota)
    assert given.status_code == 201
    assert codes(as_planner.send("rotas/", rota)) == ["rota-overlaps"]
    assert Rota.objects.get().first_week == 1
    address = given["Location"].removeprefix("/api/v1/")
    assert as_planner.send(address + "withdraw/").status_code == 204
    assert not Rota.objects.exists()


def test_shifts_that_overlap_are_named(as_planner: Caller) -> None:
    shifts = [{"week": 1, "weekday": 1, "starts": "22:00", "minutes": 480},
              {"week": 1, "weekday": 2, "starts": "05:00", "minutes": 480}]  # fmt: skip
    answer = as_planner.send("shift-patterns/", {**EARLY, "shifts": shifts})
    assert_problem(answer, 422)
    sentence = "Week 1, Tuesday 22:00 and week 1, Wednesday 05:00 overlap."
    assert [one["sentence"] for one in answer.json()["reasons"]] == [sentence]


def test_a_rota_takes_people_and_patterns_of_the_own_shop_only(
    as_planner: Caller, stranger: Person, technician: Person
) -> None:
    pattern = as_planner.send("shift-patterns/", EARLY).json()["id"]
    body = {"person": "stranger", "pattern": pattern, "valid_from": "2026-01-05"}
    assert_problem(as_planner.send("rotas/", body), 422)


def test_a_bay_and_a_day_without_shifts_are_added(as_planner: Caller, at: datetime) -> None:
    assert as_planner.send("places/", {"kind": "bay", "name": "Bay 3"}).status_code == 201
    assert codes(as_planner.send("places/", {"kind": "crane", "name": "Bay 3"})) == ["name-taken"]
    day = as_planner.send("days-without-shifts/", {"day": "2026-12-25", "name": "Christmas"})
    assert date.fromisoformat(day.json()["day"]) == date(2026, 12, 25)
    address = day["Location"].removeprefix("/api/v1/")
    assert as_planner.send(address + "withdraw/").status_code == 204
    assert as_planner.read(address).status_code == 404
