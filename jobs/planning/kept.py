"""Promise against reality: closed orders with what was promised, when they were closed, and why they were late."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from jobs.ledger.models import Entry, Subject
from jobs.orders.models import WorkOrder
from jobs.people.models import Person, Shop
from jobs.planning import facts, lateness
from jobs.planning.lateness import Held, Part, Times

WEEKS = 12
MOST_WEEKS = 104
KINDS = ("order.planned", "order.promised", "order.released", "order.started", "order.held", "order.resumed",
         "order.to-verify", "order.back-in-work")  # fmt: skip


@dataclass
class Story:
    """What the history tells of one order, in its sequence."""

    promises: list[datetime] = field(default_factory=list)
    planned: list[tuple[datetime, datetime, datetime]] = field(default_factory=list)  # at, start, end
    released: list[datetime] = field(default_factory=list)
    to_verify: datetime | None = None
    held: list[Held] = field(default_factory=list)


@dataclass(frozen=True)
class Kept:
    """A closed order: its promises from the first to the last, and the parts of its lateness."""

    order: WorkOrder
    closed_at: datetime
    promises: tuple[datetime, ...]
    parts: tuple[Part, ...]

    @property
    def promised_at(self) -> datetime | None:
        return self.promises[-1] if self.promises else None

    @property
    def moved(self) -> bool:
        return len(self.promises) > 1

    @property
    def minutes_late(self) -> float | None:
        """After the last promise; negative when before it, None without a promise."""
        return _late(self.promised_at, self.closed_at)

    @property
    def hours_late(self) -> float | None:
        return None if self.minutes_late is None else self.minutes_late / 60

    @property
    def late(self) -> bool:
        return self.minutes_late is not None and self.minutes_late > 0

    @property
    def late_at_first(self) -> bool:
        """After the promise given first."""
        first = _late(self.promises[0], self.closed_at) if self.promises else None
        return first is not None and first > 0


@dataclass(frozen=True)
class Week:
    """The orders closed in a week: how many with a promise, how many of these kept it as given last and first."""

    monday: date
    closed: int
    promised: int
    kept: int
    kept_first: int
    hours_late: float

    @property
    def percent(self) -> float | None:
        return 100 * self.kept / self.promised if self.promised else None

    @property
    def percent_first(self) -> float | None:
        return 100 * self.kept_first / self.promised if self.promised else None

    @property
    def drawn(self) -> float:
        """Width of the bar of its share kept, of 160 units."""
        return round(160 * (self.percent or 0) / 100, 2)

    @property
    def drawn_first(self) -> float:
        return round(160 * (self.percent_first or 0) / 100, 2)


def of_shop(asking: Person, today: date, *, weeks: int = WEEKS) -> list[Kept]:
    """The orders closed since the Monday so many weeks ago, the latest first."""
    monday = _monday(today) - timedelta(weeks=min(max(weeks, 1), MOST_WEEKS) - 1)
    shop = asking.shop
    since = facts.midnight(monday, shop.zone)
    closed = WorkOrder.objects.filter(shop=shop, state=WorkOrder.State.CLOSED, closed_at__gte=since)
    orders = list(closed.select_related("unit").order_by("-closed_at", "-pk"))
    stories = _stories(orders)
    return [_kept(order, stories.get(str(order.pk), Story())) for order in orders]


def still_open(asking: Person, now: datetime) -> int:
    """How many orders are past their promise and not closed: they count in no share yet."""
    closed = [WorkOrder.State.CLOSED, WorkOrder.State.CANCELLED]
    return WorkOrder.objects.filter(shop=asking.shop, promised_at__lt=now).exclude(state__in=closed).count()


def weekly(found: Iterable[Kept], shop: Shop, today: date, *, weeks: int = WEEKS) -> list[Week]:
    """The share kept, week by week, the newest first; a week without closed orders is there too."""
    by_week: dict[date, list[Kept]] = {}
    for one in found:
        by_week.setdefault(_monday(one.closed_at.astimezone(shop.zone).date()), []).append(one)
    mondays = [_monday(today) - timedelta(weeks=number) for number in range(min(max(weeks, 1), MOST_WEEKS))]
    return [_week(monday, by_week.get(monday, [])) for monday in mondays]


def causes(found: Iterable[Kept]) -> list[tuple[str, int, float]]:
    """What the late orders waited for: what, how many orders, hours together, the most hours first."""
    orders: dict[str, int] = {}
    hours: dict[str, float] = {}
    for one in found:
        for part in one.parts if one.late else ():
            if part.minutes > 0:
                what = part.what.split(":")[0]
                orders[what] = orders.get(what, 0) + 1
                hours[what] = hours.get(what, 0.0) + part.hours
    return sorted(((what, orders[what], hours[what]) for what in orders), key=lambda one: (-one[2], one[0]))


def _week(monday: date, closed: Sequence[Kept]) -> Week:
    promised = [one for one in closed if one.promises]
    return Week(
        monday,
        len(closed),
        len(promised),
        sum(not one.late for one in promised),
        sum(not one.late_at_first for one in promised),
        sum(one.hours_late or 0 for one in promised if one.late),
    )


def _kept(order: WorkOrder, story: Story) -> Kept:
    assert order.closed_at is not None
    promises = list(story.promises)
    if order.promised_at is not None and order.promised_at not in promises[-1:]:
        promises.append(order.promised_at)  # one that the history does not tell, such as of an order taken over
    found = Kept(order, order.closed_at, tuple(promises), ())
    if not found.late:
        return found
    assert found.promised_at is not None
    times = _times(order, story, found.promised_at, order.closed_at)
    return Kept(order, order.closed_at, tuple(promises), tuple(lateness.parts(times)))


def _times(order: WorkOrder, story: Story, promised: datetime, closed: datetime) -> Times:
    """The plan that counts is the one that stood when work began."""
    started = order.started_at
    standing = [one for one in story.planned if started is None or one[0] <= started]
    start, end = (standing[-1][1], standing[-1][2]) if standing else (order.planned_start, order.planned_end)
    released = [at for at in story.released if started is None or at <= started]
    return Times(
        promised, closed, start, end, released[-1] if released else order.released_at, started, story.to_verify,
        tuple(story.held),
    )  # fmt: skip


def _stories(orders: Sequence[WorkOrder]) -> dict[str, Story]:
    """The stories of many orders in one reading of the history."""
    found: dict[str, Story] = {}
    open_holds: dict[str, tuple[datetime, str]] = {}
    keys = [str(order.pk) for order in orders]
    told = Subject.objects.filter(type="orders.workorder", key__in=keys, entry__kind__in=KINDS)
    for key, entry in ((one.key, one.entry) for one in told.select_related("entry").order_by("at", "entry__number")):
        _tell(found.setdefault(key, Story()), entry, key, open_holds)
    for order in orders:
        key = str(order.pk)
        if key in open_holds and order.closed_at is not None:
            at, reason = open_holds[key]
            found[key].held.append(Held(at, max(at, order.closed_at), reason))
    return found


def _tell(story: Story, entry: Entry, key: str, open_holds: dict[str, tuple[datetime, str]]) -> None:
    data: dict[str, Any] = json.loads(entry.body)["data"]
    if entry.kind in ("order.planned", "order.promised") and data.get("promised_at"):
        promised = datetime.fromisoformat(data["promised_at"])
        if promised not in story.promises[-1:]:
            story.promises.append(promised)
    if entry.kind == "order.planned" and data.get("start") and data.get("end"):
        start, end = datetime.fromisoformat(data["start"]), datetime.fromisoformat(data["end"])
        story.planned.append((entry.at, start, end))
    elif entry.kind == "order.released":
        story.released.append(entry.at)
    elif entry.kind == "order.to-verify":
        story.to_verify = entry.at
    elif entry.kind == "order.back-in-work":
        story.to_verify = None
    elif entry.kind == "order.held":
        open_holds[key] = (entry.at, entry.sentence.split(" held: ", 1)[-1])
    elif entry.kind == "order.resumed" and key in open_holds:
        at, reason = open_holds.pop(key)
        story.held.append(Held(at, entry.at, reason))


def _late(promised: datetime | None, closed: datetime) -> float | None:
    return None if promised is None else (closed - promised).total_seconds() / 60


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())
