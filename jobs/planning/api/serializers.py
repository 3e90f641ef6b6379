"""The facts of a plan, given out and taken in over the API."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from jobs.people import policies
from jobs.people.models import Person
from jobs.planning import facts
from jobs.planning.models import Absence, Holiday, Place, Rota, ShiftPattern, ShiftSpan
from jobs.planning.shifts import Shift
from jobs.web.serializers import Input, Instant, Named, RecordSerializer


class AbsenceSerializer(RecordSerializer):
    """A person, place or instrument that is not there; exactly one of the three is given.

    Why a person is away is told only to those who enter absences, and to that person.
    """

    person = Named("username", allow_null=True)
    place = Named("name", allow_null=True)
    instrument = Named("asset_number", allow_null=True)
    entered_by = Named("username", allow_null=True)
    withdrawn_by = Named("username", allow_null=True)
    reason = serializers.SerializerMethodField()

    class Meta:
        model = Absence
        fields = [
            "id",
            "person",
            "place",
            "instrument",
            "starts_at",
            "ends_at",
            "reason",
            "source",
            "uid",
            "entered_by",
            "entered_at",
            "withdrawn_by",
            "withdrawn_at",
        ]

    def get_reason(self, absence: Absence) -> str:
        """Empty also where it is not told."""
        reader = self.context["request"].user
        told = isinstance(reader, Person) and policies.may(reader, "enter-absence")
        return absence.reason if told or absence.person_id in (None, reader.pk) else ""


class PlaceSerializer(RecordSerializer):
    """A bay or crane; without a pattern it is open at every hour."""

    pattern = Named("name", allow_null=True)

    class Meta:
        model = Place
        fields = ["id", "kind", "name", "pattern", "pattern_id", "usable_from", "usable_until"]


class ShiftSerializer(RecordSerializer):
    """One shift: week from 1, weekday from Monday 0, start on the shop's clock, length in minutes."""

    class Meta:
        model = ShiftSpan
        fields = ["week", "weekday", "starts", "minutes"]


class ShiftPatternSerializer(RecordSerializer):
    """Shifts that come again after some weeks."""

    shifts = serializers.SerializerMethodField()

    class Meta:
        model = ShiftPattern
        fields = ["id", "name", "weeks", "shifts"]

    def get_shifts(self, pattern: ShiftPattern) -> list[dict[str, Any]]:
        """The shifts from the first Monday on."""
        return [
            {"week": one.week, "weekday": one.weekday, "starts": f"{one.starts:%H:%M}", "minutes": one.minutes}
            for one in facts.shifts_of(pattern)
        ]


class RotaSerializer(RecordSerializer):
    """Which pattern a person works, from a day until a day, both with."""

    person = Named("username")
    pattern = Named("name")

    class Meta:
        model = Rota
        fields = ["id", "person", "person_id", "pattern", "pattern_id", "valid_from", "valid_until", "first_week"]


class HolidaySerializer(RecordSerializer):
    """A day on which no shift of the shop begins."""

    class Meta:
        model = Holiday
        fields = ["id", "day", "name"]


class EnterAbsenceInput(Input):
    """Who or what is away: a user name, a name, a bay or crane, or an asset number."""

    who = serializers.CharField(max_length=200)
    starts_at = Instant()
    ends_at = Instant(required=False, allow_null=True, help_text="Empty: until further notice.")
    reason = serializers.CharField(required=False, allow_blank=True)


class PatternField(serializers.PrimaryKeyRelatedField[ShiftPattern]):
    """A shift pattern of one's own shop, by its id."""

    def get_queryset(self) -> Any:
        person = self.context.get("person")
        return facts.patterns_of(person) if isinstance(person, Person) else ShiftPattern.objects.none()


class PersonField(serializers.SlugRelatedField[Person]):
    """Somebody of one's own shop, by user name."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(slug_field="username", queryset=Person.objects.none(), **kwargs)

    def get_queryset(self) -> Any:
        person = self.context.get("person")
        return Person.objects.filter(shop=person.shop) if isinstance(person, Person) else Person.objects.none()


class AddPlaceInput(Input):
    """A bay or crane."""

    kind = serializers.ChoiceField(choices=Place.Kind.choices)
    name = serializers.CharField()
    pattern = PatternField(required=False, allow_null=True, queryset=ShiftPattern.objects.none())
    usable_from = serializers.DateField(required=False, allow_null=True)
    usable_until = serializers.DateField(required=False, allow_null=True)


class ShiftInput(Input):
    """One shift: week from 1, weekday from Monday 0, start on the shop's clock, length in minutes."""

    week = serializers.IntegerField()
    weekday = serializers.IntegerField()
    starts = serializers.TimeField(input_formats=["%H:%M"])
    minutes = serializers.IntegerField()


class AddPatternInput(Input):
    """Shifts that come again after some weeks."""

    name = serializers.CharField()
    weeks = serializers.IntegerField()
    shifts = ShiftInput(many=True)

    def validate_shifts(self, value: list[dict[str, Any]]) -> list[Shift]:
        return [Shift(**one) for one in value]


class GiveRotaInput(Input):
    """Which pattern a person works, from a day until a day, both with."""

    person = PersonField()
    pattern = PatternField(queryset=ShiftPattern.objects.none())
    valid_from = serializers.DateField()
    valid_until = serializers.DateField(required=False, allow_null=True)
    first_week = serializers.IntegerField(required=False)


class AddHolidayInput(Input):
    """A day on which no shift of the shop begins."""

    day = serializers.DateField()
    name = serializers.CharField()
