"""One step of a work order, one a screen: what to do, what is recorded, and the one thing to do next."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.http import FileResponse, Http404, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from jobs.orders import actions, facts, forms, quantities, queries, storage
from jobs.orders.models import OrderStep, Photo, ProcedureStep, Reading, Trace
from jobs.orders.views import shown
from jobs.people import policies
from jobs.web.bodies import fields_limit, length_first
from jobs.web.forms import PageForm
from jobs.web.http import PersonRequest

Kind = ProcedureStep.Kind


# Beside a file a multipart body holds its part headers and a few short fields.
_ENVELOPE_BYTES = 64 * 1024


def _longest_body(request: PersonRequest, pk: int, position: int) -> int:
    kind = queries.step_for(request.user, pk, position).definition.kind
    files = {Kind.TRACE: int(settings.TRACE_MAX_BYTES), Kind.PHOTO: storage.PHOTO_MAX_BYTES}
    return files[Kind(kind)] + _ENVELOPE_BYTES if kind in files else fields_limit()


# Who may do it is asked before what was typed is looked at: a slip in a form must not hide that it is not theirs.
_POLICY = {"trace": "upload-trace"}


@length_first(_longest_body)
@require_http_methods(["GET", "POST"])
def step(request: PersonRequest, pk: int, position: int) -> HttpResponse:
    """Do one step, or look at what was recorded at it."""
    policies.require(request.user, "see-work")
    found = queries.step_for(request.user, pk, position)
    asked = _forms(request, found)
    if request.method == "POST":
        act = request.POST.get("act", "")
        if act not in asked:
            raise Http404("There is no such thing to do at this step.")
        policies.require(request.user, _POLICY.get(act, "do-step"))
        answer = _ACTS[act](request, found, asked[act])
        if answer is not None:
            return answer
        return render(request, "orders/step.html", shown.context_of(request, found, asked), status=asked[act].status)
    return render(request, "orders/step.html", shown.context_of(request, found, asked))


def _forms(request: PersonRequest, found: OrderStep) -> dict[str, PageForm]:
    """The forms of a step by what they do; the one that was posted is filled in."""
    posted = request.POST.get("act") if request.method == "POST" else None
    definition, person = found.definition, request.user
    units = quantities.units_for(definition.unit)

    def data(act: str) -> Any:
        return request.POST if posted == act else None

    made: dict[str, PageForm] = {"leave_out": forms.ReasonForm(data("leave_out"), prefix="leave-out")}
    if definition.kind == Kind.CAUTION:
        made["acknowledge"] = forms.NoValues(data("acknowledge"))
    if definition.kind in {Kind.CONFIRMATION, Kind.PHOTO, Kind.TRACE}:
        made["confirm"] = forms.NoteForm(data("confirm"))
    if definition.kind in {Kind.READING, Kind.TORQUE}:
        point = _next_point(request, found)
        initial = {"unit": definition.unit, "point": point}
        made["reading"] = forms.ReadingForm(found, person, units, data("reading"), initial=initial)
        made["correct"] = forms.CorrectionForm(units, data("correct"), initial={"unit": definition.unit})
    if definition.kind == Kind.PHOTO:
        made["photo"] = forms.PhotoForm(data("photo"), request.FILES if posted == "photo" else None)
    if definition.kind == Kind.TRACE:
        files = request.FILES if posted == "trace" else None
        made["trace"] = forms.TraceForm(found, person, data("trace"), files)
    return made


def _next_point(request: PersonRequest, found: OrderStep) -> str:
    """The point asked for by `?point=`, or the first without a reading."""
    read = facts.readings_that_count(found)
    points = facts.points_of(found, read)
    wanted = request.GET.get("point", "")
    if wanted and wanted in points:
        return wanted
    return next((point for point in points if point not in read), points[0])


# --- What is done -------------------------------------------------------------------------------------


def _acknowledge(request: PersonRequest, found: OrderStep, form: PageForm) -> HttpResponse | None:
    if form.carried_out(actions.acknowledge_caution, found, by=request.user, at=timezone.now()):
        return _onward(found)
    return None


def _confirm(request: PersonRequest, found: OrderStep, form: PageForm) -> HttpResponse | None:
    if form.carried_out(actions.confirm_step, found, by=request.user, at=timezone.now()):
        return _onward(found)
    return None


def _leave_out(request: PersonRequest, found: OrderStep, form: PageForm) -> HttpResponse | None:
    if form.carried_out(actions.mark_not_needed, found, by=request.user, at=timezone.now()):
        return _onward(found)
    return None


def _reading(request: PersonRequest, found: OrderStep, form: PageForm) -> HttpResponse | None:
    assert isinstance(form, forms.ReadingForm)

    def record(subject: OrderStep, **values: Any) -> Reading:
        named = form.instruments(form.kinds)
        kept = {name: values[name] for name in ("point", "entered", "unit", "unit_confirmed", "by", "at")}
        return actions.record_reading(
            subject, instrument=named[0] if named else None, also=tuple(named[1:]), **kept
        )

    if not form.carried_out(record, found, by=request.user, at=timezone.now()):
        return None
    reading: Reading = form.outcome
    if not reading.within:
        where = f" at {reading.point}" if reading.point else ""
        sentence = f"The reading{where} is out of its limits. A finding was raised; another person decides about it."
        messages.warning(request, sentence)
    return _onward(found)


def _correct(request: PersonRequest, found: OrderStep, form: PageForm) -> HttpResponse | None:
    wrong = shown.reading_asked_for(request, found)
    if wrong is None:
        raise Http404("There is no such reading at this step.")
    if form.carried_out(actions.correct_reading, wrong, by=request.user, at=timezone.now()):
        messages.success(request, "The reading is corrected. The first one stays on record.")
        return _stay(found)
    return None


def _photo(request: PersonRequest, found: OrderStep, form: PageForm) -> HttpResponse | None:
    def add(subject: OrderStep, *, file: Any, **more: Any) -> Photo:
        name, kind = file.name or "photo", file.content_type or ""
        return actions.add_photo(subject, file=file, filename=name, media_type=kind, **more)

    if form.carried_out(add, found, by=request.user, at=timezone.now()):
        return _stay(found)
    return None


def _trace(request: PersonRequest, found: OrderStep, form: PageForm) -> HttpResponse | None:
    def hand_in(subject: OrderStep, *, file: Any, **more: Any) -> tuple[Trace, bool]:
        return actions.upload_trace(subject, file=file, filename=file.name or "trace.csv", **more)

    if not form.carried_out(hand_in, found, by=request.user, at=timezone.now()):
        return None
    trace, is_new = form.outcome
    if not is_new:
        messages.info(request, "This file was handed in at this step before. Here is what was made of it.")
    return redirect_303(reverse("trace", args=[trace.pk]))


_ACTS: dict[str, Callable[[PersonRequest, OrderStep, PageForm], HttpResponse | None]] = {
    "acknowledge": _acknowledge,
    "confirm": _confirm,
    "leave_out": _leave_out,
    "reading": _reading,
    "correct": _correct,
    "photo": _photo,
    "trace": _trace,
}


def redirect_303(address: str) -> HttpResponse:
    """After a POST: look there now (RFC 9110, 15.4.4)."""
    answer = HttpResponseRedirect(address)
    answer.status_code = 303
    return answer


def _onward(found: OrderStep) -> HttpResponse:
    """To the next open step; back to this one while it is open; to the order when all are done."""
    following = queries.current_step(found.work_order)
    if following is None:
        return redirect_303(reverse("work-order", args=[found.work_order_id]))
    return redirect_303(reverse("step", args=[found.work_order_id, following.position]))


def _stay(found: OrderStep) -> HttpResponse:
    return redirect_303(reverse("step", args=[found.work_order_id, found.position]))


@require_GET
def photo(request: PersonRequest, pk: int) -> FileResponse:
    """The bytes of a photo, as handed in."""
    policies.require(request.user, "see-work")
    found = Photo.objects.filter(step__work_order__shop=request.user.shop_id, pk=pk).first()
    if found is None:
        raise Http404("There is no such photo in your shop.")
    # Shown only as the picture it was proved to be; never as anything a browser could run.
    return FileResponse(storage.photos().opened(found.sha256), content_type=found.media_type, filename=found.filename)
