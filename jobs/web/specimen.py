"""A page with every drawn component in every state, to look at. Mounted in DEBUG only; needs no database."""

from __future__ import annotations

import uuid
from datetime import UTC, date, datetime
from types import SimpleNamespace
from typing import Any

from django import forms
from django.contrib.auth.decorators import login_not_required
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render

from jobs.web import specimen_data

TODAY = date(2026, 3, 16)
ENDED = datetime(2026, 3, 16, 9, 41, 7, tzinfo=UTC)
LIMIT_DEG = 0.25


class SpecimenForm(forms.Form):
    unit = forms.CharField(label="Unit", help_text="Running number.", initial="7014")
    reason = forms.ChoiceField(label="Reason", choices=[("ring", "index ring disturbed"), ("sensor", "sensor fault")])
    shift = forms.DecimalField(label="Ring shift", widget=forms.TextInput(attrs={"inputmode": "decimal"}))
    note = forms.CharField(label="Note", widget=forms.Textarea, required=False)
    sense = forms.ChoiceField(
        label="Sense", widget=forms.RadioSelect, choices=[("advance", "advance"), ("retard", "retard")]
    )
    read = forms.BooleanField(label="I have read the verdict")


class FilterForm(forms.Form):
    state = forms.ChoiceField(label="State", required=False, choices=[("", "any"), ("held", "held")])
    unit = forms.CharField(label="Unit", required=False)
    due = forms.DateField(label="Needed by", required=False, widget=forms.DateInput(attrs={"type": "date"}))


def _result(deviation: float | None, expanded: float | None, verdict: str) -> dict[str, Any]:
    return {"deviation_deg": deviation, "expanded_uncertainty_deg": expanded, "verdict": verdict}


def _errand(state: str, **more: Any) -> SimpleNamespace:
    about = {"attempts": 1, "attempts_allowed": 3, "reason": "", "progress_note": "", "progress_total": 0}
    ended = state in {"done", "failed"}
    return SimpleNamespace(pk=uuid.UUID(int=7), state=state, ended=ended, finished_at=ENDED, **{**about, **more})


MARKS = [
    ("inside", _result(0.031, 0.042, "conforming")),
    ("at the edge", _result(-0.19, 0.05, "conforming")),
    ("straddling", _result(0.241, 0.06, "undecided")),
    ("outside", _result(-0.462, 0.041, "nonconforming")),
    ("wide whisker", _result(0.1, 0.95, "undecided")),
    ("far outside", _result(5.318, 0.044, "nonconforming")),
    ("far outside, other side", _result(-1.9, 1.5, "nonconforming")),
    ("empty", _result(None, None, "no-result")),
]

CAUTIONS = [
    ("danger", "Engine that can crank or start", "Stored energy in batteries, air and fuel can crank the engine.",
     "Hands in the gear will be lost; people will be killed.",
     "Isolate, lock with your own lock, release what is stored, and try that it stays dead."),
    ("warning", "Hot parts and oil", "Exhaust parts and oil stay hot long after shut-down.",
     "Touching them could burn you severely.", "Let them cool, wear gloves and sleeves, test before you touch."),
    ("caution", "Edges under the cover", "The edge of the gear cover is sharp.",
     "It may cut your hand.", "Wear gloves while the cover is off."),
    ("notice", "Barring the wrong way", "Some pumps do not stand being turned against their rotation.",
     "The engine would be damaged.", "Read the maker's manual for this engine before barring in reverse."),
]  # fmt: skip


def _orders() -> list[SimpleNamespace]:
    def order(state: str, held_from: str = "", held: str = "", cancelled: str = "") -> SimpleNamespace:
        return SimpleNamespace(state=state, held_from=held_from, held_reason=held, cancelled_reason=cancelled)

    plain = [order(state) for state in ("requested", "planned", "released", "in-work", "to-verify", "closed")]
    held = order("held", "in-work", "probe PR-07 is overdue, the next one comes at noon")
    return [*plain, held, order("cancelled", cancelled="the unit was sent to Port Ansel")]


@login_not_required
def specimen(request: HttpRequest) -> HttpResponse:
    """Every component in every state, with made-up figures."""
    wrong = SpecimenForm({"unit": "7014", "shift": "twelve", "note": "as typed"})
    wrong.is_valid()
    dues = [date(2027, 1, 10), date(2026, 4, 2), TODAY, date(2026, 2, 20), None]
    context = {
        "heading": "Specimen of the drawn components",
        "marks": MARKS,
        "limit": LIMIT_DEG,
        "cautions": CAUTIONS,
        "orders": _orders(),
        "dues": dues,
        "today": TODAY,
        "form": SpecimenForm(),
        "wrong": wrong,
        "filter": FilterForm(request.GET),
        "page": Paginator(range(812), 50).get_page(request.GET.get("page")),
        "found": _result(0.612, 0.041, "nonconforming"),
        "left": _result(-0.018, 0.040, "conforming"),
        "trapped": _result(-179.8, 0.05, "nonconforming"),
        "errands": [
            _errand("queued", attempts=0),
            _errand("queued", reason="the worker was killed"),
            _errand("running", progress_note="Cutting the trace into sweeps.", progress_total=5, progress_done=2),
            _errand("done"),
            _errand("failed", reason="line 4 021, column lift_mm: a blank cell is not a displacement."),
        ],
        "reasons": ["Step 4 is still open.", "Torque wrench TW-11 was due on 2026-03-01; take one that is in date."],
        "plot": specimen_data.result(),
        "shop": getattr(request, "specimen_shop", None)
        or SimpleNamespace(name="Brackwater Yard", railway="Strathlune & Western", is_demo=True, code="BY"),
        "work": "work" in request.GET,
        "units": [("mm", "mm"), ("inch", "inch")],
    }
    return render(request, "components/specimen.html", context)


@login_not_required
def specimen_plot(request: HttpRequest) -> JsonResponse:
    """Series for the sweep plot of the specimen, with the window that zooming asks for."""
    window = None
    if "from" in request.GET and "to" in request.GET:
        window = (float(request.GET["from"]), float(request.GET["to"]))
    return JsonResponse(specimen_data.series(window))
