"""The planning problem as read: plain records, times as whole microseconds from a midnight UTC before `now`.

Every instant is a count of microseconds from `Problem.base`, every duration a count of microseconds, so that arithmetic
is exact and shift changes or clock changes do not exist. Resources, orders and operations are named by their index.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

MINUTE = 60_000_000
DAY = 1440 * MINUTE
NEVER = 2**60                       # later than any instant, and with a minus earlier
Spans = tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Fact:
    """One named fact: `kind` is order, operation, resource, pin, calendar, skill, due …; `id` as in the problem."""

    kind: str
    id: str

    def to_json(self) -> dict[str, str]:
        return {"kind": self.kind, "id": self.id}


@dataclass(frozen=True)
class Remedy:
    """One change by which an order has a place: a sentence, the facts changed, what it costs in hours, and the change.

    `change` has `kind`, the id changed under `resource`, `operation` or `order`, and what it would be instead.
    """

    sentence: str
    facts: tuple[Fact, ...]
    hours: float
    change: dict[str, object]

    def to_json(self) -> dict[str, object]:
        return {"sentence": self.sentence, "ids": list(dict.fromkeys(fact.id for fact in self.facts)),
                "hours": self.hours, "change": self.change}


@dataclass(frozen=True)
class Named:
    """One fact of a smallest set, or one about several resources of a kind, with its own sentence."""

    kind: str
    facts: tuple[Fact, ...]
    sentence: str

    def to_json(self) -> dict[str, object]:
        return {"kind": self.kind, "ids": list(dict.fromkeys(fact.id for fact in self.facts)),
                "sentence": self.sentence}


@dataclass(frozen=True)
class LeftOut:
    """An order without a plan: the sentence that says why, and the facts concerned.

    `named` are the facts of a smallest set one by one; `remedies` are single changes that give the order a place,
    the cheapest first.
    """

    order: str
    reason: str
    facts: tuple[Fact, ...]
    place: str = ""
    remedies: tuple[Remedy, ...] = ()
    named: tuple[Named, ...] = ()

    def to_json(self) -> dict[str, object]:
        """As the contract has it."""
        ids = list(dict.fromkeys(fact.id for fact in self.facts))
        entry: dict[str, object] = {"order": self.order, "ids": ids, "reason": self.reason}
        entry["remedies"] = [one.to_json() for one in self.remedies]
        return entry | ({"place": self.place} if self.place else {})


@dataclass(frozen=True)
class Resource:
    """`calendar` is None for a resource that always works; `skills` maps a name to its validity."""

    index: int
    id: str
    kind: str
    calendar: int | None
    skills: dict[str, tuple[int, int]]
    usable: tuple[int, int]
    capacity: int

    @property
    def works(self) -> bool:
        """Whether it is somebody with hours of work, and not something that may be used or may not."""
        return self.kind == "person" or bool(self.skills)


@dataclass(frozen=True)
class Candidate:
    """A resource that can meet a need by a booking within [lo, hi]."""

    resource: int
    lo: int
    hi: int


@dataclass(frozen=True)
class Need:
    """`group` numbers what the order keeps from first use to last, -1 for a need of the operation alone."""

    kind: str | None
    any_of: tuple[str, ...] | None
    skill: str | None
    count: int
    amount: int
    group: int
    candidates: tuple[Candidate, ...]
    member: int = 0                     # a need of one cut from a need of several keeps its number in the group

    def words(self) -> str:
        """The need as a reader would name it."""
        named = self.kind or " or ".join(self.any_of or ())
        return f"{named} with skill {self.skill}" if self.skill else named


@dataclass
class Operation:
    """`after` holds (operation, lag); `pin_resources` are indices; `started` is None unless the state says so."""

    index: int
    id: str
    order: int
    length: int
    after: tuple[tuple[int, int], ...]
    needs: tuple[Need, ...]
    may_pause: bool
    release_in_pause: bool
    state: str
    started: int | None
    remaining: int
    pin_start: int | None
    pin_resources: tuple[int, ...]

    @property
    def slots(self) -> int:
        """How many different resources a booking names."""
        return sum(need.count for need in self.needs)


@dataclass
class Order:
    index: int
    id: str
    release: int
    due: int | None
    weight: float
    promise: int | None
    operations: list[int] = field(default_factory=list)


@dataclass(frozen=True)
class Booking:
    """Start, end and the resources, for each need in its order, `count` of them each."""

    start: int
    end: int
    resources: tuple[int, ...]


WEIGHTS = ("tardiness", "moved_promise", "moved_start", "changed_resource", "makespan")


@dataclass
class Problem:
    """`previous` maps an operation's index to (start, resources), where None says that it does not name any.

    `left_out` grows while the problem is looked at.
    """

    base: datetime
    now: int
    grid: int
    calendars: list[Spans]
    calendar_names: list[str]
    resources: list[Resource]
    orders: list[Order]
    operations: list[Operation]
    previous: dict[int, tuple[int, tuple[int, ...] | None]]
    weights: dict[str, float]
    left_out: list[LeftOut]

    @property
    def mends(self) -> bool:
        """Whether a plan is in force and moving what it has costs something."""
        return bool(self.previous) and self.weights["moved_start"] + self.weights["changed_resource"] > 0

    def instant(self, at: int) -> str:
        """RFC 3339 in UTC."""
        return (self.base + timedelta(microseconds=at)).isoformat().replace("+00:00", "Z")

    def spans(self, resource: int) -> Spans | None:
        """Working spans of a resource, None when it always works."""
        calendar = self.resources[resource].calendar
        return None if calendar is None else self.calendars[calendar]

    def on_grid(self, at: int) -> int:
        """The first instant of the grid that is not before `at`; the grid counts from each midnight UTC."""
        day, within = divmod(at, DAY)
        return day * DAY + min(DAY, -(-within // self.grid) * self.grid)
