"""Places, patterns, rotas and days without shifts on the screen, and what the history says of them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time
from typing import Any

import pytest
from django.test import Client

from jobs.errors import BadInput
from jobs.ledger.models import Entry
from jobs.people.models import Person, Shop
from jobs.planning import overview
from jobs.planning.actions import absences, calendars, places
from jobs.planning.models import Holiday, Place, Rota, ShiftPattern
from jobs.planning.shifts import Shift

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]
NIGHTS = [Shift(1, day, time(22), 480) for day in range(7)]
GRID = {"name": "Early and late", "weeks": "2", "w1d0": "06:00–14:00", "w2d0": "14:00 + 8 h", "act": ""}


@pytest.fixture
def nights(brackwater: Shop, planner: Person, at: datetime) -> ShiftPattern:
    return calendars.add_pattern(shop=brackwater, name="Nights", weeks=1, shifts=NIGHTS, by=planner, at=at)


@pytest.fixture
def rota(nights: ShiftPattern, technician: Person, planner: Person, at: datetime) -> Rota:
    return calendars.give_rota(technician, pattern=nights, valid_from=date(2026, 1, 5), by=planner, at=at)


def kinds() -> list[str]:
    return list(Entry.objects.order_by("number").values_list("kind", flat=True))


# --- Places -------------------------------------------------------------------------------------------


def test_a_planner_adds_a_bay_and_the_history_has_it(login: Login, planner: Person) -> None:
    answer = login(planner).post("/plan/facts/places/new/", {"kind": "bay", "name": "Bay 2"}, follow=True)
    assert "Bay 2" in answer.text
    entry = Entry.objects.get(kind="place.added")
    assert entry.sentence == "Bay 2 added."
    assert entry.subjects.filter(type="planning.place", key=str(Place.objects.get().pk)).exists()


def test_a_name_that_is_taken_is_refused_at_its_field_and_stays_typed(
    login: Login, planner: Person, brackwater: Shop, at: datetime
) -> None:
    places.add_place(shop=brackwater, kind="bay", name="Bay 2", by=planner, at=at)
    answer = login(planner).post("/plan/facts/places/new/", {"kind": "crane", "name": "Bay 2"})
    assert answer.status_code == 422
    assert "There is a Bay 2 already." in answer.text
    assert 'value="Bay 2"' in answer.text


def test_a_bay_that_is_changed_says_what_it_was_called(
    login: Login, planner: Person, brackwater: Shop, nights: ShiftPattern, at: datetime
) -> None:
    bay = places.add_place(shop=brackwater, kind="bay", name="Bay 2", by=planner, at=at)
    sent = {"kind": "bay", "name": "East bay", "pattern": nights.pk, "usable_until": "2026-12-31"}
    assert login(planner).post(f"/plan/facts/places/{bay.pk}/", sent).status_code == 302
    bay.refresh_from_db()
    assert (bay.name, bay.pattern, bay.usable_until) == ("East bay", nights, date(2026, 12, 31))
    assert Entry.objects.get(kind="place.changed").sentence == "East bay (until now Bay 2) changed."


def test_a_bay_cannot_follow_a_pattern_of_another_shop(
    login: Login, planner: Person, port_ansel: Shop, at: datetime
) -> None:
    from jobs.ledger.actions import System

    other = calendars.add_pattern(shop=port_ansel, name="N", weeks=1, shifts=NIGHTS, by=System(), at=at)
    answer = login(planner).post("/plan/facts/places/new/", {"kind": "bay", "name": "B", "pattern": other.pk})
    assert answer.status_code == 422
    with pytest.raises(BadInput, match="pattern of another shop"):
        places.add_place(shop=planner.shop, kind="bay", name="B", pattern=other, by=planner, at=at)


# --- Patterns -----------------------------------------------------------------------------------------


def test_a_grid_of_cells_becomes_a_pattern(login: Login, planner: Person) -> None:
    assert login(planner).post("/plan/facts/patterns/new/", GRID).status_code == 302
    found = ShiftPattern.objects.get()
    spans = [(one.week, one.weekday, one.starts, one.minutes) for one in found.spans.all()]
    assert spans == [(1, 0, time(6), 480), (2, 0, time(14), 480)]
    assert Entry.objects.get().sentence == "Shift pattern Early and late added: 2 shifts over 2 weeks."


def test_shifts_that_overlap_are_refused_with_their_places(login: Login, planner: Person) -> None:
    sent = {"name": "x", "weeks": "1", "w1d1": "22:00–06:00", "w1d2": "05:00–09:00"}
    answer = login(planner).post("/plan/facts/patterns/new/", sent)
    assert answer.status_code == 422
    assert "Week 1, Tuesday 22:00 and week 1, Wednesday 05:00 overlap." in answer.text
    assert 'value="22:00–06:00"' in answer.text
    assert not ShiftPattern.objects.exists()


def test_a_cell_that_is_no_shift_says_so_beside_it(login: Login, planner: Person) -> None:
    answer = login(planner).post("/plan/facts/patterns/new/", {"name": "x", "weeks": "1", "w1d1": "noon"})
    assert answer.status_code == 422
    assert "“noon” is no shift." in answer.text


def test_more_weeks_are_shown_before_anything_is_recorded(login: Login, planner: Person) -> None:
    answer = login(planner).post("/plan/facts/patterns/new/", {**GRID, "weeks": "3", "act": "weeks"})
    assert answer.status_code == 200
    assert 'name="w3d6"' in answer.text
    assert 'value="06:00–14:00"' in answer.text
    assert not ShiftPattern.objects.exists()


def test_a_week_that_is_taken_away_while_it_has_shifts_is_not_lost_in_silence(login: Login, planner: Person) -> None:
    answer = login(planner).post("/plan/facts/patterns/new/", {**GRID, "weeks": "1"})
    assert answer.status_code == 422
    assert "Week 2, Monday 14:00: the pattern has 1 week only." in answer.text
    assert 'name="w2d0"' in answer.text


def test_what_is_typed_is_drawn_without_being_recorded(login: Login, planner: Person) -> None:
    answer = login(planner).post("/plan/facts/patterns/new/", {**GRID, "act": "draw"})
    assert answer.text.lstrip().startswith('<div id="drawn">')
    assert "week 2, Monday 14:00 to 22:00, 8 h" in answer.text
    assert not ShiftPattern.objects.exists()


def test_a_pattern_shown_for_change_holds_its_shifts_and_who_works_it(
    login: Login, planner: Person, rota: Rota
) -> None:
    page = login(planner).get(f"/plan/facts/patterns/{rota.pattern_id}/").text
    assert page.count('value="22:00–06:00"') == 7
    assert "Tom Turner" in page


def test_a_pattern_keeps_the_week_in_which_somebody_begins(
    planner: Person, technician: Person, brackwater: Shop, at: datetime
) -> None:
    shifts = [Shift(1, 0, time(6), 480), Shift(2, 0, time(14), 480)]
    two = calendars.add_pattern(shop=brackwater, name="Two", weeks=2, shifts=shifts, by=planner, at=at)
    calendars.give_rota(technician, pattern=two, valid_from=date(2026, 1, 5), first_week=2, by=planner, at=at)
    with pytest.raises(BadInput, match="The rota of Tom Turner begins in week 2 of Two"):
        calendars.change_pattern(two, name="Two", weeks=1, shifts=shifts[:1], by=planner, at=at)


# --- Rotas and days without shifts --------------------------------------------------------------------


def test_rotas_of_a_person_may_follow_each_other_but_not_overlap(
    login: Login, planner: Person, technician: Person, nights: ShiftPattern
) -> None:
    client = login(planner)
    first = {"person": technician.pk, "pattern": nights.pk, "valid_from": "2026-01-05", "valid_until": "2026-03-01",
             "first_week": "1"}  # fmt: skip
    assert client.post("/plan/facts/rotas/new/", first).status_code == 302
    answer = client.post("/plan/facts/rotas/new/", {**first, "valid_from": "2026-03-01", "valid_until": ""})
    assert answer.status_code == 422
    assert "Tom Turner works Nights from 2026-01-05 until 2026-03-01." in answer.text
    following = {**first, "valid_from": "2026-03-02", "valid_until": ""}
    assert client.post("/plan/facts/rotas/new/", following).status_code == 302
    assert Rota.objects.count() == 2


def test_a_rota_begins_in_a_week_that_its_pattern_has(
    planner: Person, technician: Person, nights: ShiftPattern, at: datetime
) -> None:
    with pytest.raises(BadInput, match="The pattern Nights has 1 week"):
        calendars.give_rota(
            technician, pattern=nights, valid_from=date(2026, 1, 5), first_week=2, by=planner, at=at
        )


def test_a_rota_is_changed_and_taken_away_and_the_history_keeps_both(
    login: Login, planner: Person, rota: Rota
) -> None:
    client = login(planner)
    changed = {"pattern": rota.pattern_id, "valid_from": "2026-02-02", "valid_until": "", "first_week": "1"}
    assert client.post(f"/plan/facts/rotas/{rota.pk}/", changed).status_code == 302
    rota.refresh_from_db()
    assert rota.valid_from == date(2026, 2, 2)
    assert client.post(f"/plan/facts/rotas/{rota.pk}/", {"act": "away"}).status_code == 302
    assert not Rota.objects.exists()
    last = Entry.objects.order_by("number").last()
    assert last is not None
    assert last.sentence == "Tom Turner works Nights from 2026-02-02 no longer."
    assert kinds()[-2:] == ["rota.changed", "rota.changed"]


def test_a_day_without_shifts_is_entered_moved_and_given_shifts_again(login: Login, planner: Person) -> None:
    client = login(planner)
    assert client.post("/plan/facts/days/new/", {"day": "2026-12-25", "name": "Christmas"}).status_code == 302
    again = client.post("/plan/facts/days/new/", {"day": "2026-12-25", "name": "Again"})
    assert "2026-12-25 is a day without shifts already." in again.text
    one = Holiday.objects.get()
    assert client.post(f"/plan/facts/days/{one.pk}/", {"day": "2026-12-26", "name": "After"}).status_code == 302
    one.refresh_from_db()
    assert (one.day, one.name) == (date(2026, 12, 26), "After")
    client.post(f"/plan/facts/days/{one.pk}/", {"act": "away"})
    assert not Holiday.objects.exists()


# --- What comes of it ---------------------------------------------------------------------------------


def weeks_of(technician: Person, planner: Person, now: datetime) -> list[overview.Week]:
    found: dict[str, Any] = overview.of_person(planner, technician.pk, now=now)
    weeks: list[overview.Week] = found["weeks"]
    return weeks


@pytest.mark.parametrize(
    ("now", "said", "ends"),
    [
        (datetime(2026, 3, 24, 9, tzinfo=UTC), "the clock goes forward: 8 h, not 9 h as the clock tells", "07:00"),
        (datetime(2026, 10, 20, 9, tzinfo=UTC), "the clock goes back: 8 h, not 7 h as the clock tells", "05:00"),
    ],
)
def test_a_night_of_a_clock_change_is_shown_with_its_true_length(
    rota: Rota, technician: Person, planner: Person, now: datetime, said: str, ends: str
) -> None:
    week = weeks_of(technician, planner, now)[0]
    [night] = [shift for shift in week.shifts if shift.clock_change]
    assert (night.clock_change, f"{night.end:%H:%M}", night.minutes) == (said, ends, 480)
    assert week.minutes == 7 * 480


def test_hours_leave_out_absences_and_days_without_shifts(
    rota: Rota, technician: Person, planner: Person, brackwater: Shop, at: datetime
) -> None:
    calendars.add_holiday(shop=brackwater, day=date(2026, 3, 18), name="Shop closed", by=planner, at=at)
    absences.enter_absence(
        shop=brackwater, who=technician, starts_at=datetime(2026, 3, 20, 0, tzinfo=UTC),
        ends_at=datetime(2026, 3, 21, 2, tzinfo=UTC), by=planner, at=at,
    )  # fmt: skip
    week = weeks_of(technician, planner, datetime(2026, 3, 16, 9, tzinfo=UTC))[0]
    # Seven nights, less that of the 18th, the 19th from midnight on and the 20th up to 02:00.
    assert week.minutes == 7 * 480 - 480 - 360 - 240
    assert week.notes == (
        "Wed 2026-03-18 has no shifts: Shop closed",
        "away from Fri 2026-03-20 00:00 until Sat 2026-03-21 02:00",
    )


def test_the_page_of_hours_says_what_is_missing_without_a_rota(
    login: Login, planner: Person, technician: Person
) -> None:
    page = login(planner).get(f"/plan/facts/hours/{technician.pk}/").text
    assert "Without one no plan counts on this person." in page


def test_the_overview_names_those_in_no_plan(login: Login, planner: Person, rota: Rota, technician2: Person) -> None:
    page = login(planner).get("/plan/facts/").text
    assert "Without a rota, and so in no plan" in page
    assert "Tess Tyler" in page
    assert "Nights" in page


def test_the_overview_of_an_empty_shop_says_what_belongs_there(login: Login, planner: Person, auditor: Person) -> None:
    assert "Add the first one" in login(planner).get("/plan/facts/").text
    assert "Add the first one" not in login(auditor).get("/plan/facts/").text


def test_the_overview_asks_the_database_no_more_often_for_more_people(
    login: Login, planner: Person, nights: ShiftPattern, brackwater: Shop, hire: Any, at: datetime,
    django_assert_max_num_queries: Any,
) -> None:  # fmt: skip
    client = login(planner)
    for number in range(12):
        one = hire(brackwater, f"t{number}", f"T {number}", roles=("technician",))
        calendars.give_rota(one, pattern=nights, valid_from=date(2026, 1, 5), by=planner, at=at)
        places.add_place(shop=brackwater, kind="bay", name=f"Bay {number}", pattern=nights, by=planner, at=at)
    with django_assert_max_num_queries(20):
        assert client.get("/plan/facts/").status_code == 200
