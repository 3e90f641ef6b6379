"""What goes wrong in a synthetic shop: time moves on by a plan, and then one thing is not as planned."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta

from tests.bench.shop_work import Json

MINUTE = timedelta(minutes=1)
FAR = ("2000-01-01T00:00:00Z", "2100-01-01T00:00:00Z")


def instant(text: str) -> datetime:
    """An instant of the contract."""
    return datetime.fromisoformat(text)


def operations(problem: Json) -> Iterator[Json]:
    """All operations in their order."""
    for order in problem["orders"]:
        yield from order["operations"]


def flat(resources: list[object]) -> list[str]:
    """The ids of a flat or nested list."""
    return [str(one) for part in resources for one in (part if isinstance(part, list) else [part])]


def works(problem: Json, resources: list[str], moment: datetime) -> bool:
    """Whether all of them work in the minute that begins then."""
    for one in problem["resources"]:
        if one["id"] in resources and one.get("calendar") and not any(
                instant(begin) <= moment < instant(end) for begin, end in problem["calendars"][one["calendar"]]):
            return False
    return True


def move_on(problem: Json, plan: Json, chance: random.Random) -> None:
    """Set `now` to a while after one of the early starts of the plan, `previous` to the plan, and the states."""
    bookings = plan["bookings"]
    starts = sorted(instant(place["start"]) for place in bookings.values())
    if not starts:
        raise ValueError("A plan that books nothing cannot be disturbed.")
    # within the first days, and not before a fair part of a small plan
    last = max(len(starts) // 8, min(len(starts) - 1, 12))
    now = starts[chance.randint(min(6, last), last)] + 7 * MINUTE
    problem["now"] = now.isoformat()
    problem["previous"] = {name: {"start": place["start"], "resources": flat(place["resources"])}
                           for name, place in bookings.items()}
    for operation in operations(problem):
        place = bookings.get(operation["id"])
        if place is None or instant(place["start"]) >= now:
            continue
        operation["started_at"] = place["start"]
        if instant(place["end"]) <= now:
            operation["state"] = "done"
            continue
        operation["state"] = "started"
        operation["remaining_minutes"] = _remaining(problem, operation, place, now)


def _remaining(problem: Json, operation: Json, place: Json, now: datetime) -> int:
    """Minutes of an operation in hand that are left; working minutes when it may pause."""
    ids, worked, moment = flat(place["resources"]), 0, instant(place["start"])
    while moment < now:
        worked += not operation.get("may_pause") or works(problem, ids, moment)
        moment += MINUTE
    return int(operation["minutes"]) - worked


def _in_hand(problem: Json, state: str = "started") -> set[str]:
    """The resources of the operations in that state, as in the plan in force."""
    return {one for operation in operations(problem) if operation.get("state") == state
            for one in problem["previous"].get(operation["id"], {}).get("resources", [])}


def _soon(problem: Json, kind: str) -> list[str]:
    """Resources of a kind in the order in which planned work needs them, each once."""
    kinds = {one["id"]: one["kind"] for one in problem["resources"]}
    waiting = sorted((instant(problem["previous"][one["id"]]["start"]), one["id"]) for one in operations(problem)
                     if one.get("state") is None and one["id"] in problem["previous"])
    names = (name for _, one in waiting for name in problem["previous"][one]["resources"])
    return list(dict.fromkeys(name for name in names if kinds[name] == kind))


def _resource(problem: Json, name: str) -> Json:
    return next(one for one in problem["resources"] if one["id"] == name)


def _pick(among: list[str], avoid: set[str], chance: random.Random) -> str:
    """One of the first few that planned work needs, if possible none of those to avoid."""
    return chance.choice([one for one in among if one not in avoid][:4] or among)


def person_ill(problem: Json, plan: Json, chance: random.Random) -> None:
    """Somebody with work planned goes home for the day or for three."""
    name = _pick(_soon(problem, "person"), _in_hand(problem), chance)
    now = instant(problem["now"])
    back = now + timedelta(days=chance.randint(1, 3))
    calendar = _resource(problem, name)["calendar"]
    problem["calendars"][calendar] = _without(problem["calendars"][calendar], now, back)


def instrument_withdrawn(problem: Json, plan: Json, chance: random.Random) -> None:
    """An instrument may not be used any longer; one that no order under way holds, if there is one."""
    held = _in_hand(problem) | _in_hand(problem, "done")
    _resource(problem, _pick(_soon(problem, "instrument"), held, chance))["usable_until"] = problem["now"]


def bay_blocked(problem: Json, plan: Json, chance: random.Random) -> None:
    """Nothing can be done in a bay for some hours."""
    name = _pick(_soon(problem, "bay"), _in_hand(problem), chance)
    now = instant(problem["now"])
    until = now + timedelta(hours=chance.randint(6, 30))
    problem["calendars"][f"{name} blocked"] = _without([list(FAR)], now, until)
    _resource(problem, name)["calendar"] = f"{name} blocked"


def operation_overruns(problem: Json, plan: Json, chance: random.Random) -> None:
    """Something in hand takes one to four hours longer; a person falls ill where nothing is in hand."""
    running = [one for one in operations(problem) if one.get("state") == "started"]
    if not running:
        person_ill(problem, plan, chance)
        return
    chance.choice(running)["remaining_minutes"] += 15 * chance.randint(4, 16)


def _without(spans: list[list[str]], begin: datetime, end: datetime) -> list[list[str]]:
    """The spans with a time cut out."""
    left = []
    for first, last in spans:
        if instant(first) < min(begin, instant(last)):
            left.append([first, min(begin, instant(last)).isoformat()])
        if instant(last) > max(end, instant(first)):
            left.append([max(end, instant(first)).isoformat(), last])
    return left


DISRUPTIONS: dict[str, Callable[[Json, Json, random.Random], None]] = {
    "person ill": person_ill, "instrument withdrawn": instrument_withdrawn, "bay blocked": bay_blocked,
    "operation overruns": operation_overruns,
}
