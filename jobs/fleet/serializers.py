"""Units, engines and engine types as the API gives them out."""

from __future__ import annotations

from rest_framework import serializers

from jobs.fleet.models import Engine, EngineType, EngineTypeRevision, Installation, Unit
from jobs.web.serializers import Input, Named, RecordSerializer


class InstallationSerializer(RecordSerializer):
    """An engine in a unit, from a day until a day, or still."""

    engine = Named("serial")
    unit = Named("number")

    class Meta:
        model = Installation
        fields = ["engine", "engine_id", "unit", "unit_id", "from_on", "until_on"]


class UnitSerializer(RecordSerializer):
    """A unit, and the engines it had, the present one first."""

    home_shop = Named("code")
    installations = InstallationSerializer(many=True, read_only=True)

    class Meta:
        model = Unit
        fields = ["id", "number", "unit_class", "home_shop", "installations"]


class EngineSerializer(RecordSerializer):
    """An engine, and the units it was in, the present one first."""

    engine_type = Named("code")
    installations = InstallationSerializer(many=True, read_only=True)

    class Meta:
        model = Engine
        fields = ["id", "serial", "engine_type", "installations"]


class EngineTypeRevisionSerializer(RecordSerializer):
    """A revision of an engine type, immutable once issued."""

    datum_in_words = serializers.CharField(read_only=True)

    class Meta:
        model = EngineTypeRevision
        fields = [
            "number",
            "issued_at",
            "cycle",
            "layout",
            "cylinders",
            "firing_order",
            "convention",
            "rotation",
            "viewing_end",
            "reference_cylinder",
            "datum_note",
            "datum_in_words",
            "hysteresis_limit_deg",
            "spec",
            "change_note",
        ]


class EngineTypeSerializer(RecordSerializer):
    """An engine type with its revisions, newest first."""

    revisions = EngineTypeRevisionSerializer(many=True, read_only=True)

    class Meta:
        model = EngineType
        fields = ["id", "code", "title", "revisions"]


class AddUnitInput(Input):
    """A unit by its running number; its home is the shop of the one who adds it."""

    number = serializers.CharField()
    unit_class = serializers.CharField()


class AddEngineInput(Input):
    """An engine by its serial number, and the code of its type."""

    serial = serializers.CharField()
    engine_type = serializers.SlugRelatedField(slug_field="code", queryset=EngineType.objects.all())


class InstallInput(Input):
    """Into which unit, and on which day."""

    unit = serializers.PrimaryKeyRelatedField(queryset=Unit.objects.all())
    from_on = serializers.DateField()


class RemoveInput(Input):
    """On which day it was taken out."""

    until_on = serializers.DateField()
