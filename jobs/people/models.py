"""Shops, the people in them, what each may do, and what each is qualified for."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, ClassVar
from zoneinfo import ZoneInfo, available_timezones

from django.contrib.auth.models import AbstractBaseUser, BaseUserManager
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

if TYPE_CHECKING:
    from django.db.models.fields.related_descriptors import RelatedManager


def check_time_zone(name: str) -> None:
    if name not in available_timezones():
        raise ValidationError(f"{name} is not a time zone of the IANA database, such as Europe/London.")


class Shop(models.Model):
    """A locomotive shop; each has its own people, instruments, work and ledger."""

    code = models.SlugField(max_length=20, unique=True, help_text="Short, never changed: names the ledger.")
    name = models.CharField(max_length=100, unique=True)
    railway = models.CharField(max_length=100)
    time_zone = models.CharField(max_length=60, default="UTC", validators=[check_time_zone])
    is_demo = models.BooleanField(default=False)

    def __str__(self) -> str:
        return self.name

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.time_zone)

    def today(self) -> date:
        return timezone.localdate(timezone=self.zone)


class Role(models.TextChoices):
    PLANNER = "planner", "planner"
    TECHNICIAN = "technician", "technician"
    INSPECTOR = "inspector", "inspector"
    KEEPER = "keeper", "instrument keeper"
    AUDITOR = "auditor", "quality auditor"
    MANAGER = "manager", "shop manager"
    ADMINISTRATOR = "administrator", "administrator"


class PersonManager(BaseUserManager["Person"]):
    def create_user(self, username: str, password: str | None = None, **fields: object) -> Person:
        person = self.model(username=self.model.normalize_username(username), **fields)
        person.set_password(password)
        person.save(using=self._db)
        return person


class Person(AbstractBaseUser):
    """Someone who signs in. What they may do comes from roles, what they may sign from qualifications."""

    username = models.CharField(max_length=60, unique=True)
    name = models.CharField(max_length=200)
    shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="people")
    is_active = models.BooleanField(default=True)
    joined_at = models.DateTimeField(default=timezone.now)

    USERNAME_FIELD = "username"
    REQUIRED_FIELDS = ["name"]
    objects: ClassVar[PersonManager] = PersonManager()

    if TYPE_CHECKING:
        grants: RelatedManager[RoleGrant]
        qualifications: RelatedManager[Qualification]

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "people"

    def __str__(self) -> str:
        return self.name

    @property
    def actor_id(self) -> int | None:
        return self.pk

    @property
    def actor_name(self) -> str:
        return self.name

    @property
    def is_staff(self) -> bool:
        return False

    def roles_on(self, day: date) -> frozenset[str]:
        """Roles held on a day; read once for each day and instance."""
        cache: dict[date, frozenset[str]] = self.__dict__.setdefault("_roles_on", {})
        if day not in cache:
            cache[day] = frozenset(grant.role for grant in self.grants.all() if grant.holds_on(day))
        return cache[day]

    @property
    def roles(self) -> frozenset[str]:
        return self.roles_on(self.shop.today())


class DatedGrant(models.Model):
    """Something that holds from a day until a day (inclusive; open when empty)."""

    valid_from = models.DateField()
    valid_until = models.DateField(null=True, blank=True)

    class Meta:
        abstract = True

    def holds_on(self, day: date) -> bool:
        return self.valid_from <= day and (self.valid_until is None or day <= self.valid_until)


class RoleGrant(DatedGrant):
    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="grants")
    role = models.CharField(max_length=20, choices=Role.choices)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["person", "role", "valid_from"], name="people_grant_once"),
            models.CheckConstraint(
                condition=Q(valid_until__isnull=True) | Q(valid_until__gte=F("valid_from")), name="people_grant_order"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.get_role_display()}"


class Skill(models.Model):
    """Something a person can be qualified for, such as verifying a timing job."""

    code = models.SlugField(max_length=40, unique=True)
    title = models.CharField(max_length=120)

    class Meta:
        ordering = ["title"]

    def __str__(self) -> str:
        return self.title


class Qualification(DatedGrant):
    """A person's proven skill, with its dates and what proves it."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="qualifications")
    skill = models.ForeignKey(Skill, on_delete=models.PROTECT, related_name="qualifications")
    evidence = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["person", "skill", "-valid_from"]
        constraints = [
            models.UniqueConstraint(fields=["person", "skill", "valid_from"], name="people_qualification_once"),
            models.CheckConstraint(
                condition=Q(valid_until__isnull=True) | Q(valid_until__gte=F("valid_from")),
                name="people_qualification_order",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.skill}"


class KeptAnswer(models.Model):
    """The answer once given to a write with an idempotency key, given again when the write is sent again."""

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="+")
    key = models.CharField(max_length=100)
    request_sha256 = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField(null=True, help_text="Empty while the first one is under way.")
    body = models.TextField(blank=True)
    content_type = models.CharField(max_length=100, blank=True)
    location = models.CharField(max_length=300, blank=True)
    asked_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["person", "key"], name="people_answer_once")]

    def __str__(self) -> str:
        return self.key
