"""What is answered when no view could: problem details on the API, a page everywhere else."""

from __future__ import annotations

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django.utils import timezone

from jobs.errors import Reason, Refusal, WrongPerson
from jobs.web.api import NOT_FOUND, plain_problem, wants_problem
from jobs.web.bodies import was_cut


class Unreadable(Refusal):
    """The request is not one at all."""

    status = 400
    title = "Not understood"


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    sentence = "This request cannot be read. Nothing was changed."
    if wants_problem(request):
        return plain_problem(400, "Not understood", sentence)
    refusal = Unreadable([Reason("unreadable", sentence)])
    return render(request, "errors/refused.html", {"refusal": refusal}, status=400)


class Cut(Unreadable):
    """The request ended before all of it had come."""

    title = "Cut off on the way"


def page_too_old(request: HttpRequest, reason: str = "") -> HttpResponse:
    """A form whose token no longer fits: signed in anew since, or cookies are refused; or one that came in part.

    The token is read with the rest of the form, so of a form that was cut off it is missing too.
    """
    if was_cut(request):
        sentence = "The upload was cut off before all of it had arrived. Nothing was stored. Send it again."
        return render(request, "errors/refused.html", {"refusal": Cut([Reason("cut", sentence)])}, status=400)
    return render(request, "errors/csrf.html", status=403)


def denied(request: HttpRequest, exception: Exception) -> HttpResponse:
    sentence = exception.sentence if isinstance(exception, WrongPerson) else "You may not do this."
    if wants_problem(request):
        return plain_problem(403, "Not yours to do", sentence)
    return render(request, "errors/403.html", {"exception": sentence}, status=403)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    if wants_problem(request):
        return plain_problem(404, "Not found", NOT_FOUND)
    return render(request, "errors/404.html", {"exception": str(exception)}, status=404)


def server_error(request: HttpRequest) -> HttpResponse:
    sentence = "Midflank made a mistake, and wrote it to its log. What you did was not stored."
    if wants_problem(request):
        return plain_problem(500, "Our mistake", sentence)
    # Without the request: what failed may be what every page needs of it. The style sheet by its plain name: the
    # list of hashed names may be what is missing.
    context = {"sentence": sentence, "style": f"{settings.STATIC_URL}midflank.css", "at": timezone.now()}
    return HttpResponse(render_to_string("errors/500.html", context), status=500)
