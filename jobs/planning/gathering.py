"""Everything a plan stands on, read from the database in a fixed number of queries, as plain values."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from django.db.models import Prefetch, Q

from jobs.orders.models import OrderStep, ProcedureRevision, ProcedureStep, WorkOrder
from jobs.people.models import Person, Qualification, Role, RoleGrant, Shop
from jobs.planning import operations
from jobs.planning.entered import Entered, entered_of
from jobs.planning.models import Absence, Change, Holiday, OperationFacts, Place, Plan, Rota, ShiftPattern
from jobs.planning.shifts import FIRST_MONDAY, Shift, Worked
from jobs.tooling.models import Instrument

State = WorkOrder.State
Gap = tuple[datetime, datetime | None]
PLANNED_STATES = (State.REQUESTED, State.PLANNED, State.RELEASED, State.IN_WORK)


@dataclass(frozen=True)
class PersonFacts:
    """Who may do what, when they are at work, and when they are away; days are inclusive."""

    pk: int
    name: str
    skills: tuple[tuple[str, date, date | None], ...]
    roles: tuple[tuple[str, date, date | None], ...]
    worked: tuple[Worked, ...]
    gaps: tuple[Gap, ...]


@dataclass(frozen=True)
class PlaceFacts:
    pk: int
    kind: str
    name: str
    worked: Worked | None
    usable: tuple[date | None, date | None]
    gaps: tuple[Gap, ...]


@dataclass(frozen=True)
class InstrumentFacts:
    number: str
    kind: str
    due_on: date
    gaps: tuple[Gap, ...]


@dataclass(frozen=True)
class OrderFacts:
    """One open work order and its operations; `facts` are what a planner stated about single operations."""

    pk: int
    number: str
    unit: str
    state: str
    held_reason: str
    priority: int
    requested_at: datetime
    needed_by: datetime | None
    promised_at: datetime | None
    started_at: datetime | None
    bay: str
    technician: int | None
    inspector: int | None
    planned_start: datetime | None
    operations: tuple[operations.Operation, ...]
    facts: dict[str, OperationFacts] = field(default_factory=dict)

    @property
    def held(self) -> bool:
        return self.state == State.HELD


@dataclass(frozen=True)
class ShopFacts:
    """The facts of a shop as they stand, and the plan in force."""

    shop: Shop
    people: tuple[PersonFacts, ...]
    places: tuple[PlaceFacts, ...]
    instruments: tuple[InstrumentFacts, ...]
    orders: tuple[OrderFacts, ...]
    holidays: frozenset[date]
    in_force: Plan | None
    bookings: dict[str, dict[str, Any]]
    board: str


def plan_in_force(shop: Shop) -> Plan | None:
    """The version accepted last, or None while the shop has no plan."""
    return Plan.objects.filter(shop=shop, version__isnull=False).order_by("-version").first()


def gather(shop: Shop, *, since: datetime) -> ShopFacts:
    """The facts of a shop; absences that ended before `since` are left out."""
    gaps = _gaps(shop, since)
    entered = entered_of(shop)
    in_force = plan_in_force(shop)
    changes = changes_on(in_force)
    return ShopFacts(
        shop,
        tuple(_people(shop, gaps)),
        tuple(_places(shop, gaps)),
        tuple(_instruments(shop, gaps)),
        tuple(_orders(shop, entered)),
        frozenset(Holiday.objects.filter(shop=shop).values_list("day", flat=True)),
        in_force,
        standing(in_force, changes),
        board_mark(in_force, changes),
    )


def changes_on(plan: Plan | None) -> list[Change]:
    """The moves by hand that stand on top of a version, in their order."""
    return list(plan.changes.filter(undone_at__isnull=True).order_by("sequence")) if plan is not None else []


def standing(plan: Plan | None, changes: Iterable[Change]) -> dict[str, dict[str, Any]]:
    """The bookings on the board: those of the plan in force, moved as planners have moved them since."""
    if plan is None:
        return {}
    bookings = dict(plan.plan["bookings"])
    for change in changes:
        bookings |= change.after.get("bookings", {})
    return bookings


def board_mark(plan: Plan | None, changes: Sequence[Change]) -> str:
    """Tells one state of the board from another."""
    return f"{plan.pk if plan is not None else 0}:{','.join(str(change.sequence) for change in changes)}"


def _gaps(shop: Shop, since: datetime) -> dict[tuple[str, int], list[Gap]]:
    """When somebody or something is away, by kind and key."""
    found: dict[tuple[str, int], list[Gap]] = {}
    standing = Absence.objects.filter(shop=shop, withdrawn_at__isnull=True)
    lasting = standing.filter(Q(ends_at__isnull=True) | Q(ends_at__gt=since)).order_by("starts_at", "pk")
    for one in lasting:
        for kind, key in (("person", one.person_id), ("place", one.place_id), ("instrument", one.instrument_id)):
            if key is not None:
                found.setdefault((kind, key), []).append((one.starts_at, one.ends_at))
    return found


def _people(shop: Shop, gaps: dict[tuple[str, int], list[Gap]]) -> Iterable[PersonFacts]:
    people = Person.objects.filter(shop=shop, is_active=True).order_by("pk").prefetch_related(
        Prefetch("grants", RoleGrant.objects.filter(role__in=[Role.TECHNICIAN, Role.INSPECTOR]).order_by("valid_from")),
        Prefetch("qualifications", Qualification.objects.select_related("skill").order_by("valid_from")),
        Prefetch("rotas", Rota.objects.order_by("valid_from").select_related("pattern").prefetch_related(
            "pattern__spans")),
    )  # fmt: skip
    for person in people:
        roles = tuple((one.role, one.valid_from, one.valid_until) for one in person.grants.all())
        if not roles:
            continue
        yield PersonFacts(
            person.pk,
            person.name,
            tuple((one.skill.code, one.valid_from, one.valid_until) for one in person.qualifications.all()),
            roles,
            tuple(
                worked(rota.pattern, rota.first_week, rota.valid_from, rota.valid_until)
                for rota in person.rotas.all()
            ),
            tuple(gaps.get(("person", person.pk), ())),
        )


def worked(pattern: ShiftPattern, first_week: int, since: date, until: date | None = None) -> Worked:
    """A pattern as somebody works it."""
    shifts = [Shift(one.week, one.weekday, one.starts, one.minutes) for one in pattern.spans.all()]
    return Worked(shifts, pattern.weeks, first_week, since, until)


def _places(shop: Shop, gaps: dict[tuple[str, int], list[Gap]]) -> Iterable[PlaceFacts]:
    places = Place.objects.filter(shop=shop).select_related("pattern").prefetch_related("pattern__spans")
    for place in places.order_by("kind", "position", "name"):
        open_when = worked(place.pattern, 1, FIRST_MONDAY) if place.pattern else None
        usable = (place.usable_from, place.usable_until)
        yield PlaceFacts(
            place.pk, place.kind, place.name, open_when, usable, tuple(gaps.get(("place", place.pk), ()))
        )


def _instruments(shop: Shop, gaps: dict[tuple[str, int], list[Gap]]) -> Iterable[InstrumentFacts]:
    in_service = Instrument.objects.filter(shop=shop, state=Instrument.State.IN_SERVICE, due_on__isnull=False)
    for one in in_service.order_by("asset_number"):
        assert one.due_on is not None
        yield InstrumentFacts(
            one.asset_number, one.kind, one.due_on, tuple(gaps.get(("instrument", one.pk), ()))
        )


def _orders(shop: Shop, entered: dict[int, Entered]) -> Iterable[OrderFacts]:
    steps = OrderStep.objects.select_related("definition__skill").order_by("position")
    revisions = ProcedureRevision.objects.filter(issued_at__isnull=False).order_by("procedure", "-number")
    newest: dict[int, ProcedureRevision] = {}
    for revision in revisions.prefetch_related("steps__skill"):
        newest.setdefault(revision.procedure_id, revision)
    orders = (
        WorkOrder.objects.filter(shop=shop, state__in=[*PLANNED_STATES, State.HELD])
        .select_related("unit")
        .prefetch_related(Prefetch("steps", steps), "operation_facts")
        .order_by("number")
    )
    for order in orders:
        if order.held_from == State.TO_VERIFY:
            continue
        found = operations.of_steps(_steps(order, newest.get(order.procedure_id)), begun_at=order.started_at)
        shops = entered.get(order.procedure_id, Entered())
        yield OrderFacts(
            order.pk, order.number, order.unit.number, order.state, order.held_reason, order.priority,
            order.requested_at, order.needed_by, order.promised_at, order.started_at, order.bay, order.technician_id,
            order.inspector_id, order.planned_start,
            operations.as_entered(found, minutes=shops.minutes, cranes=shops.cranes),
            {one.operation: one for one in order.operation_facts.all()},
        )  # fmt: skip


def _steps(order: WorkOrder, newest: ProcedureRevision | None) -> list[operations.StepFacts]:
    laid_out = list(order.steps.all())
    if laid_out:
        return [
            step_facts(one.definition, done=one.state != OrderStep.State.OPEN, done_at=one.done_at)
            for one in laid_out
        ]
    return [step_facts(one) for one in newest.steps.all()] if newest is not None else []


def step_facts(
    definition: ProcedureStep, *, done: bool = False, done_at: datetime | None = None
) -> operations.StepFacts:
    """A step of a procedure as the operations are made from it."""
    return operations.StepFacts(
        definition.position,
        definition.phase,
        str(ProcedureStep.Phase(definition.phase).label),
        definition.kind,
        definition.title,
        definition.skill.code,
        definition.planned_minutes,
        tuple(definition.instrument_kinds),
        done,
        done_at,
    )
