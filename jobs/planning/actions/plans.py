"""Asking for a plan, accepting one as the shop's next version, and giving a promise."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Max
from django.http import Http404

from jobs.errands import actions as errands
from jobs.errors import Reason, refuse
from jobs.ledger import actions as ledger
from jobs.orders import actions as orders
from jobs.people import policies
from jobs.people.models import Person, Shop, Skill
from jobs.planning import making, problem, staffing
from jobs.planning.gathering import ShopFacts, gather
from jobs.planning.models import Plan, Planning
from jobs.planning.rules import plans as rules
from jobs.planning.wording import said

MAKE_PLAN = "make-plan"
LONGEST_S = 300.0


def stated_now(shop: Shop, *, at: datetime) -> tuple[ShopFacts, problem.Stated]:
    """The facts of a shop and its planning problem at an instant."""
    facts = gather(shop, since=at - problem.LOOK_BACK)
    titles = dict(Skill.objects.values_list("code", "title"))
    return facts, problem.state(facts, now=at, skill_titles=titles)


def undecided(facts: ShopFacts, stated: problem.Stated) -> Planning | None:
    """What was asked for last around the plan in force, while it is being made or still can be accepted."""
    asked = Planning.objects.filter(shop=facts.shop, based_on=facts.in_force, failure="").select_related("errand")
    last = asked.defer("problem", "names", "before").order_by("-asked_at", "-pk").first()
    if last is None or last.plans.filter(version__isnull=False).exists():
        return None
    if last.finished_at is None:
        return last if last.errand is not None and not last.errand.ended else None
    return None if problem.changed(last.marks, stated.marks) else last


@transaction.atomic
def ask_plan(*, why: str = "", seconds: float = 6.0, by: Person, at: datetime) -> Planning:
    """Ask a worker for a plan of all open work as things stand now, or for one around the plan in force."""
    policies.require(by, "plan-shop")
    facts, stated = stated_now(by.shop, at=at)
    resources = stated.problem["resources"]
    refuse(
        rules.why_not_ask(
            open_orders=len(stated.problem["orders"]),
            bays=sum(one["kind"] == "bay" for one in resources),
            people=sum(one["kind"] == "person" for one in resources),
        )
    )
    purpose = Planning.Purpose.REPLAN if facts.in_force else Planning.Purpose.PLAN
    asked = Planning.objects.create(
        shop=by.shop,
        purpose=purpose,
        why=why.strip()[:300],
        asked_by=by,
        asked_at=at,
        seconds=min(max(seconds, 0.0), LONGEST_S),
        problem=stated.problem,
        names=stated.names,
        marks=stated.marks,
        before=problem.ends(facts.bookings),
        based_on=facts.in_force,
    )
    asked.errand = errands.ask(
        MAKE_PLAN,
        subject=str(asked.pk),
        chain=by.shop.code,
        arguments={"planning": asked.pk},
        asked_by=by.name,
    )
    asked.save(update_fields=["errand"])
    return asked


@transaction.atomic
def accept_plan(plan: Plan, *, note: str = "", losing: bool = False, by: Person, at: datetime) -> Plan:
    """Make an alternative the shop's next version and place its orders; refused when the facts have changed.

    A plan in which orders lose the place that they have is taken only `losing` them, which somebody has to say.
    """
    policies.require(by, "plan-shop")
    Shop.objects.select_for_update().get(pk=by.shop_id)
    plan = Plan.objects.select_for_update(of=("self",)).select_related("shop").get(pk=plan.pk)
    if plan.shop_id != by.shop_id:
        raise Http404("There is no such plan in your shop.")
    facts, stated = stated_now(plan.shop, at=at)
    refuse(
        rules.why_not_accept(
            version=plan.version,
            changed=problem.changed(plan.marks, stated.marks),
            begins=_begins(plan),
            at=at,
            lost=[] if losing else [plan.names.get(key, key) for key in plan.cost.get("orders_lost", ())],
        )
    )
    _hold_against_checker(plan)
    plan.version = (Plan.objects.filter(shop=plan.shop_id).aggregate(last=Max("version"))["last"] or 0) + 1
    plan.accepted_by, plan.accepted_at, plan.note = by, at, note.strip()[:300]
    plan.based_on = facts.in_force
    plan.save(update_fields=["version", "accepted_by", "accepted_at", "note", "based_on"])
    _place_orders(plan, facts, by=by, at=at)
    told = making.summary(plan.cost)
    ledger.append(
        "plan.accepted",
        chain=plan.shop.code,
        by=by,
        at=at,
        sentence=f"Plan {plan.version} accepted: {plan.title.lower()}; {told}.",
        about=[plan, by],
        data={"version": plan.version, "sha256": digest_of(plan.plan), "cost": told, "note": plan.note},
    )
    return plan


def digest_of(plan: Mapping[str, Any]) -> str:
    """SHA-256 of a plan's JSON with sorted keys, in hexadecimal: what the history holds it to."""
    return hashlib.sha256(json.dumps(plan, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def _begins(plan: Plan) -> datetime | None:
    """The earliest start that the plan has for work not begun when it was made."""
    planned = {
        operation["id"]
        for order in plan.problem["orders"]
        for operation in order["operations"]
        if operation.get("state", "planned") == "planned"
    }
    starts = [
        datetime.fromisoformat(booking["start"])
        for key, booking in plan.plan["bookings"].items()
        if key in planned
    ]
    return min(starts, default=None)


def _hold_against_checker(plan: Plan) -> None:
    from analysis.schedule.check import check

    zone = plan.shop.zone
    broken = [one for one in check(plan.problem, plan.plan) if not may_stand(one, plan.problem, plan.plan)]
    refuse(Reason(one.rule, said(one.message, plan.names, zone)) for one in broken[:20])


def may_stand(violation: Any, stated: Mapping[str, Any], plan: Mapping[str, Any]) -> bool:
    """Whether it hinders nobody: a start that is just over, or a clash of work in hand that the plan itself tells of.

    Work is begun some minutes late every day, and no plan can move what is in hand.
    """
    if violation.rule == "now":
        start = datetime.fromisoformat(plan["bookings"][violation.operation]["start"])
        return bool(start >= datetime.fromisoformat(stated["now"]) - rules.SLACK)
    if violation.rule not in {"capacity", "hold", "hold_point"}:
        return False
    concerned = {violation.operation, violation.resource}
    of_left_out = {one["reason"] for one in plan["unscheduled"]}
    return any(
        concerned <= set(conflict["ids"]) for conflict in plan["conflicts"] if conflict["sentence"] not in of_left_out
    )


def _place_orders(plan: Plan, facts: ShopFacts, *, by: Person, at: datetime) -> None:
    places = {problem.place_id(one.pk): one.name for one in facts.places if one.kind == "bay"}
    people = {problem.person_id(one.pk): one for one in facts.people}
    objects = Person.objects.select_related("shop").prefetch_related("grants").in_bulk([one.pk for one in facts.people])
    assert plan.version is not None
    placements = []
    for order in facts.orders:
        entry = plan.plan["orders"].get(order.number)
        if entry is None or not order.operations:
            continue
        crew = staffing.of_order(order, plan.plan["bookings"], places=places, people=people, zone=facts.shop.zone)
        refuse(
            rules.why_not_people(
                plan.names.get(order.number, order.unit),
                bay=crew.bay,
                technician="yes" if crew.technician else "",
                inspector="yes" if crew.inspector else "",
            )
        )
        assert crew.technician is not None
        assert crew.inspector is not None
        start, end = (datetime.fromisoformat(entry[name]) for name in ("start", "end"))
        placements.append(
            orders.Placement(order.pk, crew.bay, start, end, objects[crew.technician], objects[crew.inspector])
        )
    orders.place_orders(placements, version=plan.version, by=by, at=at)
    lost = set(plan.cost.get("orders_lost", ()))
    orders.unplace_orders(
        [order.pk for order in facts.orders if order.number in lost], version=plan.version, by=by, at=at
    )
