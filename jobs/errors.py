"""The ways an action says no.

Wrong moment is not wrong person: `NotAllowed` (409) tells every reason why the state of things forbids an
action; `WrongPerson` (403) tells that this person may not do it at all; work of another shop is simply not
found (404). Page and API show the same sentences.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.core.exceptions import NON_FIELD_ERRORS, PermissionDenied, ValidationError
from django.db import models


@dataclass(frozen=True)
class Reason:
    """One reason why something is refused: a stable code, and a sentence a technician can act on."""

    code: str
    sentence: str
    field: str = ""

    def __str__(self) -> str:
        return self.sentence


class Refusal(Exception):
    """Base of what a rule refuses; carries every reason, not only the first."""

    status = 409
    title = "Not allowed now"

    def __init__(self, reasons: Iterable[Reason]) -> None:
        self.reasons = tuple(reasons)
        super().__init__(" ".join(reason.sentence for reason in self.reasons))


class NotAllowed(Refusal):
    """The action is the right one at the wrong moment, or on the wrong thing (409)."""


class BadInput(Refusal):
    """What was typed or sent cannot be taken (422); each reason names its field."""

    status = 422
    title = "Not accepted"


class TooLarge(BadInput):
    """What was sent is larger than this installation takes (413)."""

    status = 413
    title = "Too large"


class WrongPerson(PermissionDenied):
    """This person may not do this, whatever the moment (403)."""

    def __init__(self, sentence: str) -> None:
        self.sentence = sentence
        super().__init__(sentence)


def refuse(reasons: Iterable[Reason], error: type[Refusal] = NotAllowed) -> None:
    """Raise `error` with all of `reasons`; do nothing when there are none."""
    found = tuple(reasons)
    if found:
        raise error(found)


def check_fields(thing: models.Model, *, leave_out: Iterable[str] = ()) -> None:
    """Raise `BadInput` with a sentence for every field of an unsaved or changed object that cannot be stored.

    Both databases then refuse the same values: SQLite would take a text of any length.
    """
    try:
        thing.full_clean(exclude=set(leave_out))
    except ValidationError as error:
        raise BadInput(
            Reason("invalid", sentence, "" if field == NON_FIELD_ERRORS else field)
            for field, sentences in error.message_dict.items()
            for sentence in sentences
        ) from None
