"""What an entry can be about: each room registers its nouns, so that history can link to their pages."""

from __future__ import annotations

import builtins
from collections.abc import Callable
from dataclasses import dataclass

from django.db import models


class UnknownSubject(LookupError):
    """An entry about a noun that no room registered."""


@dataclass(frozen=True)
class Noun:
    """A noun of the history: its type code, plural title, the address an entry leads to, and the record's own page.

    `page` is None for a noun that has no page beside its history.
    """

    type: str
    title: str
    model: builtins.type[models.Model]
    address: Callable[[str], str]
    page: Callable[[str], str] | None = None


_NOUNS: dict[str, Noun] = {}


def register(
    model: type[models.Model],
    title: str,
    *,
    address: Callable[[str], str],
    page: Callable[[str], str] | None = None,
) -> None:
    """Register a model as a noun of the history; `address` and `page` give addresses for a primary key."""
    type_ = model._meta.label_lower
    _NOUNS[type_] = Noun(type_, title, model, address, page)


def register_page(model: type[models.Model], title: str, page: Callable[[str], str]) -> None:
    """Register a noun whose entries lead to the record's own page."""
    register(model, title, address=page, page=page)


def name_of(thing: models.Model) -> tuple[str, str]:
    """(type, key) of a saved object; raises `UnknownSubject` for a model nobody registered."""
    type_ = thing._meta.label_lower
    if type_ not in _NOUNS:
        raise UnknownSubject(f"{type_} is not registered as a noun of the history")
    if thing.pk is None:
        raise UnknownSubject(f"this {type_} is not saved yet")
    return type_, str(thing.pk)


def noun(type_: str) -> Noun:
    """The noun of a type code; raises `UnknownSubject`."""
    try:
        return _NOUNS[type_]
    except KeyError:
        raise UnknownSubject(f"{type_} is not registered as a noun of the history") from None


def every() -> list[Noun]:
    """All nouns, by title."""
    return sorted(_NOUNS.values(), key=lambda noun: noun.title)
