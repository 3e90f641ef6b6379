"""What the actions on work orders take over the API: types and names only; the rules are the actions'."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from jobs.fleet.models import Unit
from jobs.orders.models import Finding, Procedure, WorkOrder
from jobs.orders.rules.hand import SENSES
from jobs.people.models import Person
from jobs.people.queries import people_of
from jobs.tooling.models import Instrument
from jobs.tooling.queries import instruments_of
from jobs.web.serializers import Input, Instant


class NamedField(serializers.SlugRelatedField[Any]):
    """Something named by the name that people know it by; told apart from a value of the wrong type."""

    default_error_messages = {"does_not_exist": "There is no {slug_name} {value} in your shop."}


class OfPerson(NamedField):
    """One of the people of one's own shop, by username."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(slug_field="username", queryset=Person.objects.all(), **kwargs)

    def get_queryset(self) -> QuerySet[Person]:
        person = self.context.get("person")
        return people_of(person) if person else Person.objects.none()


class OfInstrument(NamedField):
    """One of the instruments of one's own shop, by asset number."""

    default_error_messages = {"does_not_exist": "There is no instrument {value} in your shop."}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(slug_field="asset_number", queryset=Instrument.objects.all(), **kwargs)

    def get_queryset(self) -> QuerySet[Instrument]:
        person = self.context.get("person")
        return instruments_of(person) if person else Instrument.objects.none()


class RequestInput(Input):
    """A work order asked for; the engine is the one installed in the unit."""

    unit = serializers.SlugRelatedField(slug_field="number", queryset=Unit.objects.all())
    procedure = serializers.SlugRelatedField(slug_field="code", queryset=Procedure.objects.all())
    reason = serializers.ChoiceField(choices=WorkOrder.Reason.choices)
    reason_note = serializers.CharField(required=False, allow_blank=True)
    priority = serializers.ChoiceField(choices=WorkOrder.Priority.choices, required=False)
    needed_by = Instant(required=False, allow_null=True)


class SeenInput(Input):
    """The order as it was when the person decided; with another revision now, nothing is done (409)."""

    seen_revision = serializers.IntegerField(
        required=False, allow_null=True, min_value=1, help_text="`revision` of the order that was seen."
    )


class PlanInput(SeenInput):
    """Where, when and by whom a work order is done."""

    bay = serializers.CharField()
    planned_start = Instant()
    planned_end = Instant()
    promised_at = Instant(required=False, allow_null=True)
    technician = OfPerson()
    inspector = OfPerson()


class ReasonInput(SeenInput):
    """Why."""

    reason = serializers.CharField(allow_blank=True)


class ReopenInput(Input):
    """Why a closed order is reopened."""

    reason = serializers.CharField(allow_blank=True)


class ConfirmInput(SeenInput):
    """A confirmation, with a note if there is something to say."""

    note = serializers.CharField(required=False, allow_blank=True)


class ValueInput(SeenInput):
    """A value as read, comma or point, in the unit it was read in, and what it was read with."""

    entered = serializers.CharField(max_length=40)
    unit = serializers.CharField(max_length=10)
    instrument = OfInstrument(required=False, allow_null=True)
    also = serializers.ListField(
        child=OfInstrument(), required=False, help_text="What else the step asks for, such as the check standard."
    )
    unit_confirmed = serializers.BooleanField(
        required=False, help_text="True after a refusal with the code unit-suspicion, when the unit is right."
    )


class ReadingInput(ValueInput):
    """A reading at one of the points of a step."""

    point = serializers.CharField(required=False, allow_blank=True)


class CorrectionInput(ValueInput):
    """The right value, and why the first one was not; with `instrument` when it was read again."""

    reason = serializers.CharField(allow_blank=True)
    instrument = OfInstrument(
        required=False, allow_null=True, help_text="When it was read again; without it, a slip of the pen."
    )


class FileField(serializers.FileField):
    """Bytes; an empty file is the action's to refuse, with its own sentence."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"allow_empty_file": True, **kwargs})


class TraceInput(Input):
    """A recording, and the instruments that made it."""

    file = FileField(max_length=200)
    probe = OfInstrument()
    encoder = OfInstrument()
    repeated_because = serializers.CharField(required=False, allow_blank=True)


class PairInput(Input):
    """Equal dial readings either side of the crest, as typed; comma or point."""

    sense = serializers.ChoiceField(choices=[(sense, sense) for sense in SENSES])
    dial = serializers.CharField(max_length=40, allow_blank=True)
    before = serializers.CharField(
        max_length=40, allow_blank=True, help_text="Pointer before the crest in that sense, degrees."
    )
    after = serializers.CharField(max_length=40, allow_blank=True, help_text="Pointer after it, degrees.")


class HandInput(Input):
    """Readings taken by hand, as typed, and the probe whose dial was read."""

    pairs = PairInput(many=True)
    dial_unit = serializers.CharField(max_length=10)
    angle_step = serializers.CharField(
        max_length=40, allow_blank=True, help_text="Smallest division of the pointer's scale, degrees."
    )
    crest_dial = serializers.CharField(
        max_length=40, required=False, allow_blank=True, help_text="Needed unless the datum is a symmetric lobe."
    )
    probe = OfInstrument()
    confirmed = serializers.BooleanField(
        required=False, help_text="True after a refusal for nothing but what looks misread, when it stands as typed."
    )


class PhotoInput(Input):
    """A picture."""

    file = FileField(max_length=200)


class FindingInput(Input):
    """Something that does not conform; `step` is a position, when it belongs to one."""

    text = serializers.CharField(allow_blank=True)
    step = serializers.IntegerField(required=False, allow_null=True, min_value=1)


class DecisionInput(Input):
    """What is to become of a finding, and why."""

    decision = serializers.ChoiceField(choices=[c for c in Finding.Decision.choices if c[0]])
    reason = serializers.CharField(allow_blank=True)
