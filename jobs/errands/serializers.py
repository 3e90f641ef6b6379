"""Errands as the API gives them out."""

from __future__ import annotations

from jobs.errands.models import Errand
from jobs.web.serializers import RecordSerializer


class ErrandSerializer(RecordSerializer):
    """A piece of work for a worker, how far it is, and how it ended."""

    class Meta:
        model = Errand
        fields = [
            "id",
            "kind",
            "state",
            "attempts",
            "attempts_allowed",
            "progress_done",
            "progress_total",
            "progress_note",
            "reason",
            "outcome",
            "asked_by",
            "created_at",
            "started_at",
            "finished_at",
        ]
