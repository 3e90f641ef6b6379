"""Sign-offs and job cards, given out and taken in over the API."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from jobs.signoffs import filing, queries, verification
from jobs.signoffs.models import JobCard, SignOff, Voiding
from jobs.web.serializers import Input, Key, Named, RecordSerializer


class VoidingSerializer(RecordSerializer):
    """When a sign-off became void, by whom, and what changed."""

    class Meta:
        model = Voiding
        fields = ["at", "by_name", "what"]


class SignOffSerializer(RecordSerializer):
    """A signature to a stated meaning over a stated content."""

    order = Key(source="work_order")
    order_number = serializers.CharField(source="work_order.number", read_only=True)
    step = serializers.IntegerField(source="step.position", read_only=True, allow_null=True, default=None)
    signer = Named("username")
    is_void = serializers.BooleanField(read_only=True)
    voiding = serializers.SerializerMethodField()

    class Meta:
        model = SignOff
        fields = [
            "id",
            "order",
            "order_number",
            "step",
            "meaning",
            "statement",
            "signer",
            "signer_name",
            "skill_code",
            "qualified_until",
            "signed_at",
            "content_sha256",
            "document_sha256",
            "is_void",
            "voiding",
        ]

    @extend_schema_field(VoidingSerializer(allow_null=True))
    def get_voiding(self, signoff: SignOff) -> dict[str, Any] | None:
        return VoidingSerializer(signoff.voiding).data if signoff.is_void else None


class SignOffDetailSerializer(SignOffSerializer):
    """A sign-off with the canonical JSON that was signed, whether it stands, and what is wrong with it."""

    stands = serializers.SerializerMethodField()
    faults = serializers.SerializerMethodField()

    class Meta(SignOffSerializer.Meta):
        fields = [*SignOffSerializer.Meta.fields, "document", "stands", "faults"]

    def get_stands(self, signoff: SignOff) -> bool:
        """Whether it counts: not void, not altered, and over the record as it is now."""
        return self._standing(signoff).holds

    def get_faults(self, signoff: SignOff) -> list[str]:
        """Sentences; empty when document, digest, history and record agree."""
        return list(self._standing(signoff).faults)

    def _standing(self, signoff: SignOff) -> queries.Standing:
        if self._found is None or self._found.signoff.pk != signoff.pk:
            self._found = queries.standing_of(signoff)
        return self._found

    _found: queries.Standing | None = None


class SignInput(Input):
    """A signature: the meaning, the password again, and the digest of what was seen."""

    meaning = serializers.ChoiceField(choices=SignOff.Meaning.choices)
    password = serializers.CharField(trim_whitespace=False, max_length=1000, write_only=True)
    step = serializers.IntegerField(
        required=False, allow_null=True, min_value=1, help_text="Position of the hold point that is released."
    )
    seen_sha256 = serializers.CharField(
        required=False, allow_blank=True, max_length=64, help_text="`content_sha256` of what was read."
    )


class ContentSerializer(serializers.Serializer[object]):
    """What a sign-off would cover now, and its digest."""

    content = serializers.JSONField(read_only=True)
    content_sha256 = serializers.CharField(read_only=True)


class CardSerializer(RecordSerializer):
    """A filed job card, by its SHA-256; `verify` is its public page."""

    order = Key(source="work_order")
    order_number = serializers.CharField(source="work_order.number", read_only=True)
    verify = serializers.HyperlinkedIdentityField(view_name="verify-card", lookup_field="token")

    class Meta:
        model = JobCard
        fields = [
            "id",
            "order",
            "order_number",
            "number",
            "sha256",
            "size_bytes",
            "content_sha256",
            "certificate_sha256",
            "certificate_subject",
            "order_state",
            "rendered_at",
            "verify",
        ]


class CardDetailSerializer(CardSerializer):
    """A filed job card with how its file is found now: its SHA-256, and whether it still is what was filed."""

    file_sha256 = serializers.SerializerMethodField()
    intact = serializers.SerializerMethodField()
    faults = serializers.SerializerMethodField()

    class Meta(CardSerializer.Meta):
        fields = [*CardSerializer.Meta.fields, "file_sha256", "intact", "faults"]

    @extend_schema_field(serializers.CharField(allow_null=True))
    def get_file_sha256(self, card: JobCard) -> str | None:
        """SHA-256 of the file as it lies in the store now, to hold against `sha256`; null when it cannot be read."""
        return filing.sha256_as_it_lies(card.sha256)

    def get_intact(self, card: JobCard) -> bool:
        """Whether the file is, byte for byte, what was filed, and its signature and the history bear it out."""
        return self._checked(card).holds

    def get_faults(self, card: JobCard) -> list[str]:
        """Sentences; empty when it is intact."""
        return self._checked(card).faults

    def _checked(self, card: JobCard) -> verification.Verification:
        if self._found is None or self._found[0] != card.pk:
            self._found = (card.pk, verification.check(card))
        return self._found[1]

    _found: tuple[int, verification.Verification] | None = None
