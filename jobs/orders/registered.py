"""What this room contributes to the history, and the errands it does."""

from django.urls import reverse

from jobs.ledger import kinds, subjects
from jobs.orders import tasks  # noqa: F401 - registers what the worker does
from jobs.orders.models import ProcedureRevision, Trace, WorkOrder

subjects.register_page(WorkOrder, "Work orders", lambda key: reverse("work-order", args=[key]))
subjects.register_page(Trace, "Traces", lambda key: reverse("trace", args=[key]))
subjects.register(
    ProcedureRevision,
    "Procedure revisions",
    address=lambda key: reverse("history-of", args=["orders.procedurerevision", key]),
)

for code, title, group in (
    ("procedure.issued", "procedure revision issued", "order"),
    ("order.requested", "work order requested", "order"),
    ("order.planned", "work order planned", "order"),
    ("order.unplanned", "work order left without a place", "order"),
    ("order.promised", "promise given or moved", "order"),
    ("order.released", "work order released", "order"),
    ("order.started", "work started", "order"),
    ("order.held", "work order held", "order"),
    ("order.resumed", "work order let go on", "order"),
    ("order.cancelled", "work order cancelled", "order"),
    ("order.to-verify", "work order ready to verify", "order"),
    ("order.back-in-work", "work order back in work", "order"),
    ("order.reopened", "closed work order reopened", "override"),
    ("order.closed", "work order closed", "order"),
    ("caution.acknowledged", "caution acknowledged", "reading"),
    ("step.done", "step done", "reading"),
    ("step.not-needed", "step not needed", "reading"),
    ("step.reopened", "step reopened", "reading"),
    ("reading.recorded", "reading recorded", "reading"),
    ("reading.corrected", "reading corrected", "reading"),
    ("reading.unit-confirmed", "unit of a reading confirmed against suspicion", "override"),
    ("photo.added", "photo added", "reading"),
    ("trace.uploaded", "trace uploaded", "verdict"),
    ("hand-readings.confirmed", "hand readings confirmed against doubt", "override"),
    ("trace.analysed", "trace analysed", "verdict"),
    ("trace.refused", "trace refused by the analysis", "verdict"),
    ("trace.failed", "trace could not be analysed", "verdict"),
    ("finding.raised", "finding raised", "override"),
    ("finding.decided", "finding decided", "override"),
):
    kinds.register(code, title, group=group)
