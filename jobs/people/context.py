"""What every page needs to know about who looks at it."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest

from jobs.people.models import Person
from jobs.people.policies import ACTIONS, may


def person_and_shop(request: HttpRequest) -> dict[str, Any]:
    """`person`, `shop` and `may` (a set of action codes) for templates."""
    person = getattr(request, "user", None)
    if not isinstance(person, Person):
        return {"person": None, "shop": None, "may": frozenset()}
    return {
        "person": person,
        "shop": person.shop,
        "may": frozenset(action for action in ACTIONS if may(person, action)),
    }
