"""What this room contributes to the history."""

from django.urls import reverse

from jobs.ledger import kinds, subjects
from jobs.signoffs.models import JobCard, SignOff

subjects.register(SignOff, "Sign-offs", address=lambda key: reverse("signoff", args=[key]))
subjects.register(JobCard, "Job cards", address=lambda key: reverse("job-card", args=[key]))

kinds.register("signoff.made", "signed", group="signoff")
kinds.register("signoff.voided", "sign-off void", group="signoff")
kinds.register("signoff.refused", "signing refused: wrong password", group="signoff")
kinds.register("card.filed", "job card filed", group="card")
kinds.register("card.failed", "job card could not be rendered", group="card")
