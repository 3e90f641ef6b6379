"""Who or what is meant by a word in a file or a form: people, places and instruments of one shop by their names."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from jobs.people.models import Person, Shop
from jobs.planning.models import Place
from jobs.planning.rules.absences import Subject
from jobs.tooling.models import Instrument


class NotFound(LookupError):
    """Nobody and nothing of the shop is called so, or several are; the message is a sentence."""


class Directory:
    """The subjects of a shop by every word they go by: user name and name, place name, asset number."""

    def __init__(self, subjects: Iterable[Subject]) -> None:
        self._found: dict[str, list[Subject]] = {}
        for subject in subjects:
            for word in _words(subject):
                held = self._found.setdefault(_key(word), [])
                if subject not in held:
                    held.append(subject)

    def find(self, word: str) -> Subject:
        """Raises `NotFound`."""
        if not _key(word):
            raise NotFound("It does not say who or what is away.")
        held = self._found.get(_key(word), [])
        if not held:
            raise NotFound(
                f"Nobody and nothing in the shop is called “{_short(word)}”. Write a user name, a name, a bay or an "
                "asset number."
            )
        if len(held) > 1:
            names = " or ".join(sorted(_words(one)[0] for one in held))
            raise NotFound(f"“{_short(word)}” may be {names}; write that.")
        return held[0]


def of_shop(shop: Shop) -> Directory:
    """Everybody and everything of a shop that can be away."""
    return Directory(subjects_of(shop))


def subjects_of(shop: Shop) -> list[Subject]:
    people: Sequence[Subject] = list(Person.objects.filter(shop=shop, is_active=True).order_by("name"))
    places: Sequence[Subject] = list(Place.objects.filter(shop=shop))
    instruments: Sequence[Subject] = list(Instrument.objects.filter(shop=shop).order_by("asset_number"))
    return [*people, *places, *instruments]


def _words(subject: Subject) -> list[str]:
    if isinstance(subject, Person):
        return [subject.username, subject.name]
    return [subject.asset_number] if isinstance(subject, Instrument) else [subject.name]


def _key(word: str) -> str:
    return " ".join(word.split()).casefold()


def _short(word: str) -> str:
    tidy = " ".join(word.split())
    return tidy if len(tidy) <= 40 else f"{tidy[:39]}…"
