"""What went wrong, entered in one go: the fact itself and the asking for a plan around it."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.db import transaction
from django.http import Http404

from jobs.errors import BadInput, Reason, refuse
from jobs.ledger import actions as ledger
from jobs.orders.models import WorkOrder
from jobs.people import policies
from jobs.people.models import Person
from jobs.planning.actions.absences import enter_absence
from jobs.planning.actions.board import board_now
from jobs.planning.actions.plans import ask_plan
from jobs.planning.facts import beside
from jobs.planning.models import Absence, OperationFacts, Place, Planning
from jobs.planning.rules import board as rules
from jobs.planning.wording import length, moment
from jobs.tooling.models import Instrument


@transaction.atomic
def report_trouble(
    *, what: str, starts_at: datetime, hours: float | None, reason: str = "", by: Person, at: datetime
) -> Planning:
    """Enter an absence, or what is left of work in hand, and ask for a plan around it.

    `what` is an id of the planning problem; without `hours` it lasts until further notice.
    """
    policies.require(by, "plan-shop")
    if "/" in what:
        why = _overrun(what, hours, by=by, at=at)
    else:
        subject = _subject(what, by)
        ends_at = None if hours is None else starts_at + timedelta(hours=float(hours))
        if ends_at is not None and starts_at < ends_at <= at:
            over = "That is over already and moves nothing. For the record enter it under absences."
            raise BadInput([Reason("over", over, "hours")])
        absence = enter_absence(
            shop=by.shop, who=subject, starts_at=starts_at, ends_at=ends_at, reason=reason, by=by, at=at
        )
        called = subject.asset_number if isinstance(subject, Instrument) else subject.name
        why = f"{called} not there {_times(absence, by.shop.zone)}"
        if more := beside(absence):
            why += f" (entered already {' and '.join(_times(one, by.shop.zone) for one in more)})"
    because = f": {reason.strip()}" if reason.strip() else ""
    return ask_plan(why=f"{why}{because}.", by=by, at=at)


def _times(absence: Absence, zone: ZoneInfo) -> str:
    until = "until further notice" if absence.ends_at is None else f"to {moment(absence.ends_at, zone)}"
    return f"from {moment(absence.starts_at, zone)} {until}"


def _subject(key: str, by: Person) -> Person | Place | Instrument:
    kind, _, number = key.partition("-")
    found: Person | Place | Instrument | None
    if kind == "person" and number.isdecimal():
        found = Person.objects.filter(shop=by.shop_id, pk=int(number)).first()
    elif kind == "place" and number.isdecimal():
        found = Place.objects.filter(shop=by.shop_id, pk=int(number)).first()
    else:
        found = Instrument.objects.filter(shop=by.shop_id, asset_number=key).first()
    if found is None:
        raise Http404("There is no such person, place or instrument in your shop.")
    return found


def _overrun(key: str, hours: float | None, *, by: Person, at: datetime) -> str:
    """State how much is left of work in hand."""
    number, _, code = key.partition("/")
    order = WorkOrder.objects.filter(shop=by.shop_id, number=number).first()
    if order is None:
        raise Http404("There is no such work order in your shop.")
    if hours is None:
        raise BadInput([Reason("no-hours", "Say how many hours are left of it.", "hours")])
    minutes = round(float(hours) * 60)
    refuse(rules.why_not_minutes(minutes, moment=True), BadInput)
    board, _, _ = board_now(by.shop, at=at)
    called, state = board.called(key), board.work[key].state if key in board.work else ""
    if state != "started":
        raise BadInput([Reason("not-in-hand", f"{called} is not in hand, so nothing is left of it.", "what")])
    facts, _ = OperationFacts.objects.get_or_create(work_order=order, operation=code)
    facts.remaining_minutes, facts.remaining_seen_at = minutes, at
    facts.save(update_fields=["remaining_minutes", "remaining_seen_at"])
    sentence = f"{length(minutes)} left of {called}"
    ledger.append(
        "operation.overrun", chain=by.shop.code, by=by, at=at, sentence=f"{sentence}.", about=[order, by],
        data={"operation": code, "remaining_minutes": minutes},
    )  # fmt: skip
    return sentence
