"""The steps of a work order: acknowledged, confirmed, measured, each by the person who asks."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.orders import actions, inputs, queries, storage
from jobs.orders.models import OrderStep
from jobs.orders.serializers import StepSerializer
from jobs.people.shopviews import ENVELOPE_BYTES, ShopView

_SHOWN = (
    "acknowledgements__person",
    "findings__work_order",
    "traces__bytes",
    "traces__analyses",
    "traces__work_order",
)


class StepListView(ShopView):
    """The steps of a work order in their sequence, with everything recorded at them."""

    queryset = OrderStep.objects.none()
    serializer_class = StepSerializer
    pagination_class = None
    filter_backends = []

    @extend_schema(responses=StepSerializer(many=True))
    def get(self, request: Request, pk: int) -> Response:
        order = queries.order_for(self.person, pk)
        return Response(StepSerializer(queries.steps_of(order).prefetch_related(*_SHOWN), many=True).data)


class StepView(ShopView):
    """One step; each kind of write is an address below it."""

    queryset = OrderStep.objects.none()
    serializer_class = StepSerializer

    def get(self, request: Request, pk: int, position: int) -> Response:
        return Response(self.shown(pk, position))

    def shown(self, pk: int, position: int) -> dict[str, Any]:
        step = queries.step_for(self.person, pk, position)
        steps: QuerySet[OrderStep] = queries.steps_of(step.work_order).filter(pk=step.pk)
        shown: dict[str, Any] = StepSerializer(steps.prefetch_related(*_SHOWN).get()).data
        return shown


class StepActionView(StepView):
    """What all writes at a step share: find it, do it, show the step as it is then."""

    http_method_names = ["post"]
    requires = {"post": "do-step"}

    def post(self, request: Request, pk: int, position: int) -> Response:
        step = queries.step_for(self.person, pk, position)
        self.act(step, self.taken())
        return Response(self.shown(pk, position))

    def act(self, step: OrderStep, values: dict[str, Any]) -> None:
        raise NotImplementedError


class AcknowledgeView(StepActionView):
    """Acknowledge a caution, for oneself."""

    inputs = {"post": inputs.SeenInput}

    def act(self, step: OrderStep, values: dict[str, Any]) -> None:
        actions.acknowledge_caution(step, **values, by=self.person, at=self.now())


class ConfirmView(StepActionView):
    """Confirm that it is done, or that the verdict of a trace was read."""

    inputs = {"post": inputs.ConfirmInput}

    def act(self, step: OrderStep, values: dict[str, Any]) -> None:
        actions.confirm_step(step, **values, by=self.person, at=self.now())


class ReadingsView(StepActionView):
    """Record a reading."""

    inputs = {"post": inputs.ReadingInput}

    def act(self, step: OrderStep, values: dict[str, Any]) -> None:
        actions.record_reading(step, **values, by=self.person, at=self.now())


class NotNeededView(StepActionView):
    """Say that an optional step is not needed, and why."""

    inputs = {"post": inputs.ReasonInput}

    def act(self, step: OrderStep, values: dict[str, Any]) -> None:
        actions.mark_not_needed(step, **values, by=self.person, at=self.now())


class PhotosView(StepActionView):
    """Add a photo, as the part `file` of a multipart body."""

    parser_classes = [MultiPartParser]
    inputs = {"post": inputs.PhotoInput}

    def body_limit(self) -> int:
        return ENVELOPE_BYTES + storage.PHOTO_MAX_BYTES

    def act(self, step: OrderStep, values: dict[str, Any]) -> None:
        file = values["file"]
        actions.add_photo(
            step,
            file=file,
            filename=file.name,
            media_type=file.content_type or "",
            by=self.person,
            at=self.now(),
        )


class CorrectReadingView(ShopView):
    """Correct a reading, with a reason; the first one stays on record."""

    queryset = OrderStep.objects.none()
    serializer_class = StepSerializer
    requires = {"post": "do-step"}
    inputs = {"post": inputs.CorrectionInput}

    def post(self, request: Request, pk: int) -> Response:
        reading = queries.reading_for(self.person, pk)
        actions.correct_reading(reading, **self.taken(), by=self.person, at=self.now())
        steps = queries.steps_of(reading.step.work_order).filter(pk=reading.step_id)
        return Response(StepSerializer(steps.prefetch_related(*_SHOWN).get()).data)
