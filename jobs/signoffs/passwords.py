"""The password, asked again at every signature: the session says who is there, this that it is them."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db import transaction

from jobs.errors import BadInput, NotAllowed, Reason
from jobs.ledger import actions as ledger
from jobs.ledger.models import Entry
from jobs.orders.models import WorkOrder
from jobs.people.models import Person
from jobs.signoffs import rules

WITHIN = timedelta(minutes=rules.ATTEMPTS_WITHIN_MINUTES)


def confirm(by: Person, password: str, *, order: WorkOrder, meaning: str, at: datetime) -> None:
    """Check a person's password for a signature.

    A wrong one is an entry in the history, in a transaction of its own so that it stays when the signature
    does not come about. Raises `BadInput` when it is wrong and `NotAllowed` after too many wrong ones; the
    person's row is locked meanwhile, so that guesses made at once are counted one after another.
    """
    with transaction.atomic():
        person = Person.objects.select_for_update(of=("self",)).get(pk=by.pk)
        waiting = _must_wait(person, at)
        right = not waiting and person.is_active and person.check_password(password)
        if not right and not waiting:
            _record(person, order=order, meaning=meaning, at=at)
    if waiting:
        raise NotAllowed([waiting])
    if not right:
        raise BadInput([Reason("wrong-password", "That is not your password. Nothing was signed.", field="password")])


def _must_wait(person: Person, at: datetime) -> Reason | None:
    wrong = Entry.objects.filter(kind="signoff.refused", actor_id=person.pk, at__gt=at - WITHIN, at__lte=at)
    instants = list(wrong.order_by("-at").values_list("at", flat=True)[: rules.ATTEMPTS])
    if len(instants) < rules.ATTEMPTS:
        return None
    until = (instants[-1] + WITHIN).astimezone(person.shop.zone)
    return Reason(
        "too-many-attempts",
        f"{rules.ATTEMPTS} wrong passwords within {rules.ATTEMPTS_WITHIN_MINUTES} minutes: signing as "
        f"{person.name} waits until {until:%H:%M}. If it was not you, tell an administrator.",
    )


def _record(person: Person, *, order: WorkOrder, meaning: str, at: datetime) -> None:
    ledger.append(
        "signoff.refused",
        chain=order.shop.code,
        by=person,
        at=at,
        sentence=f"A wrong password was given to sign {order.number} as {person.name}; nothing was signed.",
        about=[order, person],
        data={"meaning": meaning},
    )
