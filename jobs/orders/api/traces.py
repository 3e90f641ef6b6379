"""Traces: handed in at a step, analysed by a worker, looked at and taken out again."""

from __future__ import annotations

from typing import Any, BinaryIO

from django.conf import settings
from django.db.models import QuerySet
from django.http import FileResponse
from django.urls import reverse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.errors import NotAllowed, Reason
from jobs.orders import actions, inputs, queries, storage
from jobs.orders.api.filters import TraceFilter
from jobs.orders.models import Photo, Trace
from jobs.orders.serializers import TraceDetailSerializer, TraceSerializer
from jobs.orders.watching import errand_of
from jobs.people.shopviews import ENVELOPE_BYTES, AnyMedia, ShopRecords, ShopView, errand_address
from jobs.web.serializers import Nothing


class UploadedTraceSerializer(TraceSerializer):
    """A trace, and the address of the errand that analyses it."""

    errand = serializers.SerializerMethodField()

    class Meta(TraceSerializer.Meta):
        fields = [*TraceSerializer.Meta.fields, "errand"]

    def get_errand(self, trace: Trace) -> str | None:
        """Where to watch the newest analysis of it."""
        errand = errand_of(trace)
        return errand_address(errand.pk) if errand else None


def monitored(body: dict[str, Any], *, location: str) -> Response:
    """202: kept, and a worker will look at it; the errand to watch stands in body and Link header."""
    headers = {"Location": location, "Link": f'<{body["errand"]}>; rel="monitor"'}
    return Response(body, status=202, headers=headers)


class TraceUploadView(ShopView):
    """The traces handed in at one step."""

    queryset = Trace.objects.none()
    serializer_class = UploadedTraceSerializer
    parser_classes = [MultiPartParser]
    requires = {"post": "upload-trace"}
    inputs = {"post": inputs.TraceInput}

    def body_limit(self) -> int:
        return ENVELOPE_BYTES + int(settings.TRACE_MAX_BYTES)

    @extend_schema(responses={202: UploadedTraceSerializer, 200: UploadedTraceSerializer})
    def post(self, request: Request, pk: int, position: int) -> Response:
        """Hand in a trace: 202 with the errand to watch, or 200 when this step has these bytes already."""
        step = queries.step_for(self.person, pk, position)
        values = self.taken()
        name = values["file"].name
        trace, is_new = actions.upload_trace(step, **values, filename=name, by=self.person, at=self.now())
        shown = UploadedTraceSerializer(queries.trace_for(self.person, trace.pk)).data
        if not is_new:
            return Response(shown)
        return monitored(shown, location=reverse("api:trace-detail", args=[trace.pk]))


class HandReadingsView(ShopView):
    """Readings taken by hand at one step, where there is no encoder."""

    queryset = Trace.objects.none()
    serializer_class = UploadedTraceSerializer
    requires = {"post": "upload-trace"}
    inputs = {"post": inputs.HandInput}

    @extend_schema(responses={202: UploadedTraceSerializer, 200: UploadedTraceSerializer})
    def post(self, request: Request, pk: int, position: int) -> Response:
        """Hand in readings: 202 with the errand to watch, or 200 when this step has the same readings already."""
        step = queries.step_for(self.person, pk, position)
        values = self.taken()
        typed = actions.Typed(
            pairs=[actions.TypedPair(**pair) for pair in values.pop("pairs")],
            dial_unit=values.pop("dial_unit"),
            angle_step=values.pop("angle_step"),
            crest_dial=values.pop("crest_dial", ""),
        )
        trace, is_new = actions.hand_in_readings(step, typed=typed, **values, by=self.person, at=self.now())
        shown = UploadedTraceSerializer(queries.trace_for(self.person, trace.pk)).data
        if not is_new:
            return Response(shown)
        return monitored(shown, location=reverse("api:trace-detail", args=[trace.pk]))


class TraceViewSet(ShopRecords):
    """The traces of the shop, newest first."""

    lookup_value_converter = "uuid"
    queryset = Trace.objects.none()
    serializer_class = TraceSerializer
    filterset_class = TraceFilter
    requires = {"analyse": "upload-trace"}
    inputs = {"analyse": Nothing}

    def get_queryset(self) -> QuerySet[Trace]:
        related = ("work_order", "step", "bytes", "probe", "encoder", "uploaded_by")
        traces = Trace.objects.filter(work_order__shop=self.person.shop_id).select_related(*related)
        return traces.prefetch_related("analyses").order_by("-uploaded_at", "pk")

    def get_serializer_class(self) -> type[TraceSerializer]:
        return TraceSerializer if self.action == "list" else TraceDetailSerializer

    @extend_schema(
        responses={202: inline_serializer("AskedErrand", {"errand": serializers.CharField(read_only=True)})}
    )
    @action(detail=True, methods=["post"])
    def analyse(self, request: Request, pk: Any) -> Response:
        """Ask a worker to analyse the trace again."""
        trace = queries.trace_for(self.person, pk)
        self.taken()
        errand = actions.analyse_again(trace, by=self.person, at=self.now())
        address = errand_address(errand.pk)
        return monitored({"errand": address}, location=address)


def opened(store: storage.Store, sha256: str) -> BinaryIO:
    """The stored bytes, proved to be what was handed in; `NotAllowed` when they are not."""
    try:
        return store.opened(sha256)
    except storage.StorageError as error:
        raise NotAllowed([Reason("bytes-lost", f"{error} Restore it from a back-up.")]) from None


class TraceFileView(ShopView):
    """The bytes of a trace, as they were handed in."""

    content_negotiation_class = AnyMedia

    @extend_schema(responses={(200, "application/octet-stream"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: Any) -> FileResponse:
        trace = queries.trace_for(self.person, pk)
        file = opened(storage.traces(), trace.bytes_id)
        return FileResponse(
            file, as_attachment=True, filename=trace.filename, content_type="application/octet-stream"
        )


class PhotoFileView(ShopView):
    """The bytes of a photo."""

    content_negotiation_class = AnyMedia
    queryset = Photo.objects.none()

    @extend_schema(responses={(200, "image/*"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: int) -> FileResponse:
        photo = queries.photo_for(self.person, pk)
        file = opened(storage.photos(), photo.sha256)
        return FileResponse(file, filename=photo.filename, content_type=photo.media_type)
