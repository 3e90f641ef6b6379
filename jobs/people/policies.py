"""Who may do what: one table of action and roles, asked by page, API and command alike.

`may` answers "may they", `require` raises the sentence; "which may they" is the shop's own work, in the
queries of each room (`orders_for(person)`), so that another shop's work is simply not found.
"""

from __future__ import annotations

from jobs.errors import WrongPerson
from jobs.ledger.actions import System
from jobs.people.models import Person, Role, Shop

P, T, I, K, A, M, D = (  # noqa: E741
    Role.PLANNER, Role.TECHNICIAN, Role.INSPECTOR, Role.KEEPER, Role.AUDITOR, Role.MANAGER, Role.ADMINISTRATOR
)  # fmt: skip

ACTIONS: dict[str, tuple[str, frozenset[str]]] = {
    "see-work": ("see the shop's work", frozenset({P, T, I, K, A, M, D})),
    "request-order": ("request a work order", frozenset({P, M})),
    "plan-order": ("plan a work order", frozenset({P})),
    "see-plan": ("see the shop's plan", frozenset({P, T, I, K, A, M, D})),
    "take-calendar": ("take the plan into a calendar program", frozenset({P, T, I, K, M, D})),
    "plan-shop": ("make, change and accept the shop's plan", frozenset({P})),
    "keep-calendars": ("keep bays, shifts and days without shifts", frozenset({P, M, D})),
    "enter-absence": ("enter and import absences", frozenset({P, K, M})),
    "release-order": ("release a work order to the floor", frozenset({P})),
    "hold-order": ("hold a work order or let it go on", frozenset({P, T, I, M})),
    "cancel-order": ("cancel a work order", frozenset({P, M})),
    "start-order": ("start work on a work order", frozenset({T})),
    "do-step": ("do the steps of a work order", frozenset({T, I})),
    "upload-trace": ("upload a trace", frozenset({T, I})),
    "raise-finding": ("raise a finding", frozenset({T, I, M})),
    "decide-finding": ("decide about a finding", frozenset({I, M})),
    "reopen-order": ("reopen a closed work order", frozenset({M})),
    "release-hold-point": ("release a hold point", frozenset({I})),
    "sign-performed": ("sign that the work was performed", frozenset({T})),
    "sign-verified": ("sign that the work was verified", frozenset({I})),
    "sign-released": ("sign the unit released to service", frozenset({M})),
    "render-card": ("ask for a job card", frozenset({P, T, I, M})),
    "keep-instruments": ("enter calibrations and withdraw instruments", frozenset({K})),
    "read-history": ("read the shop's history", frozenset({A, M, I, K, D})),
    "export-history": ("export the shop's history", frozenset({A, M, D})),
    "verify-ledger": ("verify the ledger of the shop", frozenset({A, M, D})),
    "keep-fleet": ("add units and engines, and record where an engine is", frozenset({P, D})),
    "keep-people": ("keep people, roles and qualifications", frozenset({D})),
    "keep-procedures": ("issue procedures and engine types", frozenset({D})),
}


def may(person: Person, action: str) -> bool:
    """Whether the person's roles today allow the action; raises KeyError for an action not in the table."""
    _, roles = ACTIONS[action]
    return person.is_active and not roles.isdisjoint(person.roles)


def require(person: Person | System, action: str) -> None:
    """Raise `WrongPerson` with a sentence when the person may not do it; Midflank itself always may."""
    if isinstance(person, System) or may(person, action):
        return
    doing, roles = ACTIONS[action]
    wanted = " or ".join(sorted(Role(role).label for role in roles))
    held = ", ".join(sorted(Role(role).label for role in person.roles)) or "no role today"
    article = "an" if wanted[0] in "aeiou" else "a"
    raise WrongPerson(f"Only {article} {wanted} may {doing}. {person.name} holds: {held}.")


def require_shop(person: Person | System, shop: Shop) -> None:
    """Raise `WrongPerson` when the person would change what belongs to another shop."""
    if isinstance(person, Person) and person.shop_id != shop.pk:
        raise WrongPerson(f"This belongs to {shop.name}; {person.name} works for {person.shop.name}.")


def acting(person: Person | System) -> list[Person]:
    """The acting person as something a ledger entry is about; nobody, when Midflank itself acted."""
    return [person] if isinstance(person, Person) else []
