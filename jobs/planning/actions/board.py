"""Moves by hand on the shop's board: made, taken back, and accepted together as the next version of the plan.

Every planner of the shop works on the same board. A move is a row on top of the version in force; the board is that
version with the moves laid over it. Pins and lengths are facts of the operation and go with the move that set them.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Max
from django.http import Http404

from jobs.errors import BadInput, NotAllowed, Reason, refuse
from jobs.ledger import actions as ledger
from jobs.orders.models import WorkOrder
from jobs.people import policies
from jobs.people.models import Person, Shop
from jobs.planning import making, problem
from jobs.planning.actions import plans
from jobs.planning.board import Board, Effect
from jobs.planning.carrying import carried_on
from jobs.planning.gathering import ShopFacts, changes_on, plan_in_force
from jobs.planning.models import Change, OperationFacts, Plan
from jobs.planning.rules import board as rules
from jobs.planning.wording import said

Json = dict[str, Any]


def board_now(shop: Shop, *, at: datetime) -> tuple[Board, problem.Stated, Plan | None]:
    """The board as it stands, the facts under it, and the version it lies on."""
    facts, stated = plans.stated_now(shop, at=at)
    return Board(stated.problem, facts.bookings, stated.names, shop.zone), stated, facts.in_force


@transaction.atomic
def change_board(
    operation: str,
    *,
    start: datetime | None = None,
    swap: Mapping[str, str] | None = None,
    minutes: int | None = None,
    pin: bool | None = None,
    push: bool = True,
    seen: Mapping[str, Any] | None = None,
    by: Person,
    at: datetime,
) -> tuple[Change, Effect]:
    """Lay an operation elsewhere, give it to somebody else, make it longer, pin it or let it go.

    `seen` is the booking as the planner saw it: when it stands elsewhere now, somebody was there first and the move
    is refused.
    """
    policies.require(by, "plan-shop")
    Shop.objects.select_for_update().get(pk=by.shop_id)
    board, _, base = board_now(by.shop, at=at)
    known = operation in board.stands
    stands = board.stands.get(operation)
    refuse(
        rules.why_not_change(
            known=known and base is not None,
            state=board.work[operation].state if known else "",
            stale=seen is not None and stands is not None and stands.to_json() != seen,
            called=board.called(operation),
        )
    )
    assert base is not None
    refuse(rules.why_not_swap([one for one in (swap or {}).values() if one not in board.resources]), BadInput)
    effect = board.move(operation, start=start, swap=swap, minutes=minutes, push=push)
    facts: tuple[Json, Json] = ({}, {})
    if minutes is not None or pin is not None:
        own = effect.bookings[operation]
        facts = _set_facts(operation, own.to_json(), minutes, pin, shop=by.shop)
    what = "pin" if pin else "unpin" if pin is False else "extend" if minutes is not None else "move"
    change = _laid(board, effect, base, operation, what, facts, by=by, at=at)
    if pin is not None:
        words = "pinned" if pin else "let go"
        _record("operation.pinned", operation, f"{_first(board.called(operation))} {words}.", by=by, at=at)
    if minutes is not None:
        lasted = board.work[operation].minutes
        _record_minutes(operation, board.called(operation), minutes, lasted, by=by, at=at)
    return change, effect


@transaction.atomic
def begin_now(*, by: Person, at: datetime) -> tuple[Change, Effect]:
    """Let what should have begun begin as soon as its people can, all else keeping its turn: one move.

    What comes of it is worked out in `jobs.planning.carrying`.
    """
    policies.require(by, "plan-shop")
    Shop.objects.select_for_update().get(pk=by.shop_id)
    board, _, base = board_now(by.shop, at=at)
    overdue = board.overdue() if base is not None else []
    effect = carried_on(board)
    begun = [key for key in overdue if key in effect.bookings]
    refuse(rules.why_not_begin_now(overdue=len(overdue), begun=len(begun)))
    assert base is not None
    return _laid(board, effect, base, begun[0], "move", ({}, {}), by=by, at=at), effect


def _laid(
    board: Board, effect: Effect, base: Plan, operation: str, what: str, facts: tuple[Json, Json], *,
    by: Person, at: datetime,
) -> Change:  # fmt: skip
    """Keep a move of the board as the next one; `facts` of the operation before and after it."""
    sequence = (Change.objects.filter(base=base).aggregate(last=Max("sequence"))["last"] or 0) + 1
    return Change.objects.create(
        shop=by.shop, base=base, sequence=sequence, operation=operation, what=what,
        before={"bookings": {key: board.stands[key].to_json() for key in effect.bookings}, "facts": facts[0]},
        after={"bookings": {key: one.to_json() for key, one in effect.bookings.items()}, "facts": facts[1]},
        by=by, at=at,
    )  # fmt: skip


@transaction.atomic
def undo_change(*, whoever: bool = True, by: Person, at: datetime) -> Change:
    """Take back the last move that stands on the board; unless `whoever`, refused where it is somebody else's."""
    policies.require(by, "plan-shop")
    Shop.objects.select_for_update().get(pk=by.shop_id)
    standing = changes_on(plan_in_force(by.shop))
    others = bool(standing) and not whoever and standing[-1].by_id != by.pk
    called = board_now(by.shop, at=at)[0].called(standing[-1].operation) if standing else ""
    others_name = standing[-1].by.name if others else ""
    refuse(rules.why_not_undo(any_standing=bool(standing), others=others_name, called=called))
    change = standing[-1]
    change.undone_by, change.undone_at = by, at
    change.save(update_fields=["undone_by", "undone_at"])
    for key, facts in change.before.get("facts", {}).items():
        _restore_facts(key, facts, shop=by.shop)
    if change.what in {"pin", "unpin"}:
        was = change.before["facts"].get(change.operation, {})
        words = "pinned" if was.get("pin_start") or was.get("pin_resources") else "let go"
        _record("operation.pinned", change.operation, f"{_first(called)} {words}, as before.", by=by, at=at)
    if change.what == "extend":
        now = board_now(by.shop, at=at)[0].work[change.operation].minutes
        lasted = change.after["facts"][change.operation]["minutes"]
        _record_minutes(change.operation, called, now, lasted, by=by, at=at)
    return change


@transaction.atomic
def accept_board(*, note: str = "", by: Person, at: datetime) -> Plan:
    """Accept the board as it stands as the next version; refused with every sentence of what clashes on it."""
    policies.require(by, "plan-shop")
    from analysis.schedule.check import check
    from analysis.schedule.standing import standing

    Shop.objects.select_for_update().get(pk=by.shop_id)
    facts, stated = plans.stated_now(by.shop, at=at)
    moves = changes_on(facts.in_force)
    refuse(rules.why_not_publish(moves=len(moves)))
    assert facts.in_force is not None
    in_force = facts.in_force.plan["bookings"]
    previous = dict(stated.problem.get("previous") or {})
    previous |= {
        key: {"start": in_force[key]["start"], "resources": in_force[key]["resources"]}
        for key in previous
        if key in in_force
    }
    laid = {**stated.problem, "previous": previous}
    made = standing(laid, facts.bookings)
    broken = [one.message for one in check(laid, made) if not plans.may_stand(one, laid, made)]
    broken += _dropped(laid, made, facts)
    sentences = dict.fromkeys(said(one, stated.names, by.shop.zone) for one in broken)
    if broken:
        raise NotAllowed([Reason("clash", sentence) for sentence in list(sentences)[:20]])
    plan = Plan.objects.create(
        shop=by.shop,
        title="Moved by hand",
        problem=laid,
        names=stated.names,
        plan=made,
        cost=making.cost(laid, made, before=problem.ends(in_force)),
        marks=stated.marks,
        made_at=at,
    )
    return plans.accept_plan(plan, note=note, losing=True, by=by, at=at)  # what it drops is refused above


def _dropped(stated: Json, made: Json, facts: ShopFacts) -> list[str]:
    """Why orders that stand on the board as a whole would have no place in the plan made of it.

    A pin in the past or a length that fits no shift leaves its order out of any plan. The checker passes such a plan,
    for it tells of the order; the planner, who sees the order on the board, would lose it.
    """
    whole = set()
    for order in stated["orders"]:
        waiting = [one["id"] for one in order["operations"] if one.get("state", "planned") == "planned"]
        if waiting and all(one in facts.bookings for one in waiting):
            whole.add(order["id"])
    return [one["reason"] for one in made["unscheduled"] if one["order"] in whole]


def _set_facts(
    key: str, booking: Json, minutes: int | None, pin: bool | None, *, shop: Shop
) -> tuple[Json, Json]:
    """State length or pin of an operation; gives its facts before and after."""
    order, code = _found(key, shop)
    facts, _ = OperationFacts.objects.get_or_create(work_order=order, operation=code)
    before = {key: _facts_json(facts)}
    if minutes is not None:
        facts.minutes = minutes
    if pin is not None:
        facts.pin_start = datetime.fromisoformat(booking["start"]) if pin else None
        facts.pin_resources = list(booking["resources"]) if pin else []
    facts.save()
    return before, {key: _facts_json(facts)}


def _restore_facts(key: str, before: Json, *, shop: Shop) -> None:
    order, code = _found(key, shop)
    pin = before["pin_start"]
    OperationFacts.objects.filter(work_order=order, operation=code).update(
        minutes=before["minutes"],
        pin_start=datetime.fromisoformat(pin) if pin else None,
        pin_resources=before["pin_resources"],
    )


def _facts_json(facts: OperationFacts) -> Json:
    return {
        "minutes": facts.minutes,
        "pin_start": facts.pin_start.isoformat() if facts.pin_start else None,
        "pin_resources": facts.pin_resources,
    }


def _found(key: str, shop: Shop) -> tuple[WorkOrder, str]:
    number, _, code = key.partition("/")
    order = WorkOrder.objects.filter(shop=shop, number=number).first()
    if order is None:
        raise Http404("There is no such work order in your shop.")
    return order, code


def _record(kind: str, key: str, sentence: str, *, by: Person, at: datetime) -> None:
    order, code = _found(key, by.shop)
    ledger.append(
        kind, chain=by.shop.code, by=by, at=at, sentence=sentence, about=[order, by], data={"operation": code}
    )  # fmt: skip


def _record_minutes(key: str, called: str, minutes: int, before: int, *, by: Person, at: datetime) -> None:
    sentence = f"{_first(called)} is planned with {minutes} min, {before} before."
    _record("estimate.changed", key, sentence, by=by, at=at)


def _first(name: str) -> str:
    return name[:1].upper() + name[1:]
