"""History entries as the API gives them out."""

from __future__ import annotations

import json
from typing import Any

from rest_framework import serializers

from jobs.ledger import kinds, subjects
from jobs.ledger.models import Entry, Subject
from jobs.web.serializers import RecordSerializer


class SubjectSerializer(RecordSerializer):
    """A thing that an entry is about, and the address of its page."""

    address = serializers.SerializerMethodField()

    class Meta:
        model = Subject
        fields = ["type", "key", "address"]

    def get_address(self, subject: Subject) -> str:
        """The page of the thing."""
        return subjects.noun(subject.type).address(subject.key)


class EntrySerializer(RecordSerializer):
    """One thing that was done, by whom, when. `body` holds the bytes that are hashed and chained."""

    chain = serializers.CharField(source="chain_id", read_only=True)
    title = serializers.SerializerMethodField()
    group = serializers.SerializerMethodField()
    about = SubjectSerializer(source="subjects", many=True, read_only=True)
    recorded = serializers.SerializerMethodField()

    class Meta:
        model = Entry
        fields = [
            "chain",
            "number",
            "kind",
            "title",
            "group",
            "at",
            "actor_id",
            "actor_name",
            "sentence",
            "about",
            "recorded",
            "body",
            "hash",
        ]

    def get_title(self, entry: Entry) -> str:
        """The kind in words."""
        return kinds.get(entry.kind).title

    def get_group(self, entry: Entry) -> str:
        """The group that an auditor filters by."""
        return kinds.get(entry.kind).group

    def get_recorded(self, entry: Entry) -> dict[str, Any]:
        """What was recorded with it, from the chained bytes."""
        data: dict[str, Any] = json.loads(entry.body)["data"]
        return data


class BrokenSerializer(serializers.Serializer[object]):
    """A place where the chain does not hold."""

    number = serializers.IntegerField(read_only=True)
    message = serializers.CharField(read_only=True)


class VerificationSerializer(serializers.Serializer[object]):
    """How the chain of the shop was found."""

    chain = serializers.CharField(read_only=True)
    size = serializers.IntegerField(read_only=True)
    last_hash = serializers.CharField(read_only=True)
    holds = serializers.BooleanField(read_only=True)
    broken = BrokenSerializer(many=True, read_only=True)
