"""Who gets which answer at which address: one row for each method of each address, pages and API alike.

A row names the roles that may, by the letters below, and the answer they get; everybody else of the shop gets
403. Writes carry an empty body or a minimal one, so that "may" often shows as 422 (values are missing) or 409 (not
now): the point is that it is not 403. `STRANGER` gets what a technician of another shop gets; without anybody
signed in a page leads to the sign-in and the API answers 401.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest
from django.db import transaction
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

import analysis
from analysis import simulate
from jobs.errands.models import Errand
from jobs.ledger.actions import System
from jobs.ledger.models import Entry
from jobs.orders import actions, storage
from jobs.orders.models import Photo, Reading, WorkOrder
from jobs.people import policies
from jobs.people.models import Person, Role
from jobs.planning import feeds
from jobs.planning.actions import absences, calendars, places
from jobs.planning.actions.feeds import give_feed
from jobs.planning.models import Plan, Planning
from jobs.planning.shifts import Shift
from jobs.signoffs import filing
from jobs.signoffs.models import JobCard, SignOff
from tests.cast import SPEC, STEP
from tests.walking import Walk

P, T, I, K, A, M, D = "planner", "technician", "inspector", "keeper", "auditor", "manager", "admin"  # noqa: E741
CAST = (P, T, I, K, A, M, D)
ALL = frozenset(CAST)
READS_HISTORY = frozenset({A, M, I, K, D})
EXPORTS = VERIFIES = frozenset({A, M, D})
KEEPS, ENTERS = frozenset({P, M, D}), frozenset({P, K, M})
TAKES = ALL - {A}


@dataclass(frozen=True)
class Row:
    """`who` may, and gets `answer`; a technician of the other shop gets `stranger`, nobody in particular `anyone`."""

    method: str
    name: str
    who: frozenset[str]
    answer: int
    stranger: int
    body: dict[str, Any] = field(default_factory=dict)
    anyone: int = 0
    args: dict[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        more = "".join(f"-{value}" for value in (*self.args.values(), self.body.get("act", "")) if value)
        return f"{self.method}-{self.name}{more}"


def page(name: str, *, who: frozenset[str] = ALL, stranger: int = 404, **more: Any) -> Row:
    return Row("GET", name, who, more.pop("answer", 200), stranger, **more)


def post(name: str, who: set[str] | frozenset[str], answer: int, *, stranger: int = 404, **more: Any) -> Row:
    return Row("POST", name, frozenset(who), answer, stranger, **more)


SIGN = {"meaning": "performed", "password": "wrong"}
NEW_ROLE = {"act": "role", "role-role": "auditor", "role-valid_from": "2026-03-16"}
ROWS = [
    # --- Pages ---
    page("home", stranger=302, answer=302),
    page("board", stranger=200),
    page("board-csv", stranger=200),
    page("work-order-new", who=frozenset({P, M}), stranger=403),
    post("work-order-new", {P, M}, 422, stranger=403),
    page("work-order"),
    *(
        row
        for action, who, answer in (
            ("plan", {P}, 422),
            ("release", {P}, 409),
            ("start", {T}, 409),
            ("hold", {P, T, I, M}, 422),
            ("resume", {P, T, I, M}, 409),
            ("cancel", {P, M}, 422),
            ("findings", {T, I, M}, 422),
            ("decide", {I, M}, 422),
            ("reopen", {M}, 422),
        )
        for row in (
            page("work-order-act", who=frozenset(who), args={"action": action}),
            post("work-order-act", who, answer, args={"action": action}),
        )
    ),
    page("step"),
    post("step", {T, I}, 409, body={"act": "confirm"}, args={"position": STEP["own-lock"]}),
    page("hand-readings", who=frozenset({T, I})),
    post("hand-readings", {T, I}, 422),
    page("photo"),
    page("trace"),
    page("trace-plot"),
    page("trace-file"),
    post("trace-analyse", {T, I}, 303),
    page("sign", who=frozenset({T}), args={"meaning": "performed"}),
    page("sign", who=frozenset({I}), args={"meaning": "verified"}),
    page("sign", who=frozenset({M}), args={"meaning": "released"}),
    post("sign", {T}, 422, args={"meaning": "performed"}),
    post("sign", {I}, 422, args={"meaning": "verified"}),
    post("sign", {M}, 422, args={"meaning": "released"}),
    page("signoff"),
    page("job-card"),
    page("job-card-file"),
    post("ask-card", {P, T, I, M}, 302),
    page("verify-card", stranger=200, anyone=200),
    post("verify-card", ALL, 422, stranger=422, anyone=422),
    page("instruments", stranger=200),
    page("instruments-csv", stranger=200),
    page("instrument"),
    page("calibration"),
    page("instrument-new", who=frozenset({K}), stranger=403),
    post("instrument-new", {K}, 422, stranger=403),
    page("instrument-calibrate", who=frozenset({K}), stranger=403),
    post("instrument-calibrate", {K}, 422, stranger=403),
    page("instrument-withdraw", who=frozenset({K})),
    post("instrument-withdraw", {K}, 422),
    page("instrument-return", who=frozenset({K})),
    post("instrument-return", {K}, 422),
    page("units", stranger=200),
    page("units-csv", stranger=200),
    page("unit", stranger=200),
    page("engine", stranger=200),
    *(
        row
        for name in ("unit-new", "engine-new", "engine-install", "engine-remove")
        for row in (page(name, who=frozenset({P, D}), stranger=403), post(name, {P, D}, 422, stranger=403))
    ),
    page("people", stranger=200),
    page("people-csv", stranger=200),
    page("person"),
    post("person", {D}, 302, body=NEW_ROLE),
    page("person-new", who=frozenset({D}), stranger=403),
    post("person-new", {D}, 422, stranger=403),
    page("errand"),
    page("history", who=READS_HISTORY, stranger=403),
    page("history-of", who=READS_HISTORY, stranger=403),
    page("history-csv", who=EXPORTS, stranger=403),
    page("history-of-csv", who=EXPORTS, stranger=403),
    post("ledger-verify", VERIFIES, 200, stranger=403),
    page("sign-in", stranger=302, answer=302, anyone=200),
    post("sign-out", ALL, 302, stranger=302),
    page("plan-board", stranger=200),
    page("plan-board-data", stranger=200),
    post("plan-board-try", {P}, 422, stranger=403),
    post("plan-board-change", {P}, 422, stranger=403),
    post("plan-board-undo", {P}, 409, stranger=403),
    post("plan-board-begin-now", {P}, 409, stranger=403),
    page("plan-board-accept", who=frozenset({P}), stranger=403),
    post("plan-board-accept", {P}, 409, stranger=403),
    page("plan-move", who=frozenset({P}), stranger=403),
    post("plan-move", {P}, 422, stranger=403),
    page("plan-ask", who=frozenset({P}), stranger=403),
    post("plan-ask", {P}, 422, stranger=403),
    page("plan-trouble", who=frozenset({P}), stranger=403),
    post("plan-trouble", {P}, 422, stranger=403),
    page("plan-asked"),
    post("plan-accept", {P}, 409, stranger=403),
    page("plan-versions", stranger=200),
    page("plan-version"),
    page("plan-minutes", stranger=200),
    post("plan-minutes", {P}, 404, stranger=403),
    page("plan-promise", who=frozenset({P}), stranger=403),
    post("plan-promise", {P}, 422, stranger=403),
    page("plan-facts", stranger=200),
    page("plan-hours"),
    *(
        row
        for name, answer in (("place", 422), ("pattern", 422), ("rota", 422), ("holiday", 422))
        for row in (
            page(f"plan-{name}-new", who=KEEPS, stranger=403),
            post(f"plan-{name}-new", KEEPS, answer, stranger=403),
            page(f"plan-{name}", who=KEEPS, stranger=403),
            post(f"plan-{name}", KEEPS, answer, stranger=403),
        )
    ),
    page("plan-absences", stranger=200),
    page("plan-absences-csv", stranger=200),
    page("plan-absence-new", who=ENTERS, stranger=403),
    post("plan-absence-new", ENTERS, 422, stranger=403),
    page("plan-absences-import", who=ENTERS, stranger=403),
    post("plan-absences-import", ENTERS, 422, stranger=403),
    post("plan-absence-withdraw", ENTERS, 302, stranger=403),
    page("plan-day", stranger=200),
    page("plan-load", stranger=200),
    page("plan-load-csv", stranger=200),
    page("plan-promises", stranger=200),
    page("plan-promises-csv", stranger=200),
    page("plan-worth", who=KEEPS, stranger=403),
    post("plan-worth", KEEPS, 409, stranger=403),
    page("plan-feeds", who=TAKES, stranger=200),
    post("plan-feeds", TAKES, 422, stranger=422),
    post("plan-feed-renew", {T}, 302),
    page("plan-feed", stranger=200, anyone=200),
    # --- API ---
    page("api:schema", stranger=200),
    post("api:token", ALL, 422, stranger=422, anyone=422),
    post("api:token-give-back", ALL, 204, stranger=204),
    page("api:me", stranger=200),
    page("api:order-list", stranger=200),
    post("api:order-list", {P, M}, 422, stranger=403),
    page("api:order-detail"),
    post("api:order-plan", {P}, 422, stranger=403),
    post("api:order-release", {P}, 409, stranger=403),
    post("api:order-start", {T}, 409),
    post("api:order-hold", {P, T, I, M}, 422),
    post("api:order-resume", {P, T, I, M}, 409),
    post("api:order-cancel", {P, M}, 422, stranger=403),
    post("api:order-reopen", {M}, 422, stranger=403),
    page("api:step-list"),
    page("api:step"),
    post("api:step-acknowledge", {T, I}, 409),
    post("api:step-confirm", {T, I}, 409, args={"position": STEP["own-lock"]}),
    post("api:step-readings", {T, I}, 422),
    post("api:step-not-needed", {T, I}, 422),
    post("api:step-photos", {T, I}, 415),
    post("api:step-traces", {T, I}, 415),
    post("api:step-hand-readings", {T, I}, 422),
    post("api:reading-correct", {T, I}, 422),
    post("api:order-findings", {T, I, M}, 422),
    page("api:finding-list", stranger=200),
    page("api:finding-detail"),
    post("api:finding-decide", {I, M}, 422, stranger=403),
    page("api:trace-list", stranger=200),
    page("api:trace-detail"),
    page("api:trace-file"),
    post("api:trace-analyse", {T, I}, 202),
    page("api:photo-file"),
    page("api:order-content"),
    post("api:order-signoffs", {T}, 422, body=SIGN),
    page("api:signoff-list", stranger=200),
    page("api:signoff-detail"),
    post("api:order-cards", {P, T, I, M}, 202),
    page("api:card-list", stranger=200),
    page("api:card-detail"),
    page("api:card-file"),
    page("api:instrument-list", stranger=200),
    post("api:instrument-list", {K}, 422, stranger=403),
    page("api:instrument-detail"),
    post("api:instrument-withdraw", {K}, 422, stranger=403),
    post("api:instrument-return", {K}, 422, stranger=403),
    post("api:instrument-calibrations", {K}, 422, stranger=403),
    page("api:calibration-list", stranger=200),
    page("api:calibration-detail"),
    page("api:unit-list", stranger=200),
    page("api:unit-detail", stranger=200),
    page("api:engine-list", stranger=200),
    page("api:engine-detail", stranger=200),
    post("api:unit-list", {P, D}, 422, stranger=403),
    post("api:engine-list", {P, D}, 422, stranger=403),
    post("api:engine-install", {P, D}, 422, stranger=403),
    post("api:engine-remove", {P, D}, 422, stranger=403),
    page("api:engine-type-list", stranger=200),
    page("api:engine-type-detail", stranger=200),
    page("api:procedure-list", stranger=200),
    page("api:procedure-detail", stranger=200),
    page("api:person-list", stranger=200),
    page("api:person-detail"),
    page("api:absence-list", stranger=200),
    post("api:absence-list", ENTERS, 422, stranger=403),
    page("api:absence-detail"),
    post("api:absence-withdraw", ENTERS, 200, stranger=403),
    *(
        row
        for name in ("place", "shift-pattern", "rota", "holiday")
        for row in (
            page(f"api:{name}-list", stranger=200),
            post(f"api:{name}-list", KEEPS, 422, stranger=403),
            page(f"api:{name}-detail"),
        )
    ),
    post("api:rota-withdraw", KEEPS, 204, stranger=403),
    post("api:holiday-withdraw", KEEPS, 204, stranger=403),
    page("api:plan-list", stranger=200),
    page("api:plan-detail"),
    post("api:plan-accept", {P}, 409, stranger=403),
    page("api:planning-list", stranger=200),
    page("api:planning-detail"),
    post("api:planning-list", {P}, 422, stranger=403, body={"seconds": "soon"}),
    post("api:planning-trouble", {P}, 422, stranger=403),
    page("api:plan-board", stranger=200),
    post("api:plan-board", {P}, 422, stranger=403),
    post("api:plan-board-undo", {P}, 409, stranger=403),
    post("api:plan-board-begin-now", {P}, 409, stranger=403),
    post("api:plan-board-accept", {P}, 409, stranger=403),
    page("api:order-promise", who=frozenset({P}), stranger=403),
    post("api:order-promise", {P}, 422, stranger=403),
    page("api:errand-list", stranger=200),
    page("api:errand-detail"),
    page("api:entry-list", who=READS_HISTORY, stranger=403),
    page("api:entry-detail", who=READS_HISTORY, stranger=403),
    page("api:entries-about", who=READS_HISTORY, stranger=403),
    page("api:verification", who=VERIFIES, stranger=403),
    page("api:no-such-address", answer=404, anyone=404),
    post("api:no-such-address", ALL, 404, anyone=404),
]


# --- The world in which they ask ----------------------------------------------------------------------


@pytest.fixture
def world(
    in_work: WorkOrder,
    walk: Walk,
    technician: Person,
    inspector: Person,
    settings: Any,
    tmp_path: Any,
    at: datetime,
    run_errands: Callable[[], int],
) -> dict[str, dict[str, Any]]:
    """Values of the parameters of every address, all of things in Brackwater Yard."""
    settings.TRACE_DIR, settings.PHOTO_DIR, settings.CARD_DIR = (tmp_path / name for name in ("t", "p", "c"))
    order = walk(in_work, until="as-found")
    finding = actions.raise_finding(order, text="Gasket torn", by=technician, at=at)
    step = order.steps.get(position=STEP["as-found"])
    content, _ = simulate.trace(seed=7, packed=False, crest_deg=140.3, sweeps=2)
    storage.traces().keep([content])
    trace = walk.give_trace(step, content)
    walk.give_result(step, trace=trace, result=analysis.analyse(content, SPEC))
    photo = Photo.objects.first()
    assert photo is not None
    photo.sha256 = storage.photos().keep([b"picture"]).sha256
    photo.save(update_fields=["sha256"])
    signoff = SignOff.objects.create(
        work_order=order, step=step, meaning="hold-point", statement="x", signer=inspector, signer_name="Ines",
        skill_code="x", signed_at=at, content_sha256="0" * 64, document="{}", document_sha256="0" * 64,
    )  # fmt: skip
    card = _card(order)
    errand = Errand.objects.create(
        kind="render-card", once_key="x", chain=order.shop.code, arguments={"work_order": order.pk}
    )
    own = {"pk": order.pk}
    instrument = order.shop.instruments.get(asset_number="PR-07")
    calibration = instrument.calibrations.get()
    unit = {"type": "fleet.unit", "key": str(order.unit_id)}
    named: dict[str, dict[str, Any]] = {
        "step": {**own, "position": step.position}, "photo": {"pk": photo.pk}, "trace": {"pk": trace.pk},
        "signoff": {"pk": signoff.pk}, "card": {"pk": card.pk}, "job": {"pk": card.pk},
        "verify": {"token": card.token}, "instrument": {"pk": instrument.pk}, "calibration": {"pk": calibration.pk},
        "unit": {"pk": order.unit_id}, "engine": {"pk": order.engine_id}, "person": {"pk": technician.pk},
        "errand": {"pk": errand.pk}, "history": unit, "entries": unit, "entry": {"number": 1},
        "finding": {"pk": finding.pk}, "reading": {"pk": Reading.objects.first().pk},  # type: ignore[union-attr]
        "procedure": {"pk": order.procedure_id}, "order": own, "work": own, "sign": own, "ask": own,
        "type": {"pk": order.engine.engine_type_id}, "hand": {**own, "position": step.position},
    }  # fmt: skip
    return named | _facts(order, technician, at) | _plans(order, at)


def _facts(order: WorkOrder, technician: Person, at: datetime) -> dict[str, dict[str, Any]]:
    """One of everything that a plan stands on."""
    shop = order.shop
    shifts = [Shift(1, 0, time(6), 480)]
    by = System()
    place = places.add_place(shop=shop, kind="bay", name="Bay 2", by=by, at=at)
    pattern = calendars.add_pattern(shop=shop, name="Early", weeks=1, shifts=shifts, by=by, at=at)
    rota = calendars.give_rota(technician, pattern=pattern, valid_from=at.date(), by=by, at=at)
    holiday = calendars.add_holiday(shop=shop, day=at.date(), name="Closed", by=by, at=at)
    absence = absences.enter_absence(shop=shop, who=technician, starts_at=at, by=by, at=at)
    feed = give_feed(kind="place", key=str(place.pk), by=technician, at=at)
    return {
        "plan-feed": {"token": feeds.token_of(feed)}, "plan-feed-renew": {"pk": feed.pk},
        "plan-place": {"pk": place.pk}, "plan-pattern": {"pk": pattern.pk}, "plan-rota": {"pk": rota.pk},
        "plan-holiday": {"pk": holiday.pk}, "plan-hours": {"pk": technician.pk}, "absence": {"pk": absence.pk},
        "plan-absence-withdraw": {"pk": absence.pk}, "place": {"pk": place.pk}, "shift": {"pk": pattern.pk},
        "rota": {"pk": rota.pk}, "holiday": {"pk": holiday.pk},
    }  # fmt: skip


def _plans(order: WorkOrder, at: datetime) -> dict[str, dict[str, Any]]:
    """A plan in force that has the end of the order on the board, and the asking that it came from."""
    planner = Person.objects.get(username=P)
    errand = Errand.objects.create(kind="make-plan", once_key="plan", chain=order.shop.code, arguments={"planning": 1})
    asked = Planning.objects.create(shop=order.shop, purpose="plan", asked_by=planner, errand=errand)
    later = [(timezone.now() + timedelta(days=1, minutes=minutes)).isoformat() for minutes in (0, 10)]
    plan = Plan.objects.create(
        shop=order.shop, planning=asked, title="Fewest hours late", problem={"orders": [], "resources": []},
        plan={"bookings": {f"{order.number}/close": {"start": later[0], "end": later[1], "resources": []}},
              "orders": {}, "moved": [], "unscheduled": [], "conflicts": []},
        cost={"late": 0, "orders": 1, "hours_late": 0, "weighted_hours_late": 0, "promises_moved": [], "moved": 0,
              "could_move": 0, "people_changed": 0, "left_out": 0, "ends_moved": []},
        version=1, accepted_by=planner, accepted_at=at,
    )  # fmt: skip
    return {
        "plan-asked": {"pk": asked.pk}, "plan-accept": {"pk": plan.pk}, "plan-version": {"pk": plan.pk},
        "plan": {"pk": plan.pk}, "planning": {"pk": asked.pk},
        "plan-move": {"number": order.number, "code": "close"}, "plan-promise": {"pk": order.pk},
    }  # fmt: skip


def _card(order: WorkOrder) -> JobCard:
    pdf = b"%PDF-1.7"
    filing.file_card(pdf)
    return JobCard.objects.create(
        work_order=order, shop=order.shop, number=1, token="t" * 43, sha256=hashlib.sha256(pdf).hexdigest(),
        size_bytes=len(pdf), content_sha256="0" * 64, certificate_sha256="0" * 64, order_state="in-work",
        rendered_at=datetime(2026, 3, 16, tzinfo=UTC),
    )  # fmt: skip


def address(row: Row, world: dict[str, dict[str, Any]]) -> str:
    """The address of a row in this world, from the parameters that its pattern has."""
    parameters = PARAMETERS[row.name]
    first = row.name.removeprefix("api:").split("-")[0]
    if row.name.startswith("api:engine-type"):
        first = "type"
    values = {**world.get(first, {}), **world.get(row.name, {}), **row.args}
    which = "?finding=1" if row.args.get("action") == "decide" else ""
    return reverse(row.name, kwargs={name: values[name] for name in parameters}) + which


def patterns() -> Iterator[tuple[str, frozenset[str]]]:
    """The name and parameters of every address there is."""

    def walk_through(listed: Any, space: str, names: frozenset[str]) -> Iterator[tuple[str, frozenset[str]]]:
        for one in listed:
            held = names | frozenset(one.pattern.converters)
            if isinstance(one, URLResolver):
                inner = f"{one.namespace}:" if one.namespace else ""
                yield from walk_through(one.url_patterns, space + inner, held)
            elif isinstance(one, URLPattern):
                yield space + (one.name or ""), held

    return walk_through(get_resolver().url_patterns, "", frozenset())


PARAMETERS = dict(patterns())


# --- The test -----------------------------------------------------------------------------------------


def ask(client: Client, row: Row, where: str) -> int:
    if row.method == "GET":
        response = client.get(where)
    elif row.name.startswith("api:"):
        response = client.post(where, row.body, content_type="application/json")
    else:
        response = client.post(where, row.body)
    if response.streaming:  # read to its end, which closes the file; `close()` here would close the database too
        list(response)
    return response.status_code


@pytest.fixture
def everybody(
    planner: Person, technician: Person, inspector: Person, keeper: Person, auditor: Person, manager: Person,
    admin: Person, stranger: Person,
) -> dict[str, Person]:  # fmt: skip
    cast = (planner, technician, inspector, keeper, auditor, manager, admin, stranger)
    return {person.username: person for person in cast}


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_each_gets_the_answer_of_the_table(
    method: str, world: dict[str, dict[str, Any]], everybody: dict[str, Person], login: Callable[[Person], Client]
) -> None:
    callers = {name: login(person) for name, person in everybody.items()} | {"anyone": Client()}
    otherwise = {}
    for row in ROWS:
        if row.method != method:
            continue
        where = address(row, world)
        for name, client in callers.items():
            got, want = ask_without_effect(client, row, where), wanted(row, name)
            if got != want:
                otherwise[f"{row} by {name}"] = f"answered {got}, should {want}"
    assert otherwise == {}


def ask_without_effect(client: Client, row: Row, where: str) -> int:
    """What is asked leaves the world, the sessions included, as it was for the next."""
    cookies = client.cookies.copy()
    with transaction.atomic():
        answer = ask(client, row, where)
        transaction.set_rollback(True)
    client.cookies = cookies
    return answer


def wanted(row: Row, name: str) -> int:
    if name == "stranger":
        return row.stranger
    if name == "anyone":
        return row.anyone or (401 if row.name.startswith("api:") else 302)
    return row.answer if name in row.who else 403


def test_every_address_has_a_row() -> None:
    assert {row.name for row in ROWS} == set(PARAMETERS)


# What an auditor may send: none of it changes a record of the shop.
HARMLESS = {"verify-card", "ledger-verify", "sign-out", "api:token", "api:token-give-back", "api:no-such-address"}


def test_an_auditor_reads_and_exports_and_does_nothing_else() -> None:
    reads = {row.name for row in ROWS if row.method == "GET" and A in row.who}
    assert {"history-csv", "history-of-csv", "api:entry-list", "api:verification", "job-card-file"} <= reads
    assert {row.name for row in ROWS if row.method == "POST" and A in row.who} == HARMLESS


def test_an_auditor_may_do_nothing_that_writes_by_the_policies() -> None:
    may = {action for action, (_, roles) in policies.ACTIONS.items() if Role.AUDITOR in roles}
    assert may == {"see-work", "see-plan", "read-history", "export-history", "verify-ledger"}


def test_no_write_of_an_auditor_leaves_an_entry(
    world: dict[str, dict[str, Any]], auditor: Person, login: Callable[[Person], Client]
) -> None:
    before = Entry.objects.count()
    client = login(auditor)
    for row in ROWS:
        if row.method == "POST" and A not in row.who:
            assert ask(client, row, address(row, world)) == 403, str(row)
    assert Entry.objects.count() == before
