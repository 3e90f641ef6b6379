"""What a plan stands on - places, shifts, absences, planned minutes, pins - and the plans themselves."""

from jobs.planning.models.absences import Absence
from jobs.planning.models.calendars import Holiday, Rota, ShiftPattern, ShiftSpan
from jobs.planning.models.feeds import Feed
from jobs.planning.models.operations import CraneUse, Estimate, OperationFacts
from jobs.planning.models.places import Place
from jobs.planning.models.plans import Change, Plan, Planning, Watcher

__all__ = [
    "Absence",
    "Change",
    "CraneUse",
    "Estimate",
    "Feed",
    "Holiday",
    "OperationFacts",
    "Place",
    "Plan",
    "Planning",
    "Rota",
    "ShiftPattern",
    "ShiftSpan",
    "Watcher",
]
