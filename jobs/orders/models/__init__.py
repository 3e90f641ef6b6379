"""Procedures, work orders and their steps, and what was recorded at them."""

from jobs.orders.models.order import OrderStep, WorkOrder
from jobs.orders.models.procedure import Procedure, ProcedureRevision, ProcedureStep
from jobs.orders.models.records import Acknowledgement, Finding, InstrumentUse, Photo, Reading
from jobs.orders.models.traces import Analysis, Trace, TraceBytes

__all__ = [
    "Acknowledgement",
    "Analysis",
    "Finding",
    "InstrumentUse",
    "OrderStep",
    "Photo",
    "Procedure",
    "ProcedureRevision",
    "ProcedureStep",
    "Reading",
    "Trace",
    "TraceBytes",
    "WorkOrder",
]
