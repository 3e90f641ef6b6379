"""What this room contributes to the history, and where the outcome of its errands is seen."""

from django.urls import reverse

from jobs.errands import places
from jobs.errands.models import Errand
from jobs.ledger import kinds, subjects
from jobs.signoffs.models import JobCard, SignOff

subjects.register_page(SignOff, "Sign-offs", lambda key: reverse("signoff", args=[key]))
subjects.register_page(JobCard, "Job cards", lambda key: reverse("job-card", args=[key]))

kinds.register("signoff.made", "signed", group="signoff")
kinds.register("signoff.voided", "sign-off void", group="signoff")
kinds.register("signoff.refused", "signing refused: wrong password", group="signoff")
kinds.register("card.filed", "job card filed", group="card")
kinds.register("card.failed", "job card could not be rendered", group="card")


def _card_page(errand: Errand) -> str:
    """The card that came of it; while there is none, the work order."""
    card = errand.outcome.get("job_card")
    return reverse("job-card", args=[card]) if card else reverse("work-order", args=[errand.arguments["work_order"]])


places.register("render-card", what="The job card", address=_card_page)
