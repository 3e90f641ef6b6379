"""The history as an auditor reads it: entries of the shop's own ledger, by what they are about."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import QuerySet
from django.http import Http404

from jobs.fleet.models import Engine, Unit
from jobs.ledger import kinds, subjects
from jobs.ledger.models import Entry, Subject
from jobs.ledger.queries import about, of_chain
from jobs.orders.models import InstrumentUse
from jobs.people.models import Person

# Nouns that the whole railway may look up; their entries still come from one's own shop only.
RAILWAY_WIDE = {"fleet.unit", "fleet.engine", "fleet.enginetyperevision", "orders.procedurerevision"}


@dataclass(frozen=True)
class Link:
    """A thing an entry is about, as a link."""

    title: str
    label: str
    address: str


@dataclass(frozen=True)
class Line:
    """An entry with the words and links that a page shows of it."""

    entry: Entry
    kind: str
    group: str
    links: tuple[Link, ...]


def entries_for(person: Person) -> QuerySet[Entry]:
    """The history of one's own shop, newest first."""
    return of_chain(person.shop.code)


def entries_about(person: Person, type_: str, key: str) -> QuerySet[Entry]:
    """The part of one's own shop's history that is about one thing."""
    return about(type_, key).filter(chain_id=person.shop.code)


def thing_for(person: Person, type_: str, key: str) -> models.Model:
    """The thing itself; Http404 when there is none, or when it is another shop's."""
    try:
        thing = subjects.noun(type_).model._default_manager.get(pk=key)
    except (subjects.UnknownSubject, models.ObjectDoesNotExist, ValueError, ValidationError) as error:
        raise Http404("There is no such thing in your shop.") from error
    if type_ not in RAILWAY_WIDE and _shop_id(thing) != person.shop_id:
        raise Http404("There is no such thing in your shop.")
    return thing


def _shop_id(thing: Any) -> int | None:
    for path in ("shop_id", "work_order.shop_id", "instrument.shop_id"):
        found = thing
        for name in path.split("."):
            found = getattr(found, name, None)
        if found is not None:
            return int(found)
    return None


def lines(entries: Iterable[Entry]) -> list[Line]:
    """Entries with their links; one query for the subjects and one for each kind of noun among them."""
    listed = list(entries)
    models.prefetch_related_objects(listed, "subjects")
    labels = _labels(subject for entry in listed for subject in entry.subjects.all())
    return [
        Line(
            entry,
            kinds.get(entry.kind).title,
            kinds.GROUPS[kinds.get(entry.kind).group],
            tuple(_link(subject, labels) for subject in entry.subjects.all()),
        )
        for entry in listed
    ]


_RELATED = {
    "signoffs.signoff": ["work_order"],
    "signoffs.jobcard": ["work_order"],
    "tooling.calibration": ["instrument"],
    "fleet.enginetyperevision": ["engine_type"],
    "orders.procedurerevision": ["procedure"],
}


def _labels(named: Iterable[Subject]) -> dict[tuple[str, str], str]:
    wanted: dict[str, set[str]] = {}
    for subject in named:
        wanted.setdefault(subject.type, set()).add(subject.key)
    labels = {}
    for type_, keys in wanted.items():
        found = subjects.noun(type_).model._default_manager.filter(pk__in=keys)
        for thing in found.select_related(*_RELATED.get(type_, [])) if type_ in _RELATED else found:
            labels[type_, str(thing.pk)] = str(thing)
    return labels


def _link(subject: Subject, labels: dict[tuple[str, str], str]) -> Link:
    noun = subjects.noun(subject.type)
    label = labels.get((subject.type, subject.key), subject.key)
    return Link(noun.title, label, noun.address(subject.key))


def relied_on(person: Person, thing: models.Model) -> QuerySet[InstrumentUse]:
    """The instruments, with the calibration that held then, on which jobs on a unit or engine leaned."""
    uses = InstrumentUse.objects.filter(work_order__shop=person.shop)
    if isinstance(thing, Unit):
        uses = uses.filter(work_order__unit=thing)
    elif isinstance(thing, Engine):
        uses = uses.filter(work_order__engine=thing)
    else:
        return uses.none()
    return uses.select_related("instrument", "calibration", "work_order", "step__definition", "by").order_by("-at")
