"""Instruments and calibrations, given out and taken in over the API."""

from __future__ import annotations

from rest_framework import serializers

from jobs.tooling.models import Calibration, Instrument
from jobs.web.serializers import Input, Named, RecordSerializer


class InstrumentSerializer(RecordSerializer):
    """An instrument, with the last day on which it may be used."""

    class Meta:
        model = Instrument
        fields = [
            "id",
            "asset_number",
            "kind",
            "maker",
            "serial",
            "range_low",
            "range_high",
            "range_unit",
            "state",
            "state_reason",
            "due_on",
        ]


class CalibrationSerializer(RecordSerializer):
    """A calibration of an instrument: what was found, what was left, until when it holds."""

    instrument = Named("asset_number")
    recorded_by = Named("username", allow_null=True)

    class Meta:
        model = Calibration
        fields = [
            "id",
            "instrument",
            "instrument_id",
            "performed_on",
            "performed_by",
            "certificate",
            "as_found",
            "as_left",
            "valid_until",
            "probe_calibration",
            "standard_uncertainty",
            "note",
            "recorded_by",
            "recorded_at",
        ]


class AddInstrumentInput(Input):
    """An instrument by its asset number."""

    asset_number = serializers.CharField()
    kind = serializers.ChoiceField(choices=Instrument.Kind.choices)
    maker = serializers.CharField(required=False, allow_blank=True)
    serial = serializers.CharField(required=False, allow_blank=True)
    range_low = serializers.FloatField(required=False, allow_null=True)
    range_high = serializers.FloatField(required=False, allow_null=True)
    range_unit = serializers.CharField(required=False, allow_blank=True)


class CalibrationInput(Input):
    """A calibration as its certificate says."""

    performed_on = serializers.DateField()
    performed_by = serializers.CharField()
    certificate = serializers.CharField()
    as_found = serializers.ChoiceField(choices=Calibration.Verdict.choices)
    as_left = serializers.ChoiceField(choices=Calibration.Verdict.choices)
    valid_until = serializers.DateField()
    probe_calibration = serializers.DictField(
        required=False, allow_null=True, help_text="`probe_calibration` of the timing spec."
    )
    standard_uncertainty = serializers.FloatField(required=False, allow_null=True)
    note = serializers.CharField(required=False, allow_blank=True)


class WhyInput(Input):
    """Why."""

    reason = serializers.CharField(allow_blank=True)
