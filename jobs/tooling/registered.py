"""What this room contributes to the history."""

from django.urls import reverse

from jobs.ledger import kinds, subjects
from jobs.tooling.models import Calibration, Instrument

subjects.register(
    Instrument,
    "Instruments",
    address=lambda key: reverse("history-of", args=["tooling.instrument", key]),
    page=lambda key: reverse("instrument", args=[key]),
)
subjects.register_page(Calibration, "Calibrations", lambda key: reverse("calibration", args=[key]))

kinds.register("instrument.added", "instrument added", group="calibration")
kinds.register("instrument.withdrawn", "instrument withdrawn", group="calibration")
kinds.register("instrument.returned", "instrument returned to service", group="calibration")
kinds.register("calibration.recorded", "calibration recorded", group="calibration")
