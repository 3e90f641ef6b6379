"""What a planner types when asking for plans, saying what went wrong, promising and moving by hand."""

from __future__ import annotations

from typing import Any

from django import forms

from jobs.errors import Reason
from jobs.planning.board import Board
from jobs.planning.boarddata import instant
from jobs.planning.gathering import ShopFacts
from jobs.planning.problem import person_id, place_id
from jobs.tooling.models import Instrument
from jobs.web.forms import PageForm, moment_field

SECONDS = ((3.0, "a few seconds"), (10.0, "ten seconds"), (60.0, "a minute"))


class AskForm(PageForm):
    why = forms.CharField(
        label="Why", max_length=300, required=False, help_text="For whoever reads the versions later."
    )
    seconds = forms.TypedChoiceField(
        label="How long to look for better plans", choices=SECONDS, coerce=float, initial=3.0,
        help_text="A first plan is there at once; longer looking finds better ones.",
    )  # fmt: skip


class TroubleForm(PageForm):
    """A disruption: who or what, from when, how long, why."""

    what = forms.ChoiceField(label="Who or what")
    starts_at = moment_field("From", help_text="Shop time.")
    hours = forms.DecimalField(
        label="For how many hours", required=False, min_value=0, max_value=8760, decimal_places=2, localize=True,
        help_text="Empty: until further notice. For work in hand: how many hours are left of it.",
        error_messages={
            "min_value": "Write how many hours it lasts, or leave it empty until further notice.",
            "max_value": "That is more than a year: leave it empty until further notice.",
        },
    )  # fmt: skip
    reason = forms.CharField(label="Because", max_length=120, required=False)

    def __init__(self, facts: ShopFacts, board: Board, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        in_hand = [key for key, work in board.work.items() if work.state == "started"]
        groups: list[tuple[str, list[tuple[str, str]]]] = [
            ("A person is not there", [(person_id(one.pk), one.name) for one in facts.people]),
            ("An instrument cannot be used", [
                (one.number, f"{one.number}, {Instrument.Kind(one.kind).label}") for one in facts.instruments
            ]),
            ("A bay or crane is closed", [(place_id(one.pk), one.name) for one in facts.places]),
            ("Work in hand takes longer", [(key, board.called(key)) for key in in_hand]),
        ]
        choices: list[Any] = [("", "Choose"), *((title, some) for title, some in groups if some)]
        self.fields["what"].choices = choices  # type: ignore[attr-defined]

    def place_of(self, reason: Reason) -> str:
        return {"who": "what", "ends_at": "hours", "minutes": "hours"}.get(reason.field, reason.field)


class PromiseForm(PageForm):
    promised_at = moment_field("Promised out by", help_text="Told to the unit's owner. Shop time.")


class NoteForm(PageForm):
    note = forms.CharField(
        label="Note", max_length=300, required=False, help_text="For whoever reads the versions later."
    )


class MoveForm(PageForm):
    """A move by hand as a plain form."""

    start = moment_field("Start", help_text="Shop time, in steps of a quarter of an hour.")
    minutes = forms.IntegerField(label="Planned minutes", min_value=0)
    push = forms.BooleanField(label="Move what follows out of the way", required=False, initial=True)
    pin = forms.BooleanField(label="Pin it there", required=False)

    def __init__(self, board: Board, operation: str, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.operation, self.resources = operation, board.stands[operation].resources
        for number, one in enumerate(self.resources):
            kind = board.resources.get(one, {}).get("kind", "")
            same = [key for key, other in board.resources.items() if other["kind"] == kind]
            self.fields[f"resource_{number}"] = forms.ChoiceField(
                label=kind.replace("-", " ").capitalize() or "Resource",
                choices=[(key, board.called(key)) for key in dict.fromkeys([one, *same])],
                initial=one,
            )

    def swap(self) -> dict[str, str]:
        """Old id → new id of what was chosen anew."""
        chosen = {one: self.cleaned_data[f"resource_{number}"] for number, one in enumerate(self.resources)}
        return {old: new for old, new in chosen.items() if old != new}


class BoardMove(forms.Form):
    """What the board's page sends: minutes since 1970, and ids."""

    operation = forms.CharField(max_length=80)
    start = forms.IntegerField(required=False)
    old = forms.CharField(max_length=80, required=False)
    new = forms.CharField(max_length=80, required=False)
    minutes = forms.IntegerField(required=False)
    pin = forms.NullBooleanField(required=False)
    push = forms.NullBooleanField(required=False)
    seen = forms.JSONField(required=False)

    def clean_start(self) -> Any:
        value = self.cleaned_data["start"]
        if value is None:
            return None
        try:
            return instant(value)
        except ValueError as error:
            raise forms.ValidationError("There is no such time.") from error

    def values(self) -> dict[str, Any]:
        """As the action takes them."""
        data = self.cleaned_data
        swap = {data["old"]: data["new"]} if data["old"] and data["new"] and data["old"] != data["new"] else {}
        push = data["push"] is not False
        return {"start": data["start"], "swap": swap, "minutes": data["minutes"], "push": push}

