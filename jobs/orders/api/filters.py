"""Filters of the lists, all in the address."""

from __future__ import annotations

import django_filters
from django.db.models import Q, QuerySet

from jobs.orders.models import Finding, ProcedureStep, Trace, WorkOrder
from jobs.web.filters import IdFilter, InstantFilter


class OrderFilter(django_filters.FilterSet):
    """`state` can be given more than once; instants with an offset; `sort` with a minus for the other way."""

    state = django_filters.MultipleChoiceFilter(choices=WorkOrder.State.choices)
    priority = django_filters.ChoiceFilter(choices=WorkOrder.Priority.choices)
    reason = django_filters.ChoiceFilter(choices=WorkOrder.Reason.choices)
    unit = django_filters.CharFilter(field_name="unit__number")
    engine = django_filters.CharFilter(field_name="engine__serial")
    engine_type = django_filters.CharFilter(field_name="engine__engine_type__code")
    technician = django_filters.CharFilter(field_name="technician__username")
    inspector = django_filters.CharFilter(field_name="inspector__username")
    needed_before = InstantFilter(field_name="needed_by", lookup_expr="lt")
    requested_from = InstantFilter(field_name="requested_at", lookup_expr="gte")
    requested_before = InstantFilter(field_name="requested_at", lookup_expr="lt")
    words = django_filters.CharFilter(method="with_words", help_text="In the number, the unit or the engine.")
    sort = django_filters.OrderingFilter(
        fields=["number", "state", "priority", "needed_by", "requested_at", "planned_start", "closed_at"]
    )

    class Meta:
        model = WorkOrder
        fields: list[str] = []

    def with_words(self, orders: QuerySet[WorkOrder], name: str, words: str) -> QuerySet[WorkOrder]:
        return orders.filter(
            Q(number__icontains=words) | Q(unit__number__icontains=words) | Q(engine__serial__icontains=words)
        )


class FindingFilter(django_filters.FilterSet):
    """`decided=false` lists what waits for a decision."""

    order = IdFilter(field_name="work_order")
    unit = django_filters.CharFilter(field_name="work_order__unit__number")
    kind = django_filters.ChoiceFilter(choices=Finding.Kind.choices)
    decision = django_filters.ChoiceFilter(choices=[c for c in Finding.Decision.choices if c[0]])
    decided = django_filters.BooleanFilter(field_name="decided_at", lookup_expr="isnull", exclude=True)
    sort = django_filters.OrderingFilter(fields=["raised_at", "decided_at", "number"])

    class Meta:
        model = Finding
        fields: list[str] = []


class TraceFilter(django_filters.FilterSet):
    """Traces by where they were handed in and by what made them."""

    order = IdFilter(field_name="work_order")
    unit = django_filters.CharFilter(field_name="work_order__unit__number")
    engine = django_filters.CharFilter(field_name="work_order__engine__serial")
    stage = django_filters.ChoiceFilter(choices=ProcedureStep.Stage.choices)
    form = django_filters.ChoiceFilter(choices=Trace.Form.choices)
    probe = django_filters.CharFilter(field_name="probe__asset_number")
    encoder = django_filters.CharFilter(field_name="encoder__asset_number")
    sha256 = django_filters.CharFilter(field_name="bytes")
    uploaded_from = InstantFilter(field_name="uploaded_at", lookup_expr="gte")
    uploaded_before = InstantFilter(field_name="uploaded_at", lookup_expr="lt")
    sort = django_filters.OrderingFilter(fields=["uploaded_at", "filename"])

    class Meta:
        model = Trace
        fields: list[str] = []
