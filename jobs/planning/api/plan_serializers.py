"""Plans, what was asked of the planner, and moves by hand, given out and taken in over the API."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from jobs.planning.models import Change, Plan, Planning
from jobs.web.serializers import Input, Instant, Key, Named, RecordSerializer


class PlanSerializer(RecordSerializer):
    """An alternative, or once it has a `version` a plan that was accepted; without its bookings."""

    planning = Key()
    based_on = Key()
    accepted_by = Named("username", allow_null=True)

    class Meta:
        model = Plan
        fields = [
            "id", "version", "title", "planning", "based_on", "cost", "made_at", "accepted_by", "accepted_at", "note",
        ]  # fmt: skip


class WholePlanSerializer(PlanSerializer):
    """A plan with its bookings: `problem` and `plan` in the planner's contract, `names` the words for its ids."""

    problem = serializers.JSONField()
    plan = serializers.JSONField()
    names = serializers.JSONField()

    class Meta:
        model = Plan
        fields = [*PlanSerializer.Meta.fields, "problem", "plan", "names"]


class PlanningSerializer(RecordSerializer):
    """What was asked, how the errand stands, and the alternatives found."""

    asked_by = Named("username")
    based_on = Key()
    errand = Key()
    plans = PlanSerializer(many=True, read_only=True)

    class Meta:
        model = Planning
        fields = [
            "id", "purpose", "why", "asked_by", "asked_at", "seconds", "based_on", "errand", "finished_at", "failure",
            "plans",
        ]  # fmt: skip


class ChangeSerializer(RecordSerializer):
    """A move by hand on top of the plan in force."""

    by = Named("username")

    class Meta:
        model = Change
        fields = ["sequence", "operation", "what", "before", "after", "by", "at"]


class AskInput(Input):
    why = serializers.CharField(max_length=300, required=False, allow_blank=True, default="")
    seconds = serializers.FloatField(min_value=0, max_value=300, required=False, default=6.0)


class TroubleInput(Input):
    """`what` is an id of the problem: a person, place, instrument, or an operation in hand."""

    what = serializers.CharField(max_length=80)
    starts_at = Instant()
    hours = serializers.FloatField(min_value=0, max_value=10_000, required=False, allow_null=True, default=None)
    reason = serializers.CharField(max_length=120, required=False, allow_blank=True, default="")


class AcceptInput(Input):
    note = serializers.CharField(max_length=300, required=False, allow_blank=True, default="")


class AcceptPlanInput(AcceptInput):
    """`losing`: orders that stand on the board may lose their place."""

    losing = serializers.BooleanField(required=False, default=False)


class MoveInput(Input):
    """`swap` maps the id of what the operation has to that of what it shall have."""

    operation = serializers.CharField(max_length=80)
    start = Instant(required=False, allow_null=True, default=None)
    swap = serializers.DictField(child=serializers.CharField(max_length=80), required=False, default=dict)
    minutes = serializers.IntegerField(required=False, allow_null=True, default=None)
    pin = serializers.BooleanField(required=False, allow_null=True, default=None)
    push = serializers.BooleanField(required=False, default=True)
    look_only = serializers.BooleanField(required=False, default=False)


class PromiseInput(Input):
    promised_at = Instant()


class EffectSerializer(serializers.Serializer[Any]):
    """What a move does: bookings as they stand then, what they clash with, what becomes of the order."""

    bookings = serializers.JSONField()
    clashes = serializers.ListField(child=serializers.CharField())
    notes = serializers.ListField(child=serializers.CharField())
    late = serializers.BooleanField()


class BoardSerializer(serializers.Serializer[Any]):
    """The board as it stands: the plan in force with the moves by hand on top of it."""

    version = serializers.IntegerField(allow_null=True)
    bookings = serializers.JSONField()
    names = serializers.JSONField()
    moves = ChangeSerializer(many=True)


class OfferSerializer(serializers.Serializer[Any]):
    at = Instant()
    sentence = serializers.CharField()


class OffersSerializer(serializers.Serializer[Any]):
    """The earliest honest promise first, then earlier ones for which another order gives way."""

    offers = OfferSerializer(many=True)
    why_none = serializers.CharField(allow_blank=True)
    tried = serializers.IntegerField(min_value=0, help_text="How many other orders were each moved for a look")
    in_the_way = serializers.IntegerField(min_value=0, help_text="How many stand before it and could give way")
