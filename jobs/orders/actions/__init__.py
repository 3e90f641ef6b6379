"""Every write of this room that matters: one function, one transaction, one ledger entry."""

from jobs.orders.actions.findings import decide_finding, raise_finding, reopen_order
from jobs.orders.actions.hand import Typed, TypedPair, hand_in_readings
from jobs.orders.actions.placing import Placement, place_orders, promise_order, unplace_orders
from jobs.orders.actions.procedures import issue_procedure
from jobs.orders.actions.readings import correct_reading, record_reading
from jobs.orders.actions.requests import request_order
from jobs.orders.actions.steps import (
    acknowledge_caution,
    add_photo,
    complete_hold_point,
    confirm_step,
    mark_not_needed,
    reopen_step,
)
from jobs.orders.actions.traces import analyse_again, upload_trace
from jobs.orders.actions.transitions import (
    back_in_work,
    cancel_order,
    close_order,
    hold_order,
    mark_to_verify,
    plan_order,
    release_order,
    resume_order,
    start_order,
)

__all__ = [
    "Placement",
    "Typed",
    "TypedPair",
    "acknowledge_caution",
    "add_photo",
    "analyse_again",
    "back_in_work",
    "cancel_order",
    "close_order",
    "complete_hold_point",
    "confirm_step",
    "correct_reading",
    "decide_finding",
    "hand_in_readings",
    "hold_order",
    "issue_procedure",
    "mark_not_needed",
    "mark_to_verify",
    "place_orders",
    "plan_order",
    "promise_order",
    "raise_finding",
    "record_reading",
    "release_order",
    "reopen_order",
    "reopen_step",
    "request_order",
    "resume_order",
    "start_order",
    "unplace_orders",
    "upload_trace",
]
