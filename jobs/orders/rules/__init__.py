"""What is allowed and why not: pure functions of facts, each returning every reason it finds."""

from jobs.errors import Reason
from jobs.orders.rules.findings import FindingFacts, why_not_decide, why_not_decision, why_not_raise
from jobs.orders.rules.orders import (
    OrderFacts,
    PlanFacts,
    Planned,
    why_not_back_in_work,
    why_not_cancel,
    why_not_close,
    why_not_hold,
    why_not_plan,
    why_not_release,
    why_not_reopen,
    why_not_request,
    why_not_resume,
    why_not_start,
    why_not_to_verify,
)
from jobs.orders.rules.procedures import why_not_issue
from jobs.orders.rules.readings import (
    ReadingFacts,
    why_not_correct,
    why_not_instrument_range,
    why_not_named,
    why_not_point,
    why_not_read,
)
from jobs.orders.rules.steps import (
    StepFacts,
    TraceFacts,
    why_not_acknowledge,
    why_not_complete_hold_point,
    why_not_confirm,
    why_not_do_step,
    why_not_mark_not_needed,
    why_not_result,
)
from jobs.orders.rules.words import why_not_stale, why_not_text

__all__ = [
    "FindingFacts",
    "OrderFacts",
    "PlanFacts",
    "Planned",
    "ReadingFacts",
    "Reason",
    "StepFacts",
    "TraceFacts",
    "why_not_acknowledge",
    "why_not_back_in_work",
    "why_not_cancel",
    "why_not_close",
    "why_not_complete_hold_point",
    "why_not_confirm",
    "why_not_correct",
    "why_not_decide",
    "why_not_decision",
    "why_not_do_step",
    "why_not_hold",
    "why_not_instrument_range",
    "why_not_issue",
    "why_not_mark_not_needed",
    "why_not_named",
    "why_not_plan",
    "why_not_point",
    "why_not_raise",
    "why_not_read",
    "why_not_release",
    "why_not_reopen",
    "why_not_request",
    "why_not_result",
    "why_not_resume",
    "why_not_stale",
    "why_not_start",
    "why_not_text",
    "why_not_to_verify",
]
