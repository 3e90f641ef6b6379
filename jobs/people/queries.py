"""Reads about people."""

from __future__ import annotations

from datetime import date

from django.db.models import Q, QuerySet

from jobs.people.models import Person, Qualification, Role, Shop


def qualification_on(person: Person, skill_code: str, day: date) -> Qualification | None:
    """The qualification that holds on a day, or None."""
    return (
        person.qualifications.filter(
            Q(valid_until__isnull=True) | Q(valid_until__gte=day), valid_from__lte=day
        )
        .filter(skill__code=skill_code)
        .select_related("skill")
        .order_by("-valid_from")
        .first()
    )


def people_of(person: Person) -> QuerySet[Person]:
    """The people of one's own shop."""
    return Person.objects.filter(shop=person.shop).prefetch_related("grants")


def qualified(person: Person, skill_code: str, day: date) -> QuerySet[Person]:
    """Active people of the same shop who hold a skill on a day."""
    holds = Q(qualifications__valid_until__isnull=True) | Q(qualifications__valid_until__gte=day)
    return (
        people_of(person)
        .filter(
            holds, is_active=True, qualifications__skill__code=skill_code, qualifications__valid_from__lte=day
        )
        .distinct()
    )


def lasting_administrators(shop: Shop, *, after: date) -> QuerySet[Person]:
    """Active people who are still administrators of a shop after a day."""
    return Person.objects.filter(
        Q(grants__valid_until__isnull=True) | Q(grants__valid_until__gt=after),
        shop=shop,
        is_active=True,
        grants__role=Role.ADMINISTRATOR,
    ).distinct()
