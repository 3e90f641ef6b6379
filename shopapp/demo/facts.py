"""Bays, shifts and days without them of the invented railway, loaded through the actions, once."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

from jobs.ledger.actions import System
from jobs.people.models import Person, Shop
from jobs.planning.actions import absences, calendars, places
from jobs.planning.models import Absence, Holiday, Place, Rota, ShiftPattern
from jobs.planning.shifts import Shift

WEEKDAYS, NIGHTS = range(5), (6, 0, 1, 2, 3)  # a night is named by the evening it begins on


def _week(week: int, days: range | tuple[int, ...], starts: time, minutes: int) -> list[Shift]:
    return [Shift(week, day, starts, minutes) for day in days]


# name, weeks, shifts
PATTERNS: list[tuple[str, int, list[Shift]]] = [
    ("Early and late", 2, [*_week(1, WEEKDAYS, time(6), 480), *_week(2, WEEKDAYS, time(14), 480)]),
    ("Nights", 1, _week(1, NIGHTS, time(22), 480)),
    ("Days", 1, _week(1, WEEKDAYS, time(7, 30), 510)),
    ("Crane hours", 1, _week(1, WEEKDAYS, time(6), 960)),
]
# kind, name, pattern; a place without a pattern is open at every hour
PLACES: dict[str, list[tuple[str, str, str | None]]] = {
    "BY": [
        ("bay", "Bay 1", None),
        ("bay", "Bay 2", None),
        ("bay", "Bay 3", None),
        ("bay", "Bay 4", None),
        ("crane", "Crane 1", "Crane hours"),
    ],
    "PA": [("bay", "Bay 1", None), ("bay", "Bay 2", None)],
}
# user name, pattern, week of the pattern in which it begins
ROTAS: dict[str, list[tuple[str, str, int]]] = {
    "BY": [
        ("technician", "Early and late", 1),
        ("technician2", "Early and late", 2),
        ("technician3", "Early and late", 2),
        ("technician4", "Nights", 1),
        ("inspector", "Early and late", 1),
        ("inspector2", "Early and late", 2),
        ("manager", "Days", 1),
    ],
    "PA": [
        ("ansel-technician", "Early and late", 1),
        ("ansel-technician2", "Early and late", 2),
        ("ansel-inspector", "Days", 1),
    ],
}
DAYS_OFF = ((1, 1, "New Year's Day"), (12, 25, "Christmas Day"), (12, 26, "Day after Christmas"))
AWAY = {"BY": "technician2", "PA": "ansel-technician2"}


def load(shop: Shop, at: datetime, *, by: System) -> None:
    """Load what a shop's plan stands on; what is there already stays as it is."""
    today = at.astimezone(shop.zone).date()
    monday = today - timedelta(days=today.weekday())
    patterns = _patterns(shop, at, by)
    for kind, name, pattern in PLACES[shop.code]:
        if not Place.objects.filter(shop=shop, name=name).exists():
            works = patterns[pattern] if pattern else None
            places.add_place(shop=shop, kind=kind, name=name, pattern=works, by=by, at=at)
    for username, pattern, first_week in ROTAS[shop.code]:
        person = Person.objects.get(username=username)
        if not Rota.objects.filter(person=person).exists():
            since = monday - timedelta(weeks=12)
            calendars.give_rota(
                person, pattern=patterns[pattern], valid_from=since, first_week=first_week, by=by, at=at
            )
    _holidays(shop, today, at, by)
    _absence(shop, monday, at, by)


def _patterns(shop: Shop, at: datetime, by: System) -> dict[str, ShiftPattern]:
    found = {}
    for name, weeks, shifts in PATTERNS:
        held = ShiftPattern.objects.filter(shop=shop, name=name).first()
        found[name] = held or calendars.add_pattern(shop=shop, name=name, weeks=weeks, shifts=shifts, by=by, at=at)
    return found


def _holidays(shop: Shop, today: date, at: datetime, by: System) -> None:
    for year in (today.year, today.year + 1):
        for month, day, name in DAYS_OFF:
            one = date(year, month, day)
            if one >= today and not Holiday.objects.filter(shop=shop, day=one).exists():
                calendars.add_holiday(shop=shop, day=one, name=name, by=by, at=at)


def _absence(shop: Shop, monday: date, at: datetime, by: System) -> None:
    """Three days of leave in the coming week."""
    person = Person.objects.get(username=AWAY[shop.code])
    if Absence.objects.filter(person=person).exists():
        return
    since = datetime.combine(monday + timedelta(days=7), time(0), shop.zone)
    until = datetime.combine(monday + timedelta(days=10), time(0), shop.zone)
    absences.enter_absence(shop=shop, who=person, starts_at=since, ends_at=until, reason="leave", by=by, at=at)
