"""What this room contributes to the history."""

from django.urls import reverse

from jobs.ledger import kinds, subjects
from jobs.people.models import Person

subjects.register(
    Person,
    "People",
    address=lambda key: reverse("history-of", args=["people.person", key]),
    page=lambda key: reverse("person", args=[key]),
)

kinds.register("person.added", "person added", group="people")
kinds.register("role.granted", "role granted", group="people")
kinds.register("role.ended", "role ended", group="people")
kinds.register("qualification.granted", "qualification entered", group="people")
kinds.register("qualification.ended", "qualification ended", group="people")
