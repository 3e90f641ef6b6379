"""Synthetic shops in the shape of the planning contract: `shop` makes a problem, `disruption` a day that goes wrong.

Everything is invented: people, instruments, durations. The same arguments give the same problem. Shifts follow the
wall clock of a zone with a clock change, so some nights of a long problem have an hour more or less.
"""

from __future__ import annotations

import copy
import random
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from tests.bench.shop_work import Json, order

ZONE = ZoneInfo("Europe/London")
MONDAY = datetime(2026, 3, 2)  # noqa: DTZ001  a date on the shop's own clock
WEEK = timedelta(weeks=1)
OPEN_HOURS_A_DAY = 16.0  # 06:00 to 22:00, Monday to Friday
SHIFT_HOURS = 8.0
PRESENT = 0.93  # what leave and illness leave of a person's shifts, roughly
WAITING = 1.25  # how much longer than its work an order keeps a bay: it waits for people and instruments
EARLY, LATE = (6, 14), (14, 22)

PEOPLE = ("arden", "birk", "calder", "dunmore", "eskdale", "farrow", "garth", "hollin", "inver", "jarrow", "keld",
          "linton", "morven", "nairn")
# places in PEOPLE; even ones form one team, odd ones the other, and each team has every skill
SKILLS = {"timing": (0, 1, 2, 3, 4, 5), "fitting": (2, 3, 4, 5, 6, 7, 8, 9, 10, 11), "electrics": (6, 7, 8, 9),
          "lifting": (4, 5, 10, 11), "inspection": (0, 12, 13), "release": (12, 13)}
LAPSING = (("timing", 5), ("electrics", 9), ("fitting", 10), ("inspection", 0))
INSTRUMENTS = ("PR-05", "PR-06", "PR-07", "PR-08", "EN-01", "EN-02", "EN-03", "TW-01", "TW-02", "TW-03", "CS-01",
               "CS-02")
# these fall due somewhere in the problem; two of each kind but the check standards stay
FALLING_DUE = ("PR-05", "PR-08", "EN-01", "TW-02", "CS-01")
BAYS = tuple(f"bay-{number}" for number in range(1, 7))


def written(moment: datetime) -> str:
    """An instant of the contract, in UTC."""
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")


def local(day: datetime, hour: int) -> datetime:
    """That hour of that day on the shop's clock."""
    return (day + timedelta(hours=hour)).replace(tzinfo=ZONE)


def shop(orders: int, seed: int, *, load: float = 0.8) -> Json:
    """A problem of that many orders, released so fast that the scarcest kind of resource is busy `load` of its time.

    Raises ValueError for no orders or a load that is not positive.
    """
    if orders < 1 or load <= 0.0:
        raise ValueError("A shop needs an order and a load above 0.")
    chance = random.Random(seed * 1_000_003 + orders)
    made = [order(number, chance) for number in range(1, orders + 1)]
    weeks = busiest_weeks(made) / load
    until = MONDAY + timedelta(weeks=round(weeks * 1.6) + 5)
    hours = open_hours(MONDAY, until)
    for number, one in enumerate(made):
        # a tenth lies there on the first morning, the rest comes in evenly, an hour or so early or late
        share = max(0.0, (number - orders / 10) / (orders * 0.9))
        release = after_hours(hours, share * weeks * 5 * OPEN_HOURS_A_DAY + chance.uniform(0.0, 2.0))
        work = critical_minutes(one) / 60
        allowed = hours_at(hours, release) + work * chance.uniform(1.2, 4.5) + chance.uniform(0.0, 6.0)
        one["release"], one["due"] = written(release), written(after_hours(hours, allowed))
        if chance.random() < 0.6:
            one["promise"] = written(after_hours(hours, allowed + chance.choice((0.0, 0.0, 2.0, 8.0))))
    calendars, resources = _resources(until, weeks, chance)
    return {"now": written(local(MONDAY, 6)), "grid_minutes": 15, "calendars": calendars, "resources": resources,
            "orders": made, "weights": {"tardiness": 1}}


def critical_minutes(one: Json) -> float:
    """The longest chain of an order, lags with it."""
    ends: dict[str, float] = {}
    for operation in one["operations"]:
        begin = max((ends[before["id"]] + before["lag_minutes"] for before in operation["after"]), default=0.0)
        ends[operation["id"]] = begin + operation["minutes"]
    return max(ends.values())


def busiest_weeks(made: list[Json]) -> float:
    """How many weeks the scarcest kind of resource would work on these orders without a gap."""
    hours: dict[str, float] = {"bay": 0.0, "person": 0.0, "crane": 0.0}
    for one in made:
        hours["bay"] += critical_minutes(one) / 60 * WAITING
        for operation in one["operations"]:
            for need in operation["needs"]:
                spent = operation["minutes"] / 60 * need.get("count", 1)
                if need.get("skill"):
                    hours[need["skill"]] = hours.get(need["skill"], 0.0) + spent
                if need.get("kind") in ("person", "crane"):
                    hours[need["kind"]] += spent
    a_week = {"bay": len(BAYS) * 5 * OPEN_HOURS_A_DAY, "crane": 5 * OPEN_HOURS_A_DAY,
              "person": len(PEOPLE) * 5 * SHIFT_HOURS * PRESENT}
    a_week |= {skill: len(who) * 5 * SHIFT_HOURS * PRESENT for skill, who in SKILLS.items()}
    return max(spent / a_week[kind] for kind, spent in hours.items())


def open_hours(begin: datetime, until: datetime) -> list[datetime]:
    """The mornings of the days on which the shop works both shifts."""
    days = (begin + timedelta(days=number) for number in range((until - begin).days))
    return [local(day, EARLY[0]) for day in days if day.weekday() < 5]


def after_hours(mornings: list[datetime], hours: float) -> datetime:
    """The moment at which the shop has been open that long, on a quarter of an hour."""
    day = min(int(hours // OPEN_HOURS_A_DAY), len(mornings) - 1)
    quarters = round((hours - day * OPEN_HOURS_A_DAY) * 4)
    return mornings[day] + timedelta(minutes=15 * quarters)


def hours_at(mornings: list[datetime], moment: datetime) -> float:
    """How long the shop has been open at a moment of its open time."""
    day = max(number for number, morning in enumerate(mornings) if morning <= moment)
    return day * OPEN_HOURS_A_DAY + min((moment - mornings[day]) / timedelta(hours=1), OPEN_HOURS_A_DAY)


def _resources(until: datetime, weeks: float, chance: random.Random) -> tuple[dict[str, Any], list[Json]]:
    """Calendars by name, and bays, people, instruments and the crane."""
    def sometime() -> str:
        return written(local(MONDAY + timedelta(days=round(chance.uniform(0.3, 1.2) * max(weeks, 1.0) * 7)), 0))

    calendars: dict[str, Any] = {}
    resources: list[Json] = [{"id": name, "kind": "bay"} for name in BAYS]
    begin, end = written(local(MONDAY - 50 * WEEK, 0)), written(local(until + WEEK, 0))
    for place, name in enumerate(PEOPLE):
        calendars[f"shifts of {name}"] = _shifts(place, until, chance)
        skills = {skill: [begin, sometime() if (skill, place) in LAPSING else end]
                  for skill, who in SKILLS.items() if place in who}
        resources.append({"id": name, "kind": "person", "calendar": f"shifts of {name}", "skills": skills})
    for name in INSTRUMENTS:
        resources.append({"id": name, "kind": "instrument", "usable_until": sometime() if name in FALLING_DUE else end})
    return calendars, [*resources, {"id": "crane-1", "kind": "crane", "capacity": 1}]


def _shifts(place: int, until: datetime, chance: random.Random) -> list[list[str]]:
    """A person's shifts: early and late in turn by week, a Saturday morning now and then, leave and days of illness."""
    spans = []
    for week in range((until - MONDAY).days // 7 + 1):
        first, last = LATE if (week + place) % 2 else EARLY
        if chance.random() < 0.03 and week:
            continue
        for weekday in range(5):
            if chance.random() >= 0.03 or not week:
                spans.append((week * 7 + weekday, first, last))
        if (week + place) % 3 == 0:
            spans.append((week * 7 + 5, *EARLY))
    return [[written(local(MONDAY + timedelta(days=day), first)), written(local(MONDAY + timedelta(days=day), last))]
            for day, first, last in spans]


def disruption(problem: Json, plan: Json, seed: int, *, kind: str | None = None) -> Json:
    """The problem some hours into its plan, with one thing gone wrong; `kind` is one of those of `DISRUPTIONS`.

    The plan becomes `previous`; what it had ended by then is done, what it was at is started; moves have a price.
    """
    from tests.bench.shop_trouble import DISRUPTIONS, move_on

    chance = random.Random(seed)
    later = copy.deepcopy(problem)
    move_on(later, plan, chance)
    DISRUPTIONS[kind or chance.choice(sorted(DISRUPTIONS))](later, plan, chance)
    later["weights"] = {"tardiness": 1, "moved_promise": 1, "moved_start": 60, "changed_resource": 30}
    return later
