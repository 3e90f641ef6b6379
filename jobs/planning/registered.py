"""What this room contributes to the history."""

from django.urls import reverse

from jobs.errands import places as errand_places
from jobs.ledger import kinds, subjects
from jobs.planning import tasks, weighing  # noqa: F401 - register what the worker does
from jobs.planning.actions.plans import MAKE_PLAN
from jobs.planning.actions.worth import WEIGH
from jobs.planning.models import Place, Plan, ShiftPattern

subjects.register_page(Plan, "Plans", lambda key: reverse("plan-version", args=[key]))
subjects.register(
    Place,
    "Bays and cranes",
    address=lambda key: reverse("history-of", args=["planning.place", key]),
    page=lambda key: reverse("plan-facts") + "#places",
)
subjects.register(
    ShiftPattern,
    "Shift patterns",
    address=lambda key: reverse("history-of", args=["planning.shiftpattern", key]),
    page=lambda key: reverse("plan-facts") + "#patterns",
)

for code, title in (
    ("place.added", "bay or crane added"),
    ("place.changed", "bay or crane changed"),
    ("pattern.changed", "shift pattern changed"),
    ("rota.changed", "rota of a person changed"),
    ("holiday.changed", "day without shifts changed"),
    ("feed.given", "calendar link given"),
    ("feed.renewed", "calendar link renewed"),
    ("absence.entered", "absence entered"),
    ("absence.imported", "absences imported"),
    ("absence.withdrawn", "absence withdrawn"),
    ("estimate.changed", "planned minutes of an operation changed"),
    ("crane-use.changed", "crane for an operation wanted or not"),
    ("operation.pinned", "operation pinned or let go"),
    ("operation.overrun", "remaining minutes of an operation entered"),
    ("plan.accepted", "plan accepted"),
):
    kinds.register(code, title, group="plan")

errand_places.register(WEIGH, what="Weighing what one more is worth", address=lambda _: reverse("plan-worth"))
errand_places.register(
    MAKE_PLAN, what="The plan", address=lambda errand: reverse("plan-asked", args=[errand.arguments["planning"]])
)
