"""Work orders, steps, traces and findings as the API gives them out."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from jobs.orders.models import (
    Acknowledgement,
    Analysis,
    Finding,
    OrderStep,
    Photo,
    Procedure,
    Reading,
    Trace,
    WorkOrder,
)
from jobs.web.serializers import Exact, Key, Named, RecordSerializer


class OrderSerializer(RecordSerializer):
    """A work order without its steps."""

    unit = Named("number")
    engine = Named("serial")
    engine_type = serializers.CharField(source="engine.engine_type.code", read_only=True)
    engine_type_revision = serializers.IntegerField(
        source="engine_type_revision.number", read_only=True, allow_null=True, default=None
    )
    procedure = Named("code")
    procedure_revision = serializers.IntegerField(
        source="procedure_revision.number", read_only=True, allow_null=True, default=None
    )
    technician = Named("username", allow_null=True)
    inspector = Named("username", allow_null=True)
    requested_by = Named("username")

    class Meta:
        model = WorkOrder
        fields = [
            "id",
            "number",
            "state",
            "revision",
            "unit",
            "unit_id",
            "engine",
            "engine_id",
            "engine_type",
            "engine_type_revision",
            "procedure",
            "procedure_revision",
            "reason",
            "reason_note",
            "priority",
            "needed_by",
            "held_from",
            "held_reason",
            "cancelled_reason",
            "bay",
            "planned_start",
            "planned_end",
            "promised_at",
            "technician",
            "inspector",
            "requested_by",
            "requested_at",
            "released_at",
            "started_at",
            "closed_at",
        ]


class OrderDetailSerializer(OrderSerializer):
    """A work order with the timing spec frozen at release."""

    class Meta(OrderSerializer.Meta):
        fields = [*OrderSerializer.Meta.fields, "spec"]


class ReadingSerializer(RecordSerializer):
    """A reading: as typed, and in the stored unit with the limits that held then."""

    instrument = Named("asset_number", allow_null=True)
    by = Named("username")

    class Meta:
        model = Reading
        fields = [
            "id",
            "point",
            "entered",
            "entered_unit",
            "value",
            "unit",
            "low",
            "high",
            "within",
            "instrument",
            "by",
            "at",
            "superseded_at",
            "supersedes",
            "correction_reason",
        ]


class PhotoSerializer(RecordSerializer):
    """A photo, by the SHA-256 of its bytes."""

    by = Named("username")

    class Meta:
        model = Photo
        fields = ["id", "filename", "media_type", "size_bytes", "sha256", "by", "at"]


class FindingSerializer(RecordSerializer):
    """A finding, and what was decided about it."""

    order = Key(source="work_order")
    order_number = serializers.CharField(source="work_order.number", read_only=True)
    step = serializers.IntegerField(source="step.position", read_only=True, allow_null=True, default=None)
    raised_by = Named("username", allow_null=True)
    decided_by = Named("username", allow_null=True)

    class Meta:
        model = Finding
        fields = [
            "id",
            "order",
            "order_number",
            "number",
            "step",
            "reading",
            "kind",
            "text",
            "raised_by",
            "raised_at",
            "decision",
            "decision_reason",
            "decided_by",
            "decided_at",
        ]


class AnalysisSerializer(RecordSerializer):
    """One analysis of a trace, with the figures that count; angles in crank degrees."""

    superseded = serializers.SerializerMethodField()

    class Meta:
        model = Analysis
        fields = [
            "number",
            "outcome",
            "verdict",
            "reference_deg",
            "deviation_deg",
            "expanded_uncertainty_deg",
            "hysteresis_deg",
            "analysis_version",
            "input_sha256",
            "spec_sha256",
            "made_at",
            "superseded",
        ]

    def get_superseded(self, analysis: Analysis) -> bool:
        """Whether a later analysis took its place."""
        return analysis.number < max(one.number for one in analysis.trace.analyses.all())


class AnalysisDetailSerializer(AnalysisSerializer):
    """An analysis with the whole result or refusal, and all that it stands on."""

    class Meta(AnalysisSerializer.Meta):
        fields = [*AnalysisSerializer.Meta.fields, "result", "spec", "calibrations"]


class TraceSerializer(RecordSerializer):
    """A trace as it was handed in, with the analysis that counts, or null while there is none."""

    order = Key(source="work_order")
    order_number = serializers.CharField(source="work_order.number", read_only=True)
    step = serializers.IntegerField(source="step.position", read_only=True)
    sha256 = serializers.CharField(source="bytes_id", read_only=True)
    size_bytes = serializers.IntegerField(source="bytes.size_bytes", read_only=True)
    probe = Named("asset_number")
    encoder = Named("asset_number", allow_null=True)
    uploaded_by = Named("username")
    latest_analysis = serializers.SerializerMethodField()

    class Meta:
        model = Trace
        fields = [
            "id",
            "order",
            "order_number",
            "step",
            "stage",
            "form",
            "filename",
            "sha256",
            "size_bytes",
            "probe",
            "encoder",
            "uploaded_by",
            "uploaded_at",
            "failure",
            "latest_analysis",
        ]

    @extend_schema_field(AnalysisSerializer(allow_null=True))
    def get_latest_analysis(self, trace: Trace) -> dict[str, Any] | None:
        analyses = list(trace.analyses.all())
        return AnalysisSerializer(analyses[-1]).data if analyses else None


class TraceDetailSerializer(TraceSerializer):
    """A trace with every analysis made of it."""

    analyses = AnalysisDetailSerializer(many=True, read_only=True)

    class Meta(TraceSerializer.Meta):
        fields = [*TraceSerializer.Meta.fields, "analyses"]


class AcknowledgementSerializer(RecordSerializer):
    """A person's acknowledgement of a caution."""

    person = Named("username")

    class Meta:
        model = Acknowledgement
        fields = ["person", "at"]


class StepSerializer(RecordSerializer):
    """A step with what to do, within which limits, and everything recorded at it."""

    phase = serializers.CharField(source="definition.phase", read_only=True)
    kind = serializers.CharField(source="definition.kind", read_only=True)
    title = serializers.CharField(source="definition.title", read_only=True)
    instruction = serializers.CharField(source="definition.instruction", read_only=True)
    signal_word = serializers.CharField(source="definition.signal_word", read_only=True)
    hazard = serializers.CharField(source="definition.hazard", read_only=True)
    consequence = serializers.CharField(source="definition.consequence", read_only=True)
    avoidance = serializers.CharField(source="definition.avoidance", read_only=True)
    quantity = serializers.CharField(source="definition.quantity", read_only=True)
    unit = serializers.CharField(source="definition.unit", read_only=True)
    low = Exact(source="definition.low", max_digits=12, decimal_places=4, read_only=True, allow_null=True)
    high = Exact(source="definition.high", max_digits=12, decimal_places=4, read_only=True, allow_null=True)
    points = serializers.ListField(
        source="definition.points", child=serializers.CharField(), read_only=True
    )
    instrument_kinds = serializers.ListField(
        source="definition.instrument_kinds", child=serializers.CharField(), read_only=True
    )
    stage = serializers.CharField(source="definition.stage", read_only=True)
    skill = serializers.CharField(source="definition.skill.code", read_only=True)
    optional_when = serializers.CharField(source="definition.optional_when", read_only=True)
    done_by = Named("username", allow_null=True)
    acknowledgements = AcknowledgementSerializer(many=True, read_only=True)
    readings = ReadingSerializer(source="counting_readings", many=True, read_only=True)
    photos = PhotoSerializer(many=True, read_only=True)
    findings = FindingSerializer(many=True, read_only=True)
    traces = TraceSerializer(many=True, read_only=True)

    class Meta:
        model = OrderStep
        fields = [
            "position",
            "state",
            "phase",
            "kind",
            "title",
            "instruction",
            "signal_word",
            "hazard",
            "consequence",
            "avoidance",
            "quantity",
            "unit",
            "low",
            "high",
            "points",
            "instrument_kinds",
            "stage",
            "skill",
            "optional_when",
            "done_by",
            "done_at",
            "note",
            "acknowledgements",
            "readings",
            "photos",
            "findings",
            "traces",
        ]


class ProcedureSerializer(RecordSerializer):
    """A procedure and the number of its newest issued revision."""

    issued_revision = serializers.SerializerMethodField()

    class Meta:
        model = Procedure
        fields = ["id", "code", "title", "issued_revision"]

    def get_issued_revision(self, procedure: Procedure) -> int | None:
        numbers = [one.number for one in procedure.revisions.all() if one.issued_at is not None]
        return max(numbers, default=None)
