"""Sign-offs over the digest of what was signed, their voiding, and the filed job cards."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import models
from django.utils import timezone

from jobs.orders.models import OrderStep, WorkOrder
from jobs.people.models import Person, Shop

if TYPE_CHECKING:
    from django.db.models.fields.related_descriptors import RelatedManager


class SignOff(models.Model):
    """A person's signature to a stated meaning over a stated content. Append-only; see `Voiding`."""

    class Meaning(models.TextChoices):
        HOLD_POINT = "hold-point", "hold point released"
        PERFORMED = "performed", "performed"
        VERIFIED = "verified", "verified"
        RELEASED = "released", "released to service"

    work_order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="signoffs")
    step = models.ForeignKey(OrderStep, on_delete=models.PROTECT, null=True, blank=True, related_name="signoffs")
    meaning = models.CharField(max_length=12, choices=Meaning.choices)
    statement = models.TextField(help_text="The sentence that was signed, as it stood on the screen.")
    signer = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="signoffs")
    signer_name = models.CharField(max_length=200)
    skill_code = models.CharField(max_length=40)
    qualified_until = models.DateField(null=True, blank=True)
    signed_at = models.DateTimeField()
    content_sha256 = models.CharField(max_length=64, help_text="Of the canonical JSON of the content signed.")
    document = models.TextField(help_text="Canonical JSON of content, meaning, signer and earlier sign-offs.")
    document_sha256 = models.CharField(max_length=64)

    if TYPE_CHECKING:
        voiding: Voiding

    class Meta:
        ordering = ["work_order", "signed_at", "id"]
        indexes = [models.Index(fields=["signer", "-signed_at"], name="signoffs_of_person")]

    def __str__(self) -> str:
        return f"{self.work_order.number} {self.get_meaning_display()} by {self.signer_name}"

    @property
    def is_void(self) -> bool:
        return hasattr(self, "voiding")


class Voiding(models.Model):
    """A sign-off whose content changed afterwards: when, by whom, and what changed."""

    signoff = models.OneToOneField(SignOff, on_delete=models.PROTECT, related_name="voiding")
    at = models.DateTimeField()
    by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    by_name = models.CharField(max_length=200)
    what = models.TextField()

    def __str__(self) -> str:
        return f"void since {self.at:%Y-%m-%d %H:%M}: {self.what}"


class JobCard(models.Model):
    """A rendered and signed PDF of a work order, filed under its SHA-256."""

    work_order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="job_cards")
    shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="job_cards")
    number = models.PositiveIntegerField()
    token = models.CharField(max_length=43, unique=True, help_text="Names its public verification page.")
    sha256 = models.CharField(max_length=64)
    size_bytes = models.PositiveBigIntegerField()
    content_sha256 = models.CharField(max_length=64, help_text="Digest of the work order's content it shows.")
    certificate_sha256 = models.CharField(max_length=64, help_text="Of the signing certificate.")
    certificate_subject = models.CharField(max_length=300)
    order_state = models.CharField(max_length=12)
    rendered_at = models.DateTimeField(default=timezone.now)

    if TYPE_CHECKING:
        signoffs: RelatedManager[SignOff]

    class Meta:
        ordering = ["work_order", "-number"]
        constraints = [models.UniqueConstraint(fields=["work_order", "number"], name="signoffs_card_once")]

    def __str__(self) -> str:
        return f"{self.work_order.number} card {self.number}"
