"""How far a piece of work is: a page without script, a fragment that htmx asks for again and again."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET

from jobs.errands import places
from jobs.errands.models import Errand
from jobs.web.http import PersonRequest


@require_GET
@never_cache
def errand(request: PersonRequest, pk: UUID) -> HttpResponse:
    """Queued, running, done, or failed and why; another shop's errand is not found."""
    found = get_object_or_404(Errand, pk=pk, chain=request.user.shop.code)
    context = {"errand": found, "what": places.what(found), "result_url": places.address(found)}
    if not request.htmx:
        return render(request, "errands/errand.html", context)
    response = render(request, "components/errand.html", context)
    if found.ended:
        response["HX-Trigger"] = "errand-ended"
    return response
